"""Whether the computer's date can be trusted: compared with the custody log's times and the files' times.

A wrong clock could make every claim due. So a jump stops planning and running a purge until a person confirms the date.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

JUMP = timedelta(days=30)
"""A longer time without an entry in the log has to be confirmed."""
BACK = timedelta(days=1)
"""How far a time may lie before an earlier one; clocks are corrected by minutes, and daylight saving by an hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedTime:
    """When an entry of the custody log was written; `confirms` says that a person confirmed the date then."""

    at: datetime
    """Aware."""
    confirms: bool = False
    newest_file: datetime | None = None
    """With `confirms`: the newest file that the archive held then, aware."""


def clock_trouble(
    now: datetime, logged: Iterable[LoggedTime], *, newest_file: datetime | None = None
) -> str | None:
    """Why the date has to be confirmed, or None.

    Every jump since the last confirmation counts, also one that later entries of the same wrong clock hide.
    """
    trouble: str | None = None
    latest: datetime | None = None
    seen: datetime | None = None
    for one in logged:
        if one.confirms:
            trouble, latest, seen = None, one.at, one.newest_file
            continue
        trouble = trouble or _step(latest, one.at, "an entry of the custody log")
        latest = max(latest, one.at) if latest else one.at
    trouble = trouble or _step(latest, now, "the computer's clock")
    if trouble is None and newest_file and newest_file - now > BACK and (seen is None or newest_file > seen):
        trouble = f"the computer's clock says {_day(now)}, but a file of the archive was written on {_day(newest_file)}"
    return trouble


def _step(before: datetime | None, at: datetime, what: str) -> str | None:
    if before is None:
        return None
    if at - before > JUMP:
        days = (at - before).days
        return f"{what} says {_day(at)}, {days} days after the entry before it, of {_day(before)}"
    if before - at > BACK:
        return f"{what} says {_day(at)}, but the custody log has an earlier entry of {_day(before)}"
    return None


def _day(at: datetime) -> str:
    return at.date().isoformat()
