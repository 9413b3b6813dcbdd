"""The most probable words of a misread board: a noisy-channel decoder over whole boards (after Shannon 1948).

A board is a sequence of phrases of the vocabulary, numbers and unknown words. Each hypothesis is one way to cut
and read it and has a cost: how common its phrases are and how they follow each other (the language model), and
which errors the recognition must have made (the confusion model). A phrase is accepted when the hypotheses that
contain it have most of the probability. Costs are negative natural logarithms of probabilities, set by hand
(common practice, no source) and checked by tests/bench/walk_report.py and reading_facets.py.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from evidence.model import Facet, Role
from evidence.tags.reading.confusion import (
    DIGIT_FOR_LETTER,
    SEPARATORS,
    SIMILAR_SHAPE,
    SPACE_DROPPED,
    Spellings,
    cleaned,
    lay_out,
)
from evidence.tags.reading.lexicon import DIGITS, FUNCTION_WORDS, Lexicon, split_words
from evidence.tags.reading.semantics import COUNTED_ROLES
from evidence.tags.vocabulary import Vocabulary

ACCEPTED = 0.85
"""Probability from which a phrase is accepted."""

# The language model: the cost of each category of phrase after another. Within a category the spellings follow
# Zipf's law (1949) in the order of `usual`; other spellings cost more than the last one listed.
_BIGRAM_COSTS = {
    "": {"face": 0.4, "component": 1.6, "role": 2.5, "condition": 3.5, "number": 4.0},
    "face": {"face": 5.0, "component": 0.6, "role": 1.5, "condition": 2.0, "number": 4.0},
    "component": {"face": 2.5, "component": 2.5, "role": 3.0, "condition": 0.5, "number": 3.5},
    "role": {"face": 2.5, "component": 2.5, "role": 4.0, "condition": 2.5, "number": 0.8},
    "condition": {"face": 3.0, "component": 3.0, "role": 3.5, "condition": 5.0, "number": 3.5},
    "number": {"face": 2.5, "component": 4.0, "role": 2.5, "condition": 4.0, "number": 5.0},
}
_COUNTABLE_NOUN = 0.5
"""A countable noun after its number: `2 LAYERS`, `8 HITS`."""
_REPEATED_FACET = 2.0
"""Added for a facet that the board has named already."""
_RARE, _FUNCTION_WORD, _ANSWER, _COMPASS, _EITHER = 3.0, 4.0, 4.5, 6.0, 3.5
_IMPLAUSIBLE_NUMBER = 4.0
"""Added for a number written without a digit that follows no test square or slope, until a countable noun follows."""
_LARGE_NUMBER = 6.0
"""Added for a number of three digits."""
_MEASUREMENT_AT_A_FACE = 2.5
"""Added for a measurement on a board with a face: pitch, layers and drip edge belong to the whole roof."""

# Share of unknown words on an inspection board, and in any other writing.
_UNKNOWN_ON_BOARDS, _UNKNOWN_ELSEWHERE = 0.02, 0.97
_BOARD_PRIOR = 0.5
_LETTER, _LETTER_OF_NO_WORD, _LETTER_ALONE = 2.1, 3.0, 3.3
_DIGIT = 4.0
"""Each digit of a number that is no count."""
_LISTED_WORD = 5.0
"""A word listed under `other_words` in the settings."""

_MOST_RUN_ON = 3.0
"""The highest cost of recognition errors in words that run together."""
_BEAM_WIDTH = 24
_MOST_PIECES = 8
"""Pieces kept for each place where they end."""
_NUMBERS = re.compile(r"[0-9OQDILZSBG|!]{1,3}\+?")


@dataclass(frozen=True, slots=True)
class Phrase:
    """Something that may be written on a board."""

    tokens: tuple[str, ...]
    category: str
    """Its facet, or what else it is: a number, an answer, a compass word, ..."""
    means: frozenset[str]
    cost: float
    whole_roof: bool = False
    """True for a measurement: it belongs to the whole roof and not to a side."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A phrase, a number or an unknown word, and the part of the text that it was read from."""

    phrase: Phrase
    seen: str
    end: int
    """Index in the text at which the rest begins."""
    errors: float
    """Cost of the recognition errors in it."""

    @property
    def unknown(self) -> bool:
        """Whether it is no phrase of the vocabulary and no number."""
        return self.phrase.category == "unknown"


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way to cut and read the beginning of a board."""

    cost: float = 0.0
    pieces: tuple[Piece, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoding:
    """The most probable way to read a board."""

    text: int
    """Index of the text that it reads."""
    pieces: tuple[tuple[Piece, float], ...]
    """The pieces, each with its probability over all hypotheses."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decoder:
    """Decodes texts with the phrases of one vocabulary."""

    phrases: tuple[Phrase, ...]
    spellings: Spellings
    """The spellings of `phrases`, in the same order."""
    numbers: Phrase = field(default=Phrase(("0",), "number", frozenset({"number"}), 0.0))
    listed: frozenset[str] = frozenset()
    """Common words that are not in the vocabulary."""
    tokens: frozenset[str] = frozenset()
    """Every word of the vocabulary with more than one letter."""

    def read(self, texts: Iterable[tuple[str, float]]) -> Decoding | None:
        """The most probable reading of a board; `texts` are its possible transcriptions, each with its cost."""
        known: dict[str, list[tuple[int, int, float]]] = {}
        hypotheses = [
            (at, Hypothesis(hypothesis.cost + cost, hypothesis.pieces))
            for at, (text, cost) in enumerate(texts)
            for hypothesis in self._hypotheses(cleaned(text), known)
        ]
        if not hypotheses:
            return None
        least = min(hypothesis.cost for _, hypothesis in hypotheses)
        weights = [math.exp(least - hypothesis.cost) for _, hypothesis in hypotheses]
        total = sum(weights)
        probability: dict[tuple[str, frozenset[str]], float] = {}
        for (_, hypothesis), weight in zip(hypotheses, weights, strict=True):
            for key in {(p.phrase.category, _meaning(p)) for p in hypothesis.pieces}:
                probability[key] = probability.get(key, 0.0) + weight / total
        at, best = hypotheses[weights.index(max(weights))]
        return Decoding(
            text=at, pieces=tuple((p, probability[p.phrase.category, _meaning(p)]) for p in best.pieces)
        )

    # --- search -------------------------------------------------------------------------

    def _hypotheses(self, text: str, known: dict[str, list[tuple[int, int, float]]]) -> list[Hypothesis]:
        """Complete hypotheses for one text with their whole costs; `known` caches what may begin where."""
        inside = self._inside_known_words(text)
        waiting: dict[int, list[Hypothesis]] = {0: [Hypothesis()]}
        done: list[Hypothesis] = []
        while waiting:
            place = min(waiting)
            hypotheses = sorted(waiting.pop(place), key=lambda one: one.cost)[:_BEAM_WIDTH]
            start = place
            while start < len(text) and text[start] in SEPARATORS:
                start += 1
            if start == len(text):
                done += hypotheses
                continue
            run_on = start == place and place > 0
            ahead = text[start : start + self.spellings.reach]
            if ahead not in known:
                known[ahead] = self.spellings.beginnings(ahead)
            pieces = [
                Piece(self.phrases[k], ahead[:end], start + end, errors) for end, k, errors in known[ahead]
            ]
            pieces += _numbers_at(text, start, self.numbers)
            if not run_on:
                pieces.append(self._unknown_at(text, start))
            pieces = _cheapest(
                p
                for p in pieces
                if p.end not in inside and _may_end(text, p) and (not run_on or p.errors <= _MOST_RUN_ON)
            )
            for hypothesis in hypotheses:
                for piece in pieces:
                    cost = (
                        hypothesis.cost
                        + piece.errors
                        + _cost_after(hypothesis, piece, run_on, text[start - 1 : start + 1])
                    )
                    waiting.setdefault(piece.end, []).append(Hypothesis(cost, (*hypothesis.pieces, piece)))
        return sorted(
            (_with_prior(hypothesis) for hypothesis in done if hypothesis.pieces),
            key=lambda one: one.cost,
        )[:_BEAM_WIDTH]

    def _inside_known_words(self, text: str) -> set[int]:
        """Indices inside words that are spelt correctly: no piece ends there."""
        words = re.finditer(r"[^ ]+", text)
        return {at for w in words if w[0] in self.tokens for at in range(w.start() + 1, w.end())}

    def _unknown_at(self, text: str, start: int) -> Piece:
        end = start
        while end < len(text) and text[end] not in SEPARATORS:
            end += 1
        seen = text[start:end]
        word = any(c in "AEIOUY" for c in seen) and seen.isalpha()
        each = _LETTER_ALONE if len(seen) == 1 else _LETTER if word else _LETTER_OF_NO_WORD
        if seen.isdigit() and len(seen) > 2:
            each = _DIGIT
        cost = _LISTED_WORD if seen in self.listed else each * len(seen)
        return Piece(Phrase((seen,), "unknown", frozenset({seen}), cost), seen, end, 0.0)


def _cheapest(pieces: Iterable[Piece]) -> list[Piece]:
    """Of pieces with the same end and meaning the cheapest one, and at most a few pieces for each end."""
    best: dict[int, dict[tuple[str, frozenset[str]], Piece]] = {}
    for piece in pieces:
        key = (piece.phrase.category, _meaning(piece))
        same_end = best.setdefault(piece.end, {})
        if key not in same_end or _cost(piece) < _cost(same_end[key]):
            same_end[key] = piece
    return [
        piece for same_end in best.values() for piece in sorted(same_end.values(), key=_cost)[:_MOST_PIECES]
    ]


def _cost(piece: Piece) -> float:
    return piece.phrase.cost + piece.errors


def _may_end(text: str, piece: Piece) -> bool:
    """A phrase ends where a word ends; inside a word only if hardly a letter of the phrase is in doubt."""
    return piece.end == len(text) or text[piece.end] in SEPARATORS or piece.errors <= _MOST_RUN_ON


def _meaning(piece: Piece) -> frozenset[str]:
    return frozenset(piece.phrase.tokens) if piece.phrase.category == "number" else piece.phrase.means


def intact_letters(piece: Piece) -> float:
    """How many letters were read correctly; each wrong one counts against another one too."""
    return max(0.0, len(piece.seen) - piece.errors / SIMILAR_SHAPE)


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
    errors = sum(0.0 if c.isdigit() or c == "+" else DIGIT_FOR_LETTER for c in seen)
    digits = seen.translate(DIGITS)
    cost = _LARGE_NUMBER if len(digits.rstrip("+")) > 2 else 0.0
    return [Piece(Phrase((digits,), kind.category, kind.means, cost), seen, start + len(seen), errors)]


def _cost_after(hypothesis: Hypothesis, piece: Piece, run_on: bool, border: str) -> float:
    """The cost of a phrase after the pieces before it."""
    phrase = piece.phrase
    cost = phrase.cost
    if run_on:
        cost += 0.7 if len(border) == 2 and border[0].isdigit() != border[1].isdigit() else SPACE_DROPPED
    if phrase.category in _BIGRAM_COSTS:
        before = next(
            (p.phrase for p in reversed(hypothesis.pieces) if p.phrase.category in _BIGRAM_COSTS), None
        )
        counted = before is not None and before.category == "number" and phrase.tokens[-1] in _COUNTABLE
        if counted:
            cost += _COUNTABLE_NOUN - (
                0.0 if hypothesis.pieces[-1].seen[:1].isdigit() else _IMPLAUSIBLE_NUMBER
            )
        else:
            cost += _BIGRAM_COSTS[before.category if before else ""][phrase.category]
        if phrase.whole_roof and any(p.phrase.category == "face" for p in hypothesis.pieces):
            cost += _MEASUREMENT_AT_A_FACE
        if phrase.category == "number":
            after_square = before is not None and bool(before.means & COUNTED_ROLES)
            cost += 0.0 if after_square or any(c.isdigit() for c in piece.seen) else _IMPLAUSIBLE_NUMBER
        elif any(p.phrase.category == phrase.category for p in hypothesis.pieces[:-1]):
            cost += _REPEATED_FACET
    return cost


_COUNTABLE = frozenset({"LAYER", "LAYERS", "HIT", "HITS", "DENT", "DENTS"})


def _with_prior(hypothesis: Hypothesis) -> Hypothesis:
    """The hypothesis with the cost of its unknown words: on an inspection board, or in any other writing."""
    unknown = sum(piece.unknown for piece in hypothesis.pieces)
    known = len(hypothesis.pieces) - unknown
    on_board = (
        unknown * math.log(_UNKNOWN_ON_BOARDS)
        + known * math.log(1 - _UNKNOWN_ON_BOARDS)
        + math.log(_BOARD_PRIOR)
    )
    elsewhere = (
        unknown * math.log(_UNKNOWN_ELSEWHERE)
        + known * math.log(1 - _UNKNOWN_ELSEWHERE)
        + math.log(1 - _BOARD_PRIOR)
    )
    return Hypothesis(hypothesis.cost - _log_sum(on_board, elsewhere), hypothesis.pieces)


def _log_sum(one: float, other: float) -> float:
    return max(one, other) + math.log1p(math.exp(-abs(one - other)))


# --- building ------------------------------------------------------------------------------


def build_decoder(vocabulary: Vocabulary, lexicon: Lexicon) -> Decoder:
    """A decoder for a vocabulary: every phrase with its cost."""
    options = vocabulary.writing
    ranked = [tuple(split_words(spelling)) for spelling in options.usual]
    phrases: list[Phrase] = []
    for facet in (Facet.FACE, Facet.COMPONENT, Facet.CONDITION, Facet.ROLE):
        spelt = {tokens: words for tokens, words in lexicon.phrases.items() if words[0].facet is facet}
        usual = [tokens for tokens in ranked if tokens in spelt]
        share = math.log(sum(1 / rank for rank in range(1, len(usual) + 1)) or 1.0)
        for tokens, words in spelt.items():
            rank = usual.index(tokens) + 1 if tokens in usual else len(usual) + 1
            cost = share + math.log(rank) + (0.0 if tokens in usual else _RARE)
            whole_roof = any(value == Role.MEASUREMENT for word in words for _, value in word.implies)
            phrases.append(Phrase(tokens, facet.value, frozenset(w.id for w in words), cost, whole_roof))
    taken = {phrase.tokens for phrase in phrases}
    for category, cost, others in (
        ("either", _EITHER, options.either),
        ("answer", _ANSWER, ("Y", "YES", "N", "NO", "NONE")),
        ("compass", _COMPASS, options.compass),
        ("glue", _FUNCTION_WORD, FUNCTION_WORDS),
    ):
        for word in others:
            if (word,) not in taken:
                taken.add((word,))
                phrases.append(Phrase((word,), category, frozenset({word}), cost))
    return Decoder(
        phrases=tuple(phrases),
        spellings=lay_out([" ".join(phrase.tokens) for phrase in phrases]),
        listed=frozenset(options.other_words),
        tokens=frozenset(token for token in lexicon.tokens if len(token) > 1),
    )
