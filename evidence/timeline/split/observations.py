"""One working day, reduced to what the model sees of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import ClaimId, GeoPoint, SceneKind
from evidence.timeline.split.positions import metres
from evidence.timeline.split.sheets import RETAKE_WITHIN, SheetRow
from evidence.timeline.split.stages import scene_rows
from evidence.timeline.values import ClaimSite

CANDIDATE_RANGE = 400.0
"""Metres from a fix within which a claim of the assignments may be the house; beyond, it needs a sheet."""
CANDIDATES = 40
"""Claims considered for their address alone; a storm can put hundreds in one neighbourhood."""
UNTIMED = 3
"""Untimed photos, at most, between two timed ones whose gap still tells of a boundary."""
NO_SHEET = SheetRow()


@dataclass(frozen=True, slots=True)
class Item:
    """One unit of the chain, reduced to what the model sees."""

    time: float | None
    """Seconds on the common clock; None where unknown."""
    tick: float | None = None
    """Seconds of a clock that lost its date but ran on; meaningful only between neighbours of one `spool`."""
    spool: int = -1
    sheet: SheetRow = NO_SHEET
    place: GeoPoint | None = None
    """A fix that is neither stale nor a repetition."""
    pin: ClaimId | None = None
    pinned: bool = False
    """With no `pin`, a person left it unassigned."""
    cut: bool = False
    """A person put a boundary before it."""
    join: bool = False
    """A person allows no boundary before it."""
    scenes: Mapping[SceneKind, float] = field(default_factory=dict)
    """What kind of picture it is; empty where it was not looked at, or is a sheet."""


@dataclass(slots=True)
class Sites:
    """Where houses stand, learnt from one day and of use on the next: claim to (position, fixes)."""

    seen: dict[ClaimId, GeoPoint] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Day:
    """The arrays of one working day."""

    items: tuple[Item, ...]
    states: tuple[ClaimId, ...]
    gaps: Floats
    """(N-1,) seconds, NaN where unknown."""
    weak: NDArray[np.bool_]
    """(N-1,) gaps of a clock without a date."""
    echo: NDArray[np.bool_]
    """(N-1,) gaps said before: a few untimed photos share one gap, and the boundary may fall at any of them."""
    xy: Floats
    """(N, 2) metres, NaN without a fix."""
    origin: GeoPoint
    scenes: Floats
    """(N, K) what each picture shows, NaN where nothing is known of it."""

    @property
    def heard(self) -> Floats:
        """(N-1,) the gaps, each once: NaN where one is unknown or an echo."""
        return np.where(self.echo, np.nan, self.gaps)


def day_of(items: Sequence[Item], claims: Mapping[ClaimId, ClaimSite], sites: Sites) -> Day:
    """The arrays of one working day, and the claims that any of its evidence speaks for."""
    fixes = [i.place for i in items]
    origin = next((p for p in fixes if p is not None), GeoPoint(lat=0.0, lon=0.0))
    xy = metres(fixes, origin)
    states = _candidates(items, claims, sites, xy, origin)
    return Day(tuple(items), states, *gaps_of(items), xy, origin, scene_rows([i.scenes for i in items]))


def gaps_of(items: Sequence[Item]) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """(gaps, weak, echo), each (N-1,); the rules are those of `Day`."""
    shots = len(items)
    gaps = np.full(max(shots - 1, 0), np.nan)
    weak, echo = np.zeros_like(gaps, dtype=np.bool_), np.zeros_like(gaps, dtype=np.bool_)
    last: tuple[int, float] | None = None
    for i, item in enumerate(items):
        if item.time is not None:
            if last is not None and i - last[0] <= UNTIMED + 1:
                gaps[last[0] : i] = max(0.0, item.time - last[1])
                echo[last[0] + 1 : i] = True
            last = (i, item.time)
        elif (
            i and item.tick is not None and items[i - 1].tick is not None and item.spool == items[i - 1].spool
        ):
            step = item.tick - (items[i - 1].tick or 0.0)
            if step >= 0:
                gaps[i - 1], weak[i - 1] = step, True
    return gaps, weak & ~echo, echo


def _candidates(
    items: Sequence[Item], claims: Mapping[ClaimId, ClaimSite], sites: Sites, xy: Floats, origin: GeoPoint
) -> tuple[ClaimId, ...]:
    """The claims that any evidence of the day speaks for."""
    spoken = {c for i in items for c in (*i.sheet.claims, i.sheet.named, i.pin) if c is not None}
    fixes = xy[~np.isnan(xy[:, 0])]
    if fixes.size:
        known = [
            c for c in {**claims, **sites.seen} if c not in spoken and site_of(c, claims, sites) is not None
        ]
        spots = metres([site_of(c, claims, sites) for c in known], origin)
        reach = []
        for claim, spot in zip(known, spots, strict=True):
            nearest = float(np.sqrt(((fixes - spot) ** 2).sum(1)).min())
            if nearest <= CANDIDATE_RANGE:
                reach.append((nearest, str(claim), claim))
        spoken |= {claim for _, _, claim in sorted(reach)[:CANDIDATES]}
    return tuple(sorted(spoken))


def site_of(claim: ClaimId, claims: Mapping[ClaimId, ClaimSite], sites: Sites) -> GeoPoint | None:
    """Where a claim's house stands: learnt from photos, else as the assignments give it, else None."""
    if claim in sites.seen:
        return sites.seen[claim]
    return claims[claim].place if claim in claims else None


def beside(day: Day) -> list[bool]:
    """Which shots stand right beside another sheet that may be the same."""
    rows = [i.sheet for i in day.items]
    near = [False] * len(rows)
    for i in range(len(rows) - 1):
        a, b = rows[i], rows[i + 1]
        if a.any and b.any and not day.gaps[i] > RETAKE_WITHIN:
            same = not a.claims or not b.claims or bool(set(a.claims) & set(b.claims))
            near[i] |= same
            near[i + 1] |= same
    return near


def sheet_changes(day: Day) -> Floats:
    """A first guess at the boundaries: the widest gap about each change of the sheet read."""
    crossing = np.zeros_like(day.gaps)
    last: tuple[int, frozenset[ClaimId]] | None = None
    for i, item in enumerate(day.items):
        if not item.sheet.claims:
            continue
        now = frozenset(item.sheet.claims)
        if last is not None and not now & last[1]:
            ends = [last[0], i - 1]
            crossing[max(ends, key=lambda k: float(np.nan_to_num(day.gaps[k])))] = 1.0
        last = (i, now)
    return crossing


def passed(day: Day, a: int, b: int) -> float | None:
    """Seconds between two items, None where either has no time."""
    first, second = day.items[a].time, day.items[b].time
    return None if first is None or second is None else max(0.0, second - first)
