"""What a split of days reads from the catalog: all photos of the days, their claims, and people's corrections."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from evidence.catalog.claims import ClaimRow
from evidence.catalog.decisions import DecisionRow, SplitCorrection
from evidence.catalog.intakes import Sighting
from evidence.model import CameraFacts, ClaimId, PhotoRecord, Sha256
from evidence.timeline.order.units import is_epoch
from evidence.workspace import Workspace

TAKEN_IN_TOGETHER = timedelta(hours=12)
"""Cards whose intakes are no further apart hold photos of the same working day (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitInput:
    """Everything that a split of days reads from the catalog; equal inputs give equal plans."""

    records: Mapping[Sha256, PhotoRecord]
    claims: Mapping[ClaimId, ClaimRow]
    """Every claim by number, without what no split depends on: its version, folder and day of closing."""
    seen: Mapping[Sha256, Sequence[Sighting]]
    with_photos: frozenset[ClaimId | None]
    """Claims that have photos; None is the unassigned tray."""
    decisions: Sequence[DecisionRow[SplitCorrection]]
    """The corrections about these photos, oldest first."""


def read_split(workspace: Workspace, digests: Sequence[Sha256]) -> SplitInput:
    """Read what a split of the days of these photos depends on."""
    photos = workspace.catalog.photos
    records = {record.sha256: record for record in photos.records(_whole_days(workspace, digests))}
    return SplitInput(
        records=records,
        claims={
            row.claim.claim: replace(row, version=0, folder=None, closed_on=None)
            for row in workspace.catalog.claims.all()
        },
        seen=photos.sightings(list(records)),
        with_photos=frozenset(photos.counts()),
        decisions=workspace.catalog.claims.decisions(SplitCorrection, photos=list(records)),
    )


def _whole_days(workspace: Workspace, digests: Sequence[Sha256]) -> list[Sha256]:
    """These photos, and all photos of the days, segments and undated cards that they belong to.

    Photos of a camera that lost its date belong to the days of the cards that were taken in at about the same time.
    """
    photos = workspace.catalog.photos
    found = dict.fromkeys(digests)
    days: set[str] = set()
    fresh = list(found)
    while fresh:
        records = photos.records(fresh)
        new_days = {day for record in records if (day := _day(record))} - days
        days |= new_days
        beside = [*photos.of_days(new_days), *sorted(photos.together_with(fresh))]
        lost = [record.sha256 for record in records if _lost_its_date(record)]
        if lost:
            beside += photos.beside(lost, TAKEN_IN_TOGETHER, undated=False)
        if len(lost) < len(fresh):
            beside += photos.beside(fresh, TAKEN_IN_TOGETHER, undated=True)
        fresh = [sha for sha in dict.fromkeys(beside) if sha not in found]
        found |= dict.fromkeys(fresh)
    return list(found)


def _day(record: PhotoRecord) -> str:
    moment = record.corrected or record.facts.taken_local
    return moment.date().isoformat() if moment else ""


def clock_time(facts: CameraFacts) -> datetime | None:
    """What the camera's clock showed, naive; also after it lost its date, which is no time of capture.

    Only such a clock's own steps and order mean anything. The tags' reader keeps it as a text.
    """
    if facts.taken_local is not None or not facts.taken_text:
        return facts.taken_local
    try:
        shown = datetime.strptime(facts.taken_text, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    return shown if is_epoch(shown) else None


def _lost_its_date(record: PhotoRecord) -> bool:
    """Whether the photo has no time that is known, only that of a clock without a date."""
    taken = clock_time(record.facts)
    return record.corrected is None and taken is not None and is_epoch(taken)
