"""What a misread board most probably says: a noisy channel over whole boards (after Shannon 1948).

A board is taken for phrases of the vocabulary, numbers and foreign words, one after the other. Each way to
cut and read it has a price: how usual its phrases are and how they follow each other, and what the reader
must have done to them. A phrase is believed when the ways that hold it outweigh all the others, "this is a
word we do not know" among them. Prices are negative natural logarithms of probabilities, set by hand
(common practice, no source) and judged by tests/bench/walk_report.py and reading_facets.py.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from evidence.model import Facet, Role
from evidence.tags.reading.confusion import (
    DIGIT_FOR_LETTER,
    LIKE_SHAPE,
    SEPARATORS,
    SPACE_DROPPED,
    Spellings,
    cleaned,
    lay_out,
)
from evidence.tags.reading.lexicon import DIGITS, GLUE, Lexicon, split_words
from evidence.tags.reading.semantics import COUNTED
from evidence.tags.vocabulary import Vocabulary

BELIEVED = 0.85
"""Share of all ways to read a board that must agree on a phrase."""

# What people write: the price of each kind of phrase after another. A kind's spellings share it by Zipf's law
# (1949) in the order of `usual`; the others cost more than the last of those.
_AFTER = {
    "": {"face": 0.4, "component": 1.6, "role": 2.5, "condition": 3.5, "number": 4.0},
    "face": {"face": 5.0, "component": 0.6, "role": 1.5, "condition": 2.0, "number": 4.0},
    "component": {"face": 2.5, "component": 2.5, "role": 3.0, "condition": 0.5, "number": 3.5},
    "role": {"face": 2.5, "component": 2.5, "role": 4.0, "condition": 2.5, "number": 0.8},
    "condition": {"face": 3.0, "component": 3.0, "role": 3.5, "condition": 5.0, "number": 3.5},
    "number": {"face": 2.5, "component": 4.0, "role": 2.5, "condition": 4.0, "number": 5.0},
}
_COUNTED = 0.5
"""What is counted after its number: `2 LAYERS`, `8 HITS`."""
_USED = 2.0
"""More for a facet that the board has named already."""
_UNUSUAL, _GLUE, _ANSWER, _COMPASS, _EITHER = 3.0, 4.0, 4.5, 6.0, 3.5
_OUT_OF_PLACE = 4.0
"""More for a number without a digit that follows no test square or slope, until something countable follows."""
_LARGE = 6.0
"""More for a number of three digits."""
_SIDELESS = 2.5
"""More for a measurement with a face: pitch, layers and drip edge are those of the roof."""

# Words that are not ours: how often they stand among ours, and among themselves.
_FOREIGN_HERE, _FOREIGN_THERE = 0.02, 0.97
_OURS_PRIOR = 0.5
_LETTER, _LETTER_OF_NO_WORD, _LETTER_ALONE = 2.1, 3.0, 3.3
_DIGIT = 4.0
"""A digit of a number that counts nothing."""
_LISTED = 5.0
"""A foreign word that is listed as one."""

_LEAST_GLUED = 3.0
"""What words that run together may have been worn."""
_BEAM = 24
_MOST_PIECES = 8
"""Pieces followed up that end at one place."""
_NUMBERS = re.compile(r"[0-9OQDILZSBG|!]{1,3}\+?")


@dataclass(frozen=True, slots=True)
class Phrase:
    """Something that may stand on a board."""

    tokens: tuple[str, ...]
    slot: str
    """The facet it speaks of, or what else it is."""
    means: frozenset[str]
    price: float
    sideless: bool = False
    """It is the roof's, and no side's."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A phrase, a number or a foreign word as it was read from a part of the text."""

    phrase: Phrase
    seen: str
    end: int
    """Where the rest of the text begins."""
    wear: float
    """What the reader must have done to it."""

    @property
    def foreign(self) -> bool:
        """Whether nothing of ours stands here."""
        return self.phrase.slot == "foreign"


@dataclass(frozen=True, slots=True)
class Way:
    """The beginning of a board cut and read one way."""

    price: float = 0.0
    pieces: tuple[Piece, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """The likeliest way to read a board."""

    text: int
    """Which of the texts it is a way to read."""
    pieces: tuple[tuple[Piece, float], ...]
    """What stands there, each with the share of all ways that hold it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Speller:
    """A vocabulary laid out so that all of its phrases are compared with a text at once."""

    phrases: tuple[Phrase, ...]
    spellings: Spellings
    """Of the phrases, in their order."""
    numbers: Phrase = field(default=Phrase(("0",), "number", frozenset({"number"}), 0.0))
    listed: frozenset[str] = frozenset()
    """Words that are not ours."""
    tokens: frozenset[str] = frozenset()
    """Every word of ours."""

    def read(self, texts: Iterable[tuple[str, float]]) -> Likely | None:
        """The likeliest of the ways to read a board; each text is one the reader thought possible, with its price."""
        known: dict[str, list[tuple[int, int, float]]] = {}
        ways = [
            (at, Way(way.price + price, way.pieces))
            for at, (text, price) in enumerate(texts)
            for way in self._ways(cleaned(text), known)
        ]
        if not ways:
            return None
        least = min(way.price for _, way in ways)
        weights = [math.exp(least - way.price) for _, way in ways]
        total = sum(weights)
        held: dict[tuple[str, frozenset[str]], float] = {}
        for (_, way), weight in zip(ways, weights, strict=True):
            for key in {(p.phrase.slot, _meaning(p)) for p in way.pieces}:
                held[key] = held.get(key, 0.0) + weight / total
        at, best = ways[weights.index(max(weights))]
        return Likely(text=at, pieces=tuple((p, held[p.phrase.slot, _meaning(p)]) for p in best.pieces))

    # --- cutting -------------------------------------------------------------------------

    def _ways(self, text: str, known: dict[str, list[tuple[int, int, float]]]) -> list[Way]:
        """Complete ways to read one text, each with its whole price; `known` remembers what may begin where."""
        closed = self._closed(text)
        waiting: dict[int, list[Way]] = {0: [Way()]}
        done: list[Way] = []
        while waiting:
            place = min(waiting)
            ways = sorted(waiting.pop(place), key=lambda way: way.price)[:_BEAM]
            start = place
            while start < len(text) and text[start] in SEPARATORS:
                start += 1
            if start == len(text):
                done += ways
                continue
            glued = start == place and place > 0
            ahead = text[start : start + self.spellings.reach]
            if ahead not in known:
                known[ahead] = self.spellings.beginnings(ahead)
            pieces = [Piece(self.phrases[k], ahead[:end], start + end, wear) for end, k, wear in known[ahead]]
            pieces += _numbers_at(text, start, self.numbers)
            if not glued:
                pieces.append(self._foreign_at(text, start))
            pieces = _cheapest(
                p
                for p in pieces
                if p.end not in closed and _may_end(text, p) and (not glued or p.wear <= _LEAST_GLUED)
            )
            for way in ways:
                for piece in pieces:
                    price = way.price + piece.wear + _joint(way, piece, glued, text[start - 1 : start + 1])
                    waiting.setdefault(piece.end, []).append(Way(price, (*way.pieces, piece)))
        return sorted((_whole(way) for way in done if way.pieces), key=lambda way: way.price)[:_BEAM]

    def _closed(self, text: str) -> set[int]:
        """Places inside words that are known as they stand: nothing ends there."""
        words = re.finditer(r"[^ ]+", text)
        return {at for w in words if w[0] in self.tokens for at in range(w.start() + 1, w.end())}

    def _foreign_at(self, text: str, start: int) -> Piece:
        end = start
        while end < len(text) and text[end] not in SEPARATORS:
            end += 1
        seen = text[start:end]
        word = any(c in "AEIOUY" for c in seen) and seen.isalpha()
        each = _LETTER_ALONE if len(seen) == 1 else _LETTER if word else _LETTER_OF_NO_WORD
        if seen.isdigit() and len(seen) > 2:
            each = _DIGIT
        price = _LISTED if seen in self.listed else each * len(seen)
        return Piece(Phrase((seen,), "foreign", frozenset({seen}), price), seen, end, 0.0)


def _cheapest(pieces: Iterable[Piece]) -> list[Piece]:
    """Of pieces that end together and mean the same, the cheapest; and no more than a few with one end."""
    best: dict[int, dict[tuple[str, frozenset[str]], Piece]] = {}
    for piece in pieces:
        key = (piece.phrase.slot, _meaning(piece))
        here = best.setdefault(piece.end, {})
        if key not in here or _cost(piece) < _cost(here[key]):
            here[key] = piece
    return [piece for here in best.values() for piece in sorted(here.values(), key=_cost)[:_MOST_PIECES]]


def _cost(piece: Piece) -> float:
    return piece.phrase.price + piece.wear


def _may_end(text: str, piece: Piece) -> bool:
    """A phrase ends where a word ends; within one only where hardly a letter of it is in doubt."""
    return piece.end == len(text) or text[piece.end] in SEPARATORS or piece.wear <= _LEAST_GLUED


def _meaning(piece: Piece) -> frozenset[str]:
    return frozenset(piece.phrase.tokens) if piece.phrase.slot == "number" else piece.phrase.means


def intact(piece: Piece) -> float:
    """Letters that were read as they stand; a wrong one spoils another as well."""
    return max(0.0, len(piece.seen) - piece.wear / LIKE_SHAPE)


def _numbers_at(text: str, start: int, kind: Phrase) -> list[Piece]:
    found = _NUMBERS.match(text, start)
    if not found:
        return []
    seen = found[0]
    while seen and not seen.rstrip("+").isdigit():
        after = text[start + len(seen) : start + len(seen) + 1]
        if not after or after in " +/":
            break
        seen = seen[:-1]
    if not seen:
        return []
    wear = sum(0.0 if c.isdigit() or c == "+" else DIGIT_FOR_LETTER for c in seen)
    digits = seen.translate(DIGITS)
    price = _LARGE if len(digits.rstrip("+")) > 2 else 0.0
    return [Piece(Phrase((digits,), kind.slot, kind.means, price), seen, start + len(seen), wear)]


def _joint(way: Way, piece: Piece, glued: bool, border: str) -> float:
    """The price of a phrase where it stands, after what stands before it."""
    phrase = piece.phrase
    price = phrase.price
    if glued:
        price += 0.7 if len(border) == 2 and border[0].isdigit() != border[1].isdigit() else SPACE_DROPPED
    if phrase.slot in _AFTER:
        before = next((p.phrase for p in reversed(way.pieces) if p.phrase.slot in _AFTER), None)
        counted = before is not None and before.slot == "number" and phrase.tokens[-1] in _COUNTABLE
        if counted:
            price += _COUNTED - (0.0 if way.pieces[-1].seen[:1].isdigit() else _OUT_OF_PLACE)
        else:
            price += _AFTER[before.slot if before else ""][phrase.slot]
        if phrase.sideless and any(p.phrase.slot == "face" for p in way.pieces):
            price += _SIDELESS
        if phrase.slot == "number":
            after_square = before is not None and bool(before.means & COUNTED)
            price += 0.0 if after_square or any(c.isdigit() for c in piece.seen) else _OUT_OF_PLACE
        elif any(p.phrase.slot == phrase.slot for p in way.pieces[:-1]):
            price += _USED
    return price


_COUNTABLE = frozenset({"LAYER", "LAYERS", "HIT", "HITS", "DENT", "DENTS"})


def _whole(way: Way) -> Way:
    """The way with the price of being one of our boards, or anybody's writing."""
    foreign = sum(piece.foreign for piece in way.pieces)
    ours = len(way.pieces) - foreign
    here = foreign * math.log(_FOREIGN_HERE) + ours * math.log(1 - _FOREIGN_HERE) + math.log(_OURS_PRIOR)
    there = (
        foreign * math.log(_FOREIGN_THERE) + ours * math.log(1 - _FOREIGN_THERE) + math.log(1 - _OURS_PRIOR)
    )
    return Way(way.price - _log_sum(here, there), way.pieces)


def _log_sum(one: float, other: float) -> float:
    return max(one, other) + math.log1p(math.exp(-abs(one - other)))


# --- building ------------------------------------------------------------------------------


def build_speller(vocabulary: Vocabulary, lexicon: Lexicon) -> Speller:
    """Lay out every phrase of a vocabulary with its price."""
    options = vocabulary.writing
    ranked = [tuple(split_words(spelling)) for spelling in options.usual]
    phrases: list[Phrase] = []
    for facet in (Facet.FACE, Facet.COMPONENT, Facet.CONDITION, Facet.ROLE):
        spelt = {tokens: words for tokens, words in lexicon.phrases.items() if words[0].facet is facet}
        usual = [tokens for tokens in ranked if tokens in spelt]
        share = math.log(sum(1 / rank for rank in range(1, len(usual) + 1)) or 1.0)
        for tokens, words in spelt.items():
            rank = usual.index(tokens) + 1 if tokens in usual else len(usual) + 1
            price = share + math.log(rank) + (0.0 if tokens in usual else _UNUSUAL)
            sideless = any(value == Role.MEASUREMENT for word in words for _, value in word.implies)
            phrases.append(Phrase(tokens, facet.value, frozenset(w.id for w in words), price, sideless))
    taken = {phrase.tokens for phrase in phrases}
    for slot, price, others in (
        ("either", _EITHER, options.either),
        ("answer", _ANSWER, ("Y", "YES", "N", "NO", "NONE")),
        ("compass", _COMPASS, options.compass),
        ("glue", _GLUE, GLUE),
    ):
        for word in others:
            if (word,) not in taken:
                taken.add((word,))
                phrases.append(Phrase((word,), slot, frozenset({word}), price))
    return Speller(
        phrases=tuple(phrases),
        spellings=lay_out([" ".join(phrase.tokens) for phrase in phrases]),
        listed=frozenset(options.other_words),
        tokens=frozenset(token for token in lexicon.tokens if len(token) > 1),
    )
