"""The words of the tags and the label cards, read from TOML and checked once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum
from functools import cached_property

from evidence.errors import BadInputError
from evidence.model import Condition, Face, Facet, Role
from evidence.tags.tables import Table, nearest, parse

APRILTAG_36H11_IDS = 587
"""Size of the AprilTag 36h11 family: ids 0 to 586."""

MAX_COUNT = 999
"""A larger count on a board is taken for something else: a house number, a year."""

_CLOSED: Mapping[Facet, type[StrEnum]] = {Facet.ROLE: Role, Facet.FACE: Face, Facet.CONDITION: Condition}


class Zone(StrEnum):
    """Where on the walk a component is met."""

    OUTSIDE = "outside"
    ROOF = "roof"
    INSIDE = "inside"


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """One value of a facet and how people write it."""

    facet: Facet
    id: str
    words: str
    """For captions and tables."""
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
    """Share of the frame from which a card stands for the photos that follow."""
    tag_share: float = 0.28
    """Area of the AprilTag as a share of its card's."""
    pause: timedelta = timedelta(minutes=20)
    """A longer time between two photos ends what stands."""
    ends_with: Mapping[Facet, tuple[Facet, ...]] = field(default_factory=dict)
    """A standing facet -> the facets whose change also ends it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WritingOptions:
    """How writing is understood."""

    similarity: float = 80.0
    margin: float = 8.0
    exact_below: int = 4
    min_confidence: float = 0.5
    either: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """A written word -> the ids it may mean, the one to take first."""
    skip_lines: tuple[str, ...] = ()
    """Beginnings of lines that speak of the file rather than of the photo."""
    other_words: tuple[str, ...] = ()
    """Words that look like ours and are never corrected to one of them."""
    usual: tuple[str, ...] = ()
    """Spellings that stand on most boards, the most usual of each facet first."""
    compass: Mapping[str, float] = field(default_factory=dict)
    """A written word -> degrees clockwise from north."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuessOptions:
    """What a guess needs to be shown, and to fill coverage as guessed."""

    shows: float = 0.5
    floor: float = 0.2


@dataclass(frozen=True, kw_only=True)
class Vocabulary:
    """All words and cards, and the settings that go with them."""

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
        """The card with this AprilTag number; None when no card of ours has it."""
        return self._by_number.get(number)

    def plain(self, facet: Facet, value: str) -> str:
        """The value as a person reads it."""
        word = self.word(facet, value)
        return word.words if word else value

    def check(self, facet: Facet, value: str) -> str:
        """The value itself when the facet can take it.

        Raises BadInputError that names the nearest value the vocabulary has.
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
    """Writing as the vocabulary compares it: upper case, dashes as spaces, dots dropped, single spaces."""
    return _SPACES.sub(" ", _DROPPED.sub("", text.upper().replace("-", " "))).strip()


def load_vocabulary(text: str, origin: str) -> Vocabulary:
    """Read and check a vocabulary. `origin` is the name to blame in messages.

    Raises BadInputError that names the bad key or value and the nearest right one.
    """
    top = parse(text, origin)
    top.only("word", "label", "cards", "writing", "guess")
    words = tuple(_word(table) for table in top.tables("word"))
    _words_agree(words, origin)
    vocabulary = Vocabulary(
        words=words,
        labels=tuple(_label(table, words) for table in top.tables("label")),
        cards=_cards(top.table("cards")),
        writing=_writing(top.table("writing"), words),
        guess=_guess(top.table("guess")),
    )
    _labels_agree(vocabulary.labels, origin)
    return vocabulary


def _word(table: Table) -> Word:
    table.only("facet", "id", "words", "aliases", "zone", "group", "implies")
    facet = Facet(table.choice("facet", [f for f in Facet if f is not Facet.COUNT]))
    name = table.choice("id", _CLOSED[facet]) if facet in _CLOSED else table.text("id")
    if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
        raise table.fail(f"'id' cannot be '{name}'.", "Use small letters, digits and underscores.")
    zone = table.choice("zone", Zone) if "zone" in table.raw else None
    if (facet is Facet.COMPONENT) != (zone is not None):
        raise table.fail(
            f"'{name}' {'needs a' if zone is None else 'cannot have a'} zone.",
            "Components have a zone, others none.",
        )
    return Word(
        facet=facet,
        id=name,
        words=table.text("words"),
        aliases=table.texts("aliases"),
        zone=Zone(zone) if zone else None,
        group=table.text("group", ""),
        implies=_facet_values(table, "implies"),
    )


def _facet_values(table: Table, key: str) -> tuple[tuple[Facet, str], ...]:
    inner = table.table(key)
    inner.only(*Facet)
    return tuple((Facet(name), str(inner.raw[name])) for name in inner.raw)


def _label(table: Table, words: tuple[Word, ...]) -> LabelCard:
    table.only("number", "words", "sets", "ends")
    number = table.raw.get("number")
    if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number < APRILTAG_36H11_IDS:
        raise table.fail(
            f"'number' cannot be {number!r}.", f"Use a whole number from 0 to {APRILTAG_36H11_IDS - 1}."
        )
    ends = table.raw.get("ends", False)
    if not isinstance(ends, bool):
        raise table.fail("'ends' must be true or false.", "Write it without quotes.")
    sets = _facet_values(table, "sets")
    if bool(sets) == ends:
        raise table.fail("a card either states something or ends.", "Give it 'sets', or 'ends = true'.")
    _values_known(table, sets, words)
    return LabelCard(number=number, words=table.text("words"), sets=sets, ends=ends)


def _values_known(table: Table, values: tuple[tuple[Facet, str], ...], words: tuple[Word, ...]) -> None:
    vocabulary = Vocabulary(words=words, labels=())
    for facet, value in values:
        try:
            vocabulary.check(facet, value)
        except BadInputError as error:
            raise table.fail(error.message, error.hint) from error


def _words_agree(words: tuple[Word, ...], origin: str) -> None:
    """No id twice, no spelling with two meanings in one facet, every fixed value has its words."""
    seen: set[tuple[Facet, str]] = set()
    spelt: dict[str, Word] = {}
    for word in words:
        if (word.facet, word.id) in seen:
            raise BadInputError(
                f"{origin}: {word.facet} '{word.id}' stands there twice.", "Remove one of them."
            )
        seen.add((word.facet, word.id))
        for spelling in {normal(s) for s in (word.words, *word.aliases)}:
            other = spelt.setdefault(spelling, word)
            if other is not word:
                raise BadInputError(
                    f"{origin}: '{spelling}' means both '{other.id}' and '{word.id}'.",
                    "Keep it with one of them, or list it under [writing] either.",
                )
    for facet, members in _CLOSED.items():
        for value in members:
            if (facet, value.value) not in seen:
                raise BadInputError(
                    f"{origin}: the {facet} '{value}' has no [[word]].", "Add one with that id."
                )
    table = Table({}, origin)
    for word in words:
        _values_known(table, word.implies, words)


def _labels_agree(labels: tuple[LabelCard, ...], origin: str) -> None:
    seen: dict[int, LabelCard] = {}
    for card in labels:
        other = seen.setdefault(card.number, card)
        if other is not card:
            raise BadInputError(
                f"{origin}: label number {card.number} is both '{other.words}' and '{card.words}'.",
                "Give one of them a free number.",
            )


def _cards(table: Table) -> CardOptions:
    table.only("fills_frame", "tag_share", "pause_minutes", "ends_with")
    ends = table.table("ends_with")
    ends.only(*Facet)
    return CardOptions(
        fills_frame=table.number("fills_frame", 0.5, 0.05, 1),
        tag_share=table.number("tag_share", 0.28, 0.01, 1),
        pause=timedelta(minutes=table.number("pause_minutes", 20, 1, 24 * 60)),
        ends_with={Facet(key): tuple(Facet(name) for name in ends.choices(key, Facet)) for key in ends.raw},
    )


def _writing(table: Table, words: tuple[Word, ...]) -> WritingOptions:
    table.only(
        "similarity",
        "margin",
        "exact_below",
        "min_confidence",
        "either",
        "compass",
        "skip_lines",
        "other_words",
        "usual",
    )
    either, compass = table.table("either"), table.table("compass")
    known = sorted({word.id for word in words})
    return WritingOptions(
        similarity=table.number("similarity", 80, 50, 100),
        margin=table.number("margin", 8, 0, 50),
        exact_below=int(table.number("exact_below", 4, 1, 10)),
        min_confidence=table.number("min_confidence", 0.5, 0, 1),
        skip_lines=tuple(normal(line) for line in table.texts("skip_lines")),
        other_words=tuple(normal(word) for word in table.texts("other_words")),
        usual=tuple(normal(word) for word in table.texts("usual")),
        either={normal(key): either.choices(key, known) for key in either.raw},
        compass={normal(key): compass.number(key, 0, 0, 359.99) for key in compass.raw},
    )


def _guess(table: Table) -> GuessOptions:
    table.only("shows", "floor")
    return GuessOptions(shows=table.number("shows", 0.5, 0, 1), floor=table.number("floor", 0.2, 0, 1))
