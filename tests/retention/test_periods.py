"""The last day of a period, against published tables and with dateutil as an independent judge."""

from __future__ import annotations

import calendar
from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from evidence.retention.periods import CountsFrom, Period, arithmetic, last_day, parse_period, plus

DAYS = st.dates(date(1900, 1, 1), date(2200, 12, 31))
END = CountsFrom.END_OF_YEAR


@given(DAYS, st.integers(0, 60), st.integers(0, 30))
def test_dateutil_agrees_but_for_days_that_a_month_lacks_which_are_kept_longer(day, years, months):
    """dateutil clips 29 February + 1 year to 28 February; the longer reading is the day after."""
    theirs = day + relativedelta(years=years, months=months)
    ours = plus(day, years=years, months=months)
    assert ours == (theirs if theirs.day == day.day else theirs + timedelta(days=1))


def test_dateutil_agrees_on_every_day_of_five_leap_cycles():
    first = date(2000, 1, 1)
    for n in range(20 * 366):
        day = first + timedelta(days=n)
        for years in (1, 4, 5, 7):
            theirs = day + relativedelta(years=years)
            assert plus(day, years=years) == theirs + timedelta(days=theirs.day != day.day)
            end = day + relativedelta(years=years, month=12, day=31)
            assert last_day(Period(years=years, counts_from=END), day) == end
            month = day + relativedelta(years=years, day=31)
            assert last_day(Period(years=years, counts_from=CountsFrom.END_OF_MONTH), day) == month


@given(DAYS, st.integers(0, 30), st.integers(1, 12))
def test_dateutil_agrees_on_fiscal_years(day, years, year_ends):
    end = day + relativedelta(month=year_ends, day=31)
    if end < day:
        end = day + relativedelta(years=1, month=year_ends, day=31)
    period = Period(years=years, counts_from=END, year_ends=year_ends)
    assert last_day(period, day) == end + relativedelta(years=years, day=31)


# Texas State University Library, Records Disposition Log Dates FY2024 (table valid February to August 2024):
# calendar-year-end records may be disposed of through this day.
@pytest.mark.parametrize(
    ("years", "through"), [(1, date(2022, 12, 31)), (2, date(2021, 12, 31)), (5, date(2018, 12, 31))]
)
@pytest.mark.parametrize("today", [date(2024, 2, 1), date(2024, 8, 31)])
def test_calendar_year_ends_agree_with_a_published_disposition_table(years, through, today):
    period = Period(years=years, counts_from=END)
    assert last_day(period, through) < today <= last_day(period, through + timedelta(days=1))


# The same table for a fiscal year that ends on 31 August; UT Austin's records wiki (page 33163094) has FE+1 to FE+6
# for requests in fiscal year 2020 (September 2019 to August 2020).
@pytest.mark.parametrize(
    ("years", "through", "today"),
    [
        pytest.param(1, date(2022, 8, 31), date(2024, 2, 1), id="FE+1-in-2024"),
        pytest.param(8, date(2015, 8, 31), date(2024, 8, 31), id="FE+8-in-2024"),
        pytest.param(1, date(2018, 8, 31), date(2019, 9, 1), id="FE+1-in-FY20"),
        pytest.param(2, date(2017, 8, 31), date(2020, 8, 31), id="FE+2-in-FY20"),
        pytest.param(6, date(2013, 8, 31), date(2020, 1, 15), id="FE+6-in-FY20"),
    ],
)
def test_fiscal_year_ends_agree_with_published_disposition_tables(years, through, today):
    period = Period(years=years, counts_from=END, year_ends=8)
    assert last_day(period, through) < today <= last_day(period, through + timedelta(days=1))


# The first table's plain years, and UT Austin's event + N by month: a month is never split.
@pytest.mark.parametrize(
    ("years", "through", "today"),
    [
        pytest.param(1, date(2023, 1, 31), date(2024, 2, 1), id="one-year-in-February-2024"),
        pytest.param(0, date(2018, 12, 31), date(2019, 1, 1), id="N=0-in-January-2019"),
        pytest.param(1, date(2017, 12, 31), date(2019, 1, 31), id="N=1-in-January-2019"),
        pytest.param(15, date(2003, 12, 31), date(2019, 1, 31), id="N=15-in-January-2019"),
        pytest.param(1, date(2018, 1, 31), date(2019, 2, 1), id="N=1-in-February-2019"),
    ],
)
def test_month_ends_agree_with_published_disposition_tables(years, through, today):
    period = Period(years=years, counts_from=CountsFrom.END_OF_MONTH)
    assert last_day(period, through) < today <= last_day(period, through + timedelta(days=1))


# NWCG Destruction Date Calendar: files are cut off in December of the incident's year and destroyed 7 or 20 years
# later; the date is always a January.
@pytest.mark.parametrize("years", [7, 20])
@pytest.mark.parametrize("day", [date(2004, 1, 1), date(2004, 7, 4), date(2004, 12, 31)])
def test_a_cut_off_at_the_year_end_is_due_in_a_january(years, day):
    end = last_day(Period(years=years, counts_from=END), day)
    assert end + timedelta(days=1) == date(2004 + years + 1, 1, 1)


# JSON Schema Test Suite, draft2020-12 optional/format duration.json, whose grammar is RFC 3339, appendix A. Durations
# with a time of day are valid there; a retention period has none.
@pytest.mark.parametrize(
    ("text", "period"),
    [
        ("P4Y", Period(years=4)),
        ("P1M", Period(months=1)),
        ("P2W", Period(days=14)),
        ("P0D", Period()),
        ("P1Y2M", Period(years=1, months=2)),
        ("P1M2D", Period(months=1, days=2)),
    ],
)
def test_valid_durations_of_a_published_suite_are_read(text, period):
    assert parse_period(text) == (period, None)


@pytest.mark.parametrize(
    "text",
    ["PT1D", "P", "P1YT", "PT", "P2D1Y", "P1D2H", "P2S", "P1Y2W", "P1Y2D", "PT1H2S", "PT0.5S", "-P1D", "P1WT1H",
     "P4DT12H30M5S", "PT36H", "P٥Y", "p5y", "P5.5Y", "P2025Y"],
)  # fmt: skip
def test_invalid_durations_of_that_suite_and_times_of_day_are_refused(text):
    with pytest.raises(ValueError, match=r"not a period|more than"):
        parse_period(text)


@pytest.mark.parametrize(
    ("text", "years", "clock"),
    [
        ("year of closing plus 5", 5, "closing"),
        ("Year of  closing + 5", 5, "closing"),
        ("year of exam report filed plus 2", 2, "exam_report_filed"),
        ("current and 4 preceding calendar years", 4, None),
        ("current and 1 preceding calendar year", 1, None),
    ],
)
def test_the_statutes_words_for_calendar_years_are_read(text, years, clock):
    assert parse_period(text) == (Period(years=years, counts_from=END), clock)


def test_the_arithmetic_says_what_was_added_and_which_day_is_missing():
    assert arithmetic(Period(years=5), date(2020, 3, 15)) == "2020-03-15 + 5 years = 2025-03-15"
    leap = arithmetic(Period(years=5), date(2020, 2, 29))
    assert leap == "2020-02-29 + 5 years = 2025-03-01, because that month has no day 29"
    year = arithmetic(Period(years=5, counts_from=END), date(2020, 3, 15))
    assert year == "calendar year 2020 + 5 years, to its end = 2025-12-31"


@given(st.dates(), st.integers(0, 150), st.integers(0, 40), st.sampled_from(CountsFrom), st.integers(1, 12))
def test_no_period_ends_before_its_event_or_leaves_the_calendar(event, years, months, counts_from, year_ends):
    period = Period(years=years, months=months, counts_from=counts_from, year_ends=year_ends)
    end = last_day(period, event)
    assert end >= event
    assert str(end) in arithmetic(period, event)
    if counts_from is not CountsFrom.DAY and end != date.max:
        assert end.day == calendar.monthrange(end.year, end.month)[1]


def test_a_period_beyond_the_calendar_ends_with_it():
    assert last_day(Period(years=100), date(9990, 5, 5)) == date.max
    assert last_day(Period(years=100, counts_from=END), date(9990, 5, 5)) == date.max
    assert last_day(Period(days=5000), date(9990, 5, 5)) == date.max
