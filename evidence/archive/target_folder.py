"""What a folder must be to hold backups: outside the archive, no camera card, and free of links."""

from __future__ import annotations

import os
import re
from pathlib import Path

from evidence.archive.digest_search import QUARANTINE
from evidence.archive.exchange import LOCKS
from evidence.archive.heads import HEADS
from evidence.archive.target_marker import MARKER
from evidence.errors import DestinationError


def is_ours(path: Path) -> bool:
    """True for an entry of a target's folder that this program made; a person may keep other things beside it."""
    return path.name in _OURS or _STATE.fullmatch(path.name) is not None or (path / "bagit.txt").is_file()


_OURS = frozenset({MARKER, LOCKS, HEADS, QUARANTINE, "archive", "damaged"})
_STATE = re.compile(r"\..+\.(?:next|old|gone)")


def nested(one: Path, other: Path) -> bool:
    """True when the folders are equal or one lies inside the other."""
    return one == other or one in other.parents or other in one.parents


def mount_point(path: Path) -> Path:
    """The nearest folder above `path`, or itself, on which a file system is mounted."""
    while not path.is_mount() and path != path.parent:
        path = path.parent
    return path


def refuse_link(path: Path) -> None:
    """Raise DestinationError when `path` is a symbolic link."""
    if path.is_symlink():
        raise DestinationError(
            f"{path} is a link, and links in a backup target are not followed.",
            "Remove the link, then run it again.",
        )


def refuse_links_below(folder: Path) -> None:
    """Raise DestinationError when there is a symbolic link anywhere below `folder`."""
    for parent, names, files in os.walk(folder):
        for name in (*names, *files):
            refuse_link(Path(parent, name))
