"""Time zones and clock offsets, from local times and GPS time stamps.

The common clock is the local time of the place: the zone that most photos of a date name in
OffsetTimeOriginal, else the zone that leaves the most plausible clock errors on the devices with fixes.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import ceil
from statistics import median

from evidence.timeline.order.runs import Run
from evidence.timeline.order.units import ORIGIN, Unit

ZONES = (
    *range(-720, 841, 60),
    *(-570, -210, -150, 210, 270, 330, 345, 390, 525, 570, 630, 765, 825),
)
"""Minutes east of UTC of the zones in use (IANA time zone database, from memory)."""
SUN_COST = 60.0
"""Cost in seconds for each hour between a zone and solar time; decides between zones that the clocks alone cannot tell apart."""
SUN_WEST, SUN_EAST = -1.5, 2.75
"""Hours by which a zone may be behind or ahead of solar time, daylight saving included (from memory)."""
HOUR = 3600.0
DAY = 86_400.0
CLUSTER = 3.0
"""Seconds within which fresh fixes agree: both kinds of stamp are whole seconds."""
LONE_FIX_SPREAD = 60.0
"""Seconds, standard deviation of an offset from a single fix."""


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """A clock error in seconds ahead of the truth, its standard deviation, and the fixes it rests on."""

    seconds: float
    spread: float
    samples: int


def likeliest_zone(differences: Sequence[float], longitude: float | None) -> int:
    """The zone, in minutes, that leaves the most plausible clock errors from these local-minus-UTC differences."""
    zones: list[int] = [
        z for z in ZONES if longitude is None or SUN_WEST <= z / 60 - longitude / 15 <= SUN_EAST
    ] or list(ZONES)
    noon = (
        0.5 if longitude is None else longitude / 15 + 0.5
    )  # clocks run about half an hour ahead of the sun
    sun_cost = 0.0 if longitude is None else SUN_COST
    return min(
        zones,
        key=lambda z: (sum(_zone_cost(d, z) for d in differences) + sun_cost * abs(z / 60 - noon), abs(z)),
    )


def _zone_cost(difference: float, zone: int) -> float:
    """Cost in seconds of the clock error that a zone leaves: small errors and whole wrong days cost the least."""
    error = difference - zone * 60.0
    days = round(error / DAY)
    return min(
        2 * HOUR, abs(error - days * DAY) + (600.0 if days else 0.0) + (0.0 if zone % 60 == 0 else 120.0)
    )


def offset_from_fixes(differences: Sequence[float]) -> ClockOffset | None:
    """The clock's error from device time minus fix time, one value for each distinct fix, in seconds.

    A fix can be old but never from the future, so the error is at the low end: the lowest cluster
    that holds a fifth of the fixes. The spread is the scaled median absolute deviation of that
    cluster, at least one second.
    """
    if not differences:
        return None
    middle = median(differences)
    values = sorted(d for d in differences if d > middle - DAY / 2)
    need = max(1, ceil(0.2 * len(values)))
    if len(values) >= 3:
        need = max(need, 2)
    for i, low in enumerate(values):
        cluster = [v for v in values[i:] if v <= low + CLUSTER]
        if len(cluster) >= need:
            centre = median(cluster)
            scaled = 1.4826 * median(abs(v - centre) for v in cluster)
            return ClockOffset(
                centre, max(1.0, scaled) if len(cluster) > 1 else LONE_FIX_SPREAD, len(cluster)
            )
    return ClockOffset(values[0], LONE_FIX_SPREAD, 1)


def zones_of(runs: Sequence[Run]) -> dict[int, int]:
    """Zone in minutes for each run, by its place in the list; runs without any evidence are absent."""
    by_day: dict[int, list[int]] = defaultdict(list)
    for run in runs:
        for unit, t in zip(run.units, run.stamps, strict=True):
            minutes = unit.lead.offset_minutes
            if minutes is not None and t is not None:
                by_day[int(t // DAY)].append(minutes)
    named = {day: zone for day, values in by_day.items() if (zone := most_common(values)) is not None}
    named = named or _zones_by_fix(runs)
    if not named:
        return {}
    days = sorted(named)
    zones = {}
    for i, run in enumerate(runs):
        day = _day_of(run)
        zones[i] = named[min(days, key=lambda d: (abs(d - day), d))] if day is not None else named[days[-1]]
    return zones


def _day_of(run: Run) -> int | None:
    """The date of a run as a day number, from its fixes if it has any, since the camera's date may be wrong."""
    fixes = [
        seconds_since_origin(u.lead.gps_time.astimezone(UTC).replace(tzinfo=None))
        for u in run.units
        if u.lead.gps_time
    ]
    known = fixes or run.known
    return int(median(known) // DAY) if known else None


def _zones_by_fix(runs: Sequence[Run]) -> dict[int, int]:
    """The zone of each date, from all devices with fixes on it at once."""
    found: dict[int, list[float]] = defaultdict(list)
    where: dict[int, float] = {}
    for run in runs:
        offset = offset_from_fixes([d for _, d in gps_differences(run, None)])
        day = _day_of(run)
        if offset is None or day is None:
            continue
        found[day].append(offset.seconds)
        for unit in run.units:
            if unit.lead.gps is not None:
                where.setdefault(day, unit.lead.gps.lon)
                break
    return {day: likeliest_zone(values, where.get(day)) for day, values in found.items()}


def gps_differences(run: Run, zone: int | None) -> list[tuple[int, float]]:
    """(place in the run, device's common-clock time minus fix time) for the first photo of each fix."""
    seen: set[datetime] = set()
    found = []
    for i, unit in enumerate(run.units):
        stamp = run.stamps[i] if not run.lost else unit.raw
        fix = unit.lead.gps_time
        if stamp is None or fix is None or fix in seen:
            continue
        seen.add(fix)
        utc = seconds_since_origin(fix.astimezone(UTC).replace(tzinfo=None))
        found.append((i, common_time(unit, stamp, zone) - utc - (zone or 0) * 60.0))
    return found


def common_times(run: Run, zone: int | None) -> list[tuple[int, float]]:
    """(place in the run, time in the common zone) of each unit with a trusted stamp."""
    return [
        (i, common_time(unit, stamp, zone))
        for i, (unit, stamp) in enumerate(zip(run.units, run.stamps, strict=True))
        if stamp is not None
    ]


def common_time(unit: Unit, stamp: float, zone: int | None) -> float:
    """A stamp converted to the common zone where the photo names its own zone; the clock error remains."""
    own = unit.lead.offset_minutes
    return stamp if own is None or zone is None else stamp + (zone - own) * 60.0


def seconds_since_origin(moment: datetime) -> float:
    """Seconds of a naive time since `ORIGIN`."""
    return (moment - ORIGIN).total_seconds()


def most_common(values: Iterable[int]) -> int | None:
    """The most frequent value, the smallest among equals; None of nothing."""
    counted = Counter(values)
    return min(counted, key=lambda v: (-counted[v], v)) if counted else None
