"""A clock that was set during the day, told by another device in the same hands.

A clock set ahead looks like a long pause, and one set back leaves open by how much. But photos of
a phone, whose clock is right, were taken at the same houses before and after: one shift fits the
camera's photos up to some gap, another one those after it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

import numpy as np

from evidence.model import DeviceId
from evidence.timeline.order import Run
from evidence.timeline.ties import RHYTHM_SPREAD, Tie
from evidence.timeline.together import (
    APART,
    DRIVE,
    FEWEST,
    LEAD,
    REACH,
    STEP,
    VISITS,
    Floats,
    fit_each,
    has_rhythm,
    prior_of,
)
from evidence.timeline.zones import DAY, common

JUMP = 600.0
"""Seconds that a clock must have been set by to be noticed, and so the shortest gap it may hide in."""
SET_THAT_DAY = -4.0
"""Nats for a clock having been set during the day, where nothing else shows it."""
LEAD_WHERE_KNOWN = 4.0
"""Nats by which a shift must lead over any other where the clock is known to have been set."""
COARSE = 2
"""Every how many steps of the shifts are tried in pairs."""
ASKED = 240
"""Photos that are asked, at most."""


@dataclass(frozen=True, slots=True)
class Change:
    """Where the clock was set, and how many seconds it ran ahead before and after; None where that stays open."""

    at: int
    before: float | None
    after: float | None


def split_at_jumps(
    runs: Sequence[Run], zones: Mapping[int, int], weak: Sequence[bool]
) -> tuple[list[Run], list[Tie]]:
    """Cut runs where their clock was set, and tie both sides to the device that shows it.

    `weak` tells the runs whose clock has nothing better than to be assumed right. The ties' places
    are those in the runs returned.
    """
    cuts: dict[int, int] = {}
    found: list[tuple[int, tuple[int, int], float]] = []
    for group in _days_of(runs, weak):
        partner = _partner(runs, zones, weak, group)
        if partner is None:
            continue
        place, base = partner
        spots = [(i, k) for i in group for k, t in enumerate(runs[i].stamps) if t is not None]
        asked = np.array([common(runs[i].units[k], runs[i].stamps[k] or 0.0, zones.get(i)) for i, k in spots])
        known = [n for n, (a, b) in enumerate(pairwise(spots), 1) if a[0] != b[0] and runs[b[0]].after_change]
        change = change_in(base, asked, known[0] if known else None) if len(known) < 2 else None
        if change is None:
            continue
        run, unit = spots[change.at]
        if unit and not known:
            cuts[run] = unit
        for spot, fast in ((spots[0], change.before), ((run, unit), change.after)):
            if fast is not None:
                found.append((place, spot, fast))
    return _cut(runs, cuts, found)


def _days_of(runs: Sequence[Run], weak: Sequence[bool]) -> list[list[int]]:
    """The weak runs of each device and date, in the order of its cards."""
    groups: dict[tuple[DeviceId, int], list[int]] = defaultdict(list)
    for i, run in enumerate(runs):
        known = [t for t in run.stamps if t is not None]
        if known and not run.lost:
            groups[run.device, int(median(known) // DAY)].append(i)
    return [g for g in groups.values() if all(weak[i] for i in g)]


def _partner(
    runs: Sequence[Run], zones: Mapping[int, int], weak: Sequence[bool], group: Sequence[int]
) -> tuple[int, Floats] | None:
    """The busiest other device with a sure clock that day: its first run, and its times."""
    own = median(t for i in group for t in runs[i].stamps if t is not None)
    times: dict[DeviceId, tuple[int, list[float]]] = {}
    for i, run in enumerate(runs):
        known = [(u, t) for u, t in zip(run.units, run.stamps, strict=True) if t is not None]
        if weak[i] or run.lost or run.device == runs[group[0]].device or not known:
            continue
        if abs(median(t for _, t in known) - own) < DAY / 2:
            _, seen = times.setdefault(run.device, (i, []))
            seen += [common(u, t, zones.get(i)) for u, t in known]
    if not times:
        return None
    place, seen = max(times.values(), key=lambda one: (len(one[1]), -one[0]))
    base = np.array(sorted(seen))
    return (place, base) if has_rhythm(base) else None


def change_in(base: Floats, asked: Floats, known: int | None) -> Change | None:
    """Where and by how much the clock of `asked` was set during the day; None where nothing shows it.

    Seconds, `base` rising, `asked` in the order taken. `known` is the photo before which the clock
    is known to have been set; else every gap of `JUMP` seconds is tried.
    """
    steps = np.diff(asked)
    if asked.size < FEWEST or int((np.abs(steps) > DRIVE).sum()) < VISITS - 1:
        return None
    places = [known] if known is not None else (np.flatnonzero(steps >= JUMP) + 1).tolist()
    if not places:
        return None
    local = np.arange(-REACH, REACH + STEP, STEP)
    few = np.unique(np.linspace(0, asked.size - 1, min(ASKED, asked.size)).astype(int))
    each = fit_each(base, asked[few], local)
    upto = np.concatenate([np.zeros((local.size, 1)), np.cumsum(each, axis=1)], axis=1)
    best: tuple[float, int, Floats] | None = None
    prior, owed = prior_of(local), 0.0 if known is not None else SET_THAT_DAY
    least = -np.inf if known is not None else float((upto[:, -1] + prior).max()) + LEAD
    for k in places:
        before = upto[:, np.searchsorted(few, k)]
        first, second = before + prior, upto[:, -1] - before + prior
        if float(first.max() + second.max()) + owed < least:
            continue
        pairs = _pairs(first[::COARSE], second[::COARSE], local[::COARSE], float(steps[k - 1]))
        score = float(pairs.max()) + owed
        if score >= least and (best is None or score > best[0]):
            best = (score, k, pairs)
    return None if best is None else _sure(best[1], best[2], local[::COARSE], known is not None)


def _sure(at: int, pairs: Floats, shifts: Floats, known: bool) -> Change | None:
    """The shifts that lead over any other by enough; a change that nothing else shows needs both."""
    one, two = np.unravel_index(int(pairs.argmax()), pairs.shape)
    best, need = float(pairs[one, two]), LEAD_WHERE_KNOWN if known else LEAD
    before = best - float(pairs[np.abs(shifts - shifts[one]) > APART].max()) >= need
    after = best - float(pairs[:, np.abs(shifts - shifts[two]) > APART].max()) >= need
    if not (before and after if not known else before or after):
        return None
    return Change(at, float(shifts[one]) if before else None, float(shifts[two]) if after else None)


def _pairs(first: Floats, second: Floats, shifts: Floats, step: float) -> Floats:
    """(S, S) the fit of each pair of shifts, before and after; time may not run backwards between them."""
    by = shifts[None, :] - shifts[:, None]
    allowed = (by <= step) & (np.abs(by) >= JUMP / 2)
    return np.asarray(np.where(allowed, first[:, None] + second[None, :], -np.inf))


def _cut(
    runs: Sequence[Run], cuts: Mapping[int, int], found: Sequence[tuple[int, tuple[int, int], float]]
) -> tuple[list[Run], list[Tie]]:
    out: list[Run] = []
    place: dict[tuple[int, int], int] = {}
    for i, run in enumerate(runs):
        at = cuts.get(i)
        place[i, 0] = len(out)
        if at is None:
            out.append(run)
            continue
        out.append(replace(run, units=run.units[:at], stamps=run.stamps[:at]))
        place[i, at] = len(out)
        out.append(replace(run, units=run.units[at:], stamps=run.stamps[at:], after_change=True))
    return out, [
        (place[p, 0], place[i, k if k in (0, cuts.get(i)) else 0], fast, RHYTHM_SPREAD)
        for p, (i, k), fast in found
    ]
