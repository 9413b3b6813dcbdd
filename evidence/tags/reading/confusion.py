"""What a reader makes of letters, as prices: negative natural logarithms of probabilities, set by hand.

Common practice, no source; judged by tests/bench/walk_report.py and tests/bench/reading_facets.py.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evidence.tags.reading.lexicon import ALIKE, BREAKS, SHAPES

LIKE_SHAPE, SAME_SHAPE, OTHER = 3.0, 1.2, 6.0
"""One letter taken for another."""
DROPPED, ADDED = 5.0, 7.0
SLASH_DROPPED, SLASH_FOR_STROKE = 2.5, 2.0
SPACE_DROPPED, SPACE_ADDED = 2.5, 3.5
DIGIT_FOR_LETTER = 2.0
SEPARATORS = " /+"

_PER_LETTER, _MOST = 3.0, 14.0
"""A spelling may differ by so much for each of its letters, and by so much in all."""
_AHEAD = 3
"""Letters that may be dropped one after the other, with one to spare."""
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/+|! ?"
_CODE = {letter: at for at, letter in enumerate(_LETTERS)}
_UNKNOWN = re.compile(r"[^A-Z0-9/+|! ]")


def cleaned(text: str) -> str:
    """A text in the letters that have prices, single spaces between its words."""
    return _UNKNOWN.sub("?", BREAKS.sub(" ", text)).strip()


def _tables() -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Prices by letter: (seen, meant) for one taken for the other, and for a dropped and an added one."""
    many = len(_LETTERS)
    swap = np.full((many, many), OTHER, dtype=np.float32)
    for a, at in _CODE.items():
        for b, to in _CODE.items():
            one, other = a.translate(SHAPES), b.translate(SHAPES)
            if a == b:
                swap[at, to] = 0.0
            elif one == other:
                swap[at, to] = SAME_SHAPE
            elif frozenset((one, other)) in ALIKE:
                swap[at, to] = LIKE_SHAPE
            elif b == "/" and one in "IJ":
                swap[at, to] = SLASH_FOR_STROKE
    blank = _CODE[" "]
    swap[blank], swap[:, blank] = 2 * OTHER, 2 * OTHER
    for separator in SEPARATORS:
        swap[_CODE[separator], blank] = 0.0
    drop, add = (np.full(many, price, dtype=np.float32) for price in (DROPPED, ADDED))
    drop[_CODE["/"]] = SLASH_DROPPED
    drop[blank], add[blank] = SPACE_DROPPED, SPACE_ADDED
    return swap, drop, add


_SWAP, _DROP, _ADD = _tables()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spellings:
    """Many spellings laid out so that all of them are compared with a text at once."""

    lengths: NDArray[np.intp]
    limits: NDArray[np.float32]
    """(spellings,): what the reader may have done to each at most."""
    swaps: NDArray[np.float32]
    """(letters, spellings, longest): the price of reading a letter where the spelling has its own."""
    drops: NDArray[np.float32]
    """(spellings, longest + 1): the price of dropping all letters before each."""

    @property
    def reach(self) -> int:
        """Letters of a text that the longest spelling can take up."""
        return int(self.lengths.max()) + _AHEAD

    def beginnings(self, text: str) -> list[tuple[int, int, float]]:
        """The spellings a cleaned text may begin with: where each may end, its number, and its price.

        Levenshtein's distance with prices (Wagner and Fischer, J. ACM 21, 1974), all spellings at a time.
        """
        found: list[tuple[int, int, float]] = []
        rows, lengths, limit = np.arange(len(self.lengths)), self.lengths, self.limits
        swaps, drops = self.swaps, self.drops
        state = drops[:, : _AHEAD + 1].copy()
        for end in range(1, len(text) + 1):
            seen = _CODE[text[end - 1]]
            width = min(end + _AHEAD, swaps.shape[2])  # further on lies more than may be dropped
            if state.shape[1] <= width:
                more = np.full((len(rows), width + 1 - state.shape[1]), np.inf, np.float32)
                state = np.hstack([state, more])
            grown = state + _ADD[seen]
            np.minimum(grown[:, 1:], state[:, :-1] + swaps[seen, :, :width], out=grown[:, 1:])
            # a run of dropped letters after any of these: the least of (price - drops so far), plus drops so far
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
    """Spellings made ready for comparing."""
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
