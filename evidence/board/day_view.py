"""The view of a day: its segments on a timeline, and the photos on either side of each boundary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from evidence.catalog.segments import Outlined, SegmentRow
from evidence.model import ClaimId

BOUNDARY_PHOTOS = 5
"""Photos shown on either side of a boundary; it can be moved by as many at once."""
WIDTH = 1000.0
"""Width of the timeline, in SVG units."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentView:
    """A segment: the photos of one house without a break, and why it begins where it does."""

    row: SegmentRow
    name: str
    of_this_claim: bool
    """Whether it belongs to the claim whose page is shown."""
    colour: int
    """0 to 4; each house of the day has the next one."""
    first: Outlined
    times: str
    before: tuple[Outlined, ...]
    """The last photos of the segment before, oldest first; empty for the first segment of the day."""
    after: tuple[Outlined, ...]
    """The first photos of this segment."""
    x: float
    width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A labelled hour of the timeline."""

    x: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DayView:
    """One day of work."""

    day: str
    segments: tuple[SegmentView, ...]
    ticks: tuple[Tick, ...]
    photo_positions: tuple[float, ...]
    """The place of each photo on the timeline, in whole SVG units, without repeats."""


def day_views(
    segments: Sequence[SegmentRow],
    outline: Mapping[str, Sequence[Outlined]],
    insured: Mapping[ClaimId, str],
    shown_claim: ClaimId | None,
) -> list[DayView]:
    """The days of these segments in order, each with a timeline of its own."""
    days: dict[str, list[SegmentRow]] = {}
    for row in segments:
        if outline.get(row.segment):
            days.setdefault(row.day, []).append(row)
    return [_day(day, rows, outline, insured, shown_claim) for day, rows in sorted(days.items())]


def _day(
    day: str,
    rows: Sequence[SegmentRow],
    outline: Mapping[str, Sequence[Outlined]],
    insured: Mapping[ClaimId, str],
    shown_claim: ClaimId | None,
) -> DayView:
    times = [one.corrected for row in rows for one in outline[row.segment] if one.corrected]
    start, end = _span(times)
    houses = list(dict.fromkeys(row.claim for row in rows))
    segment_views: list[SegmentView] = []
    for place, row in enumerate(rows):
        photos = outline[row.segment]
        inside = [one.corrected for one in photos if one.corrected]
        left = _x(min(inside), start, end) if inside else 0.0
        right = _x(max(inside), start, end) if inside else 0.0
        before = outline[rows[place - 1].segment][-BOUNDARY_PHOTOS:] if place else ()
        segment_views.append(
            SegmentView(
                row=row,
                name=_name(row, insured),
                of_this_claim=row.claim == shown_claim,
                colour=houses.index(row.claim) % 5,
                first=photos[0],
                times=f"{min(inside):%H:%M} to {max(inside):%H:%M}" if inside else "no times",
                before=tuple(before),
                after=tuple(photos[:BOUNDARY_PHOTOS]),
                x=left,
                width=max(4.0, right - left),
            )
        )
    marks = tuple(sorted({round(_x(moment, start, end)) * 1.0 for moment in times}))
    return DayView(day=day, segments=tuple(segment_views), ticks=_ticks(start, end), photo_positions=marks)


def _name(row: SegmentRow, insured: Mapping[ClaimId, str]) -> str:
    if row.claim:
        return insured.get(row.claim) or f"Claim {row.claim}"
    return "A house without a name" if row.unknown else "Between houses"


def _span(times: Sequence[datetime]) -> tuple[datetime, datetime]:
    if not times:
        return datetime(2000, 1, 1), datetime(2000, 1, 1, 1)
    first = min(times).replace(minute=0, second=0, microsecond=0)
    last = max(times).replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    return first, last


def _x(moment: datetime, start: datetime, end: datetime) -> float:
    return round(WIDTH * ((moment - start) / (end - start)), 1)


def _ticks(start: datetime, end: datetime) -> tuple[Tick, ...]:
    hours = max(1, round((end - start) / timedelta(hours=1)))
    every = max(1, -(-hours // 12))
    return tuple(
        Tick(
            x=_x(start + timedelta(hours=hour), start, end),
            words=f"{start + timedelta(hours=hour):%H:%M}",
        )
        for hour in range(0, hours + 1, every)
    )
