"""The kinds of question, and the conclusion when none is left; frozen values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

from evidence.coverage.report import Item
from evidence.model import ClaimId, Condition, Facet, FacetValue, Role, Sha256

USUAL_REASONS = (
    "none at this house",
    "this side is built onto the next building",
    "the roof has no such slope",
    "it cannot be reached safely",
    "no access on the day of the inspection",
    "not part of this loss",
)
"""Usual reasons why a required shot is not needed at a house; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseQuestion:
    """Whose house is this run of photos?"""

    photos: tuple[Sha256, ...]
    """In shooting order."""
    segment: str
    """The segment, when these are all of its photos; else empty."""
    claim: ClaimId
    """The guess."""
    probability: float
    reasons: tuple[str, ...]
    others: tuple[ClaimId, ...]
    """Other claims that it may be, the nearest on that day first."""

    @property
    def key(self) -> str:
        """Identifies the question while the claim is reviewed."""
        return f"house {self.photos[0]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedFacet:
    """One facet of a photo that a person has to state."""

    facet: Facet
    guess: FacetValue | None
    """The guess, however weak; None where there is none."""
    proposed: str | None
    """What a yes states; None where the person has to choose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoQuestion:
    """Does this photo show what was guessed?"""

    photo: Sha256
    facets: tuple[AskedFacet, ...]
    meets: tuple[Item, ...]
    """The unmet shots that a yes helps to meet, the first one the most."""
    supposed: Mapping[Sha256, Mapping[Facet, str]]
    """All statements with which the first of these shots would be met, this photo's among them."""

    @property
    def key(self) -> str:
        """Identifies the question while the claim is reviewed."""
        return f"photo {self.photo}"

    @property
    def further(self) -> int:
        """How many other photos the first shot needs stated, too."""
        return len(self.supposed) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedLine:
    """Missing shots of one place, which one reason may set aside together."""

    place: str
    """For instance `left elevation`; empty for what is asked once at the house."""
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedQuestion:
    """Are all these shots, which nothing shows, needed at this house?"""

    lines: tuple[NeedLine, ...]

    @property
    def key(self) -> str:
        """Identifies the question by all that it asks about."""
        return " ".join(need_key(item) for line in self.lines for item in line.items)


def need_key(item: Item) -> str:
    """Identifies one missing shot in a NeedQuestion."""
    return f"need:{item.requirement}:{item.key[1]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StayQuestion:
    """Which of these photos, nearly equal, stay in the report?"""

    photos: tuple[Sha256, ...]
    """In shooting order."""
    proposed: Sha256
    """The sharpest of those that a required shot counts, else of all."""

    @property
    def key(self) -> str:
        """Identifies the question while the claim is reviewed."""
        return f"stay {self.photos[0]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class LikenessQuestion:
    """Is it fine that this photo is like one of another claim, or is somebody to look into it?"""

    photo: Sha256
    other: Sha256
    """The most alike photo of another claim; the same digest for an equal file."""
    sentence: str
    """How alike it is, and how common that is."""

    @property
    def key(self) -> str:
        """Identifies the question while the claim is reviewed."""
        return f"likeness {self.photo} {self.other}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """Nothing is left to ask: sign off, or send back with what is left."""

    ready: bool
    """Whether nothing stands in the way of a sign-off."""
    missing: tuple[Item, ...]
    guessed: tuple[Item, ...]
    houses: int
    """Photos whose house nobody confirmed."""
    skipped: int
    """Questions that were put off and still stand."""


Question: TypeAlias = HouseQuestion | PhotoQuestion | NeedQuestion | LikenessQuestion | StayQuestion


def answered(question: PhotoQuestion, chosen: Mapping[Facet, str]) -> dict[Facet, str]:
    """What an answer states: each asked facet, as `chosen` or else as proposed; facets without either are left out.

    Role and condition stay in step: who corrects a photo to undamaged makes it a no-damage proof, and who corrects
    it to damaged makes it a close-up, unless the role itself was chosen.
    """
    asked = {one.facet: one.proposed for one in question.facets}
    stated = {
        facet: value
        for facet, proposed in asked.items()
        if (value := chosen.get(facet) or proposed) is not None
    }
    condition, role = stated.get(Facet.CONDITION), stated.get(Facet.ROLE)
    corrected = condition is not None and condition != asked.get(Facet.CONDITION)
    if corrected and role == asked.get(Facet.ROLE):
        if condition == Condition.NO_DAMAGE and role == Role.CLOSE_UP:
            stated[Facet.ROLE] = Role.NO_DAMAGE_PROOF.value
        elif condition == Condition.DAMAGE and role == Role.NO_DAMAGE_PROOF:
            stated[Facet.ROLE] = Role.CLOSE_UP.value
    return stated
