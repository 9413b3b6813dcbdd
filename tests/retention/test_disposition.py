"""How long a claim is kept, against published tables and worked cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from evidence.model import ClaimId
from evidence.retention.disposition import (
    ChangeKind,
    ClaimFacts,
    Due,
    Held,
    Kept,
    LegalHold,
    StateChange,
    anniversary,
    disposition_of,
    last_closing,
    last_day_kept,
    review,
)
from evidence.retention.schedule import CountsFrom, RetentionSchedule, Rule, load_schedule
from evidence.settings import default_text

HOLD = LegalHold(name="H-1", why="suit filed", by="Counsel", placed=datetime(2022, 1, 1, tzinfo=UTC))


def closed(*days: date, **more: object) -> ClaimFacts:
    history = tuple(StateChange(kind=ChangeKind.CLOSED, on=day) for day in days)
    return replace(ClaimFacts(claim=ClaimId("C-1"), history=history), **more)  # type: ignore[arg-type]


def only(**rule: object) -> RetentionSchedule:
    values = {"id": "one", "years": 5, "minimum_years": rule.get("years", 5), "source": "a test", **rule}
    return RetentionSchedule(rules=(Rule(**values),))  # type: ignore[arg-type]


def last_kept_and_first_purge_day(facts: ClaimFacts, schedule: RetentionSchedule) -> tuple[date, date]:
    """What `disposition_of` says on the last day that it keeps, and on the first on which it is due."""
    kept = disposition_of(facts, schedule, today=date(1900, 1, 1))
    assert isinstance(kept, Kept)
    assert kept.until is not None
    assert isinstance(disposition_of(facts, schedule, today=kept.until), Kept)
    due = disposition_of(facts, schedule, today=kept.until + timedelta(days=1))
    assert isinstance(due, Due)
    return kept.until, due.since


END = CountsFrom.END_OF_YEAR


# DERIVED: worked by hand from the statutes' texts as read in secondary copies; nobody published these rows.
# Periods: NH RSA 400-B:5 I; 10 CCR 2695.3(b); Ala. Admin. Code 482-1-125-.04(a); 14 VAC 5-400-30(E);
# s. 626.875(2) F.S.; 11 NCAC 19 .0105; 11 NYCRR 243.2(b)(4).
@pytest.mark.parametrize(
    ("facts", "schedule", "last_day", "first_purge_day"),
    [
        pytest.param(
            closed(date(2020, 3, 15)), only(counts_from=END), date(2025, 12, 31), date(2026, 1, 1), id="NH"
        ),
        pytest.param(
            closed(date(2020, 12, 31)),
            only(counts_from=END),
            date(2025, 12, 31),
            date(2026, 1, 1),
            id="NH-closed-on-the-last-day-of-a-year",
        ),
        pytest.param(
            closed(date(2021, 1, 1)),
            only(counts_from=END),
            date(2026, 12, 31),
            date(2027, 1, 1),
            id="NH-closed-one-day-later-is-kept-one-year-longer",
        ),
        pytest.param(
            closed(date(2020, 3, 15)),
            only(years=4, counts_from=END),
            date(2024, 12, 31),
            date(2025, 1, 1),
            id="CA-RI",
        ),
        pytest.param(
            closed(date(2020, 3, 15)),
            only(years=5, counts_from=END),
            date(2025, 12, 31),
            date(2026, 1, 1),
            id="AL-IL",
        ),
        pytest.param(
            closed(date(2020, 3, 15)),
            only(years=3, counts_from=END),
            date(2023, 12, 31),
            date(2024, 1, 1),
            id="VA",
        ),
        pytest.param(
            closed(date(2021, 1, 1), events={"adjustment_completed": date(2020, 3, 15)}),
            only(event="adjustment_completed"),
            date(2025, 3, 15),
            date(2025, 3, 16),
            id="FL-keeps-the-anniversary-day",
        ),
        pytest.param(
            closed(
                date(2020, 6, 1),
                events={"settlement": date(2020, 3, 15), "exam_report": date(2026, 2, 1)},
            ),
            only(event="settlement", also_until="exam_report"),
            date(2026, 2, 1),
            date(2026, 2, 2),
            id="NC-the-later-of-two",
        ),
        pytest.param(
            closed(date(2020, 2, 29)),
            only(),
            date(2025, 3, 1),
            date(2025, 3, 2),
            id="no-matching-day-takes-the-longer-reading",
        ),
        pytest.param(
            closed(date(2020, 3, 15), events={"exam_report": date(2022, 5, 1)}),
            only(years=6, counts_from=END, also_until="exam_report"),
            date(2026, 12, 31),
            date(2027, 1, 1),
            id="NY-the-safe-reading",
        ),
        pytest.param(
            closed(date(2020, 3, 15), events={"exam_report": date(2022, 5, 1)}),
            only(years=6, also_until="exam_report"),
            date(2026, 3, 15),
            date(2026, 3, 16),
            id="NY-the-literal-anniversary",
        ),
    ],
)
def test_worked_cases_keep_through_the_last_day_and_are_due_on_the_next(
    facts, schedule, last_day, first_purge_day
):
    assert last_kept_and_first_purge_day(facts, schedule) == (last_day, first_purge_day)


def test_a_claim_whose_exam_report_has_not_come_is_kept_without_an_end():
    schedule = only(years=6, counts_from=END, also_until="exam_report")
    found = disposition_of(closed(date(2020, 3, 15)), schedule, today=date(2100, 1, 1))
    assert isinstance(found, Kept)
    assert found.until is None
    assert "exam report, which is not recorded yet" in found.reason


# Texas State University Library, Records Disposition Log Dates FY2024 (table valid February to August 2024):
# calendar-year-end records may be disposed of through this day.
@pytest.mark.parametrize(
    ("years", "disposed_through"),
    [(1, date(2022, 12, 31)), (2, date(2021, 12, 31)), (5, date(2018, 12, 31))],
)
@pytest.mark.parametrize("today", [date(2024, 2, 1), date(2024, 8, 31)])
def test_calendar_year_ends_agree_with_a_published_disposition_table(years, disposed_through, today):
    schedule = only(years=years, counts_from=END)
    assert isinstance(disposition_of(closed(disposed_through), schedule, today=today), Due)
    assert isinstance(
        disposition_of(closed(disposed_through + timedelta(days=1)), schedule, today=today), Kept
    )


# The same table for a fiscal year that ends on 31 August; UT Austin's records wiki (page 33163094) has FE+1 to FE+6
# for requests in fiscal year 2020 (September 2019 to August 2020).
@pytest.mark.parametrize(
    ("years", "disposed_through", "today"),
    [
        pytest.param(1, date(2022, 8, 31), date(2024, 2, 1), id="FE+1-in-2024"),
        pytest.param(8, date(2015, 8, 31), date(2024, 8, 31), id="FE+8-in-2024"),
        pytest.param(1, date(2018, 8, 31), date(2019, 9, 1), id="FE+1-in-FY20"),
        pytest.param(2, date(2017, 8, 31), date(2020, 8, 31), id="FE+2-in-FY20"),
        pytest.param(6, date(2013, 8, 31), date(2020, 1, 15), id="FE+6-in-FY20"),
    ],
)
def test_fiscal_year_ends_agree_with_published_disposition_tables(years, disposed_through, today):
    schedule = only(years=years, counts_from=END, year_ends=8)
    assert isinstance(disposition_of(closed(disposed_through), schedule, today=today), Due)
    assert isinstance(
        disposition_of(closed(disposed_through + timedelta(days=1)), schedule, today=today), Kept
    )


# The first table's plain years, and UT Austin's event + N by month: a month is never split.
@pytest.mark.parametrize(
    ("years", "disposed_through", "today"),
    [
        pytest.param(1, date(2023, 1, 31), date(2024, 2, 1), id="one-year-in-February-2024"),
        pytest.param(0, date(2018, 12, 31), date(2019, 1, 1), id="N=0-in-January-2019"),
        pytest.param(1, date(2017, 12, 31), date(2019, 1, 31), id="N=1-in-January-2019"),
        pytest.param(15, date(2003, 12, 31), date(2019, 1, 31), id="N=15-in-January-2019"),
        pytest.param(1, date(2018, 1, 31), date(2019, 2, 1), id="N=1-in-February-2019"),
    ],
)
def test_month_ends_agree_with_published_disposition_tables(years, disposed_through, today):
    schedule = only(years=years, counts_from=CountsFrom.END_OF_MONTH)
    assert isinstance(disposition_of(closed(disposed_through), schedule, today=today), Due)
    assert isinstance(
        disposition_of(closed(disposed_through + timedelta(days=1)), schedule, today=today), Kept
    )


# NWCG Destruction Date Calendar: files are cut off in December of the incident's year and destroyed 7 or 20 years
# later; the date is always a January.
@pytest.mark.parametrize("years", [7, 20])
@pytest.mark.parametrize("day", [date(2004, 1, 1), date(2004, 7, 4), date(2004, 12, 31)])
def test_a_cut_off_at_the_year_end_is_due_in_a_january(years, day):
    _, first = last_kept_and_first_purge_day(closed(day), only(years=years, counts_from=END))
    assert first == date(2004 + years + 1, 1, 1)


def test_a_reopened_claims_period_starts_again_at_its_next_closing():
    history = (
        StateChange(kind=ChangeKind.CLOSED, on=date(2020, 3, 15)),
        StateChange(kind=ChangeKind.REOPENED, on=date(2021, 2, 1)),
        StateChange(kind=ChangeKind.CLOSED, on=date(2021, 6, 1)),
    )
    facts = ClaimFacts(claim=ClaimId("C-1"), history=history)
    assert last_kept_and_first_purge_day(facts, only())[0] == date(2026, 6, 1)
    reopened = replace(facts, history=history[:2])
    found = disposition_of(reopened, only(), today=date(2100, 1, 1))
    assert isinstance(found, Kept)
    assert "reopened 2021-02-01" in found.reason


def test_a_closing_that_corrects_another_replaces_it():
    assert last_closing(closed(date(2030, 3, 15), date(2020, 3, 15)).history) == date(2020, 3, 15)


def test_a_closing_dated_before_the_reopening_counts_from_the_reopening():
    history = (
        StateChange(kind=ChangeKind.CLOSED, on=date(2020, 3, 15)),
        StateChange(kind=ChangeKind.REOPENED, on=date(2021, 2, 1)),
        StateChange(kind=ChangeKind.CLOSED, on=date(2020, 4, 1)),
    )
    assert last_closing(history) == date(2021, 2, 1)


def test_the_shipped_rule_keeps_seven_years_and_says_that_it_has_no_source():
    schedule = load_schedule(default_text("retention.toml"), "retention.toml")
    facts = closed(date(2020, 3, 15), jurisdiction="Elbonia")
    assert last_kept_and_first_purge_day(facts, schedule)[0] == date(2027, 3, 15)
    reason = disposition_of(facts, schedule, today=date(2024, 1, 1)).reason
    for words in ("Elbonia", "default", "7 years", "common practice, no source", "check with counsel"):
        assert words in reason


@pytest.mark.parametrize(("asked", "kept"), [(1, 5), (5, 5), (6, 6), (7, 7), (30, 30)])
def test_a_loosened_period_never_falls_under_the_minimum(asked, kept):
    schedule = load_schedule(default_text("retention.toml"), "retention.toml")
    facts = closed(date(2020, 3, 15), agreed_years=asked)
    assert last_kept_and_first_purge_day(facts, schedule)[0] == date(2020 + kept, 3, 15)
    said = disposition_of(facts, schedule, today=date(2020, 3, 15)).reason
    assert ("never under 5 years" in said) == (asked < 5)


def test_of_several_rules_that_name_a_claim_the_longest_governs():
    short, long = only(id="state", years=3).rules[0], only(id="contract", years=9, perils=("Hail",)).rules[0]
    schedule = RetentionSchedule(rules=(long, short))
    assert last_kept_and_first_purge_day(closed(date(2020, 1, 1), peril=" hail"), schedule)[0].year == 2029
    assert last_kept_and_first_purge_day(closed(date(2020, 1, 1), peril="wind"), schedule)[0].year == 2023


def test_a_rule_for_the_place_goes_before_the_default_however_it_is_spelt():
    place = only(id="place", years=3, jurisdictions=("US-VA",)).rules[0]
    schedule = RetentionSchedule(rules=(only(id="rest", years=7, fallback=True).rules[0], place))
    assert (
        last_kept_and_first_purge_day(closed(date(2020, 1, 1), jurisdiction=" us-va "), schedule)[0].year
        == 2023
    )
    assert (
        last_kept_and_first_purge_day(closed(date(2020, 1, 1), jurisdiction="VA"), schedule)[0].year == 2027
    )


def test_a_claim_that_no_rule_names_is_kept_without_an_end():
    found = disposition_of(closed(date(1950, 1, 1)), only(jurisdictions=("US-NY",)), today=date(2100, 1, 1))
    assert isinstance(found, Kept)
    assert found.until is None


def test_a_hold_comes_before_every_rule_and_names_its_person():
    found = disposition_of(closed(date(1950, 1, 1), holds=(HOLD,)), only(), today=date(2100, 1, 1))
    assert isinstance(found, Held)
    assert found.reasons == ("held by Counsel since 2022-01-01: suit filed (H-1)",)


def test_a_period_beyond_the_calendar_ends_with_it():
    assert anniversary(date(9990, 5, 5), 100) == date.max
    assert last_day_kept(date(9990, 5, 5), only(counts_from=END).rules[0], 100) == date.max


def test_every_claim_asked_about_is_in_exactly_one_list():
    facts = [
        replace(closed(date(2010, 1, 1)), claim=ClaimId("due")),
        replace(closed(date(2010, 1, 1), holds=(HOLD,)), claim=ClaimId("held")),
        replace(closed(date(2026, 1, 1)), claim=ClaimId("kept")),
        ClaimFacts(claim=ClaimId("open")),
    ]
    result = review(facts, only(), today=date(2026, 11, 25))
    assert [claim for claim, _ in result.due] == ["due"]
    assert [claim for claim, _ in result.held] == ["held"]
    assert [claim for claim, _ in result.kept] == ["kept", "open"]


# --- properties --------------------------------------------------------------------------

DAYS = st.dates(date(1980, 1, 1), date(2060, 12, 31))
CHANGES = st.lists(st.builds(StateChange, kind=st.sampled_from(ChangeKind), on=DAYS), max_size=5).map(tuple)
RULES = st.builds(
    Rule,
    id=st.uuids().map(str),
    years=st.integers(0, 30),
    minimum_years=st.integers(0, 30),
    jurisdictions=st.sampled_from([(), ("A",), ("B",)]),
    fallback=st.booleans(),
    event=st.sampled_from(["closing", "settlement"]),
    counts_from=st.sampled_from(CountsFrom),
    year_ends=st.integers(1, 12),
    also_until=st.sampled_from(["", "exam_report"]),
)
RULE_SETS = st.lists(RULES, max_size=4).map(lambda rules: RetentionSchedule(rules=tuple(rules)))
FACTS = st.builds(
    ClaimFacts,
    claim=st.just(ClaimId("C-1")),
    jurisdiction=st.sampled_from(["", "A", "B", "C"]),
    history=CHANGES,
    events=st.dictionaries(st.sampled_from(["settlement", "exam_report"]), DAYS),
    holds=st.sampled_from([(), (HOLD,)]),
    agreed_years=st.none() | st.integers(0, 40),
)


@given(FACTS, RULE_SETS, DAYS)
def test_a_held_claim_is_never_due(facts, schedule, today):
    assert isinstance(disposition_of(replace(facts, holds=(HOLD,)), schedule, today=today), Held)


@given(FACTS, DAYS, st.booleans(), RULE_SETS, DAYS)
def test_an_open_claim_is_kept_without_an_end(facts, day, ever_closed, schedule, today):
    reopened = StateChange(kind=ChangeKind.REOPENED, on=day)
    facts = replace(facts, holds=(), history=(*facts.history, reopened) if ever_closed else ())
    found = disposition_of(facts, schedule, today=today)
    assert isinstance(found, Kept)
    assert found.until is None


@given(FACTS, RULE_SETS, DAYS, st.integers(0, 20_000))
def test_a_claim_is_kept_first_then_due_from_one_day_on(facts, schedule, today, more):
    facts, day = replace(facts, holds=()), today + timedelta(days=more)
    now, later = disposition_of(facts, schedule, today=today), disposition_of(facts, schedule, today=day)
    if isinstance(now, Kept) and isinstance(later, Due):
        assert today < later.since <= day
    else:
        assert later == now


@given(FACTS, RULE_SETS, RULES, RULES, DAYS)
def test_one_more_rule_never_shortens_a_period(facts, schedule, own, extra, today):
    """Beside a rule that applies to the claim; a claim with no rule of its own leaves the default by design."""
    own = replace(own, id="own", fallback=False, jurisdictions=())
    before = RetentionSchedule(rules=(*schedule.rules, own))
    after = RetentionSchedule(rules=(*before.rules, replace(extra, fallback=False)))
    assume(not isinstance(disposition_of(facts, before, today=today), Due))
    assert not isinstance(disposition_of(facts, after, today=today), Due)


@given(DAYS, RULES, st.integers(0, 60))
def test_the_period_is_whole_and_never_shorter_than_its_years(event, rule, years):
    last = last_day_kept(event, rule, years)
    assert last >= anniversary(event, years) - timedelta(days=1)
    assert last <= anniversary(event, years + 1)


@given(FACTS, RULE_SETS, DAYS)
def test_every_disposition_has_a_reason_in_one_line(facts, schedule, today):
    reason = disposition_of(facts, schedule, today=today).reason
    assert reason.strip()
    assert reason.isprintable()
