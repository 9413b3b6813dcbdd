"""What is stated of each elevation and slope of a house, and of its components, from the tags of the photos.

Guesses never make a surface shown, damaged or sound. A count of hits is stated by a person or a label card, or it is a
proposal.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from evidence.model import Condition, Face, Facet, FacetValue, PhotoRecord, Role, Sha256
from evidence.tags.standing import stated_only
from evidence.tags.vocabulary import Vocabulary, Zone
from evidence.tags.walk.sides import SIDES

FACES = tuple(Face(side) for side in SIDES)
"""From the street to the right round the house, counter-clockwise as seen from above."""

_ROOF_ROLES = frozenset({Role.SLOPE, Role.TEST_SQUARE})
_NOT_HOUSE = frozenset({Role.DIVIDER, Role.LABEL})


class HousePart(StrEnum):
    """A part of the house that has four faces."""

    ELEVATION = "elevation"
    SLOPE = "slope"


class State(StrEnum):
    """What the photos state of a surface; the value is what readers see."""

    DAMAGED = "damaged"
    SOUND = "proved sound"
    SHOWN = "shown"
    GUESSED = "only guessed"
    MISSING = "not shown"

    @property
    def letter(self) -> str:
        """Its letter in the drawing."""
        return _LETTERS[self]

    @property
    def meaning(self) -> str:
        """One sentence for the legend."""
        return _MEANINGS[self]


_LETTERS = {
    State.DAMAGED: "D",
    State.SOUND: "S",
    State.SHOWN: "P",
    State.GUESSED: "G",
    State.MISSING: "M",
}
_MEANINGS = {
    State.DAMAGED: "a photo states damage or hits there",
    State.SOUND: "a photo states no damage there, and none states damage",
    State.SHOWN: "photographed; its condition is not stated",
    State.GUESSED: "photos are only guessed to be of it, so it proves nothing",
    State.MISSING: "no photo shows it",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TestSquare:
    """One photo of a test square."""

    __test__ = False  # no test of pytest

    photo: Sha256
    hits: int | None
    """Stated by a person or a label card; None when nobody states a number."""
    proposed: int | None = None
    """A number that the program read or counted, where none is stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """One elevation or slope."""

    part: HousePart
    face: Face
    state: State
    photos: tuple[Sha256, ...] = ()
    """Photos that are stated to be of it, in shooting order."""
    damage: tuple[Sha256, ...] = ()
    sound: tuple[Sha256, ...] = ()
    guesses: tuple[Sha256, ...] = ()
    """Photos that are only guessed to be of it."""
    squares: tuple[TestSquare, ...] = ()
    missing_shots: int = 0
    """Required shots of this surface that are missing."""

    @property
    def name(self) -> str:
        """`front elevation`, `back slope`."""
        return f"{self.face} {self.part}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ComponentRow:
    """One component in one place in one condition."""

    component: str
    """The vocabulary's id."""
    words: str
    face: Face | None
    """None where no face is stated."""
    condition: Condition
    photos: tuple[Sha256, ...]

    @property
    def condition_words(self) -> str:
        """The condition in words."""
        return {Condition.DAMAGE: "damage", Condition.NO_DAMAGE: "no damage"}.get(
            self.condition, "not stated"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """Everything that the photos of one claim state of the house."""

    surfaces: tuple[Surface, ...]
    """Four elevations, then four slopes, each in the order of `FACES`."""
    components: tuple[ComponentRow, ...]
    """By component as in the vocabulary, then by face, damage first."""
    measurements: tuple[PhotoRecord, ...]
    """Photos that are stated to be measurements."""

    def surface(self, part: HousePart, face: Face) -> Surface:
        """One of the eight."""
        return next(one for one in self.surfaces if (one.part, one.face) == (part, face))


def house_of(
    records: Sequence[PhotoRecord],
    vocabulary: Vocabulary,
    *,
    missing: Mapping[tuple[HousePart, Face], int] | None = None,
) -> House:
    """What these photos, in shooting order, state; `missing` counts the missing required shots of each surface."""
    stated = [(record, stated_only(record.tags)) for record in records]
    by_surface: dict[tuple[HousePart, Face], list[tuple[PhotoRecord, Mapping[Facet, FacetValue]]]] = (
        defaultdict(list)
    )
    for record, values in stated:
        place = place_of(values, vocabulary)
        if place and place[1] is not None:
            by_surface[place[0], place[1]].append((record, values))
    guessed = _guessed(records, vocabulary)
    return House(
        surfaces=tuple(
            _surface(
                part,
                face,
                by_surface.get((part, face), ()),
                guessed.get((part, face), ()),
                (missing or {}).get((part, face), 0),
            )
            for part in HousePart
            for face in FACES
        ),
        components=_components(stated, vocabulary),
        measurements=tuple(
            record for record, values in stated if _value(values, Facet.ROLE) == Role.MEASUREMENT
        ),
    )


def place_of(
    values: Mapping[Facet, FacetValue], vocabulary: Vocabulary
) -> tuple[HousePart, Face | None] | None:
    """The part and face that these facets name; None inside, for sheets, cards, and what is at neither.

    A part without a face is a photo of the roof, or of the outside, that names no side.
    """
    role, face = _value(values, Facet.ROLE), _value(values, Facet.FACE)
    word = vocabulary.word(Facet.COMPONENT, _value(values, Facet.COMPONENT))
    zone = word.zone if word else None
    faced = Face(face) if face in FACES else None
    if role in _NOT_HOUSE or zone is Zone.INSIDE:
        return None
    if role in _ROOF_ROLES or zone is Zone.ROOF:
        return HousePart.SLOPE, faced
    if faced or zone is Zone.OUTSIDE or role in (Role.OVERVIEW, Role.ELEVATION):
        return HousePart.ELEVATION, faced
    return None


def _value(values: Mapping[Facet, FacetValue], facet: Facet) -> str:
    value = values.get(facet)
    return value.value if value else ""


def _guessed(
    records: Iterable[PhotoRecord], vocabulary: Vocabulary
) -> dict[tuple[HousePart, Face], list[Sha256]]:
    """Photos whose surface rests on a guess that is likely enough to be shown."""
    found: dict[tuple[HousePart, Face], list[Sha256]] = defaultdict(list)
    for record in records:
        likely = {
            facet: value
            for facet, value in record.tags.items()
            if value.stated or value.confidence >= vocabulary.guess.shows
        }
        stated_place = place_of(stated_only(record.tags), vocabulary)
        place = place_of(likely, vocabulary)
        if place and place[1] is not None and place != stated_place:
            found[place[0], place[1]].append(record.sha256)
    return found


def _surface(
    part: HousePart,
    face: Face,
    seen: Sequence[tuple[PhotoRecord, Mapping[Facet, FacetValue]]],
    guesses: Sequence[Sha256],
    missing: int,
) -> Surface:
    damage = tuple(record.sha256 for record, values in seen if _is_damage(values))
    sound = tuple(record.sha256 for record, values in seen if _is_sound(values))
    if damage:
        state = State.DAMAGED
    elif sound:
        state = State.SOUND
    elif seen:
        state = State.SHOWN
    else:
        state = State.GUESSED if guesses else State.MISSING
    return Surface(
        part=part,
        face=face,
        state=state,
        photos=tuple(record.sha256 for record, _ in seen),
        damage=damage,
        sound=sound,
        guesses=tuple(guesses),
        squares=tuple(
            _square(record, values)
            for record, values in seen
            if part is HousePart.SLOPE and _value(values, Facet.ROLE) == Role.TEST_SQUARE
        ),
        missing_shots=missing,
    )


def _is_damage(values: Mapping[Facet, FacetValue]) -> bool:
    hits = _value(values, Facet.COUNT)
    return _value(values, Facet.CONDITION) == Condition.DAMAGE or (bool(hits) and int(hits) > 0)


def _is_sound(values: Mapping[Facet, FacetValue]) -> bool:
    if _is_damage(values):
        return False
    return (
        _value(values, Facet.CONDITION) == Condition.NO_DAMAGE
        or _value(values, Facet.ROLE) == Role.NO_DAMAGE_PROOF
    )


def _square(record: PhotoRecord, values: Mapping[Facet, FacetValue]) -> TestSquare:
    if hits := _value(values, Facet.COUNT):
        return TestSquare(photo=record.sha256, hits=int(hits))
    guess = record.tags.get(Facet.COUNT)
    chalk = record.look.chalk
    proposed = int(guess.value) if guess else chalk.marks if chalk else None
    return TestSquare(photo=record.sha256, hits=None, proposed=proposed)


def _components(
    stated: Iterable[tuple[PhotoRecord, Mapping[Facet, FacetValue]]], vocabulary: Vocabulary
) -> tuple[ComponentRow, ...]:
    found: dict[tuple[str, Face | None, Condition], list[Sha256]] = defaultdict(list)
    for record, values in stated:
        component, role = _value(values, Facet.COMPONENT), _value(values, Facet.ROLE)
        if not component or role in _NOT_HOUSE or role == Role.MEASUREMENT:
            continue
        face = _value(values, Facet.FACE)
        condition = (
            Condition.DAMAGE
            if _is_damage(values)
            else Condition.NO_DAMAGE
            if _is_sound(values)
            else Condition.UNSTATED
        )
        found[component, Face(face) if face in FACES else None, condition].append(record.sha256)
    order = {word: place for place, word in enumerate(vocabulary.ids(Facet.COMPONENT))}
    conditions = list(Condition)

    def rank(key: tuple[str, Face | None, Condition]) -> tuple[int, str, int, int]:
        component, face, condition = key
        return (
            order.get(component, len(order)),
            component,
            FACES.index(face) if face else len(FACES),
            conditions.index(condition),
        )

    return tuple(
        ComponentRow(
            component=component,
            words=vocabulary.plain(Facet.COMPONENT, component),
            face=face,
            condition=condition,
            photos=tuple(found[component, face, condition]),
        )
        for component, face, condition in sorted(found, key=rank)
    )
