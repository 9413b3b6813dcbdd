"""How long a claim is kept, against published tables and worked cases."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence.model import ClaimId
from evidence.retention.rules import CountsFrom, RetentionRules, Rule, load_rules
from evidence.retention.schedule import (
    ClaimFacts,
    Due,
    Held,
    Hold,
    Keep,
    Turn,
    TurnKind,
    anniversary,
    judge,
    last_closing,
    last_day_kept,
    standing,
)
from evidence.settings import default_text

HOLD = Hold(hold="H-1", why="suit filed", by="Counsel", placed=datetime(2022, 1, 1, tzinfo=UTC))


def closed(*days: date, **more: object) -> ClaimFacts:
    history = tuple(Turn(kind=TurnKind.CLOSED, on=day) for day in days)
    return replace(ClaimFacts(claim=ClaimId("C-1"), history=history), **more)  # type: ignore[arg-type]


def only(**rule: object) -> RetentionRules:
    values = {"id": "one", "years": 5, "minimum_years": rule.get("years", 5), "source": "a test", **rule}
    return RetentionRules(rules=(Rule(**values),))  # type: ignore[arg-type]


def last_kept_and_first_purge_day(facts: ClaimFacts, rules: RetentionRules) -> tuple[date, date]:
    """What `judge` says on the last day that it keeps, and on the first on which it is due."""
    kept = judge(facts, rules, today=date(1900, 1, 1))
    assert isinstance(kept, Keep)
    assert kept.until is not None
    assert isinstance(judge(facts, rules, today=kept.until), Keep)
    due = judge(facts, rules, today=kept.until + timedelta(days=1))
    assert isinstance(due, Due)
    return kept.until, due.since


END = CountsFrom.END_OF_YEAR


# DERIVED: worked by hand from the statutes' texts as read in secondary copies; nobody published these rows.
# Periods: NH RSA 400-B:5 I; 10 CCR 2695.3(b); Ala. Admin. Code 482-1-125-.04(a); 14 VAC 5-400-30(E);
# s. 626.875(2) F.S.; 11 NCAC 19 .0105; 11 NYCRR 243.2(b)(4).
@pytest.mark.parametrize(
    ("facts", "rules", "last_day", "first_purge_day"),
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
    facts, rules, last_day, first_purge_day
):
    assert last_kept_and_first_purge_day(facts, rules) == (last_day, first_purge_day)


def test_a_claim_whose_exam_report_has_not_come_is_kept_without_an_end():
    rules = only(years=6, counts_from=END, also_until="exam_report")
    verdict = judge(closed(date(2020, 3, 15)), rules, today=date(2100, 1, 1))
    assert isinstance(verdict, Keep)
    assert verdict.until is None
    assert "exam report, which has not come" in verdict.reason


# Texas State University Library, Records Disposition Log Dates FY2024 (table valid February to August 2024):
# calendar-year-end records may be disposed of through this day.
@pytest.mark.parametrize(
    ("years", "disposed_through"),
    [(1, date(2022, 12, 31)), (2, date(2021, 12, 31)), (5, date(2018, 12, 31))],
)
@pytest.mark.parametrize("today", [date(2024, 2, 1), date(2024, 8, 31)])
def test_calendar_year_ends_agree_with_a_published_disposition_table(years, disposed_through, today):
    rules = only(years=years, counts_from=END)
    assert isinstance(judge(closed(disposed_through), rules, today=today), Due)
    assert isinstance(judge(closed(disposed_through + timedelta(days=1)), rules, today=today), Keep)


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
    rules = only(years=years, counts_from=END, year_ends=8)
    assert isinstance(judge(closed(disposed_through), rules, today=today), Due)
    assert isinstance(judge(closed(disposed_through + timedelta(days=1)), rules, today=today), Keep)


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
    rules = only(years=years, counts_from=CountsFrom.END_OF_MONTH)
    assert isinstance(judge(closed(disposed_through), rules, today=today), Due)
    assert isinstance(judge(closed(disposed_through + timedelta(days=1)), rules, today=today), Keep)


# NWCG Destruction Date Calendar: files are cut off in December of the incident's year and destroyed 7 or 20 years
# later; the date is always a January.
@pytest.mark.parametrize("years", [7, 20])
@pytest.mark.parametrize("day", [date(2004, 1, 1), date(2004, 7, 4), date(2004, 12, 31)])
def test_a_cut_off_at_the_year_end_is_due_in_a_january(years, day):
    _, first = last_kept_and_first_purge_day(closed(day), only(years=years, counts_from=END))
    assert first == date(2004 + years + 1, 1, 1)


def test_a_reopened_claim_starts_anew_at_its_next_closing():
    history = (
        Turn(kind=TurnKind.CLOSED, on=date(2020, 3, 15)),
        Turn(kind=TurnKind.REOPENED, on=date(2021, 2, 1)),
        Turn(kind=TurnKind.CLOSED, on=date(2021, 6, 1)),
    )
    facts = ClaimFacts(claim=ClaimId("C-1"), history=history)
    assert last_kept_and_first_purge_day(facts, only())[0] == date(2026, 6, 1)
    reopened = replace(facts, history=history[:2])
    verdict = judge(reopened, only(), today=date(2100, 1, 1))
    assert isinstance(verdict, Keep)
    assert "reopened 2021-02-01" in verdict.reason


def test_a_closing_that_corrects_another_replaces_it():
    assert last_closing(closed(date(2030, 3, 15), date(2020, 3, 15)).history) == date(2020, 3, 15)


def test_a_closing_dated_before_the_reopening_counts_from_the_reopening():
    history = (
        Turn(kind=TurnKind.CLOSED, on=date(2020, 3, 15)),
        Turn(kind=TurnKind.REOPENED, on=date(2021, 2, 1)),
        Turn(kind=TurnKind.CLOSED, on=date(2020, 4, 1)),
    )
    assert last_closing(history) == date(2021, 2, 1)


def test_the_shipped_rule_keeps_seven_years_and_says_what_it_is_worth():
    rules = load_rules(default_text("retention.toml"), "retention.toml")
    facts = closed(date(2020, 3, 15), jurisdiction="Elbonia")
    assert last_kept_and_first_purge_day(facts, rules)[0] == date(2027, 3, 15)
    reason = judge(facts, rules, today=date(2024, 1, 1)).reason
    for words in ("Elbonia", "default", "7 years", "common practice, no source", "check with counsel"):
        assert words in reason


@pytest.mark.parametrize(("asked", "kept"), [(1, 5), (5, 5), (6, 6), (7, 7), (30, 30)])
def test_a_loosened_period_never_falls_under_the_minimum(asked, kept):
    rules = load_rules(default_text("retention.toml"), "retention.toml")
    facts = closed(date(2020, 3, 15), agreed_years=asked)
    assert last_kept_and_first_purge_day(facts, rules)[0] == date(2020 + kept, 3, 15)
    said = judge(facts, rules, today=date(2020, 3, 15)).reason
    assert ("never under 5 years" in said) == (asked < 5)


def test_of_several_rules_that_name_a_claim_the_longest_governs():
    short, long = only(id="state", years=3).rules[0], only(id="contract", years=9, perils=("Hail",)).rules[0]
    rules = RetentionRules(rules=(long, short))
    assert last_kept_and_first_purge_day(closed(date(2020, 1, 1), peril=" hail"), rules)[0].year == 2029
    assert last_kept_and_first_purge_day(closed(date(2020, 1, 1), peril="wind"), rules)[0].year == 2023


def test_a_rule_for_the_place_goes_before_the_default_however_it_is_spelt():
    place = only(id="place", years=3, jurisdictions=("US-VA",)).rules[0]
    rules = RetentionRules(rules=(only(id="rest", years=7, fallback=True).rules[0], place))
    assert (
        last_kept_and_first_purge_day(closed(date(2020, 1, 1), jurisdiction=" us-va "), rules)[0].year == 2023
    )
    assert last_kept_and_first_purge_day(closed(date(2020, 1, 1), jurisdiction="VA"), rules)[0].year == 2027


def test_a_claim_that_no_rule_names_is_kept_without_an_end():
    verdict = judge(closed(date(1950, 1, 1)), only(jurisdictions=("US-NY",)), today=date(2100, 1, 1))
    assert isinstance(verdict, Keep)
    assert verdict.until is None


def test_a_hold_goes_before_everything_and_names_its_person():
    verdict = judge(closed(date(1950, 1, 1), holds=(HOLD,)), only(), today=date(2100, 1, 1))
    assert isinstance(verdict, Held)
    assert verdict.reasons == ("held by Counsel since 2022-01-01: suit filed (H-1)",)


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
    result = standing(facts, only(), today=date(2026, 11, 25))
    assert [claim for claim, _ in result.due] == ["due"]
    assert [claim for claim, _ in result.held] == ["held"]
    assert [claim for claim, _ in result.kept] == ["kept", "open"]


# --- properties --------------------------------------------------------------------------

DAYS = st.dates(date(1980, 1, 1), date(2060, 12, 31))
TURNS = st.lists(st.builds(Turn, kind=st.sampled_from(TurnKind), on=DAYS), max_size=5).map(tuple)
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
RULE_SETS = st.lists(RULES, max_size=4).map(lambda rules: RetentionRules(rules=tuple(rules)))
FACTS = st.builds(
    ClaimFacts,
    claim=st.just(ClaimId("C-1")),
    jurisdiction=st.sampled_from(["", "A", "B", "C"]),
    history=TURNS,
    events=st.dictionaries(st.sampled_from(["settlement", "exam_report"]), DAYS),
    holds=st.sampled_from([(), (HOLD,)]),
    agreed_years=st.none() | st.integers(0, 40),
)


@given(FACTS, RULE_SETS, DAYS)
def test_a_held_or_open_claim_is_never_due(facts, rules, today):
    verdict = judge(facts, rules, today=today)
    if facts.holds:
        assert isinstance(verdict, Held)
    elif not facts.history or facts.history[-1].kind is TurnKind.REOPENED:
        assert isinstance(verdict, Keep)
        assert verdict.until is None


@given(FACTS, RULE_SETS, DAYS, st.integers(0, 20_000))
def test_what_is_due_stays_due_and_what_is_kept_was_kept_before(facts, rules, today, more):
    now, later = (judge(facts, rules, today=day) for day in (today, today + timedelta(days=more)))
    if isinstance(now, Due):
        assert later == now
    if isinstance(later, Keep):
        assert now == later


@given(FACTS, RULE_SETS, RULES, DAYS)
def test_one_more_rule_that_names_a_claim_never_shortens_it_beside_another(facts, rules, extra, today):
    named = [r for r in rules.rules if not r.fallback and r.names(facts.jurisdiction, facts.peril)]
    if not named or extra.fallback:
        return
    before = judge(facts, rules, today=today)
    after = judge(facts, RetentionRules(rules=(*rules.rules, extra)), today=today)
    if not isinstance(before, Due):
        assert not isinstance(after, Due)


@given(DAYS, RULES, st.integers(0, 60))
def test_the_period_is_whole_and_never_shorter_than_its_years(event, rule, years):
    last = last_day_kept(event, rule, years)
    assert last >= anniversary(event, years) - timedelta(days=1)
    assert last <= anniversary(event, years + 1)


@given(FACTS, RULE_SETS, DAYS)
def test_every_verdict_has_a_reason_in_one_line(facts, rules, today):
    reason = judge(facts, rules, today=today).reason
    assert reason.strip()
    assert reason.isprintable()
