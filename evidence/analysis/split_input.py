"""What a split of days reads from the catalog: all photos of the days, their claims, and people's corrections."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import floor

from evidence.catalog.claims import ClaimRow
from evidence.catalog.decisions import DecisionRow, SplitCorrection
from evidence.catalog.intakes import Sighting
from evidence.model import CameraFacts, ClaimId, GeoPoint, PhotoRecord, Sha256
from evidence.timeline.order.units import is_epoch
from evidence.workspace import Workspace

TAKEN_IN_TOGETHER = timedelta(hours=12)
"""Cards whose intakes are no further apart hold photos of the same working day (common practice, no source)."""

SQUARE = 0.02
"""Degrees: 2 km from north to south, and 700 m or more from west to east up to 70 degrees of latitude. Claims in the
squares around the photos are compared with them, and the split itself rules out those that are too far."""
_ROUNDING = 1e-9
"""Degrees: the edge of a square is not lost to rounding."""
MOST_WAITING_CLAIMS = 200
"""Claims without photos that a day is compared with, the last ones by number; more would slow the split."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitInput:
    """Everything that a split of days reads from the catalog; equal inputs give equal plans."""

    records: Mapping[Sha256, PhotoRecord]
    claims: Mapping[ClaimId, ClaimRow]
    """Claims that may matter, by number, without what no split depends on: version, folder and day of closing."""
    seen: Mapping[Sha256, Sequence[Sighting]]
    with_photos: frozenset[ClaimId | None]
    """Those of them that have photos."""
    decisions: Sequence[DecisionRow[SplitCorrection]]
    """The corrections about these photos, oldest first."""


def read_split(workspace: Workspace, digests: Sequence[Sha256]) -> SplitInput:
    """Read what a split of the days of these photos depends on."""
    photos = workspace.catalog.photos
    records = _whole_days(workspace, digests)
    decisions = workspace.catalog.claims.decisions(SplitCorrection, photos=list(records))
    claims = _claims_that_may_matter(workspace, records.values(), decisions)
    return SplitInput(
        records=records,
        claims=claims,
        seen=photos.sightings(list(records)),
        with_photos=frozenset(photos.counts(*claims)) if claims else frozenset(),
        decisions=decisions,
    )


def _claims_that_may_matter(
    workspace: Workspace,
    records: Collection[PhotoRecord],
    decisions: Iterable[DecisionRow[SplitCorrection]],
) -> dict[ClaimId, ClaimRow]:
    """By number, every claim that a sheet, an earlier split or a person names, open ones near by, and the last waiting ones."""
    claims = workspace.catalog.claims
    named = {mark.claim for record in records for mark in record.look.dividers}
    named |= {record.claim for record in records if record.claim}
    named |= {claim for row in decisions for claim in row.decision.assigns().values() if claim}
    near: dict[int, set[int]] = defaultdict(set)
    for place in {record.facts.gps for record in records if record.facts.gps}:
        for row, column in squares_around(place):
            near[row].add(column)
    found = claims.of(named) | {row.claim.claim: row for row in claims.waiting(MOST_WAITING_CLAIMS)}
    for row, columns in near.items():
        inside = claims.open_within(
            south=row * SQUARE - _ROUNDING,
            north=(row + 1) * SQUARE + _ROUNDING,
            west=min(columns) * SQUARE - _ROUNDING,
            east=(max(columns) + 1) * SQUARE + _ROUNDING,
        )
        found |= {one.claim.claim: one for one in inside}
    return {
        claim: replace(row, version=0, folder=None, closed_on=None) for claim, row in sorted(found.items())
    }


def square_of(place: GeoPoint) -> tuple[int, int]:
    """The square of the map, `SQUARE` degrees wide and high, that a place lies in."""
    return floor(place.lat / SQUARE), floor(place.lon / SQUARE)


def squares_around(place: GeoPoint) -> list[tuple[int, int]]:
    """The square that a place lies in and the eight around it."""
    row, column = square_of(place)
    return [(row + i, column + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]


def _whole_days(workspace: Workspace, digests: Sequence[Sha256]) -> dict[Sha256, PhotoRecord]:
    """These photos, and all photos of the days, segments and undated cards that they belong to.

    Photos of a camera that lost its date belong to the days of the cards that were taken in at about the same time.
    """
    photos = workspace.catalog.photos
    found: dict[Sha256, PhotoRecord] = {}
    days: set[str] = set()
    fresh = list(dict.fromkeys(digests))
    while fresh:
        records = photos.records(fresh)
        found |= {record.sha256: record for record in records}
        new_days = {day for record in records if (day := _day(record))} - days
        days |= new_days
        beside = [*photos.of_days(new_days), *sorted(photos.together_with(fresh))]
        lost = [record.sha256 for record in records if _lost_its_date(record)]
        if lost:
            beside += photos.beside(lost, TAKEN_IN_TOGETHER, undated=False)
        if len(lost) < len(fresh):
            beside += photos.beside(fresh, TAKEN_IN_TOGETHER, undated=True)
        fresh = [sha for sha in dict.fromkeys(beside) if sha not in found]
    return found


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
