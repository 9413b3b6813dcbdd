"""The copy of the custody log at a backup target, and what to do when this archive's log does not extend its head."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

from evidence.archive.custody_proof import LogReading
from evidence.archive.targets import FolderTarget
from evidence.disk.faults import writing

AT_TARGET = "archive"
"""The folder of the archive's own files at a target."""
CUSTODY = Path("custody") / "custody.jsonl"
"""The custody log, below the archive and below `AT_TARGET`."""


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
