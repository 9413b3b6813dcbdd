"""The catalog's record of verified copies: which original was read back and matched in which place, and when."""

from __future__ import annotations

from collections.abc import Sequence

from evidence.archive.bagcheck import BagCheck
from evidence.archive.places import place_id
from evidence.archive.targets import Target
from evidence.catalog.keeping import CopyRow
from evidence.model import ClaimId, Sha256
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace


def place_name(target: Target | None) -> str:
    """What the catalog calls a target, or the archive itself for None."""
    return target.name if target else ARCHIVE_PLACE


def verified_copies(
    workspace: Workspace, target: Target | None, claim: ClaimId, digests: Sequence[Sha256]
) -> list[CopyRow]:
    """Rows which say that these originals were read back and matched now, at the target or in the archive."""
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


def record_check(workspace: Workspace, target: Target | None, claim: ClaimId, check: BagCheck) -> None:
    """Record for each original of a bag what a check of the bag in one place found."""
    keeping = workspace.catalog.keeping
    payload = keeping.payload(claim)
    bad_paths = {one.subject for one in check.bad} | set(check.missing)
    good = [sha for sha, path in payload.items() if f"data/{path}" not in bad_paths]
    with workspace.catalog.transaction():
        keeping.put_copies(verified_copies(workspace, target, claim, good))
        keeping.mark_corrupt(place_name(target), sorted(set(payload) - set(good)), at=workspace.now())


def found_bad_since(row: CopyRow) -> bool:
    """True when the copy was found bad and has not been verified since."""
    if row.found_bad_at is None:
        return False
    return row.verified_at is None or row.found_bad_at >= row.verified_at
