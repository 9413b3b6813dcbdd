"""How the files of a purge are written: whole or not at all, on disk when the call returns; times as text."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from evidence.disk.durable import make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.errors import DestinationError


def write_anew(path: Path, data: bytes) -> None:
    """Write a file, replacing one that a killed run left; on disk when this returns. Raises DestinationError."""
    with writing(path):
        replace_file(path, data)
        sync_folder(path.parent)


def write_once(path: Path, data: bytes) -> None:
    """Write a new file, whole or not at all, on disk when this returns; writing the same bytes again is no failure.

    Raises DestinationError when it cannot be written or another file has its name.
    """
    try:
        make_folder(path.parent)
        if path.exists():
            if path.read_bytes() == data:
                return
            raise DestinationError(
                f"{path}: another file has this name.", "Check that file and move it away."
            )
        replace_file(path, data)
        sync_folder(path.parent)
    except OSError as error:
        raise DestinationError(
            f"{path}: cannot be written ({error.strerror}).",
            "Free some space, or give this user the right to write.",
        ) from error


def stamp(at: datetime) -> str:
    """The instant as text in UTC, whole seconds; `at` is aware."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def read_time(text: str) -> datetime:
    """The instant that `stamp` wrote, aware, UTC. Raises ValueError for other text."""
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
