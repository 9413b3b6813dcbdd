"""A sample of all fault trials: every command meets several kinds of fault, at other steps for another seed.

`python tests/faults/run_all.py` runs them all. The seed is EVIDENCE_FAULT_SEED, or 11.
"""

from __future__ import annotations

import os
import random

import pytest
from fault_disk import FaultKind
from fault_trials import Bench, Trial
from fault_worlds import available

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

SEED = int(os.environ.get("EVIDENCE_FAULT_SEED", "11"))
KINDS_EACH = 4
"""Kinds of fault for each command; a command takes those after the ones of the command before it."""


def sample(here: Bench, scenario: str) -> list[Trial]:
    """One trial of each of several kinds, at a step that the seed gives."""
    by_kind = {kind: trials for kind in FaultKind if (trials := here.trials(scenario, kind))}
    first = KINDS_EACH * sorted(available()).index(scenario) + SEED
    kinds = [list(by_kind)[(first + n) % len(by_kind)] for n in range(min(KINDS_EACH, len(by_kind)))]
    return [random.Random(f"{SEED} {scenario} {kind}").choice(by_kind[kind]) for kind in kinds]


@pytest.mark.parametrize("scenario", sorted(available()))
def test_after_a_fault_and_one_more_run_nothing_is_lost_doubled_or_left(here, scenario):
    outcomes = [here.run(trial) for trial in sample(here, scenario)]
    assert outcomes
    wrong = [one.text() for one in outcomes if not one.clean]
    assert not wrong, f"seed {SEED}\n" + "\n".join(wrong)
    struck = [one for one in outcomes if one.event]
    assert len(struck) == len(outcomes), "every fault struck"
