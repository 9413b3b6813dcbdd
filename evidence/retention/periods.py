"""Periods of retention rules, and the last day that each keeps: calendar arithmetic only.

A month or year without the day takes the longer reading: 29 February plus five years is 1 March, and 31 January plus
one month is 1 March. `dateutil.relativedelta` takes the shorter one, 28 February, so it is not used here; the tests
compare with it.
"""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from functools import lru_cache

from evidence.errors import counted

MAX_YEARS = 150
"""A longer period is refused as a typing error, such as a calendar year in the place of a number of years."""
_REMEMBERED = 20_000
"""Results that are kept: claims of one office end on the same days, under the same few periods."""


class CountsFrom(StrEnum):
    """From which day a period counts: the event, or the end of its month or year."""

    DAY = "day"
    END_OF_MONTH = "end_of_month"
    END_OF_YEAR = "end_of_year"


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """A length of time that begins with an event. Months go with DAY and END_OF_MONTH, days with DAY only."""

    years: int = 0
    months: int = 0
    days: int = 0
    counts_from: CountsFrom = CountsFrom.DAY
    year_ends: int = 12
    """For END_OF_YEAR: the month in which the year ends, 1 to 12."""

    @property
    def length(self) -> str:
        """For people: `5 years 6 months`."""
        parts = [(self.years, "year"), (self.months, "month"), (self.days, "day")]
        return " ".join(counted(n, unit) for n, unit in parts if n) or "0 days"


_DURATION = re.compile(
    r"P(?:(?P<weeks>\d+)W|(?:(?P<years>\d+)Y)?(?:(?P<months>\d+)M)?(?:(?P<days>\d+)D)?)", re.ASCII
)
_GAP = re.compile(r"P\d+Y\d+D", re.ASCII)
_YEAR_OF = re.compile(r"year of (?P<clock>[a-z][a-z_ ]*?) (?:plus|\+) (?P<years>\d+)")
_PRECEDING = re.compile(r"current and (?P<years>\d+) preceding calendar years?")


def parse_period(text: str) -> tuple[Period, str | None]:
    """The period that a rule file writes, and the clock that its words name, if they name one.

    `P5Y6M` is an ISO 8601 duration by the grammar of RFC 3339, appendix A, without a time of day; `year of closing
    plus 5` and `current and 4 preceding calendar years` end with a calendar year. Raises ValueError.
    """
    words = " ".join(text.split())
    if (found := _DURATION.fullmatch(words)) and words != "P" and not _GAP.fullmatch(words):
        number = {name: int(digits or 0) for name, digits in found.groupdict().items()}
        days = number["days"] + 7 * number["weeks"]
        period, clock = Period(years=number["years"], months=number["months"], days=days), None
    elif found := _YEAR_OF.fullmatch(words.casefold()):
        period = Period(years=int(found["years"]), counts_from=CountsFrom.END_OF_YEAR)
        clock = found["clock"].strip().replace(" ", "_")
    elif found := _PRECEDING.fullmatch(words.casefold()):
        period, clock = Period(years=int(found["years"]), counts_from=CountsFrom.END_OF_YEAR), None
    else:
        raise ValueError(f"{text!r} is not a period")
    if max(period.years, period.months // 12, period.days // 365) > MAX_YEARS:
        raise ValueError(f"{text!r} is more than {MAX_YEARS} years")
    return period, clock


@lru_cache(maxsize=_REMEMBERED)
def last_day(period: Period, event: date) -> date:
    """The last day of the period; `date.max` for one that ends beyond the calendar."""
    match period.counts_from:
        case CountsFrom.DAY:
            return _plus_days(plus(event, years=period.years, months=period.months), period.days)
        case CountsFrom.END_OF_MONTH:
            first = plus(event.replace(day=1), years=period.years, months=period.months)
            return _month_end(first.year, first.month)
        case CountsFrom.END_OF_YEAR:
            year = event.year + period.years + (event.month > period.year_ends)
            return _month_end(year, period.year_ends)


def plus(day: date, *, years: int = 0, months: int = 0) -> date:
    """The same day later; where that month lacks the day, the first day of the next month, which keeps longer."""
    year, month = divmod(day.year * 12 + day.month - 1 + 12 * years + months, 12)
    if year > date.max.year:
        return date.max
    month += 1
    if day.day <= calendar.monthrange(year, month)[1]:
        return day.replace(year=year, month=month)
    return date(year, month + 1, 1)  # December has 31 days, so the month after is in the same year


@lru_cache(maxsize=_REMEMBERED)
def arithmetic(period: Period, event: date) -> str:
    """How `last_day` came to its result, in words: `2020-02-29 + 5 years = 2025-03-01 (2025 lacks 29 February)`."""
    end = last_day(period, event)
    match period.counts_from:
        case CountsFrom.DAY:
            exact = plus(event, years=period.years, months=period.months)
            moved = exact.day != event.day and exact != date.max
            lacks = f", because that month has no day {event.day}" if moved else ""
            return f"{event} + {period.length} = {end}{lacks}"
        case CountsFrom.END_OF_MONTH:
            return f"end of the month of {event} + {period.length} = {end}"
        case CountsFrom.END_OF_YEAR if period.year_ends == 12:
            return f"calendar year {event.year} + {counted(period.years, 'year')}, to its end = {end}"
        case CountsFrom.END_OF_YEAR:
            month = calendar.month_name[period.year_ends]
            return f"year ending in {month} that holds {event} + {counted(period.years, 'year')} = {end}"


def _month_end(year: int, month: int) -> date:
    if year > date.max.year:
        return date.max
    return date(year, month, calendar.monthrange(year, month)[1])


def _plus_days(day: date, days: int) -> date:
    return date.max if days > (date.max - day).days else day + timedelta(days=days)
