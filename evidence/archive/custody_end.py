"""The end of the custody log before an append: where a killed process left it, and what is wrong with it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from evidence.archive.custody_head import EMPTY_LOG, head_bytes, read_head
from evidence.archive.custody_lines import Anchor, parse_line
from evidence.archive.merkle import Frontier
from evidence.disk.durable import replace_file, sync_folder
from evidence.errors import CustodyError

RESTORE = "Bring the archive back from a backup target: `evidence restore TARGET DIR`."
"""What to do when entries of the log are damaged or missing."""
HEAD_LOST = "Write it anew: `evidence custody --reseal REASON`. It first compares the log with every head kept elsewhere."
"""What to do when only the head file is lost."""


def head_path_of(log: Path) -> Path:
    """The head file beside a log."""
    return log.with_name(log.name + ".head")


def recover_end(path: Path, descriptor: int) -> tuple[Anchor, Frontier, bytes]:
    """The end of the log, its tree, and the torn line that a killed process left, after moving it to another file."""
    size, head_path = os.fstat(descriptor).st_size, head_path_of(path)
    stored = read_head(head_path)
    if stored is None:
        if size:
            raise CustodyError(
                f"The custody log {path.name} has lost its head file.",
                HEAD_LOST,
            )
        stored = EMPTY_LOG
        replace_file(head_path, head_bytes(stored))
        sync_folder(path.parent)
    if size < stored.size:
        raise CustodyError(
            f"The custody log {path.name} is shorter than when it was last written.",
            f"Entries are missing. {RESTORE}",
        )
    head, tree = Anchor(seq=stored.seq, sha256=stored.sha256), stored.tree(path)
    tail = _read_from(path, stored.size)
    whole, _, torn = tail.rpartition(b"\n")
    if whole:
        head = _accept(path, whole.split(b"\n"), head)
        for line in whole.split(b"\n"):
            tree.add(line)
    if torn:
        _set_aside(path, torn)
        os.ftruncate(descriptor, size - len(torn))
        os.fsync(descriptor)
    return head, tree, torn


def _accept(path: Path, lines: Sequence[bytes], head: Anchor) -> Anchor:
    """Check whole lines that follow the stored head, as a killed append leaves; returns the new head."""
    for line in lines:
        entry, why = parse_line(line)
        if entry is None or entry.seq != head.seq + 1 or entry.prev != head.sha256:
            raise CustodyError(
                f"The custody log {path.name} is damaged after entry {head.seq}: "
                f"{why or 'the next line does not continue the chain'}.",
                f"Run `evidence custody --verify`. {RESTORE}",
            )
        head = Anchor(seq=entry.seq, sha256=entry.sha256)
    return head


def _set_aside(path: Path, torn: bytes) -> None:
    torn_path = path.with_name(path.name + ".torn")
    with torn_path.open("ab") as handle:
        handle.write(torn + b"\n")
        handle.flush()
        os.fsync(handle.fileno())
    sync_folder(torn_path.parent)


def _read_from(path: Path, offset: int) -> bytes:
    with path.open("rb") as handle:
        handle.seek(offset)
        return handle.read()
