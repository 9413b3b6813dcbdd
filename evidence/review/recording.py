"""What every change by a person needs: a claim that may change, the decision, the log entry, and the bags to build."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from evidence.analysis.refresh import Refreshed, refresh_days
from evidence.archive.custody_texts import FreeText
from evidence.catalog.decisions import Decision
from evidence.errors import BadInputError
from evidence.filing.bags import file_away_soon
from evidence.lookup import UNASSIGNED, require_claim
from evidence.model import CHANGEABLE, CONCLUDED, ClaimId, Sha256
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """What a correction changed."""

    decision: int
    photos: int
    """Photos that the correction is about."""
    claims: tuple[str, ...]
    """Claims whose bags changed; the tray is 'unassigned'."""


def require_open(workspace: Workspace, claims: Iterable[ClaimId | None], *, what: str = "photos") -> None:
    """Raise BadInputError when one of the claims is unknown, signed, closed or purged; None is the tray."""
    for claim in sorted(claim for claim in claims if claim):
        row = require_claim(workspace, claim)
        if row.state not in CHANGEABLE:
            raise BadInputError(
                f"Claim {claim} is {row.state.value}; its {what} stay as they are.",
                "Reopen it, or undo the sign-off, before you change anything.",
            )


def decide(workspace: Workspace, decision: Decision, claim: ClaimId | None) -> int:
    """Store the decision with the current actor and time; returns its number."""
    return workspace.catalog.claims.record(decision, claim=claim, at=workspace.now(), actor=workspace.actor)


def split_again(workspace: Workspace, digests: Sequence[Sha256]) -> Refreshed:
    """Split the days of these photos again, inside the caller's transaction.

    Raises BadInputError, so that nothing is committed, when photos came to or left a signed or closed claim.
    """
    photos = workspace.catalog.photos
    before = photos.counts()
    refreshed = refresh_days(workspace, digests)
    after = photos.counts()
    none = (0, None, None)
    changed = {
        claim
        for claim in before.keys() | after.keys()
        if claim and before.get(claim, none)[0] != after.get(claim, none)[0]
    }
    for claim, row in workspace.catalog.claims.of(changed).items():
        if row.state in CONCLUDED:
            raise BadInputError(
                f"That would change which photos claim {claim} has, and it is {row.state.value}.",
                "Reopen it, or undo the sign-off, before you add or remove photos.",
            )
    return refreshed


def log_photos(
    workspace: Workspace, action: str, digests: Sequence[Sha256], *, decision: int, **details: object
) -> None:
    """Add the change of these photos to the custody log."""
    names = sorted(record.name for record in workspace.catalog.photos.records(digests))
    workspace.record(
        action, FreeText(", ".join(names[:5])), decision=decision, photos=list(digests), **details
    )


def build_outdated_bags(
    workspace: Workspace, decision: int, refreshed: Refreshed, digests: Sequence[Sha256]
) -> Corrected:
    """Build the bags that a correction made outdated; call it after the transaction.

    While another command works on the bags, that command or the next one builds them.
    """
    file_away_soon(workspace)
    touched = tuple(sorted(claim or UNASSIGNED for claim in refreshed.touched))
    return Corrected(decision=decision, photos=len(digests), claims=touched)
