"""Photos whose claim depends on a clock that nothing proves, because another device's sheet names it: to confirm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from evidence.model import ClaimId
from evidence.timeline.assemble import PlacedUnit
from evidence.timeline.merge import TimedUnit
from evidence.timeline.split.split_day import UNSUPPORTED_CONFIDENCE
from evidence.timeline.values import ClockFinding, ManualAssignments

UNPROVED = ("assumed", "neighbour")
"""Sources of a clock's error that no photo of another device confirms."""
LARGEST_PROVED = 60.0
"""Seconds of spread up to which such an error is good enough, as that of a phone that a network sets."""


def with_clock_doubts(
    chain: Sequence[PlacedUnit], clocks: Sequence[ClockFinding], manual: ManualAssignments
) -> list[PlacedUnit]:
    """The chain, with photos to confirm where a clock that is not proved decides their claim; no decision changes.

    Such are the photos of a device that did not photograph their claim's sheet. `clocks` are those of the timeline, by
    the number of each run.
    """
    out = list(chain)
    starts = [i for i, placed in enumerate(out) if placed.opened_by is not None]
    doubtful: set[int] = set()
    for a, b in pairwise([*starts, len(out)]):
        sheets = [p.timed for p in out[a:b] if p.claim in _codes(p.timed)]
        devices = {timed.device for timed in sheets}
        sure = any(_proved(timed, clocks) for timed in sheets)
        for i in range(a, b) if sheets else ():
            timed = out[i].timed
            if timed.device not in devices and not (sure and _proved(timed, clocks)):
                doubtful.add(i)
    for i in doubtful:
        if out[i].claim is not None and not any(f.sha256 in manual.claim_of for f in out[i].timed.unit.files):
            confidence = min(out[i].confidence, UNSUPPORTED_CONFIDENCE)
            out[i] = replace(out[i], to_confirm=True, confidence=confidence)
    return out


def _codes(timed: TimedUnit) -> set[ClaimId]:
    """The claims whose sheets the unit shows."""
    return {c for f in timed.unit.files for c in f.dividers}


def _proved(timed: TimedUnit, clocks: Sequence[ClockFinding]) -> bool:
    """Whether the error of the unit's clock is known from positions, sheets, visits or a person."""
    if not 0 <= timed.run_number < len(clocks):
        return False
    clock = clocks[timed.run_number]
    return clock.seconds_fast is not None and (clock.source not in UNPROVED or clock.spread <= LARGEST_PROVED)
