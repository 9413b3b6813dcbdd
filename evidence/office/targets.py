"""Backup targets from their first disk to their last: add, list, replace, and declare lost by two people."""

from __future__ import annotations

import os
from pathlib import Path
from shlex import quote

from evidence.archive.target_marker import MARKER
from evidence.archive.targets import FolderTarget
from evidence.catalog.keeping import RETIRED
from evidence.disk.durable import make_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, EvidenceError, PurgeRefusedError
from evidence.filing.backup import make_ready, open_target, refuse_retired, refuse_same_disk
from evidence.filing.releases import require_own
from evidence.filing.target_records import (
    ADDED,
    CONFIRMED,
    DECLARED,
    REPLACED,
    open_declaration,
    read_record,
    remove_record,
    retired_place,
    retired_targets,
)
from evidence.office.people import require_login
from evidence.office.settings_file import (
    add_target,
    change_target,
    changed_text,
    remove_target,
    target_settings,
    write_settings,
)
from evidence.office.target_list import TargetView, view_target
from evidence.retention.persons import same_person
from evidence.settings import ARCHIVE_PLACE, TargetSettings
from evidence.workspace import Workspace

# --- adding and replacing ----------------------------------------------------------------


def add(workspace: Workspace, name: str, path: Path, *, off_computer: bool) -> TargetView:
    """Add a backup target to the settings and prepare its folder, which is made when its parent is there.

    Raises BadInputError or DestinationError when it cannot be used; then the settings stay as they were.
    """
    named = target_settings(name, _absolute(path), off_computer=off_computer)
    with workspace.locked():
        if _named(workspace, name):
            raise BadInputError(
                f"There is a backup target {name} already.",
                f"For a new disk under that name: `evidence target replace {quote(name)} PATH`.",
            )
        text = changed_text(workspace, add_target(named))
        target = open_target(workspace, named)
        require_own(workspace, target)
        _refuse_other_disk(workspace, target)
        _make_folder(workspace, target)
        make_ready(workspace, target)
        workspace.record(ADDED, named.name, place=target.place_id(), off_computer=off_computer)
        write_settings(workspace, text)
        return view_target(workspace, named)


def replace(workspace: Workspace, name: str, path: Path, *, off_computer: bool | None = None) -> TargetView:
    """Use another disk under a target's name. The copies on the old disk count no longer; the next backup fills the new.

    The same disk at another path keeps its copies. `off_computer` stays as it is when it is None. Raises
    BadInputError or DestinationError when the new disk cannot be used; then nothing is changed.
    """
    with workspace.locked():
        present = _require_named(workspace, name)
        off = present.off_computer if off_computer is None else off_computer
        named = target_settings(present.name, _absolute(path), off_computer=off)
        text = changed_text(workspace, change_target(named))
        target = open_target(workspace, named)
        require_own(workspace, target)
        _make_folder(workspace, target)
        known = read_record(workspace, named.name)
        target.prepare()
        target.check_ready()
        disk = target.marker_id()
        same = known is None or known.id == disk or (not known.id and named.path == present.path)
        if known is not None and not same:
            refuse_retired(workspace, target)
            old = known.id or present.path.as_posix()
            workspace.record(
                REPLACED,
                named.name,
                id=known.id,
                place=retired_place(named.name, _short(old)),
                reason=f"replaced by {named.path}",
                new_id=disk,
            )
            workspace.catalog.keeping.retire_place(named.name, retired_place(named.name, _short(old)))
            remove_record(workspace, named.name)
        write_settings(workspace, text)
        make_ready(workspace, target)
        return view_target(workspace, named)


def _make_folder(workspace: Workspace, target: FolderTarget) -> None:
    """Make the target's folder in an existing parent folder. Raises BadInputError, DestinationError."""
    parent = target.root if target.root.is_dir() else target.root.parent
    if not parent.is_dir():
        raise BadInputError(
            f"The folder {parent} does not exist.", "Connect or mount the disk, or check the path."
        )
    refuse_same_disk(workspace, target, parent)
    with writing(target.root):
        make_folder(target.root)


def _refuse_other_disk(workspace: Workspace, target: FolderTarget) -> None:
    """Raise BadInputError when the archive knows another disk under this name, whose copies still count."""
    known = read_record(workspace, target.name)
    if known is None or (target.root / MARKER).exists():
        return
    raise BadInputError(
        f"The name {target.name} belongs to another disk of this archive.",
        f"Choose another name. If that disk is lost: `evidence target lost {quote(target.name)} --reason TEXT`.",
    )


# --- lost --------------------------------------------------------------------------------


def declare_lost(workspace: Workspace, name: str, *, reason: str) -> None:
    """Record that a target's disk is lost. It counts until another person confirms it.

    Raises BadInputError without a reason, for an unknown target and for one that is connected.
    """
    if not reason.strip():
        raise BadInputError("A lost disk needs a reason.", "Add --reason, for example --reason 'stolen'.")
    require_login(workspace)
    with workspace.locked():
        name = _known_name(workspace, name)
        _refuse_connected(workspace, name)
        declared = open_declaration(workspace, name)
        if declared is not None:
            raise BadInputError(
                f"{declared.actor} declared {name} lost already.",
                f"Another person confirms it: `evidence target lost {quote(name)} --confirm --actor NAME`.",
            )
        workspace.record(DECLARED, name, reason=reason.strip())


def confirm_lost(workspace: Workspace, name: str) -> None:
    """Confirm as a second person that a disk is lost: it counts no longer, and a purge lists it as owed.

    Raises BadInputError when nobody declared it lost or it is connected, PurgeRefusedError for the same person.
    """
    require_login(workspace)
    with workspace.locked():
        name = _known_name(workspace, name)
        declared = open_declaration(workspace, name)
        if declared is not None:
            _refuse_connected(workspace, name)
            if same_person(declared.actor, workspace.actor):
                raise PurgeRefusedError(
                    f"{workspace.actor} declared {name} lost and cannot confirm it.",
                    "Ask another person to confirm it.",
                )
            disk = _disk_of(workspace, name)
            workspace.record(
                CONFIRMED,
                name,
                id=disk,
                place=retired_place(name, _short(disk or declared.sha256)),
                reason=str(declared.details["reason"]),
                declared_by=declared.actor,
            )
        elif not any(one.lost and one.name == name for one in retired_targets(workspace)):
            raise BadInputError(
                f"Nobody declared {name} lost.",
                f"First: `evidence target lost {quote(name)} --reason TEXT`.",
            )
        # From here a killed run is finished by the same command.
        place = [one.place for one in retired_targets(workspace) if one.lost and one.name == name][-1]
        workspace.catalog.keeping.retire_place(name, place)
        if _named(workspace, name):
            write_settings(workspace, changed_text(workspace, remove_target(name)))
        remove_record(workspace, name)


def _disk_of(workspace: Workspace, name: str) -> str:
    """The id of the disk last used as this target; empty when it is not known."""
    known = read_record(workspace, name)
    return known.id if known else ""


def _short(disk: str) -> str:
    return "".join(letter for letter in disk if letter.isalnum())[:8] or "unknown"


def _known_name(workspace: Workspace, name: str) -> str:
    """The target's name as it was first written; also of one that the settings name no more."""
    named = _named(workspace, name)
    if named:
        return named.name
    known = {place for place in workspace.catalog.keeping.place_totals() if RETIRED not in place}
    known |= {one.name for one in retired_targets(workspace)}
    for one in sorted(known - {ARCHIVE_PLACE}):
        if one.casefold() == name.casefold():
            return one
    raise _unknown(workspace, name)


def _refuse_connected(workspace: Workspace, name: str) -> None:
    named = _named(workspace, name)
    if named is None:
        return
    target = open_target(workspace, named)
    try:
        target.check_ready()
        known = _disk_of(workspace, name)
        connected = not known or target.marker_id() == known
    except EvidenceError:
        connected = False
    if connected:
        raise BadInputError(
            f"The backup target {name} is connected at {target.root}, so it is not lost.",
            f"To use another disk: `evidence target replace {quote(name)} PATH`.",
        )


# --- names -------------------------------------------------------------------------------


def _named(workspace: Workspace, name: str) -> TargetSettings | None:
    return next((one for one in workspace.settings.target if one.name.casefold() == name.casefold()), None)


def _require_named(workspace: Workspace, name: str) -> TargetSettings:
    named = _named(workspace, name)
    if named is None:
        raise _unknown(workspace, name)
    return named


def _unknown(workspace: Workspace, name: str) -> BadInputError:
    known = ", ".join(one.name for one in workspace.settings.target)
    return BadInputError(
        f"There is no backup target {name}.",
        f"The targets are {known}." if known else "Add one: `evidence target add NAME PATH`.",
    )


def _absolute(path: Path) -> str:
    return os.path.abspath(path.expanduser())  # noqa: PTH100 - resolve() would follow links in a mount point
