"""The head file beside the custody log: the end of the log, and the frontier of its Merkle tree.

With the frontier an append updates the root without reading the log: one hash for each bit set in the
number of entries.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import rfc8785

from evidence.archive.custody_lines import GENESIS, Anchor
from evidence.archive.merkle import Frontier
from evidence.model import Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredHead:
    """The content of the head file."""

    seq: int
    """Number of the last entry; 0 for an empty log."""
    sha256: Sha256
    """Digest of its line."""
    size: int
    """Bytes of the log up to the end of that line."""
    frontier: tuple[bytes, ...] | None
    """See `merkle.Frontier.hashes`; None in a file that an earlier version wrote."""

    def tree(self, log: Path) -> Frontier:
        """The Merkle tree over the entries up to here; reads the log when the file has no frontier."""
        if self.frontier is not None:
            return Frontier(self.seq, self.frontier)
        tree = Frontier()
        if self.seq:
            with log.open("rb") as handle:
                for line in handle:
                    tree.add(line.rstrip(b"\n"))
                    if tree.size == self.seq:
                        break
        return tree

    def anchor(self, log: Path, *, where: str = "") -> Anchor:
        """The end of the log with its Merkle root."""
        root = self.tree(log).root().hex() if self.seq else ""
        return Anchor(seq=self.seq, sha256=self.sha256, root=root, where=where)


EMPTY_LOG = StoredHead(seq=0, sha256=GENESIS, size=0, frontier=())


def read_head(path: Path) -> StoredHead | None:
    """The stored head; None when the file is missing or not a head."""
    try:
        return parse_stored(json.loads(path.read_bytes()))
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return None


def parse_stored(value: Any) -> StoredHead:
    """The head in a JSON value. Raises ValueError, KeyError or TypeError for another value."""
    frontier = None
    if "frontier" in value:
        frontier = tuple(bytes.fromhex(each) for each in value["frontier"])
        Frontier(int(value["seq"]), frontier)
    return StoredHead(
        seq=int(value["seq"]),
        sha256=Sha256(str(value["sha256"])),
        size=int(value["size"]),
        frontier=frontier,
    )


def head_bytes(head: StoredHead) -> bytes:
    """The content of the head file, canonical JSON (RFC 8785)."""
    value: dict[str, Any] = {"seq": head.seq, "sha256": head.sha256, "size": head.size}
    if head.frontier is not None:
        value["frontier"] = [each.hex() for each in head.frontier]
    return rfc8785.dumps(value) + b"\n"
