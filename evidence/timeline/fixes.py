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


def useful_fixes(chain: Sequence[TimedUnit], options: SplitOptions) -> list[GeoPoint | None]:
    """The position of each unit, None where it has none that can be used.

    Left out are fixes at latitude and longitude zero, exact repetitions of the device's previous fix
    (the receiver had nothing new), fixes older than the photo by `stale_fix`, and single outliers.
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
    return _without_outliers(fixes)


def _without_outliers(fixes: Sequence[GeoPoint | None]) -> list[GeoPoint | None]:
    out = list(fixes)
    known = [i for i, f in enumerate(fixes) if f is not None]
    for a, b, c in zip(known, known[1:], known[2:], strict=False):
        before, here, after = fixes[a], fixes[b], fixes[c]
        assert before is not None
        assert here is not None
        assert after is not None
        away = min(distance(before, here), distance(here, after))
        if away > OUTLIER and distance(before, after) < away / 3:
            out[b] = None
    return out


def distance(a: GeoPoint, b: GeoPoint) -> float:
    """Metres between two positions, on a local plane; accurate to 0.1 % within 50 km."""
    east = radians((b.lon - a.lon + 180.0) % 360.0 - 180.0) * cos(radians((a.lat + b.lat) / 2))
    return EARTH_RADIUS * hypot(east, radians(b.lat - a.lat))
