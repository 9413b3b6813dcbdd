"""The copy of the custody log at a backup target, and what to do when this archive's log does not extend its head."""

from __future__ import annotations

import os
from pathlib import Path
from shlex import quote

from evidence.archive.custody_proof import LogReading
from evidence.archive.custody_reading import whole_lines
from evidence.archive.targets import FolderTarget
from evidence.disk.durable import discard, make_folder, sync_folder, write_all
from evidence.disk.faults import writing

AT_TARGET = "archive"
"""The folder of the archive's own files at a target."""
CUSTODY = Path("custody") / "custody.jsonl"
"""The custody log, below the archive and below `AT_TARGET`."""
TAIL = 1 << 16
"""Bytes before the end of the target's log that are compared with ours."""
_COPIED = 1 << 20
"""Bytes of the log that are copied at a time."""


def read_log(log: Path) -> LogReading:
    """One pass over a log, up to its first bad entry; a missing one has no entries. Raises DestinationError."""
    reading = LogReading(())
    with writing(log):
        reading.read(log)
    return reading


def entries_at(target_root: Path) -> int:
    """The sound entries that a target's copy of the log begins with. Reads all of it. Raises DestinationError."""
    return read_log(target_root / AT_TARGET / CUSTODY).count


def bring_back(target: FolderTarget, entries: int) -> str:
    """What to do about a target whose head or bag names `entries` entries that our log does not have."""
    if entries_at(target.root) >= entries:
        return "Bring the later state back with `evidence restore TARGET DIR` into a new folder, and go on with it."
    return (
        "The copy of the log there ends before that entry, so a restore from it does not help: restore from another "
        "target. If no other has the entries, keep this disk as it is and use an empty one in its place: "
        f"`evidence target replace {quote(target.name)} PATH`."
    )


def append_log(ours: Path, theirs: Path) -> None:
    """Add the entries that the copy of the log lacks, whole lines only. Raises OSError.

    A killed append leaves a piece of a line, which the next one sets aside: the copy must not keep it.
    """
    size = whole_lines(theirs) if theirs.exists() else 0
    end = whole_lines(ours)
    start = max(0, size - TAIL)
    if size > end or (size and piece(ours, start, size) != piece(theirs, start, size)):
        copy_log(ours, theirs, end)  # the copy was damaged: `require_newer_log` let it pass
        return
    if theirs.exists() and theirs.stat().st_size == size == end:
        return
    make_folder(theirs.parent)
    descriptor = os.open(theirs, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o640)
    try:
        os.ftruncate(descriptor, size)
        _write_pieces(descriptor, ours, size, end)
    finally:
        os.close(descriptor)
    sync_folder(theirs.parent)


def copy_log(ours: Path, theirs: Path, end: int) -> None:
    """Replace the copy by the first `end` bytes of the log, in pieces: a log may be large. Raises OSError."""
    part = theirs.with_name(f"{theirs.name}.part")
    part.unlink(missing_ok=True)
    try:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o640)
        try:
            _write_pieces(descriptor, ours, 0, end)
        finally:
            os.close(descriptor)
        part.replace(theirs)
    except BaseException:
        discard(part)
        raise
    sync_folder(theirs.parent)


def _write_pieces(descriptor: int, ours: Path, start: int, end: int) -> None:
    for at in range(start, end, _COPIED):
        write_all(descriptor, piece(ours, at, min(at + _COPIED, end)))
    os.fsync(descriptor)


def piece(path: Path, start: int, end: int) -> bytes:
    """These bytes of a file. Raises OSError."""
    with path.open("rb") as handle:
        handle.seek(start)
        return handle.read(end - start)
