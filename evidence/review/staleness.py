"""Marks of what a person saw, and the refusal to overwrite what somebody else changed since."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from evidence.catalog.claims import ClaimRow
from evidence.catalog.decisions import Correction, Decision, SplitCorrection
from evidence.errors import EvidenceError
from evidence.lookup import require_claim
from evidence.model import ClaimId, PhotoRecord, Sha256
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Something that somebody else changed after it was loaded."""

    subject: str
    """A photo's digest, or a claim's number; empty for the tray."""
    message: str


class ChangedError(EvidenceError):
    """Somebody else changed it after it was loaded; nothing was done."""

    exit_code = 28

    def __init__(self, changes: Sequence[Change]) -> None:
        self.changes = tuple(changes)
        messages = " ".join(dict.fromkeys(change.message for change in changes))
        super().__init__(messages, "Your change was not saved. Look at it as it is now, then decide again.")


def mark_of(record: PhotoRecord) -> str:
    """A digest of what is stated of a photo, in 12 hexadecimal digits: its claim and every stated facet.

    Guesses do not change it.
    """
    stated = sorted(f"{facet}={value.value}" for facet, value in record.tags.items() if value.stated)
    return hashlib.sha256("\n".join([record.claim or "", *stated]).encode()).hexdigest()[:12]


def require_marks(workspace: Workspace, seen: Mapping[Sha256, str]) -> None:
    """Raise ChangedError for photos whose marks are no longer as they were `seen`, with what is stated now."""
    records = workspace.catalog.photos.records(list(seen))
    changes = [
        _photo_change(workspace, record) for record in records if seen[record.sha256] != mark_of(record)
    ]
    if changes:
        raise ChangedError(changes)


def _photo_change(workspace: Workspace, record: PhotoRecord) -> Change:
    """What is stated of the photo now, and who changed it last."""
    stated = ", ".join(
        f"{facet} {workspace.vocabulary.plain(facet, value.value)}"
        for facet, value in sorted(record.tags.items())
        if value.stated
    )
    latest = workspace.catalog.claims.latest_about(record.sha256, Correction)
    who = f"{latest.actor} changed {record.name}" if latest else f"{record.name} changed"
    where = f"claim {record.claim}" if record.claim else "no claim"
    return Change(
        subject=record.sha256,
        message=f"{who} since you loaded it. It is in {where}, with {stated or 'no stated tag'}.",
    )


def day_mark(workspace: Workspace, claim: ClaimId | None) -> str:
    """A digest of how the days of a claim are split, in 12 hexadecimal digits."""
    rows = workspace.catalog.photos.segments_of(claim)
    lines = [f"{row.segment} {row.first} {row.claim} {row.photos}" for row in rows]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]


def require_day(workspace: Workspace, claim: ClaimId | None, seen: str) -> None:
    """Raise ChangedError unless the claim's days are split as they were `seen`."""
    if day_mark(workspace, claim) == seen:
        return
    latest = workspace.catalog.claims.decisions(SplitCorrection, photos=_photos_beside(workspace, claim))
    who = (
        f"{latest[-1].actor} changed the boundaries of the day"
        if latest
        else "The boundaries of the day changed"
    )
    raise ChangedError([Change(subject=claim or "", message=f"{who} since this page was loaded.")])


def _photos_beside(workspace: Workspace, claim: ClaimId | None) -> set[Sha256]:
    """The photos of the claim, and all photos of the days on which it has some."""
    photos = workspace.catalog.photos
    days = {row.day for row in photos.segments_of(claim) if row.day}
    return {*photos.digests_of(claim), *photos.of_days(days)}


def require_version(workspace: Workspace, claim: ClaimId, seen: int) -> ClaimRow:
    """The claim's row; raises ChangedError unless it is at the version `seen`, BadInputError when there is none."""
    row = require_claim(workspace, claim)
    if row.version != seen:
        latest = workspace.catalog.claims.decisions(Decision, claim=claim)
        who = f"{latest[-1].actor} changed claim {claim}" if latest else f"Claim {claim} changed"
        raise ChangedError([Change(subject=claim, message=f"{who} since this page was loaded.")])
    return row
