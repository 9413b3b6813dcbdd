"""Keeps guesses apart from what is stated: where a photo may stand in a report, and what one confirmation may state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from evidence.model import Condition, Face, Facet, FacetValue, Source, Tags

BOARD_READS = "board reads"
"""How the reason of every value begins that was read from a board."""

_SUBJECT = (Facet.ROLE, Facet.COMPONENT)


class Standing(StrEnum):
    """Whether a photo's place in a report or table is stated; the value is what readers see."""

    STATED = "stated"
    """Its side and what it shows are stated, or no side is guessed: it stands under them."""
    NOT_REVIEWED = "not yet reviewed"
    """Its side or what it shows is only guessed: it stands in a section of its own."""
    FURTHER = "further photo"
    """The same in a signed claim; its guesses are not printed."""
    UNTAGGED = "without tags"


def standing(tags: Tags, *, shows: float, signed: bool = False) -> Standing:
    """Whether a photo with these tags may stand under its side and its subject.

    A guess less probable than `shows` counts as none. In a signed claim no photo is "not yet reviewed".
    """
    stated = stated_only(tags)
    guessed = {
        facet: value for facet, value in tags.items() if not value.stated and value.confidence >= shows
    }
    if not stated and not guessed:
        return Standing.UNTAGGED
    only_guessed = Standing.FURTHER if signed else Standing.NOT_REVIEWED
    side = guessed.get(Facet.FACE)
    if side is not None and side.value != Face.NONE:
        return only_guessed
    if any(facet in stated for facet in _SUBJECT):
        return Standing.STATED
    if any(facet in guessed for facet in (*_SUBJECT, Facet.FACE)):
        return only_guessed
    return Standing.STATED if stated else only_guessed


def stated_only(tags: Tags) -> dict[Facet, FacetValue]:
    """The facets that a person or a label card states: all that places a photo in a report."""
    return {facet: value for facet, value in tags.items() if value.stated}


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmable:
    """What one confirmation would state of a photo, and the guesses that it leaves to a person."""

    states: Mapping[Facet, FacetValue]
    under_level: Mapping[Facet, FacetValue]
    """Less probable than the level."""
    unseen_damage: Mapping[Facet, FacetValue]
    """Damage or hits that were guessed from the picture: only somebody who looked at it states them."""


def confirmable(tags: Tags, *, level: float) -> Confirmable:
    """The guesses of a photo, divided by what may happen to them when many are confirmed at once."""
    states: dict[Facet, FacetValue] = {}
    under: dict[Facet, FacetValue] = {}
    damage: dict[Facet, FacetValue] = {}
    for facet, value in tags.items():
        if value.stated or (facet is Facet.CONDITION and value.value == Condition.UNSTATED):
            continue
        if _is_unseen_damage(value):
            damage[facet] = value
        elif value.confidence < level:
            under[facet] = value
        else:
            states[facet] = value
    return Confirmable(states=states, under_level=under, unseen_damage=damage)


def _is_unseen_damage(value: FacetValue) -> bool:
    """True for damage, or a number of hits, that no board in the photo says."""
    if value.source is Source.WRITING or value.reason.startswith(BOARD_READS):
        return False
    return value.facet is Facet.COUNT or (value.facet is Facet.CONDITION and value.value == Condition.DAMAGE)
