"""The vocabulary: the words of the facets and the label cards, read from TOML and checked once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import timedelta
from enum import StrEnum
from functools import cached_property
from typing import Annotated, Literal

from annotated_types import Interval

from evidence.errors import BadInputError
from evidence.model import Condition, Face, Facet, Role
from evidence.toml_files import Filled, KeyPath, TomlFile, nearest

APRILTAG_36H11_IDS = 587
"""Size of the AprilTag 36h11 family: ids 0 to 586."""

MAX_COUNT = 999
"""A larger number on a board is no count but something else: a house number, a year."""

Probability = Annotated[float, Interval(ge=0, le=1)]

_CLOSED: Mapping[Facet, type[StrEnum]] = {Facet.ROLE: Role, Facet.FACE: Face, Facet.CONDITION: Condition}


class Zone(StrEnum):
    """Where on the walk a component is found."""

    OUTSIDE = "outside"
    ROOF = "roof"
    INSIDE = "inside"


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """One value of a facet and how people write it."""

    facet: Facet
    id: str
    words: str
    """As captions and tables print it."""
    aliases: tuple[str, ...] = ()
    zone: Zone | None = None
    group: str = ""
    implies: tuple[tuple[Facet, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelCard:
    """A hand-held card: its AprilTag number, its large print, and what it states."""

    number: int
    words: str
    sets: tuple[tuple[Facet, str], ...] = ()
    """In the order of the file; the first facet is the card's own."""
    ends: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CardOptions:
    """How label cards are understood."""

    fills_frame: float = 0.5
    """Share of the frame from which a card applies to the photos that follow."""
    tag_share: float = 0.28
    """Area of the AprilTag as a share of the card's area."""
    pause: timedelta = timedelta(minutes=20)
    """A longer time between two photos ends all statements."""
    ends_with: Mapping[Facet, tuple[Facet, ...]] = field(default_factory=dict)
    """A stated facet to the facets whose change also ends the statement."""
    pocket: tuple[int, ...] = ()
    """The numbers of the cards that are printed when no others are asked for; empty for all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WritingOptions:
    """How writing is understood."""

    similarity: Annotated[float, Interval(ge=50, le=100)] = 80.0
    """0 to 100: similarity from which a doubtful word is read as a known one."""
    margin: Annotated[float, Interval(ge=0, le=50)] = 8.0
    """By how much it must be more similar than the next one."""
    exact_below: Annotated[int, Interval(ge=1, le=10)] = 4
    """Words of fewer letters must be spelt exactly."""
    min_confidence: Probability = 0.5
    """Lines of a lower confidence are ignored."""
    either: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """A written word to the ids that it may mean, the preferred one first."""
    skip_lines: tuple[str, ...] = ()
    """Beginnings of lines that describe the file and not the photo."""
    other_words: tuple[str, ...] = ()
    """Other words that are similar to known ones; they are never corrected to a known word."""
    usual: tuple[str, ...] = ()
    """Common spellings on boards, the most common of each facet first."""
    compass: Mapping[str, Annotated[float, Interval(ge=0, lt=360)]] = field(default_factory=dict)
    """A written word to degrees clockwise from north."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuessOptions:
    """Probabilities that a guess needs."""

    shows: Probability = 0.5
    """To meet a required shot as guessed."""
    floor: Probability = 0.2
    """To be shown at all."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Vocabulary:
    """All words and cards, and the settings that go with them; equal only to itself."""

    words: tuple[Word, ...]
    labels: tuple[LabelCard, ...]
    cards: CardOptions = field(default_factory=CardOptions)
    writing: WritingOptions = field(default_factory=WritingOptions)
    guess: GuessOptions = field(default_factory=GuessOptions)

    @cached_property
    def _by_id(self) -> Mapping[tuple[Facet, str], Word]:
        return {(word.facet, word.id): word for word in self.words}

    @cached_property
    def _by_number(self) -> Mapping[int, LabelCard]:
        return {card.number: card for card in self.labels}

    def word(self, facet: Facet, value: str) -> Word | None:
        """The word behind a value, or None where the vocabulary has none (a count, an unknown id)."""
        return self._by_id.get((facet, value))

    def ids(self, facet: Facet) -> tuple[str, ...]:
        """All values of a facet in the order of the file; empty for `count`."""
        return tuple(word.id for word in self.words if word.facet is facet)

    def label(self, number: int) -> LabelCard | None:
        """The card with this AprilTag number; None for an unknown number."""
        return self._by_number.get(number)

    def plain(self, facet: Facet, value: str) -> str:
        """The value as a person reads it."""
        word = self.word(facet, value)
        return word.words if word else value

    def check(self, facet: Facet, value: str) -> str:
        """The value, if it is one of the facet's; counts without leading zeros.

        Raises BadInputError that suggests the closest value of the vocabulary.
        """
        if facet is Facet.COUNT:
            if value.isascii() and value.isdigit() and int(value) <= MAX_COUNT:
                return str(int(value))
            raise BadInputError(
                f"A count must be a whole number from 0 to {MAX_COUNT}, not '{value}'.",
                "Give the number of hits.",
            )
        if (facet, value) not in self._by_id:
            raise BadInputError(f"No {facet} is called '{value}'.", nearest(value, self.ids(facet)))
        return value


_SPACES = re.compile(r"\s+")
_DROPPED = re.compile(r"[.'\u2019\"_:;]")


def normal(text: str) -> str:
    """Normalise writing for comparison: upper case, dashes as spaces, no dots, single spaces."""
    return _SPACES.sub(" ", _DROPPED.sub("", text.upper().replace("-", " "))).strip()


# --- the file ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _WordTable:
    facet: Literal["role", "face", "component", "condition"]
    id: Filled
    words: Filled
    aliases: tuple[str, ...] = ()
    zone: Zone | None = None
    group: str = ""
    implies: Mapping[Facet, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class _LabelTable:
    number: Annotated[int, Interval(ge=0, le=APRILTAG_36H11_IDS - 1)]
    words: Filled
    sets: Mapping[Facet, str] = field(default_factory=dict)
    ends: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _CardTable:
    fills_frame: Annotated[float, Interval(ge=0.05, le=1)] = 0.5
    tag_share: Annotated[float, Interval(ge=0.01, le=1)] = 0.28
    pause_minutes: Annotated[float, Interval(ge=1, le=24 * 60)] = 20
    ends_with: Mapping[Facet, tuple[Facet, ...]] = field(default_factory=dict)
    pocket: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _VocabularyFile:
    word: tuple[_WordTable, ...] = ()
    label: tuple[_LabelTable, ...] = ()
    cards: _CardTable = field(default_factory=_CardTable)
    writing: WritingOptions = field(default_factory=WritingOptions)
    guess: GuessOptions = field(default_factory=GuessOptions)


def load_vocabulary(text: str, origin: str) -> Vocabulary:
    """Read and check a vocabulary. `origin` names the file in messages.

    Raises BadInputError with the line of the wrong key or value and the closest valid one.
    """
    file = TomlFile(text, origin)
    tables = file.read(_VocabularyFile)
    words = tuple(_word(table, ("word", n), file) for n, table in enumerate(tables.word))
    vocabulary = Vocabulary(
        words=words,
        labels=tuple(
            LabelCard(number=one.number, words=one.words, sets=tuple(one.sets.items()), ends=one.ends)
            for one in tables.label
        ),
        cards=CardOptions(
            fills_frame=tables.cards.fills_frame,
            tag_share=tables.cards.tag_share,
            pause=timedelta(minutes=tables.cards.pause_minutes),
            ends_with=tables.cards.ends_with,
            pocket=tables.cards.pocket,
        ),
        writing=_writing(tables.writing, words, file),
        guess=tables.guess,
    )
    _check_words(vocabulary, file)
    _check_labels(vocabulary, file)
    return vocabulary


def _word(table: _WordTable, place: KeyPath, file: TomlFile) -> Word:
    facet = Facet(table.facet)
    if facet in _CLOSED:
        file.choose((*place, "id"), table.id, _CLOSED[facet])
    if not re.fullmatch(r"[a-z][a-z0-9_]*", table.id):
        file.refuse(
            (*place, "id"), f"'id' cannot be '{table.id}'", "Use lower-case letters, digits and underscores."
        )
    if (facet is Facet.COMPONENT) != (table.zone is not None):
        file.refuse(
            (*place, "zone"),
            f"'{table.id}' {'needs a' if table.zone is None else 'cannot have a'} zone",
            "Components have a zone, other words none.",
        )
    return Word(
        facet=facet,
        id=table.id,
        words=table.words,
        aliases=table.aliases,
        zone=table.zone,
        group=table.group,
        implies=tuple(table.implies.items()),
    )


def _check_words(vocabulary: Vocabulary, file: TomlFile) -> None:
    """No id twice, no spelling with two meanings in one facet, words for every fixed value."""
    seen: set[tuple[Facet, str]] = set()
    spelt: dict[str, Word] = {}
    for n, word in enumerate(vocabulary.words):
        if (word.facet, word.id) in seen:
            file.refuse(("word", n, "id"), f"a second {word.facet} '{word.id}'", "Remove one of them.")
        seen.add((word.facet, word.id))
        for spelling in sorted({normal(s) for s in (word.words, *word.aliases)}):
            other = spelt.setdefault(spelling, word)
            if other is not word:
                file.refuse(
                    ("word", n, "aliases"),
                    f"'{spelling}' means both '{other.id}' and '{word.id}'",
                    "Keep it with one of them, or list it under [writing] either.",
                )
    for facet, members in _CLOSED.items():
        for value in members:
            if (facet, value.value) not in seen:
                file.refuse((), f"the {facet} '{value}' has no [[word]]", "Add one with that id.")
    for n, word in enumerate(vocabulary.words):
        _check_values(word.implies, ("word", n, "implies"), vocabulary, file)


def _check_labels(vocabulary: Vocabulary, file: TomlFile) -> None:
    """Every card states known values or ends; no number is used twice."""
    seen: dict[int, LabelCard] = {}
    for n, card in enumerate(vocabulary.labels):
        other = seen.setdefault(card.number, card)
        if other is not card:
            file.refuse(
                ("label", n, "number"),
                f"label number {card.number} is both '{other.words}' and '{card.words}'",
                "Give one of them a free number.",
            )
        if bool(card.sets) == card.ends:
            file.refuse(
                ("label", n),
                f"card '{card.words}' must either state something or end what other cards state",
                "Give it 'sets', or 'ends = true'.",
            )
        _check_values(card.sets, ("label", n, "sets"), vocabulary, file)
    for number in vocabulary.cards.pocket:
        if number not in seen:
            file.refuse(
                ("cards", "pocket"),
                f"there is no label card {number}",
                "Name cards that a [[label]] defines.",
            )


def _check_values(
    values: tuple[tuple[Facet, str], ...], place: KeyPath, vocabulary: Vocabulary, file: TomlFile
) -> None:
    for facet, value in values:
        try:
            vocabulary.check(facet, value)
        except BadInputError as error:
            raise file.error((*place, facet), error.message.rstrip("."), error.hint) from None


def _writing(options: WritingOptions, words: tuple[Word, ...], file: TomlFile) -> WritingOptions:
    """The options with every spelling as `normal` writes it."""
    known = sorted({word.id for word in words})
    for key, ids in options.either.items():
        for n, one in enumerate(ids):
            file.choose(("writing", "either", key, n), one, known)
    return replace(
        options,
        skip_lines=tuple(normal(line) for line in options.skip_lines),
        other_words=tuple(normal(word) for word in options.other_words),
        usual=tuple(normal(word) for word in options.usual),
        either={normal(key): ids for key, ids in options.either.items()},
        compass={normal(key): degrees for key, degrees in options.compass.items()},
    )
