"""Which devices were at the same houses that day.

A camera and a phone of one person, or two adjusters at one house, form a device group and share one
timeline. Two adjusters at different houses at the same time must not: a sheet that one of them
photographed is no evidence for the photos of the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import log

import numpy as np
from numpy.typing import NDArray

from evidence.model import ClaimId
from evidence.timeline.fixes import distance
from evidence.timeline.merge import TimedUnit

Floats = NDArray[np.float64]

SAME_GROUP_PRIOR = log(0.9 / 0.1)
"""Prior log-odds: on most days with two devices, both are one adjuster's (common practice, no source)."""
SAME_MOMENT = 120.0
"""Seconds within which two fixes are compared."""
NEAR = 120.0
"""Metres between two devices at one house."""
SPEED = 20.0
"""Metres a second that a device may have moved between the two fixes."""
FIX_PAIR, FIX_LIMIT = 1.5, 12.0
"""Log-odds (nats) of one pair of fixes, and the limit for all of them."""
SAME_SHEET, SHEET_APART = 4.0, 600.0
"""Log-odds (nats) of a sheet that both photographed, and the seconds within which they did."""
UNSHARED_SHEET = -1.0
"""Log-odds (nats) of each sheet that only one of them photographed, while the other photographed other sheets."""
OTHER_HOUSE = -4.0
"""Log-odds (nats) of a sheet that one photographed while the other was in the middle of the house of another sheet."""
DRIVE = 240.0
"""Seconds; no drive is shorter."""
LONG_GAP, EDGE = 360.0, 120.0
"""Seconds: the shortest gap that counts as a drive, and how far from its ends a photo still belongs to a house."""
INSIDE_DRIVE, OUTSIDE_DRIVE = log(0.03 / 0.25), log(0.97 / 0.75)
"""Log-odds (nats) of a photo inside, or outside, the other's drives: one person photographs little while driving."""
PHOTO_WEIGHT = 0.3
"""Weight of each photo: photos close in time are not independent evidence."""
MIN_PHOTOS = 12
"""Photos of each device below which the drives are not compared."""


def device_groups_of(day: Sequence[TimedUnit]) -> list[list[TimedUnit]]:
    """The units of each device group, in order; the group of the first photo comes first."""
    devices = list(dict.fromkeys(t.device for t in day))
    if len(devices) < 2:
        return [list(day)] if day else []
    own = {d: [t for t in day if t.device == d] for d in devices}
    group = {d: d for d in devices}
    for a, b in combinations(devices, 2):
        if same_group_log_odds(own[a], own[b]) > 0:
            keep, give = group[a], group[b]
            group = {d: keep if p == give else p for d, p in group.items()}
    chains = []
    for p in dict.fromkeys(group.values()):
        chains += _split_at_lost_clocks([t for t in day if group[t.device] == p])
    return chains


def _split_at_lost_clocks(chain: Sequence[TimedUnit]) -> list[list[TimedUnit]]:
    """Separate what the other devices took while the clock of one was lost: its sheets have no time then.

    The photos of that device keep their own order. What the others took during that time forms a
    chain of its own, which only its own sheets and positions can assign to a claim.
    """
    separate: set[int] = set()
    for device in {t.device for t in chain if t.clock_lost}:
        own = [i for i, t in enumerate(chain) if t.device == device]
        for start, stop in _lost_spans(chain, own):
            separate.update(
                i
                for i, t in enumerate(chain)
                if t.device != device and start <= (t.key or 0.0) <= stop and not t.clock_lost
            )
    main = [t for i, t in enumerate(chain) if i not in separate]
    return [main, [chain[i] for i in sorted(separate)]] if separate else [main]


def _lost_spans(chain: Sequence[TimedUnit], own: Sequence[int]) -> list[tuple[float, float]]:
    """(start, stop) of each time without a clock: from the last known time before it to the first one after it."""
    spans = []
    known = float("-inf")
    open_at: float | None = None
    for i in own:
        timed = chain[i]
        if timed.clock_lost:
            open_at = known if open_at is None else open_at
        elif timed.time is not None:
            if open_at is not None:
                spans.append((open_at, timed.time))
            known, open_at = timed.time, None
    if open_at is not None:
        spans.append((open_at, float("inf")))
    return spans


def same_group_log_odds(first: Sequence[TimedUnit], second: Sequence[TimedUnit]) -> float:
    """Log-odds (nats) that two devices were at the same houses."""
    return SAME_GROUP_PRIOR + _by_fixes(first, second) + _by_sheets(first, second) + _by_drives(first, second)


def _times(chain: Sequence[TimedUnit]) -> Floats:
    return np.array([t.time for t in chain if t.time is not None])


def _by_fixes(first: Sequence[TimedUnit], second: Sequence[TimedUnit]) -> float:
    a = [t for t in first if t.time is not None and t.unit.lead.gps is not None]
    b = [t for t in second if t.time is not None and t.unit.lead.gps is not None]
    if not a or not b:
        return 0.0
    times = _times(b)
    log_odds = 0.0
    for t in a[:: max(1, len(a) // 60)]:
        assert t.time is not None
        place = int(np.searchsorted(times, t.time))
        near = [b[k] for k in (place - 1, place) if 0 <= k < len(b)]
        other = min(near, key=lambda o: abs((o.time or 0.0) - (t.time or 0.0)))
        here, there = t.unit.lead.gps, other.unit.lead.gps
        seconds = abs((other.time or 0.0) - t.time)
        if seconds > SAME_MOMENT or here is None or there is None:
            continue
        apart = distance(here, there)
        if apart < NEAR:
            log_odds += FIX_PAIR
        elif apart > 2 * NEAR + SPEED * seconds:
            log_odds -= FIX_PAIR
    return float(np.clip(log_odds, -FIX_LIMIT, FIX_LIMIT))


def _by_sheets(first: Sequence[TimedUnit], second: Sequence[TimedUnit]) -> float:
    a, b = _sheets(first), _sheets(second)
    shared = set(a) & set(b)
    met = sum(min(abs(x - y) for x in a[c] for y in b[c]) <= SHEET_APART for c in shared)
    lone = min(len(set(a) - shared), len(set(b) - shared))
    elsewhere = _sheets_elsewhere(first, second) + _sheets_elsewhere(second, first)
    return SAME_SHEET * met + UNSHARED_SHEET * lone + OTHER_HOUSE * elsewhere


def _sheets_elsewhere(first: Sequence[TimedUnit], second: Sequence[TimedUnit]) -> int:
    """How many sheets of the first device were photographed while the second was in the middle of another sheet's house.

    It was there if its own sheet came before, it photographs on afterwards, and no gap as long as a drive lies between.
    A sheet that both photographed counts too if they did so at different times.
    """
    known = [t for t in second if t.time is not None]
    times, own = _times(second), _sheets(second)
    found = 0
    for claim, moments in _sheets(first).items():
        for moment in moments:
            if any(abs(moment - other) <= SHEET_APART for other in own.get(claim, ())):
                continue
            at = int(np.searchsorted(times, moment))
            if not 0 < at < times.size or times[at] - times[at - 1] >= DRIVE:
                continue
            k = at - 1
            while k >= 0 and not known[k].unit.lead.dividers and (k == 0 or times[k] - times[k - 1] < DRIVE):
                k -= 1
            shown = known[k].unit.lead.dividers if k >= 0 else ()
            found += bool(shown) and claim not in shown
    return found


def _sheets(chain: Sequence[TimedUnit]) -> dict[ClaimId, list[float]]:
    found: dict[ClaimId, list[float]] = {}
    for t in chain:
        for claim in t.unit.lead.dividers if t.time is not None else ():
            found.setdefault(claim, []).append(t.time or 0.0)
    return found


def _by_drives(first: Sequence[TimedUnit], second: Sequence[TimedUnit]) -> float:
    """Log-odds by whether the device with fewer photos took them during the drives of the other."""
    busy, sparse = (first, second) if len(first) >= len(second) else (second, first)
    a, b = _times(busy), _times(sparse)
    if min(a.size, b.size) < MIN_PHOTOS:
        return 0.0
    drives = _drives(busy)
    b = b[(b >= a[0]) & (b <= a[-1])]
    if b.size < MIN_PHOTOS:
        return 0.0
    place = np.clip(np.searchsorted(a, b), 1, a.size - 1)
    before, after = b - a[place - 1], a[place] - b
    inside = drives[place - 1] & (np.minimum(before, after) > EDGE)
    log_odds = np.where(inside, INSIDE_DRIVE, OUTSIDE_DRIVE)
    return float(PHOTO_WEIGHT * log_odds.sum() * min(1.0, 160 / b.size))


def _drives(chain: Sequence[TimedUnit]) -> NDArray[np.bool_]:
    """For each gap between timed photos: whether it is long and holds no photo without a time."""
    places = [i for i, t in enumerate(chain) if t.time is not None]
    times = _times(chain)
    bare = np.diff(np.array(places)) == 1
    return np.asarray((np.diff(times) > LONG_GAP) & bare)
