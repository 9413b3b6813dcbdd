"""Kept, held or due: worked cases of statutes, and properties that hold for any claim and rules."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support_rules import (
    DAYS,
    FACTS,
    HOLD,
    RULE_SETS,
    RULES,
    a_rule,
    closed,
    no_floor,
    only,
    term,
    without_floor,
)

from evidence.model import ClaimId
from evidence.retention.disposition import Due, Held, Kept, disposition_of, review
from evidence.retention.facts import (
    ChangeKind,
    ClaimFacts,
    StateChange,
    first_closing,
    last_closing,
)
from evidence.retention.rule_file import load_schedule
from evidence.retention.schedule import (
    FLOOR,
    AfterReopening,
    FloorException,
    RetentionSchedule,
)
from evidence.settings import default_text

SHIPPED = load_schedule(default_text("retention.toml"), "retention.toml")
FAR = date(2100, 1, 1)
MARCH = date(2020, 3, 15)


def shipped_alone(rule_id: str) -> RetentionSchedule:
    """One shipped rule with an exception to the floor: the statute's own arithmetic."""
    (rule,) = [rule for rule in SHIPPED.rules if rule.id == rule_id]
    return without_floor(rule)


def last_and_first(facts, schedule):
    """The last day kept and the first purge day, which must be the day after."""
    kept = disposition_of(facts, schedule, today=date(2021, 1, 1))
    assert isinstance(kept, Kept)
    assert kept.until is not None
    assert isinstance(disposition_of(facts, schedule, today=kept.until), Kept)
    due = disposition_of(facts, schedule, today=kept.until + timedelta(days=1))
    assert isinstance(due, Due)
    assert due.since == kept.basis.first_day == kept.until + timedelta(days=1)
    return kept.until, due.since


# DERIVED: worked by hand from the statutes' texts as read in stored copies; nobody published these rows.
# Periods: NH RSA 400-B:5 I; 10 CCR 2695.3(b); 230-RICR-20-40-2.4; Ala. Admin. Code 482-1-125-.04(a); 50 Ill. Adm.
# Code 901.20(b); 14 VAC 5-400-30(E); s. 626.875(2) F.S.; 11 NCAC 19 .0105; 11 NYCRR 243.2(b)(4); 806 KAR 2:070.
@pytest.mark.parametrize(
    ("rule", "jurisdiction", "facts", "last", "first"),
    [
        pytest.param("us-nh-claim-file", "NH", closed(MARCH), "2025-12-31", "2026-01-01", id="NH"),
        pytest.param("us-nh-claim-file", "NH", closed(date(2020, 12, 31)), "2025-12-31", "2026-01-01", id="NH-31-Dec"),
        pytest.param("us-nh-claim-file", "NH", closed(date(2021, 1, 1)), "2026-12-31", "2027-01-01", id="NH-1-Jan"),
        pytest.param("us-ca-claim-file", "CA", closed(MARCH), "2024-12-31", "2025-01-01", id="CA"),
        pytest.param("us-ri-claim-file", "RI", closed(MARCH), "2024-12-31", "2025-01-01", id="RI"),
        pytest.param("us-al-claim-file", "AL", closed(MARCH), "2025-12-31", "2026-01-01", id="AL"),
        pytest.param("us-il-claim-file", "IL", closed(MARCH), "2025-12-31", "2026-01-01", id="IL"),
        pytest.param("us-va-claim-file", "VA", closed(MARCH), "2023-12-31", "2024-01-01", id="VA"),
        pytest.param("us-mo-claim-file", "MO", closed(MARCH), "2023-12-31", "2024-01-01", id="MO-from-memory"),
        pytest.param(
            "us-fl-adjuster", "FL", closed(date(2020, 6, 1), events={"adjustment_completed": MARCH}),
            "2025-03-15", "2025-03-16", id="FL-keeps-the-anniversary-day",
        ),
        pytest.param(
            "us-nc-domestic", "NC",
            closed(date(2020, 6, 1), events={"settled": MARCH, "exam_report_filed": date(2026, 2, 1)}),
            "2026-02-01", "2026-02-02", id="NC-domestic-the-later-of-two",
        ),
        pytest.param(
            "us-nc-claim-file", "NC", closed(date(2020, 6, 1), events={"settled": MARCH}),
            "2025-03-15", "2025-03-16", id="NC",
        ),
        pytest.param(
            "us-ny-claim-file", "NY", closed(MARCH, events={"exam_report_filed": date(2022, 5, 1)}),
            "2026-12-31", "2027-01-01", id="NY-the-safe-reading",
        ),
        pytest.param(
            "us-ny-claim-file", "NY", closed(MARCH, events={"exam_report_filed": date(2028, 5, 1)}),
            "2028-05-01", "2028-05-02", id="NY-a-late-report",
        ),
        pytest.param(
            "us-ky-claim-file", "KY", closed(MARCH, inspected=date(2020, 4, 1)),
            "2025-04-01", "2025-04-02", id="KY-the-later-of-making-and-purpose",
        ),
        pytest.param(
            "us-sd-claim-file", "SD", closed(date(2020, 2, 29)), "2025-03-01", "2025-03-02",
            id="no-matching-day-takes-the-longer-reading",
        ),
    ],
)  # fmt: skip
def test_worked_cases_of_statutes(rule, jurisdiction, facts, last, first):
    facts = replace(facts, jurisdiction=jurisdiction)
    assert tuple(map(str, last_and_first(facts, shipped_alone(rule)))) == (last, first)


def test_new_yorks_literal_anniversary_is_the_other_reading():
    literal = only(term(6), term(0, "exam_report_filed"))
    facts = closed(MARCH, events={"exam_report_filed": date(2022, 5, 1)})
    assert last_and_first(facts, literal) == (date(2026, 3, 15), date(2026, 3, 16))


@pytest.mark.parametrize(
    ("jurisdiction", "word"), [("NY", "exam report filed"), ("FL", "adjustment completed"), ("NC", "settled")]
)
def test_an_unknown_clock_keeps_without_an_end(jurisdiction, word):
    found = disposition_of(closed(MARCH, jurisdiction=jurisdiction), SHIPPED, today=FAR)
    assert isinstance(found, Kept)
    assert found.until is None
    assert f"{word} is not recorded" in found.reason


def test_a_verdict_says_which_rule_decided_its_arithmetic_the_first_purge_day_and_the_rules_digest():
    found = disposition_of(closed(date(2013, 12, 31), jurisdiction="US-NH"), SHIPPED, today=date(2020, 1, 1))
    assert found.basis.rule == "customary"
    nh = disposition_of(closed(MARCH, jurisdiction="US-NH"), shipped_alone("us-nh-claim-file"), today=MARCH)
    assert nh.reason == (
        "rule 'us-nh-claim-file' (RSA 400-B:5, I; read, checked 2026-11-26): closed 2020-03-15: calendar year 2020 + "
        "5 years, to its end = 2025-12-31; kept through 2025-12-31, first purge day 2026-01-01; "
        "check with counsel before use"
    )
    assert nh.basis.first_day == date(2026, 1, 1)
    assert nh.rules == shipped_alone("us-nh-claim-file").digest


@pytest.mark.parametrize("jurisdiction", ["TX", "MO"])
def test_a_rule_for_complaints_and_one_from_memory_shorten_no_claims_period(jurisdiction):
    facts = closed(MARCH, jurisdiction=jurisdiction, events={"transaction_ended": MARCH})
    others = ("us-tx-complaint-record", "us-mo-claim-file")
    without = replace(SHIPPED, rules=tuple(rule for rule in SHIPPED.rules if rule.id not in others))
    assert last_and_first(facts, SHIPPED) == last_and_first(facts, without)
    assert disposition_of(facts, SHIPPED, today=date(2021, 1, 1)).basis.rule == "customary"


def test_the_floor_decides_where_a_statute_keeps_less():
    """Virginia's rule alone would end with 2023; the floor is common practice, no source."""
    (virginia,) = [rule for rule in SHIPPED.rules if rule.id == "us-va-claim-file"]
    schedule = RetentionSchedule(rules=(virginia,))
    facts = closed(MARCH, jurisdiction="VA")
    assert last_and_first(facts, schedule)[0] == date(2025, 3, 15)
    found = disposition_of(facts, schedule, today=MARCH)
    assert found.basis.rule == "floor"
    assert "would end on 2023-12-31" in found.reason


REOPENED = (
    StateChange(kind=ChangeKind.CLOSED, on=MARCH),
    StateChange(kind=ChangeKind.REOPENED, on=date(2021, 2, 1)),
    StateChange(kind=ChangeKind.CLOSED, on=date(2021, 6, 1)),
)


def test_a_reopened_claims_period_starts_again_at_its_next_closing():
    facts = ClaimFacts(claim=ClaimId("C-1"), history=REOPENED)
    assert last_and_first(facts, only())[0] == date(2026, 6, 1)
    found = disposition_of(replace(facts, history=REOPENED[:2]), only(), today=FAR)
    assert isinstance(found, Kept)
    assert "reopened 2021-02-01" in found.reason


def test_an_event_before_a_reopening_counts_from_the_next_closing():
    facts = ClaimFacts(claim=ClaimId("C-1"), history=REOPENED, events={"settled": MARCH})
    assert last_and_first(facts, only(term(5, "settled")))[0] == date(2026, 6, 1)
    again = replace(facts, events={"settled": date(2021, 5, 1)})
    assert last_and_first(again, only(term(5, "settled")))[0] == date(2026, 5, 1)


def test_a_rule_that_continues_counts_from_the_first_closing_but_the_floor_from_the_last():
    facts = ClaimFacts(claim=ClaimId("C-1"), history=REOPENED, events={"settled": MARCH})
    going_on = a_rule("r", term(5), reopening=AfterReopening.CONTINUE)
    assert last_and_first(facts, without_floor(going_on))[0] == date(2025, 3, 15)
    settled = a_rule("r", term(5, "settled"), reopening=AfterReopening.CONTINUE)
    assert last_and_first(facts, without_floor(settled))[0] == date(2025, 3, 15)
    assert last_and_first(facts, RetentionSchedule(rules=(going_on,)))[0] == date(2026, 6, 1)


def test_a_closing_that_corrects_another_replaces_it():
    assert last_closing(closed(date(2030, 3, 15), MARCH).history) == MARCH
    assert first_closing(closed(date(2030, 3, 15), MARCH).history) == MARCH


def test_a_closing_dated_before_the_reopening_counts_from_the_reopening():
    history = (*REOPENED[:2], StateChange(kind=ChangeKind.CLOSED, on=date(2020, 4, 1)))
    assert last_closing(history) == date(2021, 2, 1)


@pytest.mark.parametrize(
    ("condition", "fact", "other"),
    [
        ({"jurisdictions": ("US-VA",)}, {"jurisdiction": " us-va "}, {"jurisdiction": "VA"}),
        ({"lines": ("Homeowners",)}, {"line": "homeowners"}, {"line": ""}),
        ({"perils": ("Hail",)}, {"peril": "hail"}, {"peril": "wind"}),
        ({"carriers": ("Elbonia Mutual",)}, {"carrier": "elbonia mutual"}, {"carrier": "Other"}),
        ({"kinds": ("claim_file",)}, {}, {"kind": "policy_record"}),
    ],
)
def test_a_rule_applies_to_the_claims_that_it_names(condition, fact, other):
    schedule = only(term(9), **condition)
    assert last_and_first(closed(MARCH, **fact), schedule)[0].year == 2029
    assert disposition_of(closed(MARCH, **other), schedule, today=FAR).basis is None


def test_a_rule_for_a_holder_counts_for_that_holder_and_while_the_holder_is_not_known():
    rule = a_rule("r", term(9), held_by=("adjuster",))
    for held_by, counts in [
        ((), True),
        (("adjuster",), True),
        (("insurer", "adjuster"), True),
        (("insurer",), False),
    ]:
        found = disposition_of(closed(MARCH), without_floor(rule, held_by=held_by), today=FAR)
        assert (found.basis is not None) == counts


def test_of_several_rules_that_apply_the_longest_governs():
    schedule = without_floor(a_rule("contract", term(9), perils=("Hail",)), a_rule("state", term(3)))
    assert last_and_first(closed(MARCH, peril=" hail"), schedule)[0].year == 2029
    assert last_and_first(closed(MARCH, peril="wind"), schedule)[0].year == 2023


def test_a_claim_that_no_rule_names_is_kept_without_an_end():
    found = disposition_of(closed(date(1950, 1, 1)), only(jurisdictions=("US-NY",)), today=FAR)
    assert isinstance(found, Kept)
    assert found.until is None


def test_a_claim_without_a_jurisdiction_says_that_no_states_rule_was_counted():
    assert "no state's rule" in disposition_of(closed(MARCH), SHIPPED, today=FAR).reason


def test_a_hold_comes_before_every_rule_and_names_its_person():
    hold = replace(HOLD, kind="litigation", until=date(2030, 1, 1))
    found = disposition_of(closed(date(1950, 1, 1), holds=(HOLD, hold)), only(), today=FAR)
    assert isinstance(found, Held)
    assert found.reasons == (
        "held by Counsel since 2022-01-01: suit filed (H-1)",
        "held by Counsel since 2022-01-01, until 2030-01-01: litigation: suit filed (H-1)",
    )
    assert found.basis.first_day == date(1955, 1, 2)


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


def first_day(facts, schedule, today):
    """The first purge day; a claim that cannot be purged has a day beyond all others."""
    found = disposition_of(replace(facts, holds=()), schedule, today=today)
    return (found.basis and found.basis.first_day) or date.max


@given(FACTS, RULE_SETS, DAYS)
def test_a_held_claim_is_never_due_and_a_hold_more_never_makes_a_verdict_earlier(facts, schedule, today):
    held = replace(facts, holds=(*facts.holds, HOLD))
    assert isinstance(disposition_of(held, schedule, today=today), Held)


@given(FACTS, RULE_SETS, RULES, DAYS)
def test_a_rule_more_never_makes_a_verdict_earlier(facts, schedule, extra, today):
    """But for a claim that no rule named before: without a rule it is kept."""
    more = replace(schedule, rules=(*schedule.rules, extra))
    if schedule.governing(facts):
        assert first_day(facts, more, today) >= first_day(facts, schedule, today)
    elif last_closing(facts.history) and first_day(facts, more, today) != date.max:
        assert first_day(facts, more, today) > last_closing(facts.history).replace(month=1, day=1)


@given(FACTS, RULE_SETS, DAYS)
def test_without_an_exception_no_rules_go_under_the_floor(facts, schedule, today):
    schedule, closing = replace(schedule, exceptions=()), last_closing(facts.history)
    found = disposition_of(replace(facts, holds=()), schedule, today=today)
    if isinstance(found, Due):
        assert found.since > date(closing.year + 5, closing.month, min(closing.day, 28))
        assert today >= found.since
    assert FLOOR.period.years == 5


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


@given(FACTS, RULE_SETS, DAYS)
def test_every_disposition_has_a_reason_in_one_line_and_the_rules_digest(facts, schedule, today):
    found = disposition_of(facts, schedule, today=today)
    assert found.reason.strip()
    assert found.reason.isprintable()
    assert found.rules == schedule.digest


def test_an_exception_needs_its_years_to_be_less_than_the_floor_to_matter():
    assert isinstance(no_floor("x"), FloorException)
    schedule = only(term(1)).with_exceptions([no_floor("r", 7)])
    assert last_and_first(closed(MARCH), schedule)[0] == date(2025, 3, 15)
