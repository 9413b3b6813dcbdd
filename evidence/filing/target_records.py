"""The archive's records of its backup targets: which disk each one is, and which were lost or replaced."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from evidence.archive.custody import Entry
from evidence.archive.places import UNKNOWN_MEDIUM
from evidence.catalog.keeping import RETIRED
from evidence.disk.durable import make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.workspace import Workspace

ADDED = "target_added"
DECLARED, CONFIRMED, REPLACED = "target_lost_declared", "target_lost_confirmed", "target_replaced"
"""Entries of the custody log about a target; their subject is the target's name."""
_FOLDER = "targets"


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetRecord:
    """The disk that was last used under a target's name."""

    id: str
    """Of its marker; empty when an earlier program prepared it."""
    medium: str = UNKNOWN_MEDIUM
    """See `archive.places.medium`."""
    place_id: str = ""
    """See `archive.places.place_id`; empty when it was never asked for."""
    permissions: bool = False
    """True when its files were given the permissions of `disk.modes`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RetiredTarget:
    """A disk that was declared lost by two people, or replaced. It may still hold copies."""

    name: str
    place: str
    """What the catalog calls its copies."""
    id: str
    """Of its marker."""
    lost: bool
    """False when it was replaced."""
    reason: str
    at: datetime
    """Aware, UTC."""
    by: tuple[str, ...]


def read_record(workspace: Workspace, name: str) -> TargetRecord | None:
    """The disk last used as this target; None for a target that was never used."""
    try:
        text = _path(workspace, name).read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    try:
        stored = json.loads(text)
        return TargetRecord(
            id=str(stored["id"]),
            medium=str(stored["medium"]),
            place_id=str(stored["place_id"]),
            permissions=bool(stored.get("permissions")),
        )
    except (ValueError, KeyError, TypeError):
        return TargetRecord(id="")  # an earlier program left the file empty


def write_record(workspace: Workspace, name: str, record: TargetRecord) -> None:
    """Record the disk of a target. Raises DestinationError."""
    path = _path(workspace, name)
    with writing(path):
        make_folder(path.parent)
        replace_file(path, json.dumps(asdict(record)).encode() + b"\n")
        sync_folder(path.parent)


def remove_record(workspace: Workspace, name: str) -> None:
    """Remove the record of the disk of a target that is lost. Raises DestinationError."""
    path = _path(workspace, name)
    with writing(path):
        if path.exists():
            path.unlink()
            sync_folder(path.parent)


def retired_place(name: str, disk: str) -> str:
    """What the catalog calls the copies on a disk that was lost or replaced."""
    return f"{name}{RETIRED}{disk[:8]}"


def retired_targets(workspace: Workspace) -> list[RetiredTarget]:
    """Every disk that was lost or replaced, by the custody log, oldest first."""
    return [
        RetiredTarget(
            name=entry.subject,
            place=str(entry.details["place"]),
            id=str(entry.details["id"]),
            lost=entry.action == CONFIRMED,
            reason=str(entry.details["reason"]),
            at=entry.at,
            by=tuple(str(one) for one in (entry.details.get("declared_by"), entry.actor) if one is not None),
        )
        for entry in workspace.custody.about(CONFIRMED, REPLACED)
        if entry.action in {CONFIRMED, REPLACED}
    ]


def open_declaration(workspace: Workspace, name: str) -> Entry | None:
    """The declaration that a target is lost and that no second person has confirmed yet; None without one."""
    ended = {CONFIRMED, REPLACED, ADDED}
    about = [
        entry
        for entry in workspace.custody.about(DECLARED, *ended)
        if entry.subject == name and entry.action in {DECLARED, *ended}
    ]
    return about[-1] if about and about[-1].action == DECLARED else None


def _path(workspace: Workspace, name: str) -> Path:
    return workspace.root / _FOLDER / name
