"""Near-duplicate photos, found by the Hamming distance of their 64-bit perceptual hashes.

A small distance is a reason to look, never proof: only the SHA-256 proves that two files are identical.
Small sets are compared exhaustively. Large sets use multi-index hashing (Norouzi, Punjani, Fleet, CVPR 2012):
two codes within r bits differ by at most r // 4 bits in at least one of four 16-bit blocks, so only codes with
such a block are compared. Both methods give exactly the same answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.uint64]
Places = npt.NDArray[np.intp]

BITS = 64
_BLOCKS, _BLOCK_BITS = 4, 16
_MOST_BLOCK_BITS = 2
"""137 values to probe per block; with 3 bits it would be 697, and comparing all codes is faster."""
_OUTRIGHT_BELOW = {0: 100_000, 1: 200_000, 2: 3_000_000}
"""Key: bits by which a block may differ. With fewer codes than the value, comparing all of them is faster
(`tests/bench/doubles_bench.py`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """A code of the index within the distance asked for."""

    place: int
    """Its place in the sequence that the index was made from."""
    bits: int
    """Hamming distance."""


def code_of(phash: str) -> int | None:
    """The 64-bit number behind 16 hexadecimal digits; None for an empty hash (the picture did not decode)."""
    return int(phash, 16) if phash else None


def distance(one: str, other: str) -> int:
    """Bits by which two hashes differ; 64 when either is empty."""
    a, b = code_of(one), code_of(other)
    return BITS if a is None or b is None else (a ^ b).bit_count()


class DoubleIndex:
    """Index over the hashes of a whole archive: finds those within a given Hamming distance."""

    def __init__(self, phashes: Sequence[str]) -> None:
        known = [place for place, phash in enumerate(phashes) if phash]
        digits = "".join(phashes[place].zfill(BITS // 4) for place in known)
        self._places: Places = np.array(known, dtype=np.intp)
        self._codes: Codes = np.frombuffer(bytes.fromhex(digits), dtype=">u8").astype(np.uint64)
        self._blocks: list[tuple[npt.NDArray[np.uint16], Places]] | None = None

    def __len__(self) -> int:
        """Number of hashes, without empty ones."""
        return len(self._codes)

    def near(self, phash: str, bits: int) -> tuple[Near, ...]:
        """All within `bits` of `phash`, nearest first, then by place; itself among them when it is in the index."""
        code = code_of(phash)
        if code is None or not len(self):
            return ()
        among = self._candidates(code, bits)
        codes = self._codes if among is None else self._codes[among]
        apart = np.bitwise_count(codes ^ np.uint64(code))
        hits = np.flatnonzero(apart <= bits)
        where = hits if among is None else among[hits]
        found = zip(self._places[where].tolist(), apart[hits].tolist(), strict=True)
        return tuple(Near(place=p, bits=b) for p, b in sorted(found, key=lambda hit: (hit[1], hit[0])))

    def _candidates(self, code: int, bits: int) -> Places | None:
        """Positions in the code array to compare, each once; None for all."""
        radius = bits // _BLOCKS
        if len(self) < _OUTRIGHT_BELOW.get(radius, len(self) + 1):
            return None
        found = []
        for number, (values, order) in enumerate(self._sorted_blocks()):
            block = code >> (_BLOCK_BITS * number) & 0xFFFF
            probes = (_FLIPS[radius] ^ np.uint16(block)).astype(np.uint16)
            first, last = np.searchsorted(values, probes, "left"), np.searchsorted(values, probes, "right")
            found += [order[a:b] for a, b in zip(first, last, strict=True) if a < b]
        return np.unique(np.concatenate(found)) if found else np.empty(0, dtype=np.intp)

    def _sorted_blocks(self) -> list[tuple[npt.NDArray[np.uint16], Places]]:
        """For each block its values in order, and the positions of their codes."""
        if self._blocks is None:
            self._blocks = []
            for number in range(_BLOCKS):
                values = (self._codes >> np.uint64(_BLOCK_BITS * number)).astype(np.uint16)
                order = np.argsort(values, kind="stable")
                self._blocks.append((values[order], order))
        return self._blocks


def pairs(phashes: Sequence[str], bits: int) -> tuple[tuple[int, int, int], ...]:
    """All pairs of positions whose hashes are within `bits`: (earlier, later, distance), in order of position."""
    index = DoubleIndex(phashes)
    found = []
    for place, phash in enumerate(phashes):
        found += [(place, hit.place, hit.bits) for hit in index.near(phash, bits) if hit.place > place]
    return tuple(sorted(found))


def has_distinct(codes: Sequence[int | None], bits: int, wanted: int) -> bool:
    """True when some `wanted` of the photos differ pairwise by more than `bits`.

    Adding a photo never makes it false. A photo without a hash differs from every other. Exact when near-duplicates
    come in bursts; in a constructed worst case the count may be too low, never too high.
    """
    if wanted <= 0:
        return True
    alone = sum(code is None for code in codes)
    known = sorted({code for code in codes if code is not None})
    near = {a: {b for b in known if a != b and (a ^ b).bit_count() <= bits} for a in known}
    return alone + _independent_set(near, wanted - alone, [_SEARCH_BUDGET]) >= wanted


_SEARCH_BUDGET = 20_000
"""Branches of the search before it stops with the best set so far; real bursts need a handful."""


def _independent_set(near: dict[int, set[int]], wanted: int, budget: list[int]) -> int:
    """Size of the largest independent set (no two neighbours), counted up to `wanted`."""
    budget[0] -= 1
    taken = 0
    near = {code: set(others) for code, others in near.items()}
    while near and taken < wanted:
        code = min(near, key=lambda c: (len(near[c]), c))
        others = near[code]
        if all(b in near[a] for a, b in combinations(others, 2)) or budget[0] <= 0:
            taken += 1  # its neighbours form a clique, so some largest set contains it
            near = _without(near, others | {code})
            continue
        busiest = max(near, key=lambda c: (len(near[c]), c))
        with_it = 1 + _independent_set(_without(near, near[busiest] | {busiest}), wanted - taken - 1, budget)
        if taken + with_it >= wanted:
            return taken + with_it
        return taken + max(with_it, _independent_set(_without(near, {busiest}), wanted - taken, budget))
    return taken


def _without(near: dict[int, set[int]], gone: set[int]) -> dict[int, set[int]]:
    return {code: others - gone for code, others in near.items() if code not in gone}


def _flips(radius: int) -> npt.NDArray[np.uint16]:
    """Every 16-bit mask with at most `radius` bits set."""
    chosen: Iterable[tuple[int, ...]] = (
        c for size in range(radius + 1) for c in combinations(range(_BLOCK_BITS), size)
    )
    return np.array([sum(1 << bit for bit in bits) for bits in chosen], dtype=np.uint16)


_FLIPS = {radius: _flips(radius) for radius in range(_MOST_BLOCK_BITS + 1)}
