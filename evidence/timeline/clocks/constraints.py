"""Constraints between the clocks of two runs: sheets photographed with both, and the rhythm of the visits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import combinations, pairwise
from statistics import median
from typing import NamedTuple

import numpy as np

from evidence.model import ClaimId, DeviceId
from evidence.timeline.clocks.alignment import Floats, align, align_on_card, has_rhythm
from evidence.timeline.clocks.beside_lost_rhythm import align_both
from evidence.timeline.clocks.zones import DAY, HOUR, common_time, common_times
from evidence.timeline.order.runs import Run


class ClockConstraint(NamedTuple):
    """How far the clock of one run is ahead of that of another, both by their place in the list."""

    run: int
    other: int
    ahead: float
    """Seconds that the other clock is ahead."""
    spread: float
    """Seconds, one standard deviation."""


SHEET_WINDOW = 120.0
"""Seconds within which two devices photograph the same sheet (common practice, no source)."""
SHEET_SPREAD = 30.0
"""Seconds, standard deviation of a shift from sheets."""
MAX_REFERENCE_RUNS = 6
"""Runs, at most, with which a clock that lost its date is compared."""
RHYTHM_SPREAD = 45.0
"""Seconds, standard deviation of a shift from the rhythm of the visits."""


def rhythm_constraints(
    runs: Sequence[Run], zones: Mapping[int, int], weak: Sequence[bool], known: set[tuple[int, int]]
) -> list[ClockConstraint]:
    """Constraints between devices that were used side by side.

    Only pairs with a weak clock are compared: one that is merely assumed to be correct.
    """
    times: dict[int, Floats] = {}
    days: dict[int, list[int]] = defaultdict(list)
    members = _one_setting(runs)
    for first, places in members.items():
        moments = np.array(sorted(t for i in places for _, t in common_times(runs[i], zones.get(i))))
        if has_rhythm(moments):
            times[first] = moments
            days[int(median(moments) // DAY)].append(first)
    constraints: list[ClockConstraint] = []
    for i, j in _pairs_to_compare(runs, days, weak):
        if not any((min(a, b), max(a, b)) in known for a in members[i] for b in members[j]):
            found = align(times[i], times[j])
            if found is not None:
                constraints.append(ClockConstraint(i, j, found, RHYTHM_SPREAD))
    together = _beside_lost_constraints(runs, zones, weak, times)
    found_by = {(c.run, c.other) for c in together}
    constraints = [c for c in constraints if not {(c.run, c.other), (c.other, c.run)} & found_by]
    return constraints + together + _lost_clock_constraints(runs, zones, weak, times, constraints + together)


def _beside_lost_constraints(
    runs: Sequence[Run], zones: Mapping[int, int], weak: Sequence[bool], times: Mapping[int, Floats]
) -> list[ClockConstraint]:
    """Those of a clock that lost its date and of the one beside it on the card, found together from another device."""
    constraints: list[ClockConstraint] = []
    if len(times) > MAX_REFERENCE_RUNS:
        return constraints
    for i, j in pairwise(range(len(runs))):
        a, b = runs[i], runs[j]
        if (a.device, a.card) != (b.device, b.card) or not (a.numbered and b.numbered) or a.lost == b.lost:
            continue
        if not (weak[i] and weak[j]):
            continue
        known, lost = (i, j) if b.lost else (j, i)
        ticks = _rising_ticks(runs[lost])
        own = np.array(sorted(t for _, t in common_times(runs[known], zones.get(known))))
        for other, moments in times.items():
            if runs[other].device == a.device or weak[other]:
                continue
            found = align_both(moments, own, ticks, lost_first=a.lost)
            if found is not None:
                constraints.append(ClockConstraint(other, known, found[0], RHYTHM_SPREAD))
                constraints.append(ClockConstraint(other, lost, found[1], RHYTHM_SPREAD))
    return constraints


def _rising_ticks(run: Run) -> Floats:
    """The times, in seconds, that a clock without a date showed; none where they do not rise."""
    ticks = np.array([u.raw for u in run.units if u.raw is not None])
    return ticks if not bool((np.diff(ticks) < 0).any()) else ticks[:0]


def _lost_clock_constraints(
    runs: Sequence[Run],
    zones: Mapping[int, int],
    weak: Sequence[bool],
    times: Mapping[int, Floats],
    found: Sequence[ClockConstraint],
) -> list[ClockConstraint]:
    """The same for clocks that lost their date but kept running, if the days they may belong to are few.

    Pairs of runs among those `found` are not compared again. The place on the card dates a clock; it does not make a clock
    that positions date already a measure for another device, which needs the rhythm of several visits.
    """
    constraints: list[ClockConstraint] = []
    if len(times) > MAX_REFERENCE_RUNS:
        return constraints
    compared = {(c.run, c.other) for c in found}
    for i, run in enumerate(runs):
        ticks = _rising_ticks(run)
        if not run.lost or not ticks.size:
            continue
        before, after = (_edge_on_card(runs, zones, i, step) for step in (-1, 1))
        neighbours = [k for k, edge in ((i - 1, before), (i + 1, after)) if edge is not None]
        for j, known in times.items():
            if runs[j].device == run.device or (j, i) in compared:
                continue
            if not neighbours or not weak[i]:
                shift = align(known, ticks, lost=True)
            else:
                ahead = {c.other: c.ahead for c in found if c.run == j} | {
                    c.run: -c.ahead for c in found if c.other == j
                }
                shift = align_on_card(
                    known,
                    ticks,
                    None if before is None else before - ahead.get(i - 1, 0.0),
                    None if after is None else after - ahead.get(i + 1, 0.0),
                    proved=all(k in ahead or not weak[k] for k in neighbours),
                )
            if shift is not None:
                constraints.append(ClockConstraint(j, i, shift, RHYTHM_SPREAD))
    return constraints


def _edge_on_card(runs: Sequence[Run], zones: Mapping[int, int], i: int, step: int) -> float | None:
    """The last, or first, time of the run before, or after, run i on its card, as its clock shows it; None without one."""
    k = i + step
    if not 0 <= k < len(runs) or not (runs[i].numbered and runs[k].numbered) or runs[k].lost:
        return None
    if (runs[k].device, runs[k].card) != (runs[i].device, runs[i].card):
        return None
    times = [t for _, t in common_times(runs[k], zones.get(k))]
    return (max(times) if step < 0 else min(times)) if times else None


def _one_setting(runs: Sequence[Run]) -> dict[int, list[int]]:
    """Runs of one device, date and clock setting, also on two cards: the place of the first to the places of all."""
    groups: dict[int, list[int]] = {}
    last: dict[DeviceId, tuple[int, int]] = {}
    for i, run in enumerate(runs):
        if run.lost or not run.known:
            continue
        day = int(median(run.known) // DAY)
        first, before = last.get(run.device, (-1, -1))
        if first < 0 or run.after_change or before != day:
            first = i
        groups.setdefault(first, []).append(i)
        last[run.device] = (first, day)
    return groups


def _pairs_to_compare(
    runs: Sequence[Run], days: Mapping[int, list[int]], weak: Sequence[bool]
) -> list[tuple[int, int]]:
    """Pairs of runs of one date, or of any dates where there are few runs, with at least one weak clock."""
    everything = [i for members in days.values() for i in members]
    groups = [everything] if len(everything) <= 4 else list(days.values())
    pairs = {
        (min(i, j), max(i, j))
        for members in groups
        for i, j in combinations(members, 2)
        if runs[i].device != runs[j].device and (weak[i] or weak[j])
    }
    return sorted(pairs)


def sheet_constraints(runs: Sequence[Run], zones: Mapping[int, int]) -> list[ClockConstraint]:
    """Constraints from sheets that were photographed with both devices."""
    seen: dict[ClaimId, list[tuple[int, float]]] = defaultdict(list)
    for i, run in enumerate(runs):
        last: dict[ClaimId, float] = {}
        for unit, stamp in zip(run.units, run.stamps, strict=True):
            time = unit.raw if run.lost else stamp
            for claim in unit.lead.dividers if time is not None else ():
                assert time is not None
                moment = common_time(unit, time, zones.get(i))
                if moment - last.get(claim, -DAY) > SHEET_WINDOW:
                    seen[claim].append((i, moment))
                last[claim] = moment
    votes: dict[tuple[int, int], list[tuple[ClaimId, float]]] = defaultdict(list)
    for claim, events in seen.items():
        for x, (i, at) in enumerate(events):
            for j, other in events[x + 1 :]:
                if runs[i].device != runs[j].device:
                    a, b = (i, j) if i < j else (j, i)
                    votes[a, b].append((claim, other - at if i < j else at - other))
    constraints: list[ClockConstraint] = []
    for (i, j), pairs in sorted(votes.items()):
        agreed = _agreed(pairs, lost=runs[i].lost or runs[j].lost)
        if agreed is not None:
            constraints.append(ClockConstraint(i, j, *agreed))
    return constraints


def _agreed(pairs: Sequence[tuple[ClaimId, float]], *, lost: bool) -> tuple[float, float] | None:
    """The difference that most claims agree on, and its spread; None where a single claim is no proof.

    Two devices may photograph one sheet at different moments. Two claims that agree within two minutes
    show a clock error. A single one does so only near a whole half hour, or half a day or more apart.
    """
    best: tuple[int, float, list[float]] | None = None
    for _, low in pairs:
        inside = [(c, d) for c, d in pairs if low <= d <= low + SHEET_WINDOW]
        values = [d for _, d in inside]
        rank = (len({c for c, _ in inside}), -abs(median(values)), values)
        if best is None or rank[:2] > best[:2]:
            best = rank
    if best is None:
        return None
    centre = median(best[2])
    halves = round(centre / (HOUR / 2)) * (HOUR / 2)
    lone_proof = lost or abs(centre) > DAY / 2 or (halves != 0 and abs(centre - halves) < SHEET_WINDOW)
    if best[0] >= 2:
        return centre, SHEET_SPREAD
    return (centre, 2 * SHEET_SPREAD) if lone_proof else None
