"""Which GPS fixes can be used."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, hypot, radians

from evidence.model import DeviceId, GeoPoint
from evidence.timeline.merge import TimedUnit
from evidence.timeline.split.positions import EARTH_RADIUS
from evidence.timeline.values import SplitOptions

OUTLIER = 150.0
"""A single fix further than this many metres from both its neighbours, which are close together, is dropped."""
DEPARTURE, SPEED = 60.0, 15.0
"""Seconds to leave a house or get out at the next one, and metres a second in between: a fix that leaves time for that way
there, or back, may be another house's."""


def useful_fixes(chain: Sequence[TimedUnit], options: SplitOptions) -> list[GeoPoint | None]:
    """The position of each unit, None where it has none that can be used.

    Left out are fixes at latitude and longitude zero, exact repetitions of the device's previous fix
    (the receiver had nothing new), fixes older than the photo by `stale_fix`, and single outliers that nobody could
    have driven to and back from.
    """
    fixes: list[GeoPoint | None] = []
    last: dict[DeviceId, tuple[float, float]] = {}
    for timed in chain:
        lead = timed.unit.lead
        fix = lead.gps
        if fix is not None:
            at = (fix.lat, fix.lon)
            repeated = last.get(lead.device) == at
            nowhere = abs(fix.lat) < 1e-6 and abs(fix.lon) < 1e-6
            old = (
                lead.gps_time is not None
                and timed.utc is not None
                and (timed.utc - lead.gps_time).total_seconds() > options.stale_fix
            )
            last[lead.device] = at
            fix = None if repeated or nowhere or old else fix
        fixes.append(fix)
    return _without_outliers(fixes, [timed.time for timed in chain])


def _without_outliers(
    fixes: Sequence[GeoPoint | None], times: Sequence[float | None]
) -> list[GeoPoint | None]:
    out = list(fixes)
    known = [i for i, f in enumerate(fixes) if f is not None]
    for a, b, c in zip(known, known[1:], known[2:], strict=False):
        before, here, after = fixes[a], fixes[b], fixes[c]
        assert before is not None
        assert here is not None
        assert after is not None
        away = min(distance(before, here), distance(here, after))
        far = away > OUTLIER and distance(before, after) < away / 3
        if far and not (_drivable(times[a], times[b], away) and _drivable(times[b], times[c], away)):
            out[b] = None
    return out


def _drivable(before: float | None, after: float | None, metres: float) -> bool:
    """Whether so many metres can be driven between two times in seconds; not if either is unknown."""
    return before is not None and after is not None and after - before >= DEPARTURE + metres / SPEED


def distance(a: GeoPoint, b: GeoPoint) -> float:
    """Metres between two positions, on a local plane; accurate to 0.1 % within 50 km."""
    east = radians((b.lon - a.lon + 180.0) % 360.0 - 180.0) * cos(radians((a.lat + b.lat) / 2))
    return EARTH_RADIUS * hypot(east, radians(b.lat - a.lat))
