"""Photos whose claim depends on a clock that nothing proves, because another device's sheet names it: to confirm."""

from __future__ import annotations

from collections import defaultdict
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
SAME_VISIT = 1800.0
"""Seconds between two devices' photos of one house up to which they count as one visit."""
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
    doubtful: set[int] = set()
    for a, b in _visits(out):
        sheets = [p.timed for p in out[a:b] if p.claim in _codes(p.timed)]
        devices = {timed.device for timed in sheets}
        sure = any(_proved(timed, clocks) for timed in sheets)
        for i in range(a, b) if sheets else ():
            timed = out[i].timed
            if timed.device not in devices and not (sure and _proved(timed, clocks)):
                doubtful.add(i)
    for i in doubtful:
        out[i] = _doubted(out[i], manual)
    return out


def with_visit_doubts(
    chains: Sequence[Sequence[PlacedUnit]], manual: ManualAssignments
) -> list[list[PlacedUnit]]:
    """The chains, with visits without a sheet to confirm that the sheets of another chain contradict.

    Their claim's sheet is shown there at another time: one of the two clocks is wrong then, or it is a second visit, to
    that house or to the one next door. Or another claim's sheet is shown there at the same time, while the whole chain
    has no sheet: two people, or two devices of one, are mostly at one house.
    """
    out = [list(chain) for chain in chains]
    shown: dict[ClaimId, list[tuple[int, float, float]]] = defaultdict(list)
    visits = [(c, a, b) for c, chain in enumerate(out) for a, b in _visits(chain)]
    for c, a, b in visits:
        claim, times = out[c][a].claim, _times(out[c][a:b])
        if claim is not None and times and _shows(out[c][a:b], claim):
            shown[claim].append((c, times[0], times[-1]))
    with_sheets = {own for seen in shown.values() for own, *_ in seen}
    for c, a, b in visits:
        claim, times = out[c][a].claim, _times(out[c][a:b])
        if claim is None or not times or any(own == c for own, *_ in shown[claim]):
            continue
        apart = [max(first - times[-1], times[0] - last) for _, first, last in shown[claim]]
        elsewhere = c not in with_sheets and any(
            first <= times[0] <= last
            for other, seen in shown.items()
            if other != claim
            for _, first, last in seen
        )
        if (apart and min(apart) > SAME_VISIT) or (elsewhere and not apart):
            out[c][a:b] = [_doubted(placed, manual) for placed in out[c][a:b]]
    return out


def _visits(chain: Sequence[PlacedUnit]) -> list[tuple[int, int]]:
    """(first, end) of each segment of a chain."""
    starts = [i for i, placed in enumerate(chain) if placed.opened_by is not None]
    return list(pairwise([*starts, len(chain)]))


def _times(part: Sequence[PlacedUnit]) -> list[float]:
    return sorted(p.timed.time for p in part if p.timed.time is not None)


def _shows(part: Sequence[PlacedUnit], claim: ClaimId) -> bool:
    return any(claim in _codes(p.timed) for p in part)


def _doubted(placed: PlacedUnit, manual: ManualAssignments) -> PlacedUnit:
    """The unit to confirm, unless a person decided it."""
    if placed.claim is None or any(f.sha256 in manual.claim_of for f in placed.timed.unit.files):
        return placed
    return replace(placed, to_confirm=True, confidence=min(placed.confidence, UNSUPPORTED_CONFIDENCE))


def _codes(timed: TimedUnit) -> set[ClaimId]:
    """The claims whose sheets the unit shows."""
    return {c for f in timed.unit.files for c in f.dividers}


def _proved(timed: TimedUnit, clocks: Sequence[ClockFinding]) -> bool:
    """Whether the error of the unit's clock is known from positions, sheets, visits or a person."""
    if not 0 <= timed.run_number < len(clocks):
        return False
    clock = clocks[timed.run_number]
    return clock.seconds_fast is not None and (clock.source not in UNPROVED or clock.spread <= LARGEST_PROVED)
