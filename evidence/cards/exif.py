"""What the camera recorded: capture time, place, direction, make and size, unchanged.

Terms and tag meanings are those of the Exif standard (CIPA DC-008). Absent and absurd values
become None and a flag with a code from `FLAGS`; no file makes it crash.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Final

from evidence.cards.exif_blocks import Blocks, media_is_truncated, read_blocks
from evidence.cards.exif_tags import Tags, first
from evidence.disk.faults import STORED_REMEDY, reading
from evidence.model import CameraFacts, Finding, GeoPoint, MediaKind

FLAGS: Final[Mapping[str, str]] = {
    "empty_file": "the file has no bytes",
    "not_an_image": "the file does not begin like a known kind of picture",
    "truncated": "the file ends before its picture does",
    "unreadable_image": "the picture's header cannot be read",
    "absurd_size": "the header claims more pixels than any camera has",
    "no_exif": "the camera's own data are missing",
    "unreadable_exif": "the camera's own data are damaged",
    "no_original_time": "the capture time is missing",
    "absurd_time": "the capture time cannot be right",
    "absurd_subsecond": "the fraction of the second is not a number",
    "absurd_offset": "the offset from UTC cannot be right",
    "no_gps_fix": "the camera had no position",
    "absurd_gps": "the position cannot be right",
    "gps_interrupted": "the camera had no satellite signal; the position is its last one",
    "absurd_gps_time": "the satellites' time cannot be right",
    "absurd_altitude": "the altitude cannot be right",
    "absurd_direction": "the direction cannot be right",
    "absurd_orientation": "the orientation is none of the eight there are",
    "edited": "an editing program has written this file",
}
"""Every flag code of this module, and what it means."""

EDITORS: Final = ("photoshop", "gimp", "imagemagick", "paint", "affinity", "pixelmator", "snapseed",
    "editor", "gallery", "retouch", "collage")  # fmt: skip
"""Names of programs that change pictures, searched in the Software tag, case ignored.

Cameras and phones write their firmware there (`Ver.1.00`, `15.2.1`), so the tag alone means
nothing. An editor that is not in the list is not detected. Common practice, no source.
"""

_EARLIEST_YEAR = 1990
"""No digital camera with Exif is older (Exif 1.0 is of 1995); earlier dates are unset clocks."""
_LATEST_YEAR = 2099
_TEXT_AT_MOST = 256
_OFFSET_AT_MOST = 14 * 60
"""Minutes. Civil time runs from UTC-12 to UTC+14."""
_ALTITUDES = (-500.0, 9_000.0)
"""Metres: below any dry land, above any roof."""

_TIME = re.compile(r"(\d{4})[:/.-](\d\d)[:/.-](\d\d)[ T](\d\d):(\d\d):(\d\d)", re.ASCII)
_DATE = re.compile(r"(\d{4})[:/.-](\d\d)[:/.-](\d\d)", re.ASCII)
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)", re.ASCII)


class _Flags:
    """Collects flags in the order in which they are raised, each code once."""

    def __init__(self) -> None:
        self._found: dict[str, Finding] = {}

    def add(self, code: str, detail: str = "") -> None:
        message = FLAGS[code][0].upper() + FLAGS[code][1:]
        self._found.setdefault(
            code, Finding(code=code, message=f"{message}{f': {detail}' if detail else ''}.")
        )

    def all(self) -> tuple[Finding, ...]:
        return tuple(self._found.values())


def read_facts(path: Path, kind: MediaKind) -> CameraFacts:
    """What the camera wrote into a photo or raw file; for other files only flags.

    `taken_local` is DateTimeOriginal, or DateTimeDigitized with the flag `no_original_time`.
    Nothing is decoded, and reads and bytes are bounded. Raises CardReadError when the file cannot
    be read.
    """
    flags = _Flags()
    with reading(str(path), STORED_REMEDY):
        size = path.stat().st_size
        if size == 0:
            flags.add("empty_file")
            return CameraFacts(flags=flags.all())
        if kind not in {MediaKind.PHOTO, MediaKind.RAW}:
            if kind in {MediaKind.VIDEO, MediaKind.SOUND} and media_is_truncated(path):
                flags.add("truncated")
            return CameraFacts(flags=flags.all())
        blocks = read_blocks(path)
    return facts_of(blocks)


def facts_of(blocks: Blocks) -> CameraFacts:
    """Interpret the tags of a file. Pure."""
    flags = _Flags()
    _flag_structure(blocks, flags)
    tags = blocks.tags
    time = _capture_time(tags, flags) if tags else _Taken()
    direction, is_true = _direction(tags, flags)
    software = _text(tags, "Image Software")
    if software and any(word in software.casefold() for word in EDITORS):
        flags.add("edited", software)
    return CameraFacts(
        taken_text=time.text,
        taken_local=time.local,
        offset_minutes=time.offset,
        gps=_position(tags, flags),
        gps_time=_gps_time(tags, flags),
        direction=direction,
        direction_is_true=is_true,
        orientation=_orientation(tags, flags),
        make=_text(tags, "Image Make"),
        model=_text(tags, "Image Model"),
        # 0xC62F is CameraSerialNumber (DNG 1.7, chapter 4), for which the reader has no name
        serial=_text(tags, "EXIF BodySerialNumber") or _text(tags, "Image Tag 0xC62F"),
        software=software,
        unique_id=_unique_id(tags),
        width=blocks.width,
        height=blocks.height,
        flags=flags.all(),
    )


def _flag_structure(blocks: Blocks, flags: _Flags) -> None:
    if not blocks.is_image:
        flags.add("not_an_image")
        return
    for code, holds in (
        ("truncated", blocks.truncated),
        ("absurd_size", blocks.too_large),
        ("unreadable_image", blocks.header_broken),
        ("unreadable_exif", blocks.tags_broken),
        ("no_exif", not blocks.tags and not blocks.tags_broken),
    ):
        if holds:
            flags.add(code)


# --- time --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    text: str | None = None
    local: datetime | None = None
    offset: int | None = None


def _capture_time(tags: Tags, flags: _Flags) -> _Taken:
    suffix = "Original"
    text = _known_date(_text(tags, "EXIF DateTimeOriginal"))
    if text is None:
        suffix = "Digitized"
        text = _known_date(_text(tags, "EXIF DateTimeDigitized"))
        flags.add("no_original_time", "the time of digitizing is used instead" if text else "")
    if text is None:
        return _Taken()
    local = _local_time(text)
    if local is None:
        flags.add("absurd_time", text)
    else:
        local += _subsecond(_text(tags, f"EXIF SubSecTime{suffix}"), flags)
    return _Taken(text=text, local=local, offset=_offset(_text(tags, f"EXIF OffsetTime{suffix}"), flags))


def _known_date(text: str | None) -> str | None:
    """The text, or None for a date of blanks, which means 'unknown' in the standard."""
    return text if text and text.replace(":", "").strip() else None


def _local_time(text: str) -> datetime | None:
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    try:
        local = datetime(*(int(part) for part in match.groups()))  # type: ignore[arg-type]  # six numbers
    except ValueError:
        return None
    if not _EARLIEST_YEAR <= local.year <= _LATEST_YEAR or _is_unset_clock(local):
        return None
    return local


def _is_unset_clock(local: datetime) -> bool:
    """True for the time of a camera whose clock was never set, or whose battery was empty.

    That is 1 January of a year up to 2000 at any time, and of any year at exactly midnight.
    Common practice, no source.
    """
    if (local.month, local.day) != (1, 1):
        return False
    return local.year <= 2000 or (local.hour, local.minute, local.second) == (0, 0, 0)


def _subsecond(text: str | None, flags: _Flags) -> timedelta:
    """SubSecTime holds the digits of a decimal fraction: `81` is 0.81 s. Truncated to microseconds."""
    digits = (text or "").strip()
    if not digits:
        return timedelta()
    if not (digits.isascii() and digits.isdigit()):
        flags.add("absurd_subsecond", digits)
        return timedelta()
    return timedelta(microseconds=int(digits[:6].ljust(6, "0")))


def _offset(text: str | None, flags: _Flags) -> int | None:
    """`+HH:MM`, minutes east; blanks, with or without the colon, mean unknown, and so does `-00:00` (RFC 3339)."""
    given = (text or "").strip()
    if not given.replace(":", "").strip() or given == "-00:00":
        return None
    if given == "Z":
        return 0
    match = _OFFSET.fullmatch(given)
    minutes = int(match[2]) * 60 + int(match[3]) if match else _OFFSET_AT_MOST + 1
    if match is None or int(match[3]) > 59 or minutes > _OFFSET_AT_MOST:
        flags.add("absurd_offset", given)
        return None
    return -minutes if match[1] == "-" else minutes


# --- place -------------------------------------------------------------------------------


def _position(tags: Tags, flags: _Flags) -> GeoPoint | None:
    latitude, longitude = tags.get("GPS GPSLatitude"), tags.get("GPS GPSLongitude")
    if latitude is None and longitude is None:
        return None
    numbers = _numbers(latitude), _numbers(longitude)
    if not any(any(n is not None for n in axis) for axis in numbers):
        flags.add("no_gps_fix")
        return None
    lat = _degrees(numbers[0], _text(tags, "GPS GPSLatitudeRef"), "N", "S", 90.0)
    lon = _degrees(numbers[1], _text(tags, "GPS GPSLongitudeRef"), "E", "W", 180.0)
    if lat is None or lon is None:
        flags.add("absurd_gps")
        return None
    if lat == 0.0 and lon == 0.0:
        flags.add("absurd_gps", "cameras without a position write 0 N 0 E")
        return None
    if (_text(tags, "GPS GPSStatus") or "").upper() == "V":
        flags.add("gps_interrupted")
    return GeoPoint(lat=lat, lon=lon, alt=_altitude(tags, flags))


def _degrees(
    numbers: tuple[float | None, ...], ref: str | None, positive: str, negative: str, limit: float
) -> float | None:
    """Degrees from degrees, minutes and seconds; None when a part is missing, negative or too large."""
    letter = (ref or "")[:1].upper()
    if letter not in {positive, negative} or not 1 <= len(numbers) <= 3:
        return None
    if len(numbers) == 3 and numbers[2] is None:  # 0/0 seconds: the minutes hold the fraction
        numbers = numbers[:2]
    parts = [n for n in numbers if n is not None and n >= 0]
    if len(parts) != len(numbers) or any(part > 60 for part in parts[1:]):
        return None
    total = math.fsum(part / unit for part, unit in zip(parts, (1.0, 60.0, 3600.0), strict=False))
    if total > limit:
        return None
    return -total if letter == negative else total


def _altitude(tags: Tags, flags: _Flags) -> float | None:
    height = _number(first(tags, "GPS GPSAltitude"))
    if height is None:
        return None
    if _number(first(tags, "GPS GPSAltitudeRef")) in {1.0, 3.0}:  # below sea level, or below the ellipsoid
        height = -height
    if not _ALTITUDES[0] <= height <= _ALTITUDES[1]:
        flags.add("absurd_altitude", f"{height:.0f} m")
        return None
    return height


def _gps_time(tags: Tags, flags: _Flags) -> datetime | None:
    date = _known_date(_text(tags, "GPS GPSDate"))
    stamp = tags.get("GPS GPSTimeStamp")
    if date is None or stamp is None:
        return None
    match = _DATE.match(date)
    parts = _fractions(stamp)
    try:
        if match is None or len(parts) != 3:
            raise ValueError(date)  # noqa: TRY301 - one place says what is wrong with any of it
        hours, minutes, seconds = parts
        if not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds <= 60):
            raise ValueError(date)  # noqa: TRY301 - as above
        day = datetime(int(match[1]), int(match[2]), int(match[3]), tzinfo=UTC)
        if not _EARLIEST_YEAR <= day.year <= _LATEST_YEAR:
            raise ValueError(date)  # noqa: TRY301 - as above
        return day + timedelta(microseconds=round((hours * 3600 + minutes * 60 + seconds) * 1_000_000))
    except (ValueError, OverflowError):
        flags.add("absurd_gps_time", date)
        return None


def _direction(tags: Tags, flags: _Flags) -> tuple[float | None, bool | None]:
    """GPSImgDirection, 0 <= d < 360, and whether it is from true north."""
    value = first(tags, "GPS GPSImgDirection")
    if value is None:
        return None, None
    direction = _number(value)
    if direction is None:  # 0/0 means 'unknown' in the standard
        return None, None
    if not 0 <= direction <= 360:
        flags.add("absurd_direction", f"{direction:g}")
        return None, None
    is_true = {"T": True, "M": False}.get((_text(tags, "GPS GPSImgDirectionRef") or "")[:1].upper())
    return direction % 360.0, is_true


# --- the rest ----------------------------------------------------------------------------


def _orientation(tags: Tags, flags: _Flags) -> int:
    value = first(tags, "Image Orientation")
    if value is None:
        return 1
    if isinstance(value, int) and 1 <= value <= 8:
        return value
    flags.add("absurd_orientation", str(value)[:20])
    return 1


def _unique_id(tags: Tags) -> str | None:
    """ImageUniqueID; None when it is only zeros."""
    text = _text(tags, "EXIF ImageUniqueID")
    return text if text and text.strip("0") else None


def _text(tags: Tags, name: str) -> str | None:
    """A tag as text up to its NUL, without control characters and outer blanks; None when empty."""
    value = tags.get(name)
    if isinstance(value, list):
        value = bytes(v for v in value if isinstance(v, int) and 0 <= v <= 255)
    if isinstance(value, bytes):
        value = _decoded(value)
    if not isinstance(value, str):
        return None
    kept = "".join(c for c in value.split("\0")[0] if c.isprintable())
    return kept.strip()[:_TEXT_AT_MOST].rstrip() or None


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _fraction(value: object) -> Fraction | None:
    """A number of a tag, exactly; None for n/0, infinity and anything else."""
    if isinstance(value, tuple) and len(value) == 1:  # the library returns floats so
        value = value[0]
    if isinstance(value, float):
        return Fraction(value) if math.isfinite(value) else None
    if isinstance(value, int):
        return Fraction(value)
    if isinstance(value, Fraction):
        return Fraction(value.numerator, value.denominator) if value.denominator else None
    return None


def _number(value: object) -> float | None:
    exact = _fraction(value)
    return None if exact is None else float(exact)


def _numbers(value: object) -> tuple[float | None, ...]:
    return tuple(_number(v) for v in value) if isinstance(value, list) else ()


def _fractions(value: object) -> tuple[Fraction, ...]:
    """The numbers of a tag, exactly; empty when one is not a number."""
    exact = [_fraction(v) for v in value] if isinstance(value, list) else []
    return tuple(f for f in exact if f is not None) if None not in exact else ()
