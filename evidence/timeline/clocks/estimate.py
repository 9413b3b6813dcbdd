"""How far each device's clock was off, on one common clock for a job shot with several devices.

A device's error comes, in this order of weight, from a person, from GPS time stamps (UTC), from
the same sheet photographed by two devices, from the rhythm of the day, from the run before or
after it on the same card; else its clock is taken as right.
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import ceil
from statistics import median

from evidence.model import DeviceId
from evidence.timeline.clocks.constraints import (
    SHEET_SPREAD,
    SHEET_WINDOW,
    ClockConstraint,
    rhythm_constraints,
    sheet_constraints,
)
from evidence.timeline.clocks.zones import CLUSTER, HOUR, gps_differences, offset_from_fixes, zones_of
from evidence.timeline.order.runs import Run
from evidence.timeline.order.units import ORIGIN
from evidence.timeline.values import ClockHint

QUARTER = 900.0
STALE_FIX = 600.0
"""Seconds by which a lone fix may be old before the clock is doubted: a cold start takes minutes."""
MIN_CHANGE = 300.0
"""Seconds that fresh fixes must move by, and stay moved, to show that the clock was set."""
NEIGHBOUR_GAP = 60.0
"""Seconds assumed between two photos when the clock was set in between and nothing else speaks."""
NETWORK_SPREAD = 30.0
"""Seconds: a device that writes its zone is set by a network."""
ASSUMED_SPREAD = 1200.0
"""Seconds: cameras set by hand, that nothing speaks of, are off by minutes (common practice)."""
UNCONSTRAINED_SPREAD = 1e6
"""Seconds: taken as right only when no tie leads to any other clock."""
DRIFT = 2.0
"""Seconds of spread for each run that an error is carried along: quartz drifts about a second a day."""


@dataclass(frozen=True, slots=True)
class ClockEstimate:
    """What is known of a run's clock."""

    fast: float | None
    """Seconds ahead of the common clock; None for a lost clock that nothing ties down."""
    spread: float
    source: str
    reason: str
    """In words; `{}` stands for the error until all clocks are solved."""


def split_at_gps_changes(runs: Sequence[Run]) -> list[Run]:
    """Cut runs where fresh fixes show that the clock was set in between, forward or back."""
    zones = zones_of(runs)
    return [
        part
        for place, run in enumerate(runs)
        for part in run.cut([] if run.lost else _changes(run, gps_differences(run, zones.get(place))))
    ]


def _changes(run: Run, differences: Sequence[tuple[int, float]]) -> list[int]:
    levels: list[tuple[float, int, int]] = []
    group: list[tuple[int, float]] = []
    for item in [*differences, (-1, float("inf"))]:
        if group and abs(item[1] - group[-1][1]) > 10 * CLUSTER:
            if len(group) >= 3:
                levels.append((median(d for _, d in group), group[0][0], group[-1][0]))
            group = []
        group.append(item)
    cuts = []
    for (before, _, last), (after, first, _) in pairwise(levels):
        if abs(after - before) > MIN_CHANGE:
            cuts.append(_widest_gap(run, last + 1, first, ahead=after > before))
    return cuts


def _widest_gap(run: Run, start: int, stop: int, *, ahead: bool) -> int:
    """Where between two fixes the clock was set: at the widest gap when ahead, the narrowest when back."""
    steps = []
    for i in range(start, stop + 1):
        a, b = run.stamps[i - 1], run.stamps[i]
        if a is not None and b is not None:
            steps.append(((b - a) if ahead else (a - b), -i))
    return -max(steps)[1] if steps else stop


def anchors_of(
    runs: Sequence[Run], zones: Mapping[int, int], hints: Sequence[ClockHint]
) -> list[ClockEstimate | None]:
    """What each run itself, or a person, says of its clock; None where nothing does."""
    return [_anchor(run, zones.get(i), hints) for i, run in enumerate(runs)]


def is_weak(anchor: ClockEstimate | None) -> bool:
    """Whether nothing is known of a clock but that it is assumed right, or not even that."""
    return anchor is None or anchor.spread >= ASSUMED_SPREAD


def estimate_clocks(
    runs: Sequence[Run],
    zones: Mapping[int, int],
    anchors: Sequence[ClockEstimate | None],
    changes: Sequence[ClockConstraint] = (),
) -> list[ClockEstimate]:
    """A clock for each run: anchors first, then whatever ties a run to an anchored one, nearest first.

    `changes` are ties found with the places at which clocks were set during the day. Shortest paths
    over the spreads (Dijkstra), so that each run takes the surest way to the truth.
    """
    anchors = _with_reference(runs, anchors)
    edges = _edges(runs, zones, anchors, changes)
    best: dict[int, ClockEstimate] = {}
    heap: list[tuple[float, int, int, int, ClockEstimate]] = []
    for i, anchor in enumerate(anchors):
        if anchor is not None:
            heapq.heappush(heap, (anchor.spread, 0, i, len(heap), anchor))
    pushed = len(heap)
    while heap:
        _, hops, i, _, clock = heapq.heappop(heap)
        if i in best:
            continue
        best[i] = clock
        for j, shift, spread, source, reason in edges[i]:
            if j not in best and clock.fast is not None:
                total = (clock.spread**2 + spread**2) ** 0.5
                carried = clock.reason if source == "same" else reason
                reached = ClockEstimate(
                    clock.fast + shift, total, clock.source if source == "same" else source, carried
                )
                pushed += 1
                heapq.heappush(heap, (total, hops + 1, j, pushed, reached))
    lost = ClockEstimate(
        None, float("inf"), "assumed", "the clock had lost its date and nothing ties it to the others"
    )
    return [_finished(best.get(i, lost)) for i in range(len(runs))]


def _with_reference(
    runs: Sequence[Run], anchors: Sequence[ClockEstimate | None]
) -> list[ClockEstimate | None]:
    """Of cameras that are merely assumed right, the busiest is the reference; the others yield to a tie with it."""
    photos: dict[DeviceId, int] = defaultdict(int)
    for run, anchor in zip(runs, anchors, strict=True):
        if anchor is not None and anchor.spread == ASSUMED_SPREAD:
            photos[run.device] += len(run.units)
    reference = max(photos, key=lambda d: (photos[d], d), default=None)
    return [
        replace(a, spread=UNCONSTRAINED_SPREAD)
        if a and a.spread == ASSUMED_SPREAD and r.device != reference
        else a
        for r, a in zip(runs, anchors, strict=True)
    ]


def _finished(clock: ClockEstimate) -> ClockEstimate:
    """Errors within their own doubt are no errors; the others are put into words."""
    if clock.fast is not None and clock.source != "person" and abs(clock.fast) <= max(3.0, 2 * clock.spread):
        return replace(clock, fast=0.0, reason="")
    return (
        clock
        if clock.fast is None
        else replace(clock, reason=clock.reason.replace("{}", error_text(clock.fast)))
    )


def _anchor(run: Run, zone: int | None, hints: Sequence[ClockHint]) -> ClockEstimate | None:
    """What the run itself, or a person, says of its clock."""
    for hint in hints:
        if hint.device == run.device and not run.lost:
            return ClockEstimate(
                hint.minutes_fast * 60.0,
                0.0,
                "person",
                f"a person says that this clock ran {{}} ({hint.reason})",
            )
    fixes = offset_from_fixes([d for _, d in gps_differences(run, zone)])
    if fixes is not None and (zone is not None or run.lost):
        old_fix = fixes.samples == 1 and -CLUSTER <= fixes.seconds <= STALE_FIX
        if not old_fix:
            return ClockEstimate(fixes.seconds, fixes.spread, "gps", "GPS time says that this clock ran {}")
    if run.lost:
        return None
    networked = any(u.lead.offset_minutes is not None for u in run.units)
    return ClockEstimate(0.0, NETWORK_SPREAD if networked else ASSUMED_SPREAD, "assumed", "")


_Edge = tuple[int, float, float, str, str]


def _edges(
    runs: Sequence[Run],
    zones: Mapping[int, int],
    anchors: list[ClockEstimate | None],
    changes: Sequence[ClockConstraint],
) -> dict[int, list[_Edge]]:
    """Ties between runs: (other, how much faster it is, spread, source, reason). Weakens floating anchors."""
    edges: dict[int, list[_Edge]] = defaultdict(list)
    by_device: dict[DeviceId, list[int]] = defaultdict(list)
    for i, run in enumerate(runs):
        by_device[run.device].append(i)
    for places in by_device.values():
        for i, j in pairwise(places):
            _constrain_neighbours(runs, i, j, anchors, edges)
    by_sheets = sheet_constraints(runs, zones)
    weak = [is_weak(a) for a in anchors]
    proved = {(i, j) for i, j, _, spread in by_sheets if spread <= SHEET_SPREAD}
    known = proved | {(min(i, j), max(i, j)) for i, j, *_ in changes}
    for i, j, shift, spread in [*changes, *rhythm_constraints(runs, zones, weak, known)]:
        reason = "photos of another device, taken at the same houses, say that this clock ran {}"
        edges[i].append((j, shift, spread, "rhythm", reason))
        edges[j].append((i, -shift, spread, "rhythm", reason))
    for i, j, shift, spread in by_sheets:
        reason = "the same sheets, photographed with another device, say that this clock ran {}"
        edges[i].append((j, shift, spread, "sheet", reason))
        edges[j].append((i, -shift, spread, "sheet", reason))
    return edges


def _constrain_neighbours(
    runs: Sequence[Run], i: int, j: int, anchors: list[ClockEstimate | None], edges: dict[int, list[_Edge]]
) -> None:
    """Tie a run to the next of the same device: the same setting, or one set in between by about so much."""
    a, b = runs[i], runs[j]
    if a.lost or b.lost:
        return
    if not b.after_change:
        edges[i].append((j, 0.0, DRIFT, "same", ""))
        edges[j].append((i, 0.0, DRIFT, "same", ""))
        return
    step = b.known[0] - a.known[-1]  # the true gap, less what the clock was set back by
    change = ceil(-step / (HOUR / 2)) * (HOUR / 2)
    if change != 0.0 and change + step < QUARTER:
        spread = DRIFT
    else:
        change, spread = NEIGHBOUR_GAP - step, SHEET_WINDOW
    edges[j].append(
        (i, change, spread, "neighbour", "the clock was set after these photos; until then it ran {}")
    )
    edges[i].append(
        (j, -change, spread, "neighbour", "the clock was set before these photos; since then it ran {}")
    )
    earlier = anchors[i]
    if step < 0 and earlier is not None and earlier.source == "assumed":
        anchors[i] = None  # whoever sets a clock sets it right


def error_text(seconds: float) -> str:
    """An error in words: `1 h 0 min fast`, `25 s slow`."""
    size = abs(round(seconds))
    days, rest = divmod(size, 86_400)
    hours, rest = divmod(rest, 3600)
    minutes, left = divmod(rest, 60)
    if days:
        text = f"{days} d {hours} h {minutes} min"
    elif hours:
        text = f"{hours} h {minutes} min"
    else:
        text = f"{minutes} min {left} s" if minutes else f"{left} s"
    return f"{text} {'fast' if seconds >= 0 else 'slow'}"


def datetime_at(seconds: float) -> datetime:
    """A naive time from seconds since the room's origin, to the millisecond, held within the calendar."""
    furthest = (datetime(9999, 12, 30) - ORIGIN).total_seconds()
    nearest = (datetime(1, 1, 2) - ORIGIN).total_seconds()
    return ORIGIN + timedelta(milliseconds=round(min(max(seconds, nearest), furthest) * 1000))
