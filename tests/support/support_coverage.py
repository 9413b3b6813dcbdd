"""Photos and lists for coverage tests, each built from a few words."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any

from evidence.coverage.requirements import load_list
from evidence.coverage.shots import ShotList
from evidence.model import (
    CameraFacts,
    Claim,
    ClaimId,
    Facet,
    FacetValue,
    Finding,
    Look,
    PhotoRecord,
    Quality,
    Sha256,
    Source,
)
from evidence.settings import default_text
from evidence.tags.vocabulary import Vocabulary, load_vocabulary

MORNING = datetime(2026, 5, 14, 9, 0)
CLAIM = Claim(claim=ClaimId("HR26-1"), loss_date=date(2026, 4, 28), peril="hail", stories=1)
SHARP = Quality(width=1920, height=1440, sharpness=400.0, brightness=0.5, clipped=0.0)


@cache
def vocabulary() -> Vocabulary:
    return load_vocabulary(default_text("tags.toml"), "tags.toml")


def default_list_text(name: str) -> str:
    return default_text(f"required_shots/{name}.toml")


@cache
def shipped(name: str) -> ShotList:
    return load_list(default_list_text(name), f"{name}.toml", vocabulary(), default_list_text)


def a_list(
    body: str, *, safety: str = "Stay down when in doubt.", bases: Mapping[str, str] | None = None
) -> ShotList:
    text = f'[list]\nid = "mine"\ntitle = "Mine"\nsafety = "{safety}"\n{body}'
    return load_list(text, "mine.toml", vocabulary(), lambda name: (bases or {})[name])


def gutter_shots(*faces: str) -> ShotList:
    """Two close-ups of damage to the gutter, or one proof of none, at each of these elevations; at all without."""
    only = f"faces = {json.dumps(faces)}" if faces else ""
    return a_list(f"""
[[shot]]
id = "gutter"
title = "Gutter"
for_each = "elevation"
{only}
[[shot.any_of]]
title = "damage close-ups"
least = 2
facets = {{ component = "gutter", role = "close_up", condition = "damage" }}
[[shot.any_of]]
title = "no-damage proof"
facets = {{ component = "gutter", role = "no_damage_proof" }}
""")


def value(facet: Facet, word: str, confidence: float | None = None) -> FacetValue:
    """Stated by a label without a confidence, else guessed with it."""
    if confidence is None:
        return FacetValue(facet=facet, value=word, source=Source.LABEL, confidence=1.0, reason="label card")
    return FacetValue(facet=facet, value=word, source=Source.FUSED, confidence=confidence, reason="a guess")


def photo(number: int, *, guess: float | None = None, phash: str | None = None, **words: Any) -> PhotoRecord:
    """Photo number so and so of the claim, a minute after the one before it.

    `words` are facets (role="slope", count="8"); other keywords are fields of PhotoRecord, `facts`, `quality` and
    `at` (its time). With `guess` every facet is guessed at that probability. Each photo has a hash of its own.
    """
    tags = {Facet(k): value(Facet(k), str(words.pop(k)), guess) for k in list(words) if k in list(Facet)}
    at = words.pop("at", MORNING + timedelta(minutes=number))
    quality = words.pop("quality", SHARP)
    flags = words.pop("look_flags", ())
    facts = words.pop("facts", {})
    look = Look(phash=own_hash(number) if phash is None else phash, quality=quality, flags=flags)
    fields = {"name": f"TNDL{number:04}.JPG", "order": number, "tags": tags, **words}
    return PhotoRecord(
        sha256=Sha256(hashlib.sha256(str(number).encode()).hexdigest()),
        card_path=f"DCIM/100TNDLE/TNDL{number:04}.JPG",
        claim=CLAIM.claim,
        facts=CameraFacts(**{"taken_local": at, **facts}),
        look=look,
        **fields,
    )


def own_hash(number: int) -> str:
    """Hashes far apart: the first 64 bits of a digest (32 bits apart on average)."""
    return hashlib.sha256(f"hash {number}".encode()).hexdigest()[:16]


def a_bit_off(phash: str, *bits: int) -> str:
    code = int(phash, 16)
    for bit in bits:
        code ^= 1 << bit
    return f"{code:016x}"


def found(code: str, message: str = "something.") -> Finding:
    return Finding(code=code, message=message)


def whole_hail_roof() -> list[PhotoRecord]:
    """A claim that satisfies the hail list: half of it by damage, half by proofs."""
    words: list[dict[str, str]] = []
    for face in ("front", "right", "back", "left"):
        words.append({"face": face, "role": "elevation"})
        for component in ("gutter", "downspout", "screen", "siding"):
            if face in {"front", "back"}:
                words += [
                    {"face": face, "component": component, "role": "close_up", "condition": "damage"}
                ] * 2
            else:
                words.append({"face": face, "component": component, "role": "no_damage_proof"})
        words.append({"face": face, "role": "slope"})
        if face == "left":
            words.append({"face": face, "component": "shingle", "role": "no_damage_proof"})
            continue
        count = "0" if face == "right" else "9"
        words.append({"face": face, "role": "test_square", "count": count})
        if count != "0":
            close = {"face": face, "role": "close_up", "condition": "damage", "component": "shingle"}
            words += [close] * 3
    words += [{"component": c} for c in ("shingle_gauge", "pitch_gauge", "layers", "drip_edge")]
    words += [{"component": c, "role": "no_damage_proof"} for c in ("vent", "pipe_boot", "ridge")]
    words.append({"component": "ac_unit", "role": "close_up", "condition": "damage"})
    return [photo(number, **one) for number, one in enumerate(words)]
