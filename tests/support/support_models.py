"""The shipped vocabulary and walk plan, and a plan so small that all of its walks can be counted out."""

from __future__ import annotations

from functools import lru_cache

from evidence.settings import default_text
from evidence.tags.models import TagModels
from evidence.tags.vocabulary import Vocabulary, load_vocabulary
from evidence.tags.walk.plan import WalkPlan, load_plan


@lru_cache(maxsize=1)
def words() -> Vocabulary:
    return load_vocabulary(default_text("tags.toml"), "tags.toml")


@lru_cache(maxsize=1)
def plan() -> WalkPlan:
    return load_plan(default_text("walk.toml"), "walk.toml", words())


def shipped() -> TagModels:
    return TagModels(plan=plan())


def cards() -> dict[tuple[str, str], int]:
    """Numbers of the label cards by the facet and value that is their own; ("end", "") for the END card."""
    found: dict[tuple[str, str], int] = {}
    for card in words().labels:
        if card.ends:
            found["end", ""] = card.number
        else:
            facet, value = card.sets[0]
            if len(card.sets) == 1 or facet.value in ("component", "condition"):
                found.setdefault((facet.value, value), card.number)
    return found


SMALL = """
[[roof]]
name = "any"
sides = ["front"]
[[style]]
name = "there"
weight = 3
ground = ["front", "left", "back", "right"]
slopes = ["front", "left", "back", "right"]
order = ["street", "ground"]
[[style]]
name = "back again"
weight = 1
ground = ["front", "right", "back", "left"]
slopes = ["front", "right", "back", "left"]
order = ["ground", "street"]
[[stage]]
id = "street"
zone = "outside"
face = "front"
usual = 0.6
[[stage.shot]]
role = "overview"
looks = "far"
[[stage]]
id = "ground"
zone = "outside"
each = "ground"
usual = 0.9
[[stage.shot]]
role = "elevation"
usual = 0.9
again = 0.2
looks = "far"
[[stage.shot]]
role = "detail"
component = "gutter"
usual = 0.7
again = 0.4
looks = "near"
[looks]
far = { house = 1.0 }
near = { fixture = 0.8, other = 0.2 }
none = { other = 1.0 }
"""


@lru_cache(maxsize=1)
def small_plan() -> WalkPlan:
    return load_plan(SMALL, "small.toml", words())
