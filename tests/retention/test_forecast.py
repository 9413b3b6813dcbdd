"""The forecast counts every claim in exactly one place."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from hypothesis import given
from hypothesis import strategies as st
from support_rules import FACTS, HOLD, RULE_SETS, a_rule, closed, only, term

from evidence.model import ClaimId
from evidence.retention.disposition import Due, Held, disposition_of
from evidence.retention.facts import ClaimFacts
from evidence.retention.forecast import ClaimLoad, Load, forecast

TODAY = date(2026, 11, 25)


def load(facts, photos=1, size=100):
    return ClaimLoad(facts=facts, photos=photos, size=size)


def test_each_claim_counts_in_the_year_of_its_first_purge_day():
    claims = [
        load(closed(date(2010, 1, 1)), 10, 1000),  # due since 2015: in this year
        load(closed(date(2021, 12, 31)), 20, 2000),  # first purge day 2027-01-01
        load(closed(date(2022, 6, 1)), 30, 3000),
        load(closed(date(2022, 6, 1), holds=(HOLD,)), 1, 1),
        load(ClaimFacts(claim=ClaimId("open")), 2, 2),
        load(closed(date(2026, 1, 1)), 4, 4),
    ]
    found = forecast(claims, only(), today=TODAY, years=3)
    assert found.years == (
        (2026, Load(claims=1, photos=10, size=1000)),
        (2027, Load(claims=2, photos=50, size=5000)),
        (2028, Load()),
    )
    assert found.later == Load(claims=1, photos=4, size=4)
    assert found.held == Load(claims=1, photos=1, size=1)
    assert found.without_end == Load(claims=1, photos=2, size=2)


@given(st.lists(st.builds(load, FACTS, st.integers(0, 500), st.integers(0, 10**9)), max_size=6), RULE_SETS)
def test_nothing_is_lost_or_counted_twice_and_the_forecast_agrees_with_the_verdicts(claims, schedule):
    found = forecast(claims, schedule, today=TODAY)
    loads = [*(one for _, one in found.years), found.later, found.held, found.without_end]
    assert sum(one.claims for one in loads) == len(claims)
    assert sum(one.photos for one in loads) == sum(one.photos for one in claims)
    assert sum(one.size for one in loads) == sum(one.size for one in claims)
    verdicts = [disposition_of(one.facts, schedule, today=TODAY) for one in claims]
    assert found.held.claims == sum(isinstance(one, Held) for one in verdicts)
    assert found.years[0][1].claims >= sum(isinstance(one, Due) for one in verdicts)


@given(st.lists(FACTS, max_size=6), RULE_SETS, st.integers(1, 30))
def test_a_hold_or_a_rule_more_never_makes_more_claims_due_by_any_year(facts, schedule, years):
    base = a_rule("base", term(5))
    schedule = replace(schedule, rules=(*schedule.rules, base))
    more = replace(schedule, rules=(*schedule.rules, a_rule("extra", term(years))))
    for after in (
        forecast([load(replace(one, holds=(HOLD,))) for one in facts], schedule, today=TODAY),
        forecast(list(map(load, facts)), more, today=TODAY),
    ):
        before = forecast(list(map(load, facts)), schedule, today=TODAY)
        count_before = count_after = 0
        for (_, one), (_, other) in zip(before.years, after.years, strict=True):
            count_before += one.claims
            count_after += other.claims
            assert count_after <= count_before
