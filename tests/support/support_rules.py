"""Retention rules and claims for tests, in as few words as a test needs."""

from __future__ import annotations

from datetime import UTC, date, datetime

from hypothesis import strategies as st

from evidence.model import ClaimId
from evidence.retention.facts import ChangeKind, ClaimFacts, Clock, LegalHold, StateChange
from evidence.retention.periods import CountsFrom, Period
from evidence.retention.schedule import (
    AfterReopening,
    AppliesTo,
    FloorException,
    RetentionSchedule,
    Rule,
    Term,
)


def term(years: int = 5, clock: str = "closing", counts_from: str = "day", **more) -> Term:
    return Term(period=Period(years=years, counts_from=CountsFrom(counts_from), **more), clock=clock)


def a_rule(name: str = "r", *terms: Term, **more) -> Rule:
    applies = AppliesTo(**{k: more.pop(k) for k in list(more) if k in AppliesTo.__dataclass_fields__})
    return Rule(id=name, terms=terms or (term(),), applies=applies, **more)


def without_floor(*rules: Rule, held_by: tuple[str, ...] = ()) -> RetentionSchedule:
    """The rules, each with an exception to the floor, so that a test sees the rule's own arithmetic."""
    return RetentionSchedule(
        rules=rules, held_by=held_by, exceptions=tuple(no_floor(rule.id) for rule in rules)
    )


def no_floor(rule: str, years: int = 0) -> FloorException:
    return FloorException(
        rule=rule, years=years, why="a test", asked_by="Ann", approved_by="Bob", approved=date(2020, 1, 1)
    )


def only(*terms: Term, **more) -> RetentionSchedule:
    return without_floor(a_rule("r", *terms, **more))


def closed(*days: date, **more) -> ClaimFacts:
    history = tuple(StateChange(kind=ChangeKind.CLOSED, on=day) for day in days)
    return ClaimFacts(claim=ClaimId("C-1"), history=history, **more)


HOLD = LegalHold(name="H-1", why="suit filed", by="Counsel", placed=datetime(2022, 1, 1, tzinfo=UTC))

# --- any claims and rules ---

DAYS = st.dates(date(1980, 1, 1), date(2060, 12, 31))
CHANGES = st.lists(st.builds(StateChange, kind=st.sampled_from(ChangeKind), on=DAYS), max_size=5).map(tuple)
CLOCKS = st.sampled_from([Clock.CLOSING, Clock.SETTLED, Clock.LOSS, Clock.INSPECTION]).map(str)
TERMS = st.builds(
    Term,
    period=st.builds(
        Period,
        years=st.integers(0, 30),
        counts_from=st.sampled_from(CountsFrom),
        year_ends=st.integers(1, 12),
    ),
    clock=CLOCKS,
)
RULES = st.builds(
    Rule,
    id=st.uuids().map(str),
    terms=st.lists(TERMS, min_size=1, max_size=3).map(tuple),
    applies=st.builds(
        AppliesTo,
        jurisdictions=st.sampled_from([(), ("A",), ("B",)]),
        held_by=st.sampled_from([(), ("insurer",)]),
    ),
    reopening=st.sampled_from(AfterReopening),
)


@st.composite
def rule_sets(draw):
    rules = draw(st.lists(RULES, max_size=4))
    excepted = draw(st.lists(st.sampled_from(rules), max_size=2)) if rules else []
    exceptions = tuple(no_floor(rule.id, draw(st.integers(0, 9))) for rule in excepted)
    return RetentionSchedule(rules=tuple(rules), exceptions=exceptions)


RULE_SETS = rule_sets()
FACTS = st.builds(
    ClaimFacts,
    claim=st.just(ClaimId("C-1")),
    jurisdiction=st.sampled_from(["", "A", "B", "C"]),
    loss=st.none() | DAYS,
    inspected=st.none() | DAYS,
    history=CHANGES,
    events=st.dictionaries(st.just("settled"), DAYS),
    holds=st.sampled_from([(), (HOLD,)]),
)
