"""The camera data of a file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from evidence.model.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class GeoPoint:
    """A WGS 84 position, degrees north and east; altitude in metres where known."""

    lat: float
    lon: float
    alt: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFacts:
    """The camera data as they are in the file. A missing or impossible value is None; an impossible one gets a flag."""

    taken_text: str | None = None
    """DateTimeOriginal as it is in the file."""
    taken_local: datetime | None = None
    """The same as a naive local time, with the sub-seconds as a decimal fraction."""
    offset_minutes: int | None = None
    """OffsetTimeOriginal, minutes east of UTC."""
    gps: GeoPoint | None = None
    gps_time: datetime | None = None
    """GPSDateStamp and GPSTimeStamp, aware, UTC; None unless both are there."""
    direction: float | None = None
    """GPSImgDirection, degrees clockwise, 0 <= d < 360."""
    direction_is_true: bool | None = None
    """True for true north, False for magnetic north, None where not stated."""
    orientation: int = 1
    """EXIF orientation, 1 to 8."""
    make: str | None = None
    model: str | None = None
    serial: str | None = None
    software: str | None = None
    unique_id: str | None = None
    width: int | None = None
    """Pixels, as stored, before the orientation is applied."""
    height: int | None = None
    flags: tuple[Finding, ...] = ()
