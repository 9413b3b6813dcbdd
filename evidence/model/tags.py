"""The tag of a photo: five facets, each with its source and confidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from evidence.model.findings import Finding


class Role(StrEnum):
    """What a photo is for."""

    OVERVIEW = "overview"
    ELEVATION = "elevation"
    SLOPE = "slope"
    TEST_SQUARE = "test_square"
    CLOSE_UP = "close_up"
    NO_DAMAGE_PROOF = "no_damage_proof"
    MEASUREMENT = "measurement"
    DIVIDER = "divider"
    LABEL = "label"
    OTHER = "other"


class Face(StrEnum):
    """Which side of the house, seen from the street: front is the street side."""

    FRONT = "front"
    RIGHT = "right"
    BACK = "back"
    LEFT = "left"
    NONE = "none"


class Condition(StrEnum):
    """Whether the photo shows damage."""

    DAMAGE = "damage"
    NO_DAMAGE = "no_damage"
    UNSTATED = "unstated"


class Facet(StrEnum):
    """The five parts of a tag."""

    ROLE = "role"
    FACE = "face"
    COMPONENT = "component"
    CONDITION = "condition"
    COUNT = "count"


class Source(StrEnum):
    """Where a facet's value comes from. A person and a label card state; all others guess (rule 9)."""

    PERSON = "person"
    LABEL = "label"
    WRITING = "writing"
    PIXELS = "pixels"
    PLACE = "place"
    HABIT = "habit"
    FUSED = "fused"


STATING = frozenset({Source.PERSON, Source.LABEL})


@dataclass(frozen=True, slots=True, kw_only=True)
class FacetValue:
    """One facet of a photo's tag, with its source and confidence."""

    facet: Facet
    value: str
    """A word of the vocabulary; for `count` a whole number in digits."""
    source: Source
    confidence: float
    """Calibrated probability for guesses; 1 for what is stated."""
    reason: str
    """The reason, in words for a reviewer."""

    @property
    def stated(self) -> bool:
        """True when a person or a label card states it."""
        return self.source in STATING


Tags = Mapping[Facet, FacetValue]
"""At most one value per facet, the strongest. A facet without a value is absent."""


def tag_value(tags: Tags, facet: Facet) -> str | None:
    """The value of `facet`, or None."""
    value = tags.get(facet)
    return value.value if value else None


@dataclass(frozen=True, slots=True, kw_only=True)
class TagResult:
    """A photo's tag, the values of each source, and flags for a person to check."""

    tags: Tags
    """The strongest value of each facet; a stated value always comes before a guess."""
    by_source: tuple[FacetValue, ...] = ()
    """The values of each source, those of the tag among them."""
    flags: tuple[Finding, ...] = ()
