"""The known spellings of all words, and the correction of a misread word to one of them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from rapidfuzz import fuzz, process

from evidence.tags.vocabulary import Vocabulary, Word, WritingOptions, normal

CORRECTED = 0.9
"""Confidence factor of a word that had to be corrected."""

LOOKALIKE = 0.98
"""Confidence factor of a word whose only error is a digit in place of a letter of the same shape."""

FUNCTION_WORDS = (
    "NO",
    "NOT",
    "NONE",
    "YES",
    "Y",
    "N",
    "SIDE",
    "OF",
    "HIT",
    "HITS",
    "THE",
    "AND",
    "X",
    "IN",
    "FT",
    "HOUSE",
)
"""Words that the parser handles itself: they name no value of a facet."""

BREAKS = re.compile(r"[\s,&()\[\]#*=]+")
"""Separators between words on a board. Slashes and plus signs are not among them: a word may contain them."""

SHAPES = str.maketrans(
    {
        "0": "O",
        "Q": "O",
        "1": "I",
        "L": "I",
        "|": "I",
        "!": "I",
        "4": "A",
        "5": "S",
        "8": "B",
        "6": "G",
        "2": "Z",
    }
)
"""Characters that handwriting recognition confuses (common practice, no source)."""

DIGITS = str.maketrans(
    {
        "O": "0",
        "Q": "0",
        "D": "0",
        "I": "1",
        "L": "1",
        "|": "1",
        "!": "1",
        "Z": "2",
        "S": "5",
        "B": "8",
        "G": "6",
    }
)


@dataclass(frozen=True, slots=True)
class Token:
    """A word after correction, the text it was read from, and a confidence."""

    text: str
    confidence: float
    seen: str

    @property
    def known(self) -> bool:
        """False for a word that resembles no known word."""
        return self.confidence > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lexicon:
    """All spellings of a vocabulary, indexed for lookup."""

    phrases: Mapping[tuple[str, ...], tuple[Word, ...]]
    """A spelling, word by word, to the words of the vocabulary that it may stand for."""
    tokens: frozenset[str]
    shapes: Mapping[str, str | None]
    """The shape of a token to the token; None where two tokens share the shape."""
    candidates: tuple[str, ...]
    """Every word that a misread one is compared with: words of the vocabulary and other common words."""
    correctable: frozenset[str]
    """Words of the vocabulary that a misread word may be corrected to."""
    meanings: Mapping[str, frozenset[str]]
    """A single-word spelling to its ids: two spellings of one thing do not compete with each other."""
    longest: int
    options: WritingOptions

    def spells(self, seen: str) -> bool:
        """Whether `seen` is a known word, exactly or with a digit in place of a letter of the same shape."""
        return seen in self.tokens or self._by_shape(seen) is not None

    def correct(self, seen: str) -> Token:
        """The known word that `seen` is or resembles; else `seen` itself with confidence 0."""
        if seen in self.tokens:
            return Token(seen, 1.0, seen)
        if known := self._by_shape(seen):
            return Token(known, LOOKALIKE, seen)
        options = self.options
        if len(seen) < options.exact_below or seen.isdigit():
            return Token(seen, 0.0, seen)
        return self._nearest(seen, options.similarity, CORRECTED)

    def _by_shape(self, seen: str) -> str | None:
        known = self.shapes.get(_shape(seen)) if len(seen) > 1 else None
        return known if known and _plausible(seen, known, self.options) else None

    def _nearest(self, seen: str, least: float, confidence: float) -> Token:
        shape = _shape(seen)
        close = process.extract(shape, self._shaped(), scorer=fuzz.ratio, limit=10, score_cutoff=50)
        scored = sorted(
            ((similarity(shape, other), self.candidates[k]) for other, _, k in close), reverse=True
        )
        if not scored:
            return Token(seen, 0.0, seen)
        score, best = scored[0]
        runner_up = max((s for s, word in scored[1:] if not self._same(best, word)), default=0.0)
        good = score >= least and score - runner_up >= self.options.margin and best in self.correctable
        return Token(best, confidence, seen) if good else Token(seen, 0.0, seen)

    def _same(self, one: str, other: str) -> bool:
        mine = self.meanings.get(one)
        return mine is not None and mine == self.meanings.get(other)

    def _shaped(self) -> tuple[str, ...]:
        return _shaped(self.candidates)


@lru_cache(maxsize=8)
def _shaped(words: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(_shape(word) for word in words)


SIMILAR_PAIRS = frozenset(
    frozenset(pair)
    for pair in [
        "IT",
        "IJ",
        "TY",
        "EF",
        "CG",
        "CE",
        "OD",
        "OC",
        "UV",
        "UY",
        "VY",
        "MN",
        "HN",
        "HM",
        "RK",
        "RP",
        "PF",
        "PD",
        "AR",
        "XY",
        "WV",
        "WN",
        "WU",
        "BR",
        "BS",
        "SG",
        "IY",
        "TF",
        "FP",
        "AO",
        "EC",
    ]
)
"""Capitals that handwriting recognition confuses (common practice, no source)."""


def similarity(seen: str, known: str) -> float:
    """0 to 100: one minus the edit distance over the longer length, where a letter of similar shape costs half.

    Levenshtein's distance by Wagner and Fischer (J. ACM 21, 1974), with two costs for a substitution.
    """
    row = [float(k) for k in range(len(known) + 1)]
    for i, a in enumerate(seen, 1):
        before, row[0] = row[0], float(i)
        for j, b in enumerate(known, 1):
            swap = before + (0.0 if a == b else 0.5 if frozenset((a, b)) in SIMILAR_PAIRS else 1.0)
            before, row[j] = row[j], min(swap, row[j] + 1, row[j - 1] + 1)
    return 100.0 * (1 - row[-1] / max(len(seen), len(known), 1))


def may_be_no(seen: str) -> bool:
    """Whether `seen` may be a misread NO: at most one letter wrong, missing or added."""
    return (1 - similarity(_shape(seen), "NO") / 100) * max(len(seen), 2) <= 1


def _shape(text: str) -> str:
    return text.translate(SHAPES)


def _plausible(seen: str, known: str, options: WritingOptions) -> bool:
    """Short words are matched by shape only when they mix digits and letters, which no real word does."""
    mixed = any(c.isdigit() or c in "|!" for c in seen) and any(c.isalpha() for c in seen)
    return mixed or (len(known) >= options.exact_below and not seen.isdigit())


def as_number(text: str) -> int | None:
    """The whole number that a text shows, with letters of a digit's shape allowed among digits; else None."""
    if not any(c.isdigit() for c in text):
        return None
    digits = text.translate(DIGITS)
    return int(digits) if digits.isascii() and digits.isdigit() else None


def build_lexicon(vocabulary: Vocabulary) -> Lexicon:
    """Index every spelling of a vocabulary."""
    phrases: dict[tuple[str, ...], list[Word]] = {}
    for word in vocabulary.words:
        for spelling in {normal(s) for s in (word.id.replace("_", " "), word.words, *word.aliases)}:
            phrases.setdefault(tuple(split_words(spelling)), []).append(word)
    options = vocabulary.writing
    tokens = (
        {token for phrase in phrases for token in phrase}
        | set(FUNCTION_WORDS)
        | set(options.either)
        | set(options.compass)
    )
    shapes: dict[str, str | None] = {}
    for token in tokens:
        shapes[_shape(token)] = None if _shape(token) in shapes else token
    correctable = frozenset(token for token in tokens if len(token) >= options.exact_below - 1)
    meanings: dict[str, frozenset[str]] = {
        phrase[0]: frozenset(word.id for word in words)
        for phrase, words in phrases.items()
        if len(phrase) == 1
    }
    return Lexicon(
        phrases={phrase: tuple(words) for phrase, words in phrases.items()},
        tokens=frozenset(tokens),
        shapes=shapes,
        candidates=tuple(sorted(correctable | set(options.other_words))),
        correctable=correctable,
        meanings=meanings,
        longest=max((len(phrase) for phrase in phrases), default=1),
        options=options,
    )


def split_words(text: str) -> list[str]:
    """The words of a normalised text; slashes inside words stay."""
    return text.replace("(", " ").replace(")", " ").replace(",", " ").split()
