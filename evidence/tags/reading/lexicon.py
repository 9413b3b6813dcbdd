"""Known words and their spellings, and the correction of misread words to them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from rapidfuzz import fuzz, process

from evidence.tags.vocabulary import Vocabulary, Word, WritingOptions, normal

FUZZY = 0.9
"""Confidence factor of a word that had to be corrected."""

LOOKALIKE = 0.98
"""Confidence factor of a word whose only fault is a digit read for a letter of the same shape."""

GLUE = (
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
"""Words the grammar itself understands."""

BREAKS = re.compile(r"[\s,&()\[\]#*=]+")
"""What stands between two words of a board; slashes and plus signs may be parts of one."""

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
"""Characters a reader of handwriting takes for each other (common practice, no source)."""

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
    """A word as the grammar uses it, what stood there, and how sure it is."""

    text: str
    sure: float
    seen: str

    @property
    def known(self) -> bool:
        """False for a word that nothing we know resembles."""
        return self.sure > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lexicon:
    """All spellings of a vocabulary, ready to be looked up."""

    phrases: Mapping[tuple[str, ...], tuple[Word, ...]]
    """A spelling, word by word -> what it may mean."""
    tokens: frozenset[str]
    shapes: Mapping[str, str | None]
    """The shape of a token -> the token; None where two tokens share the shape."""
    rivals: tuple[str, ...]
    """Every word a misread one is compared with, ours and others'."""
    ours: frozenset[str]
    meaning: Mapping[str, frozenset[str]]
    """A single-word spelling -> ids; two spellings of one thing are no rivals of each other."""
    longest: int
    options: WritingOptions

    def spells(self, seen: str) -> bool:
        """Whether `seen` is a known word as it stands, or but for a digit in a letter's place."""
        return seen in self.tokens or self._by_shape(seen) is not None

    def correct(self, seen: str) -> Token:
        """The known word that `seen` is or is close to, or itself with certainty 0."""
        if seen in self.tokens:
            return Token(seen, 1.0, seen)
        if known := self._by_shape(seen):
            return Token(known, LOOKALIKE, seen)
        options = self.options
        if len(seen) < options.exact_below or seen.isdigit():
            return Token(seen, 0.0, seen)
        return self._nearest(seen, options.similarity, FUZZY)

    def _by_shape(self, seen: str) -> str | None:
        known = self.shapes.get(_shape(seen)) if len(seen) > 1 else None
        return known if known and _plausible(seen, known, self.options) else None

    def _nearest(self, seen: str, least: float, sure: float) -> Token:
        shape = _shape(seen)
        close = process.extract(shape, self._shaped(), scorer=fuzz.ratio, limit=10, score_cutoff=50)
        scored = sorted(((likeness(shape, other), self.rivals[k]) for other, _, k in close), reverse=True)
        if not scored:
            return Token(seen, 0.0, seen)
        score, best = scored[0]
        runner_up = max((s for s, word in scored[1:] if not self._same(best, word)), default=0.0)
        good = score >= least and score - runner_up >= self.options.margin and best in self.ours
        return Token(best, sure, seen) if good else Token(seen, 0.0, seen)

    def _same(self, one: str, other: str) -> bool:
        mine = self.meaning.get(one)
        return mine is not None and mine == self.meaning.get(other)

    def _shaped(self) -> tuple[str, ...]:
        return _shaped(self.rivals)


@lru_cache(maxsize=8)
def _shaped(words: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(_shape(word) for word in words)


ALIKE = frozenset(
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
"""Capitals that a reader of handwriting takes for each other (common practice, no source)."""


def likeness(seen: str, known: str) -> float:
    """0 to 100: one minus the edit distance over the longer length, where a letter of like shape costs half.

    Levenshtein's distance by Wagner and Fischer (J. ACM 21, 1974), with two prices for a substitution.
    """
    row = [float(k) for k in range(len(known) + 1)]
    for i, a in enumerate(seen, 1):
        before, row[0] = row[0], float(i)
        for j, b in enumerate(known, 1):
            swap = before + (0.0 if a == b else 0.5 if frozenset((a, b)) in ALIKE else 1.0)
            before, row[j] = row[j], min(swap, row[j] + 1, row[j - 1] + 1)
    return 100.0 * (1 - row[-1] / max(len(seen), len(known), 1))


def may_be_no(seen: str) -> bool:
    """Whether NO may have been misread as `seen`: one letter of two wrong, missing or too many."""
    return (1 - likeness(_shape(seen), "NO") / 100) * max(len(seen), 2) <= 1


def _shape(text: str) -> str:
    return text.translate(SHAPES)


def _plausible(seen: str, known: str, options: WritingOptions) -> bool:
    """Short words are matched by shape only when digits and letters stand mixed, as no real word has them."""
    mixed = any(c.isdigit() or c in "|!" for c in seen) and any(c.isalpha() for c in seen)
    return mixed or (len(known) >= options.exact_below and not seen.isdigit())


def as_number(text: str) -> int | None:
    """A whole number, with letters of a digit's shape allowed among digits; None when it is none."""
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
        | set(GLUE)
        | set(options.either)
        | set(options.compass)
    )
    shapes: dict[str, str | None] = {}
    for token in tokens:
        shapes[_shape(token)] = None if _shape(token) in shapes else token
    ours = frozenset(token for token in tokens if len(token) >= options.exact_below - 1)
    meaning: dict[str, frozenset[str]] = {
        phrase[0]: frozenset(word.id for word in words)
        for phrase, words in phrases.items()
        if len(phrase) == 1
    }
    return Lexicon(
        phrases={phrase: tuple(words) for phrase, words in phrases.items()},
        tokens=frozenset(tokens),
        shapes=shapes,
        rivals=tuple(sorted(ours | set(options.other_words))),
        ours=ours,
        meaning=meaning,
        longest=max((len(phrase) for phrase in phrases), default=1),
        options=options,
    )


def split_words(text: str) -> list[str]:
    """Words of a normalised text, where slashes inside known abbreviations stay."""
    return text.replace("(", " ").replace(")", " ").replace(",", " ").split()
