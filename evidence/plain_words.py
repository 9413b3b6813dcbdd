"""Times, sizes, dates and the order of names, as people read and type them."""

from __future__ import annotations

import re
from datetime import date

from evidence.errors import BadInputError

_SECONDS = {"s": 1, "m": 60, "h": 3600}
_OCTETS = {"": 1, "K": 10**3, "M": 10**6, "G": 10**9, "T": 10**12}


def typed_date(text: str, where: str = "") -> date:
    """The calendar day of an ISO 8601 text. Raises BadInputError, which names the option or field `where`."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        named = f"{where}: " if where else ""
        raise BadInputError(f"{named}'{text}' is not a date.", "Write it as 2026-05-14.") from None


def typed_date_or_none(text: str | None, where: str = "") -> date | None:
    """`typed_date` of a text that may be missing."""
    return None if text is None else typed_date(text, where)


def duration(seconds: float) -> str:
    """A time span for people: '40 s', '3 min', '2 h 5 min'."""
    if seconds < 90:
        return f"{round(seconds)} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def size_text(octets: int) -> str:
    """Bytes for people, in decimal units as disks are sold: '11 bytes', '4.1 MB', '12 MB', '1.4 TB'."""
    if octets < 1000:
        return f"{octets} bytes"
    size = octets / 1000
    for unit in ("kB", "MB", "GB"):
        if size < 999.5:
            return f"{size:.1f} {unit}" if size < 9.95 else f"{size:.0f} {unit}"
        size /= 1000
    return f"{size:.1f} TB"


def typed_name(text: str, what: str, most: int) -> str:
    """A name with its spaces tidied. Raises BadInputError, which begins with `what`, if it is empty, too long or unprintable."""
    name = " ".join(text.split())
    if not name or len(name) > most or not name.isprintable():
        raise BadInputError(
            f"{what} is empty, too long or not printable.",
            f"Give a name of up to {most} printable characters.",
        )
    return name


def typed_size(text: str, where: str) -> int:
    """Bytes of a size such as 500M or 1.5G, decimal units. Raises BadInputError, which names the option `where`."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)([KMGT]?)B?", text.strip().upper())
    octets = int(float(match[1]) * _OCTETS[match[2]]) if match else 0
    if not octets:
        raise BadInputError(f"{where}: '{text}' is not a size.", "Write it as 500M, 50G or 2T.")
    return octets


def typed_span(text: str, where: str) -> float:
    """Seconds of a time span such as 90s, 30m or 1h30m. Raises BadInputError, which names the option `where`."""
    match = re.fullmatch(r"(?:(\d+)h)?(?:(\d+)m)?(?:(\d+)s)?", text.strip().lower())
    seconds = (
        sum(int(n or 0) * _SECONDS[u] for n, u in zip(match.groups(), "hms", strict=True)) if match else 0
    )
    if not seconds:
        raise BadInputError(f"{where}: '{text}' is not a time.", "Write it as 30m, 2h or 1h30m.")
    return seconds


def guess_percent(probability: float) -> int:
    """A guess's probability in whole percent, 99 at most: a guess is never certain."""
    return min(99, round(probability * 100))


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """A sort key that puts `IMG_9` before `IMG_10`, case ignored."""
    parts = re.split(r"([0-9]+)", name.casefold())
    return tuple((0, int(p), "") if i % 2 else (1, 0, p) for i, p in enumerate(parts) if p)
