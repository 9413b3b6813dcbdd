"""How far each device's clock was off, on one common clock for all devices of the day.

The error comes, in this order of weight, from a person, from GPS time stamps (UTC), from a sheet
that two devices photographed, from the rhythm of the visits, or from the previous or next run on the
same card. Without any of these the clock is assumed to be correct.
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import ceil
from statistics import median

from evidence.model import DeviceId
from evidence.timeline.clocks.alignment import OVERLAP
from evidence.timeline.clocks.card_order import corrected_beside_lost, times_of_others
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
"""Seconds that a single fix may lag without showing a clock error: a receiver's cold start takes minutes."""
MIN_CHANGE = 300.0
"""Seconds by which the offset of fresh fixes must change, and stay changed, to show that the clock was set."""
NEIGHBOUR_GAP = 60.0
"""Seconds assumed between two photos if the clock was set in between and nothing else shows the time."""
NETWORK_SPREAD = 30.0
"""Seconds, standard deviation: a device that writes its zone is set by a network."""
ASSUMED_SPREAD = 1200.0
"""Seconds, standard deviation: cameras set by hand are off by minutes (common practice, no source)."""
UNCONSTRAINED_SPREAD = 1e6
"""Seconds: so large that the clock is assumed correct only if no constraint leads to any other clock."""
DRIFT = 2.0
"""Seconds added to the spread for each run that an error is carried to: quartz drifts about a second a day."""


UNSURE = ("assumed", "rhythm")
"""Sources of estimates that the order of the files on the card may overrule."""
_Edge = tuple[int, float, float, str, str]
"""Other run, seconds it is ahead, spread, source, reason."""


@dataclass(frozen=True, slots=True)
class ClockEstimate:
    """The estimated error of a run's clock."""

    fast: float | None
    """Seconds ahead of the common clock; None for a lost clock without any constraint."""
    spread: float
    source: str
    reason: str
    """In words; `{}` stands for the error until all clocks are estimated."""


def split_at_gps_changes(runs: Sequence[Run]) -> list[Run]:
    """Cut runs where fresh fixes show that the clock was set, ahead or back."""
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
    """The place between two fixes where the clock was set: the widest gap if ahead, the narrowest if back."""
    steps = []
    for i in range(start, stop + 1):
        a, b = run.stamps[i - 1], run.stamps[i]
        if a is not None and b is not None:
            steps.append(((b - a) if ahead else (a - b), -i))
    return -max(steps)[1] if steps else stop


def anchors_of(
    runs: Sequence[Run], zones: Mapping[int, int], hints: Sequence[ClockHint]
) -> list[ClockEstimate | None]:
    """The estimate for each run from its own photos or from a person; None where there is none."""
    return [_anchor(run, zones.get(i), hints) for i, run in enumerate(runs)]


def is_weak(anchor: ClockEstimate | None) -> bool:
    """Whether a clock is merely assumed to be correct, or has no estimate at all."""
    return anchor is None or anchor.spread >= ASSUMED_SPREAD


def estimate_clocks(
    runs: Sequence[Run],
    zones: Mapping[int, int],
    anchors: Sequence[ClockEstimate | None],
    changes: Sequence[ClockConstraint] = (),
) -> list[ClockEstimate]:
    """An estimate for each run: from its anchor, or carried along constraints from an anchored run.

    `changes` are the constraints found with clocks that were set during the day. Shortest paths over
    the spreads (Dijkstra) give each run the most certain chain of constraints.
    """
    anchors = _with_reference(runs, anchors)
    edges = _edges(runs, zones, anchors, changes)
    best = _shortest_paths(anchors, edges)
    beside = {**_across_lost(runs, best), **_beside_lost(runs, zones, best)}
    if beside:
        best = _shortest_paths([beside.get(i, a) for i, a in enumerate(anchors)], edges, fixed=set(beside))
    lost = ClockEstimate(
        None, float("inf"), "assumed", "the clock had lost its date, and nothing shows the true time"
    )
    return [_finished(best.get(i, lost)) for i in range(len(runs))]


def _beside_lost(
    runs: Sequence[Run], zones: Mapping[int, int], best: Mapping[int, ClockEstimate]
) -> dict[int, ClockEstimate]:
    """New estimates for clocks that the card's order beside a lost stretch of known time contradicts."""
    found: dict[int, ClockEstimate] = {}
    fast = [best[i].fast if i in best else None for i in range(len(runs))]
    for i, j in pairwise(range(len(runs))):
        a, b = runs[i], runs[j]
        if (a.device, a.card) != (b.device, b.card) or not (a.numbered and b.numbered) or a.lost == b.lost:
            continue
        known, lost = (i, j) if b.lost else (j, i)
        clock, error = best.get(known), fast[lost]
        ticks = [u.raw for u in runs[lost].units if u.raw is not None]
        if clock is None or clock.fast is None or clock.source not in UNSURE or error is None or not ticks:
            continue
        limit = (ticks[0] if b.lost else ticks[-1]) - error
        others = times_of_others(runs, zones, fast, known)
        own = corrected_beside_lost(
            runs[known], zones.get(known), clock.fast, limit, before=b.lost, others=others
        )
        if own is not None:
            reason = (
                "the order of the files, some of which another device dates, shows that this clock was {}"
            )
            found[known] = ClockEstimate(own, SHEET_WINDOW, "neighbour", reason)
    return found


def _across_lost(runs: Sequence[Run], best: Mapping[int, ClockEstimate]) -> dict[int, ClockEstimate]:
    """New estimates for clocks that are merely assumed, from the one across a lost stretch, where the order needs it.

    The files before a lost stretch cannot be later than those after it. Then the clock that is known was wrong by
    as much on both sides, if that puts them in order.
    """
    found: dict[int, ClockEstimate] = {}
    for i, (a, lost, b) in enumerate(zip(runs, runs[1:], runs[2:], strict=False)):
        one, other = best.get(i), best.get(i + 2)
        if len({(r.device, r.card) for r in (a, lost, b)}) > 1 or not (
            a.numbered and lost.lost and b.numbered
        ):
            continue
        if one is None or other is None or one.fast is None or other.fast is None or a.lost or b.lost:
            continue
        late = (a.known[-1] - one.fast) - (b.known[0] - other.fast)
        sources = [clock.source for clock in (one, other)]
        if late <= OVERLAP or a.known[-1] > b.known[0] + OVERLAP or sources.count("assumed") != 1:
            continue
        place, sure = (i, other) if sources[0] == "assumed" else (i + 2, one)
        reason = "the order of the files shows that this clock was still, or already, {}"
        found[place] = ClockEstimate(sure.fast, SHEET_WINDOW, "neighbour", reason)
    return found


def _shortest_paths(
    anchors: Sequence[ClockEstimate | None],
    edges: Mapping[int, Sequence[_Edge]],
    fixed: Collection[int] = (),
) -> dict[int, ClockEstimate]:
    """The most certain estimate of each run that any anchor leads to; those of `fixed` are their anchors."""
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
        for j, shift, spread, source, reason in edges.get(i, ()):
            if j not in best and j not in fixed and clock.fast is not None:
                total = (clock.spread**2 + spread**2) ** 0.5
                carried = clock.reason if source == "same" else reason
                reached = ClockEstimate(
                    clock.fast + shift, total, clock.source if source == "same" else source, carried
                )
                pushed += 1
                heapq.heappush(heap, (total, hops + 1, j, pushed, reached))
    return best


def _with_reference(
    runs: Sequence[Run], anchors: Sequence[ClockEstimate | None]
) -> list[ClockEstimate | None]:
    """Of the clocks assumed correct, that of the device with the most photos is the reference; others yield to it."""
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
    """The estimate with its reason in words; an error within its own uncertainty counts as none."""
    if clock.fast is not None and clock.source != "person" and abs(clock.fast) <= max(3.0, 2 * clock.spread):
        return replace(clock, fast=0.0, reason="")
    return (
        clock
        if clock.fast is None
        else replace(clock, reason=clock.reason.replace("{}", error_text(clock.fast)))
    )


def _anchor(run: Run, zone: int | None, hints: Sequence[ClockHint]) -> ClockEstimate | None:
    """The estimate from a person, from fixes, or from the assumption that the clock is correct."""
    for hint in hints:
        if hint.device == run.device and not run.lost:
            return ClockEstimate(
                hint.minutes_fast * 60.0,
                0.0,
                "person",
                f"a person stated that this clock was {{}} ({hint.reason})",
            )
    fixes = offset_from_fixes([d for _, d in gps_differences(run, zone)])
    if fixes is not None and (zone is not None or run.lost):
        old_fix = fixes.samples == 1 and -CLUSTER <= fixes.seconds <= STALE_FIX
        if not old_fix:
            return ClockEstimate(fixes.seconds, fixes.spread, "gps", "GPS time shows that this clock was {}")
    if run.lost:
        return None
    networked = any(u.lead.offset_minutes is not None for u in run.units)
    return ClockEstimate(0.0, NETWORK_SPREAD if networked else ASSUMED_SPREAD, "assumed", "")


def _edges(
    runs: Sequence[Run],
    zones: Mapping[int, int],
    anchors: list[ClockEstimate | None],
    changes: Sequence[ClockConstraint],
) -> dict[int, list[_Edge]]:
    """The constraint graph: edges (other run, seconds it is ahead, spread, source, reason). May drop anchors."""
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
        reason = "photos that another device took at the same houses show that this clock was {}"
        edges[i].append((j, shift, spread, "rhythm", reason))
        edges[j].append((i, -shift, spread, "rhythm", reason))
    for i, j, shift, spread in by_sheets:
        reason = "the same sheets, photographed with another device, show that this clock was {}"
        edges[i].append((j, shift, spread, "sheet", reason))
        edges[j].append((i, -shift, spread, "sheet", reason))
    return edges


def _constrain_neighbours(
    runs: Sequence[Run], i: int, j: int, anchors: list[ClockEstimate | None], edges: dict[int, list[_Edge]]
) -> None:
    """Constrain a run by the next of the same device: the same setting, or one set in between by an estimated step."""
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
        (i, change, spread, "neighbour", "the clock was set after these photos; until then it was {}")
    )
    edges[i].append(
        (j, -change, spread, "neighbour", "the clock was set before these photos; since then it was {}")
    )
    earlier = anchors[i]
    if step < 0 and earlier is not None and earlier.source == "assumed":
        anchors[i] = None  # a clock that a person sets is correct afterwards


def error_text(seconds: float) -> str:
    """A clock error in words: `1 h 0 min fast`, `25 s slow`."""
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
    """The naive time of these seconds since `ORIGIN`, to the millisecond, within the calendar's range."""
    furthest = (datetime(9999, 12, 30) - ORIGIN).total_seconds()
    nearest = (datetime(1, 1, 2) - ORIGIN).total_seconds()
    return ORIGIN + timedelta(milliseconds=round(min(max(seconds, nearest), furthest) * 1000))
