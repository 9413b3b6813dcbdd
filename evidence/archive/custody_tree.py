"""The Merkle tree over a custody log (RFC 9162): roots of its parts and inclusion proofs, without reading all of it.

The index gives the roots of whole blocks. It is not believed: whoever uses a root or a path compares it with a root that
was signed, and asks again without the index when they differ.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from evidence.archive.custody_index import BLOCK, Block, LogIndex
from evidence.archive.custody_reading import line_at, offset_of
from evidence.archive.merkle import Frontier, TracedFrontier


class LogTree:
    """The tree over the first `size` entries of a log."""

    def __init__(self, log: Path, size: int, index: LogIndex | None = None) -> None:
        """The log has `size` entries or more; without an index every line is read."""
        self._log = log
        self._size = size
        self._blocks: tuple[Block, ...] = index.blocks() if index else ()

    def root(self) -> bytes:
        """Its root, 32 bytes. Raises ValueError when the log is shorter."""
        return self.subtree(0, self._size)

    def subtree(self, first: int, after: int) -> bytes:
        """Root over the leaves from `first` to the one before `after`, from 0. Raises ValueError when the log is shorter.

        A subtree of the standard's division begins at a multiple of `BLOCK` if it has that many leaves.
        """
        tree = Frontier()
        self._fill(tree, first, after)
        return tree.root()

    def path(self, number: int) -> tuple[bytes, ...]:
        """The inclusion proof of entry `number`, from 1. Raises ValueError when the log is shorter."""
        tree = TracedFrontier(number - 1)
        self._fill(tree, 0, self._size, whole=(number - 1) // BLOCK)
        return tree.path()

    def leaf(self, number: int) -> bytes:
        """The line of entry `number`, from 1. Raises ValueError when there is none."""
        offset = offset_of(self._log, number)
        if offset is None:
            raise ValueError(f"no entry {number}")
        return line_at(self._log, offset)

    def _fill(self, tree: Frontier, first: int, after: int, *, whole: int | None = None) -> None:
        """Add these leaves: blocks by their roots, but for the block `whole`, of which every line is added."""
        at = first
        while at < after:
            number, within = divmod(at, BLOCK)
            end = min(after, (number + 1) * BLOCK)
            if not within and end - at == BLOCK and number < len(self._blocks) and number != whole:
                tree.add_node(BLOCK, self._blocks[number].root)
            else:
                if number >= len(self._blocks):
                    end = after
                count = 0
                for line in self._lines(at, end):
                    tree.add(line)
                    count += 1
                if count < end - at:
                    raise ValueError(f"the log has no entry {at + count + 1}")
            at = end

    def _lines(self, first: int, after: int) -> Iterator[bytes]:
        """The lines of these leaves, from the nearest place that the index knows; fewer when the log is shorter."""
        known = min(first // BLOCK, len(self._blocks))
        start = self._blocks[known - 1].end if known else 0
        with self._log.open("rb") as handle:
            handle.seek(start)
            for number, line in enumerate(handle, start=known * BLOCK):
                if number >= after or not line.endswith(b"\n"):
                    return
                if number >= first:
                    yield line[:-1]
