"""Clocks that were set during the day, found with the help of another device of the same person.

A clock set ahead looks like a long pause, and for one set back the amount is not known. But a phone,
whose clock is correct, was used at the same houses before and after: one shift fits the camera's
photos up to some gap, and another one fits those after it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from statistics import median

import numpy as np

from evidence.model import DeviceId
from evidence.timeline.clocks.alignment import (
    DRIVE,
    MIN_LEAD,
    MIN_PHOTOS,
    MIN_VISITS,
    REACH,
    SAME_SHIFT,
    STEP,
    Floats,
    has_rhythm,
    log_likelihoods,
    log_prior,
)
from evidence.timeline.clocks.constraints import RHYTHM_SPREAD, ClockConstraint
from evidence.timeline.clocks.zones import DAY, common_times
from evidence.timeline.order.runs import Run

MIN_CHANGE = 600.0
"""Smallest change in seconds that can be noticed, and so the shortest gap in which it is searched."""
CHANGE_PRIOR = -4.0
"""Log prior (nats) of a clock being set during the day, where nothing else shows it."""
MIN_LEAD_WHERE_KNOWN = 4.0
"""Log-likelihood (nats) by which a shift must lead over any other, where the clock is known to have been set."""
COARSE_STEP = 2
"""Step between the shifts that are tried in pairs, in units of `STEP`."""
MAX_SAMPLE = 240
"""Photos compared, at most."""


@dataclass(frozen=True, slots=True)
class ClockChange:
    """Before which photo the clock was set, and the seconds it was ahead before and after; None where not known."""

    at: int
    before: float | None
    after: float | None


def split_at_hidden_changes(
    runs: Sequence[Run], zones: Mapping[int, int], weak: Sequence[bool]
) -> tuple[list[Run], list[ClockConstraint]]:
    """Cut runs where their clock was set, and constrain both sides by the device that shows it.

    `weak` marks the runs whose clock is merely assumed to be correct. The constraints refer to places
    in the returned runs.
    """
    cuts: dict[int, int] = {}
    found: list[tuple[int, int, bool, float]] = []
    for group in _days_of(runs, weak):
        reference = _reference(runs, zones, weak, group)
        if reference is None:
            continue
        place, base = reference
        photos = [(i, k, t) for i in group for k, t in common_times(runs[i], zones.get(i))]
        times = np.array([t for _, _, t in photos])
        known = [
            n
            for n, (a, b) in enumerate(pairwise(photos), 1)
            if a[0] != b[0] and runs[b[0]].after_change and not _restored(runs, a[0], b[0])
        ]
        change = find_change(base, times, known[0] if known else None) if len(known) < 2 else None
        if change is None:
            continue
        run, unit, _ = photos[change.at]
        cut = unit > 0 and not known
        if cut:
            cuts[run] = unit
        if change.before is not None:
            found.append((place, photos[0][0], False, change.before))
        if change.after is not None:
            found.append((place, run, cut, change.after))
    parts = [run.cut([cuts[i]] if i in cuts else []) for i, run in enumerate(runs)]
    first = [0, *accumulate(len(some) for some in parts)]
    constraints = [
        ClockConstraint(first[i], first[j] + later, fast, RHYTHM_SPREAD) for i, j, later, fast in found
    ]
    return [part for some in parts for part in some], constraints


def _restored(runs: Sequence[Run], before: int, after: int) -> bool:
    """Whether a clock lost its date between two runs of a device: it may have been set to what it showed before."""
    return any(runs[i].lost and runs[i].device == runs[after].device for i in range(before + 1, after))


def _days_of(runs: Sequence[Run], weak: Sequence[bool]) -> list[list[int]]:
    """The weak runs of each device and date, in the order of its cards."""
    groups: dict[tuple[DeviceId, int], list[int]] = defaultdict(list)
    for i, run in enumerate(runs):
        if run.known and not run.lost:
            groups[run.device, int(median(run.known) // DAY)].append(i)
    return [g for g in groups.values() if all(weak[i] for i in g)]


def _reference(
    runs: Sequence[Run], zones: Mapping[int, int], weak: Sequence[bool], group: Sequence[int]
) -> tuple[int, Floats] | None:
    """The other device with a reliable clock and the most photos that day: its first run, and its times."""
    own = median(t for i in group for t in runs[i].known)
    times: dict[DeviceId, tuple[int, list[float]]] = {}
    for i, run in enumerate(runs):
        if weak[i] or run.lost or run.device == runs[group[0]].device or not run.known:
            continue
        if abs(median(run.known) - own) < DAY / 2:
            _, seen = times.setdefault(run.device, (i, []))
            seen += [t for _, t in common_times(run, zones.get(i))]
    if not times:
        return None
    place, seen = max(times.values(), key=lambda one: (len(one[1]), -one[0]))
    base = np.array(sorted(seen))
    return (place, base) if has_rhythm(base) else None


def find_change(base: Floats, times: Floats, known: int | None) -> ClockChange | None:
    """Where and by how much the clock of `times` was set during the day; None where nothing shows a change.

    Seconds; `base` rising, `times` in the order taken. `known` is the photo before which the clock is
    known to have been set; without it, every gap of `MIN_CHANGE` seconds is tried.
    """
    steps = np.diff(times)
    if times.size < MIN_PHOTOS or int((np.abs(steps) > DRIVE).sum()) < MIN_VISITS - 1:
        return None
    places = [known] if known is not None else (np.flatnonzero(steps >= MIN_CHANGE) + 1).tolist()
    if not places:
        return None
    local = np.arange(-REACH, REACH + STEP, STEP)
    sampled = np.unique(np.linspace(0, times.size - 1, min(MAX_SAMPLE, times.size)).astype(int))
    each = log_likelihoods(base, times[sampled], local)
    cumulative = np.concatenate([np.zeros((local.size, 1)), np.cumsum(each, axis=1)], axis=1)
    best: tuple[float, int, Floats] | None = None
    prior, change_prior = log_prior(local), 0.0 if known is not None else CHANGE_PRIOR
    least = -np.inf if known is not None else float((cumulative[:, -1] + prior).max()) + MIN_LEAD
    for k in places:
        before = cumulative[:, np.searchsorted(sampled, k)]
        first, second = before + prior, cumulative[:, -1] - before + prior
        if float(first.max() + second.max()) + change_prior < least:
            continue
        pairs = _pairs(first[::COARSE_STEP], second[::COARSE_STEP], local[::COARSE_STEP], float(steps[k - 1]))
        score = float(pairs.max()) + change_prior
        if score >= least and (best is None or score > best[0]):
            best = (score, k, pairs)
    return None if best is None else _distinct(best[1], best[2], local[::COARSE_STEP], known is not None)


def _distinct(at: int, pairs: Floats, shifts: Floats, known: bool) -> ClockChange | None:
    """The shifts that lead clearly over any other; without a known change, both of them must."""
    one, two = np.unravel_index(int(pairs.argmax()), pairs.shape)
    best, need = float(pairs[one, two]), MIN_LEAD_WHERE_KNOWN if known else MIN_LEAD
    before = best - float(pairs[np.abs(shifts - shifts[one]) > SAME_SHIFT].max()) >= need
    after = best - float(pairs[:, np.abs(shifts - shifts[two]) > SAME_SHIFT].max()) >= need
    if not (before and after if not known else before or after):
        return None
    return ClockChange(at, float(shifts[one]) if before else None, float(shifts[two]) if after else None)


def _pairs(first: Floats, second: Floats, shifts: Floats, step: float) -> Floats:
    """(S, S) log-likelihood of each pair of shifts, before and after; -inf where time would run backward."""
    by = shifts[None, :] - shifts[:, None]
    allowed = (by <= step) & (np.abs(by) >= MIN_CHANGE / 2)
    return np.asarray(np.where(allowed, first[:, None] + second[None, :], -np.inf))
