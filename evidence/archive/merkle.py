"""Merkle trees over the lines of a log, with proofs: RFC 9162, section 2.1 (SHA-256).

The root of a tree, printed on a certificate or recorded in a bag, commits to every line before it.
An inclusion proof shows that one line is among them without showing the others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

EMPTY = hashlib.sha256(b"").digest()
"""Root of the tree without leaves."""


def leaf_hash(data: bytes) -> bytes:
    """Hash of a leaf: SHA-256(0x00 || data)."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of an inner node: SHA-256(0x01 || left || right)."""
    return hashlib.sha256(b"\x01" + left + right).digest()


class Frontier:
    """A tree that grows leaf by leaf; keeps one hash per level.

    Give `size` and `hashes` to continue a tree that was kept. Raises ValueError when they do not fit together.
    """

    def __init__(self, size: int = 0, hashes: Sequence[bytes] = ()) -> None:
        sizes = [1 << level for level in range(size.bit_length() - 1, -1, -1) if size >> level & 1]
        if len(sizes) != len(hashes) or any(len(each) != len(EMPTY) for each in hashes):
            raise ValueError(f"{len(hashes)} hashes cannot be the frontier of a tree of {size} leaves")
        self.size = size
        self._peaks = list(zip(sizes, hashes, strict=True))

    @property
    def hashes(self) -> tuple[bytes, ...]:
        """Roots of the complete subtrees from left to right, the largest first: one per bit set in `size`."""
        return tuple(each for _size, each in self._peaks)

    def add(self, data: bytes) -> None:
        """Add a leaf at the right."""
        self.add_node(1, leaf_hash(data))

    def add_node(self, size: int, root: bytes) -> None:
        """Add a complete subtree of `size` leaves at the right, by its root.

        Raises ValueError unless `size` is a power of two and the leaves so far are a multiple of it.
        """
        if size < 1 or size & (size - 1) or self.size % size:
            raise ValueError(f"a subtree of {size} leaves cannot follow {self.size} leaves")
        added, current = size, root
        while self._peaks and self._peaks[-1][0] == size:
            left = self._peaks.pop()[1]
            self._joined(self.size + added - 2 * size, size, left, current)
            current = node_hash(left, current)
            size *= 2
        self._peaks.append((size, current))
        self.size += added

    def _joined(self, start: int, half: int, left: bytes, right: bytes) -> None:
        """Called for each two subtrees of `half` leaves that become one, with the index of their first leaf."""

    def root(self) -> bytes:
        """Root over the leaves so far, 32 bytes."""
        if not self._peaks:
            return EMPTY
        root = self._peaks[-1][1]
        for _size, peak in reversed(self._peaks[:-1]):
            root = node_hash(peak, root)
        return root


class TracedFrontier(Frontier):
    """A growing tree that also keeps the inclusion proof of one leaf, in memory of one hash per level.

    The proof is PATH(index, D_n) of RFC 9162, section 2.1.3.1: sibling hashes from the leaf upward.
    """

    def __init__(self, index: int) -> None:
        super().__init__()
        self._index = index
        self._path: list[bytes] = []

    def _joined(self, start: int, half: int, left: bytes, right: bytes) -> None:
        if start <= self._index < start + half:
            self._path.append(right)
        elif start + half <= self._index < start + 2 * half:
            self._path.append(left)

    def path(self) -> tuple[bytes, ...]:
        """The proof in the tree as it is now. Raises ValueError when the leaf is not in it."""
        if not 0 <= self._index < self.size:
            raise ValueError(f"no leaf {self._index} in a tree of {self.size}")
        path, start = list(self._path), self.size
        right: bytes | None = None
        for size, peak in reversed(self._peaks):
            start -= size
            inside = start <= self._index < start + size
            if inside and right is not None:
                path.append(right)
            elif self._index >= start + size:
                path.append(peak)
            right = peak if right is None else node_hash(peak, right)
        return tuple(path)


def merkle_root(leaves: Iterable[bytes]) -> bytes:
    """Root over the leaves' data, 32 bytes; reads them once."""
    tree = Frontier()
    for data in leaves:
        tree.add(data)
    return tree.root()


def verify_inclusion(data: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> bool:
    """True when `data` is leaf `index` of the tree of `size` leaves with that root (section 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    position, last = index, size - 1
    current = leaf_hash(data)
    for sibling in proof:
        if last == 0:
            return False
        if position & 1 or position == last:
            current = node_hash(sibling, current)
            while not position & 1 and position:
                position, last = position >> 1, last >> 1
        else:
            current = node_hash(current, sibling)
        position, last = position >> 1, last >> 1
    return last == 0 and current == root


def consistency_proof(leaves: Sequence[bytes], earlier: int) -> tuple[bytes, ...]:
    """PROOF(earlier, D_n) of section 2.1.4.1: that the first `earlier` leaves were not changed since.

    Raises ValueError unless 0 < earlier <= number of leaves.
    """
    ranges = consistency_ranges(earlier, len(leaves))
    return tuple(merkle_root(leaves[first:after]) for first, after in ranges)


def consistency_ranges(earlier: int, size: int) -> list[tuple[int, int]]:
    """The first leaf, and the one after the last, of each subtree whose root is in PROOF(earlier, D_size), in its order.

    A complete subtree begins at a multiple of its size. Raises ValueError unless 0 < earlier <= size.
    """
    if not 0 < earlier <= size:
        raise ValueError(f"no tree of {earlier} leaves within {size}")
    found: list[tuple[int, int]] = []
    start, end, whole = 0, size, True
    while earlier != end - start:  # SUBPROOF(m, D[n], b) of the standard, from the root downward
        split = start + _split(end - start)
        if start + earlier <= split:
            found.append((split, end))
            end = split
        else:
            found.append((start, split))
            earlier -= split - start
            start, whole = split, False
    if not whole:
        found.append((start, end))
    return found[::-1]


def verify_consistency(
    earlier: int, size: int, proof: Sequence[bytes], earlier_root: bytes, root: bytes
) -> bool:
    """True when the tree of `size` leaves begins with the one of `earlier` leaves (section 2.1.4.2)."""
    if not 0 < earlier <= size:
        return False
    if earlier == size:
        return not proof and earlier_root == root
    path = list(proof)
    if earlier & (earlier - 1) == 0:
        path.insert(0, earlier_root)
    if not path:
        return False
    position, last = earlier - 1, size - 1
    while position & 1:
        position, last = position >> 1, last >> 1
    old = new = path[0]
    for sibling in path[1:]:
        if last == 0:
            return False
        if position & 1 or position == last:
            old, new = node_hash(sibling, old), node_hash(sibling, new)
            while not position & 1 and position:
                position, last = position >> 1, last >> 1
        else:
            new = node_hash(new, sibling)
        position, last = position >> 1, last >> 1
    return last == 0 and old == earlier_root and new == root


def _split(count: int) -> int:
    """The largest power of two smaller than `count`, which is 2 or more."""
    return 1 << (count - 1).bit_length() - 1
