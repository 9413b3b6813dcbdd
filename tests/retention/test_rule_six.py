"""Rule 6 of the design, one condition broken at a time: a purge needs an ended period, no hold, a plan that still
matches, the rules of the plan, and two people; afterwards every copy is gone and the proof remains."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_retention import MemoryRepository, a_hold, closed, digest
from support_rules import RULES, no_floor

from evidence.errors import PurgeRefusedError
from evidence.model import ClaimId
from evidence.retention.facts import ChangeKind, StateChange
from evidence.retention.purge.addresses import TargetBag
from evidence.retention.purge.approval import APPROVAL, approve
from evidence.retention.purge.plan_files import PLAN
from evidence.retention.purge.planning import make_plan
from evidence.retention.purge.run import run_plan
from evidence.retention.rule_file import load_schedule
from evidence.settings import default_text

pytestmark = pytest.mark.usefixtures("plain_certificates")
SCHEDULE = load_schedule(default_text("retention.toml"), "retention.toml")
ONE, TWO = ClaimId("HL-1"), ClaimId("HL-2")


class Attempt:
    """A purge of two due claims, planned by Ann, approved by Bob, with what a test breaks."""

    def __init__(self, folder, claims=(ONE, TWO)):
        self.repository = MemoryRepository()
        for claim in claims:
            self.repository.add(closed(claim), *(f"{claim} {n}".encode() for n in range(3)))
        self.planner, self.approver, self.schedule = "Ann", "Bob", SCHEDULE
        self.folder = folder

    def plan(self):
        self.frozen = make_plan(self.repository, SCHEDULE, by=self.planner, plans_folder=self.folder)
        return self

    def approve(self):
        approve(self.repository, self.frozen.folder, by=self.approver)
        return self

    def run(self):
        return run_plan(self.repository, self.schedule, self.frozen.folder, by="Cy")

    def set_facts(self, **changes):
        for claim in (ONE, TWO):
            self.repository.known[claim] = replace(self.repository.known[claim], **changes)


def test_with_every_condition_met_every_copy_goes_and_the_proof_remains(tmp_path):
    attempt = Attempt(tmp_path).plan().approve()
    report = attempt.run()
    assert [one.claim for one in report.purged] == [ONE, TWO]
    for claim in (ONE, TWO):
        assert attempt.repository.places[claim] == set()
        assert claim in attempt.repository.tombstones
        assert attempt.repository.events(claim)["purged"] == 1
    assert all(one.certificate.is_file() for one in report.purged)


def reopened(attempt):
    change = StateChange(kind=ChangeKind.REOPENED, on=date(2026, 1, 1))
    attempt.set_facts(history=(*attempt.repository.known[ONE].history, change))


BROKEN = {
    "the period has not ended": lambda one: one.set_facts(history=closed(ONE, on=date(2026, 1, 1)).history),
    "it ends tomorrow": lambda one: one.set_facts(history=closed(ONE, on=date(2019, 11, 25)).history),
    "the claim was reopened": reopened,
    "the claim was never closed": lambda one: one.set_facts(history=()),
    "a rule waits for an event": lambda one: one.set_facts(jurisdiction="NY"),
    "there is a hold": lambda one: one.set_facts(holds=(a_hold(),)),
    "a photo came": lambda one: [one.repository.held_photos[c].append(digest(b"new")) for c in (ONE, TWO)],
    "a photo left": lambda one: [one.repository.held_photos[c].pop() for c in (ONE, TWO)],
    "a copy is not in the plan": lambda one: [
        one.repository.places[c].add(TargetBag(target="new", bag=c)) for c in (ONE, TWO)
    ],
    "a rule was added": lambda one: setattr(
        one, "schedule", replace(SCHEDULE, rules=(*SCHEDULE.rules, replace(SCHEDULE.rules[0], id="more")))
    ),
    "a rule was removed": lambda one: setattr(one, "schedule", replace(SCHEDULE, rules=SCHEDULE.rules[:1])),
    "an exception was agreed": lambda one: setattr(
        one, "schedule", SCHEDULE.with_exceptions([no_floor("customary")])
    ),
    "the plan was altered": lambda one: (one.frozen.folder / PLAN).write_bytes(
        (one.frozen.folder / PLAN).read_bytes().replace(b'"HL-1"', b'"HL-3"')
    ),
    "the approval is gone": lambda one: (one.frozen.folder / APPROVAL).unlink(),
    "the approval has another name in it": lambda one: (one.frozen.folder / APPROVAL).write_bytes(
        (one.frozen.folder / APPROVAL).read_bytes().replace(b'"Bob"', b'"Ann"')
    ),
    "the log has no plan": lambda one: one.repository.entries.clear(),
}


@pytest.mark.parametrize("what", BROKEN)
def test_with_one_condition_broken_nothing_is_removed(tmp_path, what):
    attempt = Attempt(tmp_path).plan().approve()
    BROKEN[what](attempt)
    with contextlib.suppress(PurgeRefusedError):
        assert attempt.run().purged == ()
    assert attempt.repository.removed == []
    assert attempt.repository.tombstones == {}


def test_the_planner_is_no_second_person(tmp_path):
    attempt = Attempt(tmp_path).plan()
    attempt.approver = "ann"
    with pytest.raises(PurgeRefusedError, match="cannot approve"):
        attempt.approve()
    with pytest.raises(PurgeRefusedError):
        attempt.run()
    assert attempt.repository.removed == []


def test_a_plan_names_its_rules_and_other_rules_refuse_it(tmp_path):
    attempt = Attempt(tmp_path).plan().approve()
    assert attempt.frozen.plan.rules == SCHEDULE.digest
    BROKEN["a rule was added"](attempt)
    with pytest.raises(PurgeRefusedError, match="rules are others"):
        attempt.run()
    attempt.schedule = SCHEDULE
    assert len(attempt.run().purged) == 2


def test_rules_that_change_between_two_claims_leave_the_second_one_alone(tmp_path):
    attempt = Attempt(tmp_path).plan().approve()

    def kill_when_the_first_is_done(method):
        if method == "facts" and attempt.repository.tombstones:
            raise KeyboardInterrupt

    attempt.repository.before = kill_when_the_first_is_done
    with pytest.raises(KeyboardInterrupt):
        attempt.run()
    attempt.repository.before = lambda _method: None
    BROKEN["a rule was added"](attempt)
    report = attempt.run()
    assert [one.claim for one in report.purged] == [ONE]
    assert [(one.claim, one.begun) for one in report.refused] == [(TWO, False)]
    assert len(attempt.repository.places[TWO]) > 1


@settings(max_examples=60, deadline=None)
@given(call=st.integers(1, 60), of=st.sampled_from([ONE, TWO]))
def test_a_hold_that_comes_at_any_call_lets_only_the_removal_go_on_that_had_begun(tmp_path_factory, call, of):
    attempt = Attempt(tmp_path_factory.mktemp("plan")).plan().approve()
    repository, left, before_hold = attempt.repository, call, []

    def place(method):
        nonlocal left
        left -= 1
        if left == 0:
            repository.known[of] = replace(repository.known[of], holds=(a_hold(),))
            before_hold.append((len(mine(repository, of)), method == "remove"))

    repository.before = place
    attempt.run()
    for removed, had_begun in before_hold:
        assert len(mine(repository, of)) <= removed + had_begun


def mine(repository, claim):
    """The removals of copies that were the claim's."""
    prefix = (f"{claim}", *repository.held_photos[claim])
    return [one for one in repository.removed if any(p in str(one) for p in prefix)]


@settings(max_examples=60, deadline=None)
@given(extra=st.lists(RULES, max_size=3), hold=st.booleans())
def test_a_hold_or_a_rule_more_before_the_run_never_removes_more(tmp_path_factory, extra, hold):
    attempt = Attempt(tmp_path_factory.mktemp("plan")).plan().approve()
    attempt.schedule = replace(SCHEDULE, rules=(*SCHEDULE.rules, *extra))
    if hold:
        attempt.set_facts(holds=(a_hold(),))
    try:
        purged = attempt.run().purged
    except PurgeRefusedError:
        purged = ()
    assert bool(purged) == (not extra and not hold)
    assert bool(attempt.repository.removed) == bool(purged)
