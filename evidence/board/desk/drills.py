"""When copies were read back and restored, by the custody log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from evidence.archive.custody import Entry
from evidence.errors import counted
from evidence.workspace import Workspace

SHOWN = 60
"""Most entries on the page, the newest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """One drill at one target, or one run of `verify`."""

    at: datetime
    """Aware, UTC."""
    by: str
    what: str
    good: bool
    found: str


def proofs(workspace: Workspace) -> list[Proof]:
    """Drills and read-backs, the newest first."""
    found: list[tuple[Entry, str, bool, str]] = []
    for entry in workspace.custody.newest("drill", "verified"):
        if len(found) == SHOWN:
            break
        said = entry.details
        if entry.action == "drill":
            claims, files = len(said.get("claims") or ()), int(said.get("files", 0))
            whole = f" of {counted(claims, 'whole claim')}" if claims else ""
            failed = int(said.get("failed", 0))
            result = f"{counted(files, 'file')}{whole} restored, {counted(failed, 'finding')}"
            found.append((entry, f"drill at {entry.subject}", not failed and files > 0, result))
        elif entry.action == "verified":
            bad, missing = int(said.get("bad", 0)), int(said.get("missing", 0))
            result = f"{counted(int(said.get('checked', 0)), 'file')} read back, {bad} bad, {missing} missing"
            found.append((entry, f"read-back of {entry.subject}", not bad and not missing, result))
    return [
        Proof(at=entry.at, by=entry.actor, what=what, good=good, found=result)
        for entry, what, good, result in found
    ]
