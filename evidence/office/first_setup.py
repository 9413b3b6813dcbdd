"""The first backup target of a new archive: it must be on another disk."""

from __future__ import annotations

from pathlib import Path

from evidence.archive.places import place_id
from evidence.errors import BadInputError
from evidence.office import targets
from evidence.office.target_list import TargetView
from evidence.workspace import Workspace

FIRST_TARGET = "backup"
"""The name of the target that is made with an archive."""


def refuse_one_disk(archive: Path, backup: Path) -> None:
    """Raise BadInputError when both folders, which need not exist yet, are on one disk, or the second disk is not there.

    On Linux and on network shares one physical disk is recognised; elsewhere only one file system.
    """
    if not backup.expanduser().absolute().parent.is_dir():
        raise BadInputError(
            f"The folder {backup.expanduser().absolute().parent} does not exist.",
            "Connect or mount the backup disk, or check the path.",
        )
    if place_id(_existing(archive)) == place_id(_existing(backup)):
        raise BadInputError(
            f"{backup} is on the same disk as {archive}: one failure would lose both.",
            "Name a folder on another disk, or leave out --backup and add one later: `evidence target add NAME PATH`.",
        )


def _existing(folder: Path) -> Path:
    """The folder, or the nearest one above it that exists."""
    place = folder.expanduser().absolute()
    while not place.is_dir():
        place = place.parent
    return place


def add_first_target(workspace: Workspace, backup: Path, *, off_computer: bool) -> TargetView:
    """Add the target; the archive stays when that fails. Raises BadInputError, DestinationError."""
    return targets.add(workspace, FIRST_TARGET, backup, off_computer=off_computer)
