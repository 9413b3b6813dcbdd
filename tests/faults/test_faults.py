"""A sample of all fault trials: every kind of fault at every command, at other steps for another seed.

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
EACH = 1
"""Trials for each kind of fault and each command."""


def sample(here: Bench, scenario: str) -> list[Trial]:
    """Trials spread evenly over the steps of each kind, from a first one that the seed gives."""
    chosen: list[Trial] = []
    for kind in FaultKind:
        every = here.trials(scenario, kind)
        stride = max(1, len(every) // EACH)
        start = random.Random(f"{SEED} {scenario} {kind}").randrange(stride)
        chosen += every[start::stride][:EACH]
    return chosen


@pytest.mark.parametrize("scenario", sorted(available()))
def test_after_a_fault_and_one_more_run_nothing_is_lost_doubled_or_left(here, scenario):
    outcomes = [here.run(trial) for trial in sample(here, scenario)]
    assert outcomes
    wrong = [one.text() for one in outcomes if not one.clean]
    assert not wrong, f"seed {SEED}\n" + "\n".join(wrong)
    struck = [one for one in outcomes if one.event]
    assert len(struck) == len(outcomes), "every fault struck"
