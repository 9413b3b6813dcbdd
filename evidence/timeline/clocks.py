"""How far each device's clock was off, and one common clock for a job shot with several devices.

The common clock is the local time of the place: the zone most photos of that date name in
OffsetTimeOriginal, or else the zone that GPS time stamps imply. A device's error comes, in
this order of weight, from a person, from GPS time stamps (UTC), from the same sheet photographed
by two devices, from the run before or after it on the same card; else its clock is taken as right.
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import combinations, pairwise
from math import ceil
from statistics import median

import numpy as np

from evidence.model import ClaimId, DeviceId
from evidence.timeline.order import ZERO, Run, Unit, usual
from evidence.timeline.together import FEWEST, Floats, align
from evidence.timeline.values import ClockHint

QUARTER = 900.0
ZONES = (
    *range(-720, 841, 60),
    *(-570, -210, -150, 210, 270, 330, 345, 390, 525, 570, 630, 765, 825),
)
"""Minutes east of UTC of the zones in use (IANA time zone database, from memory)."""
SUN_LEAN = 60.0
"""Seconds of oddness for each hour that a zone is away from the sun's; settles what clocks leave open."""
SUN_WEST, SUN_EAST = -1.5, 2.75
"""Hours by which a zone's clock is behind or ahead of the sun, daylight saving included (from memory)."""
HOUR = 3600.0
DAY = 86_400.0

CLUSTER = 3.0
"""Seconds within which fresh fixes agree: stamps are whole seconds on both sides."""
STALE_TAIL = 600.0
"""Seconds by which a lone fix may be old before the clock is doubted: a cold start takes minutes."""
LONE_SPREAD = 60.0
"""Seconds of doubt when a single fix speaks."""
CHANGE = 300.0
"""Seconds that fresh fixes must move by, and stay moved, to show that the clock was set."""
SHEET_WINDOW = 120.0
"""Seconds within which two devices photograph the same sheet (common practice, no source)."""
SHEET_SPREAD = 30.0
RHYTHM_SPREAD = 45.0
"""Seconds of doubt of a shift found from the rhythm of the day."""
NEIGHBOUR_GAP = 60.0
"""Seconds assumed between two photos when the clock was set in between and nothing else speaks."""
NETWORK_SPREAD = 30.0
"""Seconds: a device that writes its zone is set by a network."""
ASSUMED_SPREAD = 1200.0
"""Seconds: cameras set by hand, that nothing speaks of, are off by minutes (common practice)."""
LAST_RESORT = 1e6
"""Seconds: taken as right only when no tie leads to any other clock."""
DRIFT = 2.0
"""Seconds of spread for each run that an error is carried along: quartz drifts about a second a day."""


@dataclass(frozen=True, slots=True)
class Offset:
    """An error and how sure it is: seconds ahead of the truth, and one standard deviation."""

    seconds: float
    spread: float
    samples: int


@dataclass(frozen=True, slots=True)
class Zone:
    """A zone, minutes east of UTC, and the clock error in seconds that then remains."""

    minutes: int
    error: float


@dataclass(frozen=True, slots=True)
class Clock:
    """What is known of a run's clock."""

    fast: float | None
    """Seconds ahead of the common clock; None for a lost clock that nothing ties down."""
    spread: float
    source: str
    reason: str
    """In words; `{}` stands for the error until all clocks are solved."""


def zone_from_fix(local: datetime, fix: datetime, *, longitude: float | None = None) -> Zone:
    """The zone that a naive local time and a UTC fix imply, and the clock error left over.

    Only zones in use are considered. With a longitude the zone also keeps near the sun's,
    which tells a wrong date from a far zone.
    """
    difference = _since(local) - _since(fix.astimezone(UTC).replace(tzinfo=None))
    minutes = _zone([difference], longitude)
    return Zone(minutes, difference - minutes * 60.0)


def _zone(differences: Sequence[float], longitude: float | None) -> int:
    """The zone, in minutes, that leaves clocks with these local-minus-UTC differences the least odd errors."""
    zones: list[int] = [
        z for z in ZONES if longitude is None or SUN_WEST <= z / 60 - longitude / 15 <= SUN_EAST
    ] or list(ZONES)
    noon = 0.5 if longitude is None else longitude / 15 + 0.5  # clocks run some half an hour ahead of the sun
    lean = 0.0 if longitude is None else SUN_LEAN
    return min(
        zones, key=lambda z: (sum(_oddness(d, z) for d in differences) + lean * abs(z / 60 - noon), abs(z))
    )


def _oddness(difference: float, zone: int) -> float:
    """How odd the error is that a zone leaves, in seconds: small errors and whole wrong days are the least odd."""
    error = difference - zone * 60.0
    days = round(error / DAY)
    return min(
        2 * HOUR, abs(error - days * DAY) + (600.0 if days else 0.0) + (0.0 if zone % 60 == 0 else 120.0)
    )


def offset_from_fixes(differences: Sequence[float]) -> Offset | None:
    """The clock's error from device time minus fix time, one value for each distinct fix, in seconds.

    A fix can be old but never from the future, so the truth lies at the low end: the lowest
    cluster that a fifth of the fixes share. The spread is that cluster's, as a scaled median
    absolute deviation, and never under a second.
    """
    if not differences:
        return None
    middle = median(differences)
    values = sorted(d for d in differences if d > middle - DAY / 2)
    need = max(1, ceil(0.2 * len(values)))
    if len(values) >= 3:
        need = max(need, 2)
    for i, low in enumerate(values):
        cluster = [v for v in values[i:] if v <= low + CLUSTER]
        if len(cluster) >= need:
            centre = median(cluster)
            scaled = 1.4826 * median(abs(v - centre) for v in cluster)
            return Offset(centre, max(1.0, scaled) if len(cluster) > 1 else LONE_SPREAD, len(cluster))
    return Offset(values[0], LONE_SPREAD, 1)


# --- the zone of each date -----------------------------------------------------------------


def zones_of(runs: Sequence[Run]) -> dict[int, int]:
    """Zone in minutes for each run, by its place; runs for which nothing tells are absent."""
    by_day: dict[int, list[int]] = defaultdict(list)
    for run in runs:
        for unit, t in zip(run.units, run.stamps, strict=True):
            minutes = unit.lead.offset_minutes
            if minutes is not None and t is not None:
                by_day[int(t // DAY)].append(minutes)
    named = {day: zone for day, values in by_day.items() if (zone := usual(values)) is not None}
    named = named or _zones_by_fix(runs)
    if not named:
        return {}
    days = sorted(named)
    zones = {}
    for i, run in enumerate(runs):
        day = _day_of(run)
        zones[i] = named[min(days, key=lambda d: (abs(d - day), d))] if day is not None else named[days[-1]]
    return zones


def _day_of(run: Run) -> int | None:
    """The date of a run as a day number: by its fixes where it has any, for the camera's may be wrong."""
    fixes = [
        _since(u.lead.gps_time.astimezone(UTC).replace(tzinfo=None)) for u in run.units if u.lead.gps_time
    ]
    known = fixes or [t for t in run.stamps if t is not None]
    return int(median(known) // DAY) if known else None


def _zones_by_fix(runs: Sequence[Run]) -> dict[int, int]:
    """The zone of each date, from all devices with fixes on it at once."""
    found: dict[int, list[float]] = defaultdict(list)
    where: dict[int, float] = {}
    for run in runs:
        offset = offset_from_fixes([d for _, d in _fix_differences(run, None)])
        day = _day_of(run)
        if offset is None or day is None:
            continue
        found[day].append(offset.seconds)
        for unit in run.units:
            if unit.lead.gps is not None:
                where.setdefault(day, unit.lead.gps.lon)
                break
    return {day: _zone(values, where.get(day)) for day, values in found.items()}


def _fix_differences(run: Run, zone: int | None) -> list[tuple[int, float]]:
    """(place in the run, device's common-clock time minus fix time) for the first photo of each fix."""
    seen: set[datetime] = set()
    found = []
    for i, unit in enumerate(run.units):
        stamp = run.stamps[i] if not run.lost else unit.raw
        fix = unit.lead.gps_time
        if stamp is None or fix is None or fix in seen:
            continue
        seen.add(fix)
        utc = _since(fix.astimezone(UTC).replace(tzinfo=None))
        found.append((i, common(unit, stamp, zone) - utc - (zone or 0) * 60.0))
    return found


def common(unit: Unit, stamp: float, zone: int | None) -> float:
    """A stamp moved into the common zone, where the photo names its own; the clock's error stays in it."""
    own = unit.lead.offset_minutes
    return stamp if own is None or zone is None else stamp + (zone - own) * 60.0


# --- clocks set ahead, which numbers cannot show -----------------------------------------------


def split_at_changes(runs: Sequence[Run]) -> list[Run]:
    """Cut runs where fresh fixes show that the clock was set in between, forward or back."""
    zones = zones_of(runs)
    out: list[Run] = []
    for place, run in enumerate(runs):
        cuts = [] if run.lost else _changes(run, _fix_differences(run, zones.get(place)))
        start = 0
        for cut in [*cuts, len(run.units)]:
            out.append(
                replace(
                    run,
                    units=run.units[start:cut],
                    stamps=run.stamps[start:cut],
                    after_change=run.after_change if start == 0 else True,
                )
            )
            start = cut
    return out


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
        if abs(after - before) > CHANGE:
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


# --- solving for all of them ----------------------------------------------------------------


def clocks_of(runs: Sequence[Run], zones: Mapping[int, int], hints: Sequence[ClockHint]) -> list[Clock]:
    """A clock for each run: anchors first, then whatever ties a run to an anchored one, nearest first.

    Shortest paths over the spreads (Dijkstra), so that each run takes the surest way to the truth.
    """
    anchors = _with_reference(runs, [_anchor(run, zones.get(i), hints) for i, run in enumerate(runs)])
    edges = _edges(runs, zones, anchors)
    best: dict[int, Clock] = {}
    heap: list[tuple[float, int, int, int, Clock]] = []
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
                tied = Clock(clock.fast + shift, total, clock.source if source == "same" else source, carried)
                pushed += 1
                heapq.heappush(heap, (total, hops + 1, j, pushed, tied))
    lost = Clock(
        None, float("inf"), "assumed", "the clock had lost its date and nothing ties it to the others"
    )
    return [_settled(best.get(i, lost)) for i in range(len(runs))]


def _with_reference(runs: Sequence[Run], anchors: list[Clock | None]) -> list[Clock | None]:
    """Of cameras that are merely assumed right, the busiest is the reference; the others yield to a tie with it."""
    photos: dict[DeviceId, int] = defaultdict(int)
    for run, anchor in zip(runs, anchors, strict=True):
        if anchor is not None and anchor.spread == ASSUMED_SPREAD:
            photos[run.device] += len(run.units)
    reference = max(photos, key=lambda d: (photos[d], d), default=None)
    return [
        replace(a, spread=LAST_RESORT) if a and a.spread == ASSUMED_SPREAD and r.device != reference else a
        for r, a in zip(runs, anchors, strict=True)
    ]


def _settled(clock: Clock) -> Clock:
    """Errors within their own doubt are no errors; the others are put into words."""
    if clock.fast is not None and clock.source != "person" and abs(clock.fast) <= max(3.0, 2 * clock.spread):
        return replace(clock, fast=0.0, reason="")
    return (
        clock if clock.fast is None else replace(clock, reason=clock.reason.replace("{}", spell(clock.fast)))
    )


def _anchor(run: Run, zone: int | None, hints: Sequence[ClockHint]) -> Clock | None:
    """What the run itself, or a person, says of its clock."""
    for hint in hints:
        if hint.device == run.device and not run.lost:
            return Clock(
                hint.minutes_fast * 60.0,
                0.0,
                "person",
                f"a person says that this clock ran {{}} ({hint.reason})",
            )
    fixes = offset_from_fixes([d for _, d in _fix_differences(run, zone)])
    if fixes is not None and (zone is not None or run.lost):
        old_fix = fixes.samples == 1 and -CLUSTER <= fixes.seconds <= STALE_TAIL
        if not old_fix:
            return Clock(fixes.seconds, fixes.spread, "gps", "GPS time says that this clock ran {}")
    if run.lost:
        return None
    networked = any(u.lead.offset_minutes is not None for u in run.units)
    return Clock(0.0, NETWORK_SPREAD if networked else ASSUMED_SPREAD, "assumed", "")


_Edge = tuple[int, float, float, str, str]


def _edges(
    runs: Sequence[Run], zones: Mapping[int, int], anchors: list[Clock | None]
) -> dict[int, list[_Edge]]:
    """Ties between runs: (other, how much faster it is, spread, source, reason). Weakens floating anchors."""
    edges: dict[int, list[_Edge]] = defaultdict(list)
    by_device: dict[DeviceId, list[int]] = defaultdict(list)
    for i, run in enumerate(runs):
        by_device[run.device].append(i)
    for places in by_device.values():
        for i, j in pairwise(places):
            _tie_neighbours(runs, i, j, anchors, edges)
    sheet_ties = _sheet_ties(runs, zones)
    for i, j, shift, spread in _rhythm_ties(runs, zones, anchors, {(i, j) for i, j, *_ in sheet_ties}):
        reason = "photos of another device, taken at the same houses, say that this clock ran {}"
        edges[i].append((j, shift, spread, "rhythm", reason))
        edges[j].append((i, -shift, spread, "rhythm", reason))
    for i, j, shift, spread in sheet_ties:
        reason = "the same sheets, photographed with another device, say that this clock ran {}"
        edges[i].append((j, shift, spread, "sheet", reason))
        edges[j].append((i, -shift, spread, "sheet", reason))
    return edges


def _tie_neighbours(
    runs: Sequence[Run], i: int, j: int, anchors: list[Clock | None], edges: dict[int, list[_Edge]]
) -> None:
    """Tie a run to the next of the same device: the same setting, or one set in between by about so much."""
    a, b = runs[i], runs[j]
    if a.lost or b.lost:
        return
    if not b.after_change:
        edges[i].append((j, 0.0, DRIFT, "same", ""))
        edges[j].append((i, 0.0, DRIFT, "same", ""))
        return
    end = next(t for t in reversed(a.stamps) if t is not None)
    start = next(t for t in b.stamps if t is not None)
    step = start - end  # the true gap, less what the clock was set back by
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


def _rhythm_ties(
    runs: Sequence[Run], zones: Mapping[int, int], anchors: Sequence[Clock | None], tied: set[tuple[int, int]]
) -> list[tuple[int, int, float, float]]:
    """(run, other run, how much faster the other is, spread) where two devices were used side by side.

    Asked only where one of the two clocks has nothing better than to be assumed right.
    """
    times: dict[int, Floats] = {}
    days: dict[int, list[int]] = defaultdict(list)
    for i, run in enumerate(runs):
        known = sorted(
            common(u, t, zones.get(i)) for u, t in zip(run.units, run.stamps, strict=True) if t is not None
        )
        if not run.lost and len(known) >= FEWEST:
            times[i] = np.array(known)
            days[int(median(known) // DAY)].append(i)
    ties = []
    for i, j in _pairs_to_ask(runs, days, anchors):
        if (i, j) not in tied:
            found = align(times[i], times[j])
            if found is not None:
                ties.append((i, j, found.shift, RHYTHM_SPREAD))
    return ties


def _pairs_to_ask(
    runs: Sequence[Run], days: Mapping[int, list[int]], anchors: Sequence[Clock | None]
) -> list[tuple[int, int]]:
    """Pairs of runs of one date, or of the only dates of two cards; the weaker clock is an assumed one."""

    def weak(i: int) -> bool:
        anchor = anchors[i]
        return anchor is None or anchor.spread >= ASSUMED_SPREAD

    everything = [i for members in days.values() for i in members]
    groups = [everything] if len(everything) <= 4 else list(days.values())
    pairs = {
        (min(i, j), max(i, j))
        for members in groups
        for i, j in combinations(members, 2)
        if runs[i].device != runs[j].device and (weak(i) or weak(j))
    }
    return sorted(pairs)


def _sheet_ties(runs: Sequence[Run], zones: Mapping[int, int]) -> list[tuple[int, int, float, float]]:
    """(run, other run, how much faster the other is, spread) from sheets photographed with both."""
    seen: dict[ClaimId, list[tuple[int, float]]] = defaultdict(list)
    for i, run in enumerate(runs):
        last: dict[ClaimId, float] = {}
        for unit, stamp in zip(run.units, run.stamps, strict=True):
            time = unit.raw if run.lost else stamp
            for claim in unit.lead.dividers if time is not None else ():
                assert time is not None
                moment = common(unit, time, zones.get(i))
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
    ties = []
    for (i, j), pairs in sorted(votes.items()):
        agreed = _agreed(pairs, lost=runs[i].lost or runs[j].lost)
        if agreed is not None:
            ties.append((i, j, *agreed))
    return ties


def _agreed(pairs: Sequence[tuple[ClaimId, float]], *, lost: bool) -> tuple[float, float] | None:
    """The difference that most claims agree on, and its spread; None when a lone claim proves nothing.

    Two devices may photograph one sheet at different moments. Two claims that agree within two
    minutes are a clock; a single one only when it is near a whole half hour, or days apart.
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


# --- words ----------------------------------------------------------------------------------


def spell(seconds: float) -> str:
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


def _since(moment: datetime) -> float:
    return (moment - ZERO).total_seconds()


def moment(seconds: float) -> datetime:
    """A naive time from seconds since the room's origin, rounded to milliseconds."""
    return ZERO + timedelta(milliseconds=round(seconds * 1000))
