"""An index of 64-bit codes that finds every code within a Hamming radius, exactly.

Multi-index hashing (Norouzi, Punjani and Fleet, 'Fast Search in Hamming Space with Multi-Index Hashing', CVPR 2012)
with three blocks of bits. Two codes that differ in at most r = 3a + b bits (b < 3) differ in at most a bits of one of
the first b + 1 blocks, or in at most a - 1 bits of one of the others: else they would differ in at least
(b + 1)(a + 1) + (2 - b)a = r + 1 bits. So only codes that share such a block are compared.

Codes that come later are kept in a tail, all of which is compared; codes that go are flagged. `compacted` makes one
index of both again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.uint64]
Places = npt.NDArray[np.uint32]
Positions = npt.NDArray[np.intp]

CODE_BITS = 64
BLOCKS = ((42, 22), (21, 21), (0, 21))
"""The lowest bit and the width of each block, the top block first: the codes are in its order."""
LEAST_KEY = 4
"""Bits of the shortest key, see `key_bits`."""
MOST_FLIPPED = 3
"""Bits by which a block may differ before all codes are compared: 1,794 values of a block of 22 bits to look up; with
four it would be 9,109."""
SCAN_ABOVE = 0.4
"""Share of the codes from which comparing all of them is faster than gathering the candidates of a block."""
SCAN_BELOW = 40_000
"""Codes of which all are compared at once: that takes 0.02 ms, and looking the blocks up 0.1 ms."""
_FIRST_TAIL = 1024
"""Room for codes in a new tail; it doubles when it is full."""


class Hits(NamedTuple):
    """Codes within the radius, nearest first, then by value."""

    codes: Codes
    bits: npt.NDArray[np.uint8]
    """Bits by which each differs from the code asked about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexArrays:
    """The arrays of an index without a tail, as they are stored."""

    codes: Codes
    """Shape (n,), ascending, each once."""
    orders: tuple[Places, Places]
    """For the middle and the low block: the positions of the codes in the order of that block; shape (n,)."""
    starts: tuple[Places, Places, Places]
    """For each block: where in its order each key begins; shape (2 ** bits + 1,) with the bits of `key_bits`."""

    def each(self) -> Iterator[tuple[str, npt.NDArray[np.unsignedinteger]]]:
        """Every array with its name, in the order of the fields."""
        yield "codes", self.codes
        for number, order in enumerate(self.orders, start=1):
            yield f"order {number}", order
        for number, start in enumerate(self.starts):
            yield f"starts {number}", start


class HashIndex:
    """Codes of 64 bits, each once; finds those within a Hamming radius. Not safe for several threads at once."""

    def __init__(self, codes: Iterable[int] | Codes = (), *, arrays: IndexArrays | None = None) -> None:
        """An index of these codes, in any order, each once; or that of `arrays`, which `compacted` gave.

        Raises ValueError when the shapes of the arrays do not fit one another.
        """
        self._main = _built(_unique(codes)) if arrays is None else arrays
        self._keys = key_bits(len(self._main.codes))
        _require_fit(self._main, self._keys)
        self._gone: npt.NDArray[np.bool_] | None = None
        self._tail: Codes = np.empty(_FIRST_TAIL, dtype=np.uint64)
        self._tail_size = 0

    def __len__(self) -> int:
        """Number of codes that are in it."""
        gone = 0 if self._gone is None else int(np.count_nonzero(self._gone))
        return len(self._main.codes) - gone + self._tail_size

    def __contains__(self, code: int) -> bool:
        """Whether the code is in it."""
        return bool(len(self.near(code, 0).codes))

    @property
    def tail(self) -> Codes:
        """The codes that were added since the index was built, in the order in which they came."""
        return self._tail[: self._tail_size]

    @property
    def removed(self) -> int:
        """Number of codes that are flagged as removed and still take room."""
        return 0 if self._gone is None else int(np.count_nonzero(self._gone))

    @property
    def octets(self) -> int:
        """Bytes of its arrays."""
        flags = 0 if self._gone is None else self._gone.nbytes
        return sum(array.nbytes for _, array in self._main.each()) + self._tail.nbytes + flags

    def near(self, code: int, radius: int) -> Hits:
        """Every code that differs from `code` in at most `radius` bits, and no other."""
        wanted = np.uint64(code)
        places = self._near_places(wanted, radius)
        found = np.concatenate([self._main.codes[places], self._near_tail(wanted, radius)])
        bits = np.bitwise_count(found ^ wanted)
        order = np.lexsort((found, bits))
        return Hits(codes=found[order], bits=bits[order])

    def add(self, codes: Iterable[int] | Codes) -> None:
        """Add these codes; one that is in it already changes nothing."""
        fresh = _unique(codes)
        places, known = self._in_main(fresh)
        if self._gone is not None:
            self._gone[places[known]] = False
        fresh = fresh[~known]
        fresh = fresh[~np.isin(fresh, self.tail)]
        needed = self._tail_size + len(fresh)
        if needed > len(self._tail):
            larger = np.empty(max(needed, 2 * len(self._tail)), dtype=np.uint64)
            larger[: self._tail_size] = self.tail
            self._tail = larger
        self._tail[self._tail_size : needed] = fresh
        self._tail_size = needed

    def remove(self, codes: Iterable[int] | Codes) -> None:
        """Remove these codes; one that is not in it changes nothing."""
        going = _unique(codes)
        places, known = self._in_main(going)
        if known.any():
            if self._gone is None:
                self._gone = np.zeros(len(self._main.codes), dtype=np.bool_)
            self._gone[places[known]] = True
        stay = self.tail[~np.isin(self.tail, going)]
        self._tail[: len(stay)] = stay
        self._tail[len(stay) : self._tail_size] = 0
        self._tail_size = len(stay)

    def compacted(self) -> IndexArrays:
        """The arrays of one index with the tail and without the removed codes."""
        if not self._tail_size and not self.removed:
            return self._main
        kept = self._main.codes if self._gone is None else self._main.codes[~self._gone]
        return _built(_unique(np.concatenate([kept, self.tail])))

    def _in_main(self, codes: Codes) -> tuple[Positions, npt.NDArray[np.bool_]]:
        """Where each code is or would be among the main codes, and whether it is there, flagged or not."""
        main = self._main.codes
        places = np.searchsorted(main, codes)
        known = np.zeros(len(codes), dtype=np.bool_)
        inside = places < len(main)
        known[inside] = main[places[inside]] == codes[inside]
        return places, known

    def _near_tail(self, code: np.uint64, radius: int) -> Codes:
        tail = self.tail
        near: Codes = tail[np.bitwise_count(tail ^ code) <= radius]
        return near

    def _near_places(self, code: np.uint64, radius: int) -> Positions:
        """Positions among the main codes of those within the radius, each once, without the removed ones."""
        most, rest = divmod(radius, len(BLOCKS))
        if radius < 0 or not len(self._main.codes):
            return np.empty(0, dtype=np.intp)
        compare_all = most > MOST_FLIPPED or len(self._main.codes) < SCAN_BELOW
        found = None if compare_all else self._by_blocks(code, radius, most, rest)
        if found is None:
            found = np.flatnonzero(np.bitwise_count(self._main.codes ^ code) <= radius)
        return found if self._gone is None else found[~self._gone[found]]

    def _by_blocks(self, code: np.uint64, radius: int, most: int, rest: int) -> Positions | None:
        """The same by the blocks; None when the candidates are so many that comparing all codes is faster."""
        codes, found = self._main.codes, []
        for number in range(len(BLOCKS)):
            flipped = most if number <= rest else most - 1
            if flipped < 0:
                break
            slots = self._candidates(number, code, flipped)
            if slots is None:
                return None
            places = slots if number == 0 else self._main.orders[number - 1][slots].astype(np.intp)
            found.append(places[np.bitwise_count(codes[places] ^ code) <= radius])
        return np.unique(np.concatenate(found))

    def _candidates(self, number: int, code: np.uint64, flipped: int) -> Positions | None:
        """The places, in the block's order, of codes whose key differs in at most `flipped` bits; None for too many."""
        bits, starts = self._keys[number], self._main.starts[number]
        values = _masks(bits, flipped) ^ ((int(code) >> _shift(number, bits)) & (2**bits - 1))
        first = starts[values].astype(np.intp)
        many = starts[values + 1].astype(np.intp) - first
        filled = many > 0
        first, many = first[filled], many[filled]
        total = int(many.sum())
        if total > SCAN_ABOVE * len(self._main.codes) and total > 1000:
            return None
        ends = np.cumsum(many)
        places: Positions = np.arange(total) + np.repeat(first - (ends - many), many)
        return places


def _unique(codes: Iterable[int] | Codes) -> Codes:
    """The codes in ascending order, each once."""
    given = codes if isinstance(codes, np.ndarray) else np.fromiter(codes, dtype=np.uint64)
    ordered = np.sort(given.astype(np.uint64, copy=False))
    # `np.unique` of numpy 2.3 and later fills a hash table, which takes many times the memory and the time.
    first = np.ones(len(ordered), dtype=np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    codes_once: Codes = ordered if first.all() else ordered[first]
    return codes_once


def _require_fit(arrays: IndexArrays, keys: Sequence[int]) -> None:
    count = len(arrays.codes)
    fits = all(len(order) == count for order in arrays.orders) and all(
        len(starts) == 2**bits + 1 and int(starts[-1]) == count
        for starts, bits in zip(arrays.starts, keys, strict=True)
    )
    if not fits:
        raise ValueError("the arrays of the index do not fit one another")


def key_bits(count: int) -> tuple[int, ...]:
    """For each block, how many of its highest bits are looked up in an index of so many codes.

    Codes that differ in few bits of a block differ in no more bits of its key, so a shorter key finds all of them
    too; an index of few codes then needs no large table.
    """
    return tuple(min(width, max(LEAST_KEY, count.bit_length())) for _, width in BLOCKS)


def _shift(number: int, bits: int) -> int:
    """The lowest bit of a block's key of so many bits."""
    low, width = BLOCKS[number]
    return low + width - bits


def _built(codes: Codes) -> IndexArrays:
    """The arrays for codes that are ascending, each once."""
    orders, starts = [], []
    for number, bits in enumerate(key_bits(len(codes))):
        keys = np.arange(2**bits, dtype=np.uint64)
        if number == 0:
            begin = np.searchsorted(codes, keys << np.uint64(CODE_BITS - bits))
        else:
            # Key and position as one number: a plain sort takes a third of the time of an indirect one.
            pairs = codes >> np.uint64(_shift(number, bits))
            pairs &= np.uint64(2**bits - 1)
            pairs <<= np.uint64(32)
            pairs |= np.arange(len(codes), dtype=np.uint32)
            pairs.sort()
            begin = np.searchsorted(pairs, keys << np.uint64(32))
            orders.append(pairs.astype(np.uint32))
            del pairs
        starts.append(np.append(begin, len(codes)).astype(np.uint32))
    return IndexArrays(codes=codes, orders=(orders[0], orders[1]), starts=(starts[0], starts[1], starts[2]))


@cache
def _masks(width: int, flipped: int) -> Positions:
    """Every mask of `width` bits with at most `flipped` bits set."""
    return np.array(
        [
            sum(1 << bit for bit in bits)
            for size in range(flipped + 1)
            for bits in combinations(range(width), size)
        ],
        dtype=np.intp,
    )
