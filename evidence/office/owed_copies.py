"""Declare by two people that a disk with copies of purged claims was destroyed."""

from __future__ import annotations

from collections.abc import Iterator

from evidence.archive.custody import Entry
from evidence.errors import BadInputError, PurgeRefusedError
from evidence.filing.owed import DESTROYED, DESTROYED_DECLARED, Owed, list_owed
from evidence.office.people import require_login
from evidence.retention.persons import person_name, same_person
from evidence.workspace import Workspace


def declare_destroyed(workspace: Workspace, target: str, *, reason: str) -> None:
    """Record how a disk that may hold copies of purged claims was destroyed. It is owed until another person confirms.

    Raises BadInputError without a reason and for a target that owes nothing, PurgeRefusedError without a login.
    """
    require_login(workspace)
    person_name(workspace.actor)
    if not reason.strip():
        raise BadInputError(
            "A destroyed disk needs a reason.", "Say how it was destroyed: --reason 'shredded by ...'."
        )
    with workspace.locked():
        _require_owed(workspace, target)
        workspace.record(DESTROYED_DECLARED, target, reason=reason.strip(), logged_in=workspace.logged_in)


def confirm_destroyed(workspace: Workspace, target: str) -> list[Owed]:
    """Confirm as a second person; returns what is no longer owed.

    Raises BadInputError when nobody declared it, PurgeRefusedError for the same person or without a login.
    """
    require_login(workspace)
    person_name(workspace.actor)
    with workspace.locked():
        owed = _require_owed(workspace, target)
        declared = _open_declaration(workspace, target)
        if declared is None:
            raise BadInputError(
                f"Nobody declared the disk of {target} destroyed.",
                "First one person gives --reason TEXT, then another confirms.",
            )
        both_logged_in = workspace.logged_in and declared.details.get("logged_in") is True
        same = (
            declared.actor == workspace.actor
            if both_logged_in
            else same_person(declared.actor, workspace.actor)
        )
        if same:
            raise PurgeRefusedError(
                f"{workspace.actor} declared the disk of {target} destroyed and cannot confirm it.",
                "Ask another person to confirm it.",
            )
        workspace.record(
            DESTROYED, target, reason=str(declared.details["reason"]), declared_by=declared.actor
        )
        return owed


def _require_owed(workspace: Workspace, target: str) -> list[Owed]:
    owed = [one for one in list_owed(workspace) if one.target == target]
    if not owed:
        raise BadInputError(
            f"The disk of {target} owes no copy of a purged claim.",
            "`evidence purge history` lists what is owed.",
        )
    return owed


def _open_declaration(workspace: Workspace, target: str) -> Entry | None:
    about: Iterator[Entry] = (
        entry
        for entry in workspace.custody.about(DESTROYED_DECLARED, DESTROYED)
        if entry.subject == target and entry.action in {DESTROYED_DECLARED, DESTROYED}
    )
    last = max(about, key=lambda entry: entry.seq, default=None)
    return last if last and last.action == DESTROYED_DECLARED else None
