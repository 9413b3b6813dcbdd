"""Copies of purged claims on disks that were away, and in archives of stations that left: listed until they are deleted
or the disk is destroyed.
"""

from __future__ import annotations

from dataclasses import dataclass

from evidence.model import ClaimId
from evidence.workspace import Workspace

PURGED, REMOVED, DESTROYED = "purged", "purged_copy_removed", "purged_copies_destroyed"
"""Entries of the custody log: a claim was purged, a copy was deleted later, a disk with copies was destroyed."""
LEFT = "purged_copies_left"
"""The entry that a station left which was still to remove its part of a purged claim."""
DESTROYED_DECLARED = "purged_copies_destroyed_declared"


@dataclass(frozen=True, slots=True, kw_only=True)
class Owed:
    """One claim whose copies a disk may still hold."""

    claim: ClaimId
    target: str
    """The name of the target when the claim was purged; `station NAME` for the archive of a station that left."""
    since: str
    """The day of the purge, ISO 8601."""


def list_owed(workspace: Workspace) -> list[Owed]:
    """What is still owed, by the custody log, oldest first."""
    found: dict[tuple[str, str], Owed] = {}
    for entry in workspace.custody.about(PURGED, REMOVED, DESTROYED, LEFT):
        if entry.action == PURGED:
            for name in filter(None, str(entry.details.get("owed_targets", "")).split(", ")):
                found[entry.subject, name] = Owed(
                    claim=ClaimId(entry.subject), target=name, since=entry.at.date().isoformat()
                )
        elif entry.action == LEFT:
            target = str(entry.details["target"])
            found[entry.subject, target] = Owed(
                claim=ClaimId(entry.subject), target=target, since=str(entry.details["since"])
            )
        elif entry.action == REMOVED:
            found.pop((entry.subject, str(entry.details.get("target"))), None)
        elif entry.action == DESTROYED:
            found = {key: one for key, one in found.items() if one.target != entry.subject}
    return list(found.values())
