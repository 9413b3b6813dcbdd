"""The dates of a column: year first, month first or day first, told apart by all of its cells together."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum


class DayOrder(StrEnum):
    """How a date without the year in front is written."""

    MONTH_FIRST = "month-first"
    DAY_FIRST = "day-first"


_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_OTHER = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4})")
_TIME = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.0+)?)?\s*([AaPp][Mm])?")


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnOrder:
    """The order that the cells of a column show together, or why there is none."""

    order: DayOrder | None = None
    ambiguous: str = ""
    """A cell that is one day when the month is first and another when the day is first, where no cell decides."""
    contradiction: tuple[int, int] | None = None
    """A line that only fits the month first, and one that only fits the day first."""


def order_of(cells: Sequence[tuple[int, str]]) -> ColumnOrder:
    """Tell month and day apart by the whole column; `cells` has the line and the text of each."""
    month_first = day_first = 0
    unsure = ""
    for line, text in cells:
        match = _OTHER.fullmatch(text.partition(" ")[0].partition("T")[0])
        if match is None:
            continue
        first, second = int(match[1]), int(match[3])
        if first > 12 >= second:
            day_first = day_first or line
        elif second > 12 >= first:
            month_first = month_first or line
        elif first != second:
            unsure = unsure or text
    if month_first and day_first:
        return ColumnOrder(contradiction=(month_first, day_first))
    if month_first or day_first:
        return ColumnOrder(order=DayOrder.MONTH_FIRST if month_first else DayOrder.DAY_FIRST)
    return ColumnOrder(ambiguous=unsure)


def read_day(text: str, order: DayOrder | None) -> date:
    """The day that a cell names; a time of midnight after it is left out. Raises ValueError.

    Without an order, a cell whose month and day are the same number is still clear.
    """
    day, clock = _parts(text)
    if clock and _clock(clock) != time():
        raise ValueError(text)
    return _day(day, order)


def read_moment(text: str, order: DayOrder | None) -> datetime:
    """The local day and time that a cell names, with or without am or pm. Raises ValueError."""
    day, clock = _parts(text)
    return datetime.combine(_day(day, order), _clock(clock))


def _parts(text: str) -> tuple[str, str]:
    day, _, clock = text.replace("T", " ", 1).partition(" ")
    return day, clock.strip()


def _day(text: str, order: DayOrder | None) -> date:
    if match := _ISO.fullmatch(text):
        return date(int(match[1]), int(match[2]), int(match[3]))
    match = _OTHER.fullmatch(text)
    if match is None:
        raise ValueError(text)
    first, second, year = int(match[1]), int(match[3]), int(match[4])
    if order is None and first != second:
        raise ValueError(text)
    month, day = (second, first) if order is DayOrder.DAY_FIRST else (first, second)
    return date(year, month, day)


def _clock(text: str) -> time:
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(text)
    hour, half = int(match[1]), (match[4] or "").lower()
    if half:
        if not 1 <= hour <= 12:
            raise ValueError(text)
        hour = hour % 12 + (12 if half == "pm" else 0)
    return time(hour, int(match[2]), int(match[3] or 0))
