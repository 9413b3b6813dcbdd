"""A few photos at the end of a house that were taken away from it and from the next one: between the houses.

The positions of a walk have a wide spread, and one pause is as long as another. Few photos, away from all others of
the house and parted from both houses in time, are then filed under the house that they follow.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from evidence.forward_backward import Floats
from evidence.timeline.split.observations import Day
from evidence.timeline.split.positions import NEIGHBOUR
from evidence.timeline.split.segmentation import Segmentation
from evidence.timeline.split.site_estimates import MIN_FIXES

MOST = 3
"""Photos between two houses, at most."""
PARTED = 120.0
"""Seconds between them and either house, at least."""
WIDER = 2.0
"""How many times further from the middle of the house than its other photos they are, at least."""


def with_photos_between_houses(day: Day, found: Segmentation) -> Segmentation:
    """The segmentation, with the photos between two houses taken out of the house that they were filed under."""
    starts = np.flatnonzero(found.opens).tolist()
    parts = list(pairwise([*starts, len(day.observations)]))
    runs = []
    for k, (a, b) in enumerate(parts):
        if found.states[a] > len(day.states):
            continue
        for first, end in _ends(day, a, b):
            other = parts[k + 1] if end == b else parts[k - 1]
            rest = (a, first) if end == b else (end, b)
            if _is_away(day, slice(first, end), [slice(*rest), slice(*other)]):
                runs.append((first, end))
    if not runs:
        return found
    states, opens = found.states.copy(), found.opens.copy()
    for first, end in runs:
        states[first:end] = len(day.states) + 1
        opens[first] = True
        opens[first + 1 : end] = False
        if end < len(states):
            opens[end] = True
    return replace(found, states=states, opens=opens)


def _ends(day: Day, a: int, b: int) -> list[tuple[int, int]]:
    """(first, end) of the few first and last photos of a segment that pauses part from the rest and from the other house."""
    out = []
    if b < len(day.observations) and day.gaps[b - 1] >= PARTED:
        first = next((i for i in range(max(a + 1, b - MOST), b) if day.gaps[i - 1] >= PARTED), b)
        out += [(first, b)] if first < b else []
    if a and day.gaps[a - 1] >= PARTED:
        end = next((i for i in range(min(b - 1, a + MOST), a, -1) if day.gaps[i - 1] >= PARTED), a)
        out += [(a, end)] if a < end else []
    return [
        (first, end)
        for first, end in out
        if not any(i.sheet.is_sheet or i.is_manual for i in day.observations[first:end])
    ]


def _is_away(day: Day, run: slice, houses: list[slice]) -> bool:
    """Whether every fix of the run, of one at least, is away from the own house and from the one beyond the drive."""
    fixes = _fixes(day, run)
    own, other = (_fixes(day, house) for house in houses)
    if not fixes.size or len(own) < MIN_FIXES:
        return False
    middle = np.median(own, axis=0)
    widest = float(_from(own, middle).max())
    away = bool((_from(fixes, middle) > max(NEIGHBOUR, WIDER * widest)).all())
    return away and (not other.size or bool((_from(fixes, np.median(other, axis=0)) > NEIGHBOUR).all()))


def _fixes(day: Day, part: slice) -> Floats:
    xy = day.xy[part]
    return xy[~np.isnan(xy[:, 0])]


def _from(fixes: Floats, middle: Floats) -> Floats:
    return np.asarray(np.hypot(*(fixes - middle).T))
