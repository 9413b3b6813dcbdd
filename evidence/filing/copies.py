"""The catalog's record of verified copies: which original was read back and matched in which place, and when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from evidence.archive.bagcheck import BagCheck
from evidence.archive.places import place_id
from evidence.archive.targets import FolderTarget
from evidence.catalog.keeping import CopyRow
from evidence.model import ClaimId, Sha256
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace


def place_name(target: FolderTarget | None) -> str:
    """What the catalog calls a target, or the archive itself for None."""
    return target.name if target else ARCHIVE_PLACE


def verified_copies(
    workspace: Workspace, target: FolderTarget | None, claim: ClaimId, digests: Sequence[Sha256]
) -> list[CopyRow]:
    """Rows which say that these originals were read back and matched now, at the target or in the archive."""
    if not digests:  # to ask for the disk reads several files of the system
        return []
    now = workspace.now()
    where = target.place_id() if target else place_id(workspace.root)
    return [
        CopyRow(
            sha256=sha,
            place=place_name(target),
            place_id=where,
            off_computer=target.off_computer if target else False,
            claim=claim,
            verified_at=now,
        )
        for sha in digests
    ]


def bad_copies(
    workspace: Workspace, target: FolderTarget | None, claim: ClaimId, digests: Sequence[Sha256]
) -> list[CopyRow]:
    """Rows which say that these originals are altered, unreadable or missing, at the target or in the archive."""
    rows = verified_copies(workspace, target, claim, digests)
    return [replace(row, verified_at=None, found_bad_at=workspace.now()) for row in rows]


def known_bad(workspace: Workspace, digests: Sequence[Sha256]) -> set[Sha256]:
    """Those of `digests` whose copy in the archive was found bad and has not been verified since."""
    copies = workspace.catalog.keeping.copies(digests)
    return {
        sha
        for sha, rows in copies.items()
        if any(row.place == ARCHIVE_PLACE and found_bad_since(row) for row in rows)
    }


def record_check(
    workspace: Workspace,
    target: FolderTarget | None,
    claim: ClaimId,
    check: BagCheck,
    payload: Mapping[Sha256, str],
) -> bool:
    """Record for each original of a bag what a check of the bag in one place found.

    Good is only what was read and matched; what should be there and could not be read and compared is bad;
    what the check left out keeps its record. `payload` is the bag's content when the check began: when it
    is another one now, nothing is recorded and False returned.
    """
    keeping = workspace.catalog.keeping
    wrong = {one.subject for one in check.bad} | set(check.missing)
    inside = {sha: f"data/{path}" for sha, path in payload.items()}
    good = [sha for sha, path in inside.items() if path in check.verified and path not in wrong]
    left_out = [sha for sha, path in inside.items() if path in check.unread and path not in wrong]
    with workspace.catalog.transaction():
        if keeping.payload(claim) != payload:
            return False
        unlisted = {one.subject for one in check.bad if one.code == "not_recorded"}
        left_out += not_copied_yet(
            workspace, target, claim, [sha for sha, path in inside.items() if path in unlisted]
        )
        keeping.put_copies(verified_copies(workspace, target, claim, good))
        keeping.mark_corrupt(
            place_name(target), sorted(set(payload) - {*good, *left_out}), at=workspace.now()
        )
        if target and (check.bad or check.missing):
            workspace.catalog.pushes.mark_due(target.name, claim)
    return True


def not_copied_yet(
    workspace: Workspace, target: FolderTarget | None, claim: ClaimId, digests: Sequence[Sha256]
) -> list[Sha256]:
    """Those of these originals that came into the bag here and that no backup has copied to this target's bag yet."""
    if target is None:
        return []
    rows = workspace.catalog.keeping.copies(digests)
    there = {
        sha for sha, each in rows.items() if any(r.place == target.name and r.claim == claim for r in each)
    }
    return [sha for sha in digests if sha not in there]


def found_bad_since(row: CopyRow) -> bool:
    """True when the copy was found bad and has not been verified since."""
    if row.found_bad_at is None:
        return False
    return row.verified_at is None or row.found_bad_at >= row.verified_at
