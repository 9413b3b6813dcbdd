"""The confusion model: what handwriting recognition makes of letters.

Costs are negative natural logarithms of probabilities, set by hand.

Common practice, no source; judged by tests/bench/walk_report.py and tests/bench/reading_facets.py.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evidence.tags.reading.lexicon import BREAKS, SHAPES, SIMILAR_PAIRS

SIMILAR_SHAPE, SAME_SHAPE, OTHER = 3.0, 1.2, 6.0
"""Costs of a substitution: letters of similar shape, of the same shape, and any others."""
DROPPED, ADDED = 5.0, 7.0
SLASH_DROPPED, SLASH_FOR_STROKE = 2.5, 2.0
SPACE_DROPPED, SPACE_ADDED = 2.5, 3.5
DIGIT_FOR_LETTER = 2.0
SEPARATORS = " /+"

_PER_LETTER, _MOST = 3.0, 14.0
"""The highest cost at which a spelling still matches: for each of its letters, and in all."""
_AHEAD = 3
"""One more than the letters that may be dropped in a row."""
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/+|! ?"
_CODE = {letter: at for at, letter in enumerate(_LETTERS)}
_UNKNOWN = re.compile(r"[^A-Z0-9/+|! ]")


def cleaned(text: str) -> str:
    """A text in the letters that have costs, with single spaces between its words."""
    return _UNKNOWN.sub("?", BREAKS.sub(" ", text)).strip()


def _tables() -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Costs by letter: (seen, meant) of a substitution, of a dropped letter, and of an added one."""
    many = len(_LETTERS)
    swap = np.full((many, many), OTHER, dtype=np.float32)
    for a, at in _CODE.items():
        for b, to in _CODE.items():
            one, other = a.translate(SHAPES), b.translate(SHAPES)
            if a == b:
                swap[at, to] = 0.0
            elif one == other:
                swap[at, to] = SAME_SHAPE
            elif frozenset((one, other)) in SIMILAR_PAIRS:
                swap[at, to] = SIMILAR_SHAPE
            elif b == "/" and one in "IJ":
                swap[at, to] = SLASH_FOR_STROKE
    blank = _CODE[" "]
    swap[blank], swap[:, blank] = 2 * OTHER, 2 * OTHER
    for separator in SEPARATORS:
        swap[_CODE[separator], blank] = 0.0
    drop, add = (np.full(many, cost, dtype=np.float32) for cost in (DROPPED, ADDED))
    drop[_CODE["/"]] = SLASH_DROPPED
    drop[blank], add[blank] = SPACE_DROPPED, SPACE_ADDED
    return swap, drop, add


_SWAP, _DROP, _ADD = _tables()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spellings:
    """Many spellings as arrays, so that all of them are compared with a text at once."""

    lengths: NDArray[np.intp]
    limits: NDArray[np.float32]
    """(spellings,): the highest cost at which each still matches."""
    swaps: NDArray[np.float32]
    """(letters, spellings, longest): the cost of reading a letter in place of each letter of the spelling."""
    drops: NDArray[np.float32]
    """(spellings, longest + 1): the cost of dropping all letters before each position."""

    @property
    def reach(self) -> int:
        """The most letters of a text that a spelling can match."""
        return int(self.lengths.max()) + _AHEAD

    def beginnings(self, text: str) -> list[tuple[int, int, float]]:
        """The spellings that a cleaned text may begin with: (where it ends, number of the spelling, cost) of each.

        Weighted edit distance (Wagner and Fischer, J. ACM 21, 1974) to all spellings at once.
        """
        found: list[tuple[int, int, float]] = []
        rows, lengths, limit = np.arange(len(self.lengths)), self.lengths, self.limits
        swaps, drops = self.swaps, self.drops
        state = drops[:, : _AHEAD + 1].copy()
        for end in range(1, len(text) + 1):
            seen = _CODE[text[end - 1]]
            # further on, more letters would have to be dropped than are allowed
            width = min(end + _AHEAD, swaps.shape[2])
            if state.shape[1] <= width:
                more = np.full((len(rows), width + 1 - state.shape[1]), np.inf, np.float32)
                state = np.hstack([state, more])
            grown = state + _ADD[seen]
            np.minimum(grown[:, 1:], state[:, :-1] + swaps[seen, :, :width], out=grown[:, 1:])
            # a run of dropped letters after any of these: the least of (cost - drops so far), plus drops so far
            so_far = drops[:, : width + 1]
            state = np.minimum.accumulate(grown - so_far, axis=1) + so_far
            if text[end - 1] != " ":
                whole = state[np.arange(len(rows)), np.minimum(lengths, width)]
                good = np.flatnonzero((whole <= limit) & (lengths <= width)).tolist()
                found += [(end, int(rows[k]), float(whole[k])) for k in good]
            alive = state.min(axis=1) <= limit
            if not alive.any():
                break
            if np.count_nonzero(alive) < 0.7 * len(rows):
                rows, lengths, limit, state = rows[alive], lengths[alive], limit[alive], state[alive]
                swaps, drops = swaps[:, alive], drops[alive]
        return found


def lay_out(spellings: Sequence[str]) -> Spellings:
    """Put spellings into arrays for comparison."""
    texts = [cleaned(spelling) for spelling in spellings]
    lengths = np.array([len(text) for text in texts], dtype=np.intp)
    letters = np.full((len(texts), int(lengths.max())), _CODE["?"], dtype=np.intp)
    for row, text in enumerate(texts):
        letters[row, : len(text)] = [_CODE[c] for c in text]
    drops = np.zeros((len(texts), letters.shape[1] + 1), dtype=np.float32)
    np.cumsum(_DROP[letters], axis=1, out=drops[:, 1:])
    return Spellings(
        lengths=lengths,
        limits=np.minimum(_PER_LETTER * lengths, _MOST).astype(np.float32),
        swaps=_SWAP[:, letters],
        drops=drops,
    )
