"""Near-duplicate photos within a claim, by the Hamming distance of their 64-bit perceptual hashes.

A small distance is a reason to look, never proof: only the SHA-256 proves that two files are identical. A claim's
photos are few enough to compare every two; `alike.hash_index` finds those of a whole archive.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

BITS = 64


def code_of(phash: str) -> int | None:
    """The 64-bit number behind 16 hexadecimal digits; None for an empty hash (the picture did not decode)."""
    return int(phash, 16) if phash else None


def distance(one: str, other: str) -> int:
    """Bits by which two hashes differ; 64 when either is empty."""
    a, b = code_of(one), code_of(other)
    return BITS if a is None or b is None else (a ^ b).bit_count()


def pairs(phashes: Sequence[str], bits: int) -> tuple[tuple[int, int, int], ...]:
    """All pairs of positions whose hashes are within `bits`: (earlier, later, distance), in order of position."""
    known = np.array([place for place, phash in enumerate(phashes) if phash], dtype=np.intp)
    codes = np.array([int(phash, 16) for phash in phashes if phash], dtype=np.uint64)
    found: list[tuple[int, int, int]] = []
    for number, (place, code) in enumerate(zip(known.tolist(), codes, strict=True)):
        apart = np.bitwise_count(codes[number + 1 :] ^ code)
        hits = np.flatnonzero(apart <= bits)
        later, distances = known[number + 1 + hits].tolist(), apart[hits].tolist()
        found += [(place, other, many) for other, many in zip(later, distances, strict=True)]
    return tuple(found)


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
