"""One working day as the arrays that the model works on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import Claim, ClaimId, GeoPoint, SceneKind
from evidence.timeline.split.positions import local_metres
from evidence.timeline.split.sheets import (
    BESIDE_PAUSE,
    RETAKE_WITHIN,
    SHORTEST_DRIVE,
    SURE_DRIVE,
    SheetReading,
)
from evidence.timeline.split.stages import scene_rows

CANDIDATE_RANGE = 400.0
"""Metres from a fix within which an assigned claim is a candidate; further away it needs a sheet."""
MAX_CANDIDATES = 40
"""Claims considered for their address alone, at most; one neighbourhood can hold hundreds."""
MAX_UNTIMED = 3
"""Untimed photos, at most, between two timed ones whose gap is still evidence of a boundary."""
NO_SHEET = SheetReading()


@dataclass(frozen=True, slots=True)
class Observation:
    """What the model sees of one unit."""

    time: float | None
    """Seconds on the common clock; None where unknown."""
    undated_time: float | None = None
    """Seconds of a clock that lost its date but kept running; comparable only within one run."""
    run_number: int = -1
    sheet: SheetReading = NO_SHEET
    place: GeoPoint | None = None
    """A usable fix."""
    manual_claim: ClaimId | None = None
    is_manual: bool = False
    """A person assigned it; to no claim if `manual_claim` is None."""
    cut: bool = False
    """A person put a boundary before it."""
    join: bool = False
    """A person ruled out a boundary before it."""
    scenes: Mapping[SceneKind, float] = field(default_factory=dict)
    """Probability of each kind of picture; empty for a sheet or a photo that was not analysed."""


@dataclass(slots=True)
class SiteEstimates:
    """Where houses are, as learnt from the photos of earlier device groups and days."""

    learnt: dict[ClaimId, GeoPoint] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Day:
    """The arrays of one working day."""

    observations: tuple[Observation, ...]
    states: tuple[ClaimId, ...]
    """The claims that are candidates."""
    gaps: Floats
    """(N-1,) seconds, NaN where unknown."""
    undated: NDArray[np.bool_]
    """(N-1,) gaps of a clock without a date."""
    repeated: NDArray[np.bool_]
    """(N-1,) gaps already given: a few untimed photos share one gap, and the boundary may be at any of them."""
    xy: Floats
    """(N, 2) metres, NaN without a fix."""
    origin: GeoPoint
    scenes: Floats
    """(N, K) probability of each kind of picture, NaN where not analysed."""

    @property
    def distinct_gaps(self) -> Floats:
        """(N-1,) each gap once: NaN where unknown or repeated."""
        return np.where(self.repeated, np.nan, self.gaps)


def day_of(observations: Sequence[Observation], claims: Mapping[ClaimId, Claim], sites: SiteEstimates) -> Day:
    """The arrays of one working day."""
    fixes = [i.place for i in observations]
    origin = next((p for p in fixes if p is not None), GeoPoint(lat=0.0, lon=0.0))
    xy = local_metres(fixes, origin)
    states = _candidates(observations, claims, sites, xy, origin)
    return Day(
        tuple(observations),
        states,
        *gaps_of(observations),
        xy,
        origin,
        scene_rows([i.scenes for i in observations]),
    )


def gaps_of(observations: Sequence[Observation]) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """(gaps, undated, repeated), each (N-1,), as in `Day`."""
    photos = len(observations)
    gaps = np.full(max(photos - 1, 0), np.nan)
    undated, repeated = np.zeros_like(gaps, dtype=np.bool_), np.zeros_like(gaps, dtype=np.bool_)
    last: tuple[int, float] | None = None
    opening = sheets_open(observations)
    for i, observation in enumerate(observations):
        if observation.time is not None:
            if last is not None and i - last[0] <= MAX_UNTIMED + 1:
                seconds = max(0.0, observation.time - last[1])
                at_sheet = _gap_at_sheet(observations, last[0], i, opening=opening)
                if at_sheet is None:
                    gaps[last[0] : i] = seconds
                    repeated[last[0] + 1 : i] = True
                else:
                    gaps[at_sheet] = seconds
            last = (i, observation.time)
        elif (
            i
            and observation.undated_time is not None
            and observations[i - 1].undated_time is not None
            and observation.run_number == observations[i - 1].run_number
        ):
            step = observation.undated_time - (observations[i - 1].undated_time or 0.0)
            if step >= 0:
                gaps[i - 1], undated[i - 1] = step, True
    return gaps, undated & ~repeated, repeated


def sheets_open(observations: Sequence[Observation]) -> bool:
    """Whether the day's read sheets follow the longer gap, so that they open houses and do not close them."""
    before, after = 0, 0
    for a, b, c in zip(observations, observations[1:], observations[2:], strict=False):
        if b.sheet.claims and a.time is not None and b.time is not None and c.time is not None:
            before += b.time - a.time > c.time - b.time
            after += b.time - a.time < c.time - b.time
    return before >= after


def _gap_at_sheet(observations: Sequence[Observation], first: int, last: int, *, opening: bool) -> int | None:
    """The place of the gap between two timed photos with untimed ones between: at a read sheet; None without one.

    Only one of those places can be the drive. A sheet that opens houses has it before, one that closes them after.
    """
    if last == first + 1:
        return None
    inside = range(first + 1, last + 1) if opening else range(first, last)
    sheets = [k for k in inside if observations[k].sheet.claims]
    if not sheets:
        return None
    return sheets[0] - 1 if opening else sheets[-1]


def _candidates(
    observations: Sequence[Observation],
    claims: Mapping[ClaimId, Claim],
    sites: SiteEstimates,
    xy: Floats,
    origin: GeoPoint,
) -> tuple[ClaimId, ...]:
    """The claims that any evidence of the day supports, in order."""
    supported = {
        c for i in observations for c in (*i.sheet.claims, i.sheet.named, i.manual_claim) if c is not None
    }
    fixes = xy[~np.isnan(xy[:, 0])]
    if fixes.size:
        known = [
            c
            for c in {**claims, **sites.learnt}
            if c not in supported and site_of(c, claims, sites) is not None
        ]
        spots = local_metres([site_of(c, claims, sites) for c in known], origin)
        reach = []
        for claim, spot in zip(known, spots, strict=True):
            nearest = float(np.sqrt(((fixes - spot) ** 2).sum(1)).min())
            if nearest <= CANDIDATE_RANGE:
                reach.append((nearest, str(claim), claim))
        supported |= {claim for _, _, claim in sorted(reach)[:MAX_CANDIDATES]}
    return tuple(sorted(supported))


def site_of(claim: ClaimId, claims: Mapping[ClaimId, Claim], sites: SiteEstimates) -> GeoPoint | None:
    """Where a claim's house is: as learnt from photos, else as assigned, else None."""
    if claim in sites.learnt:
        return sites.learnt[claim]
    return claims[claim].place if claim in claims else None


def near_other_sheet(day: Day) -> list[bool]:
    """For each photo, whether a neighbouring photo shows a sheet that may be the same."""
    rows = [i.sheet for i in day.observations]
    near = [False] * len(rows)
    for i in range(len(rows) - 1):
        a, b = rows[i], rows[i + 1]
        if a.is_sheet and b.is_sheet and not day.gaps[i] > RETAKE_WITHIN:
            same = not a.claims or not b.claims or bool(set(a.claims) & set(b.claims))
            near[i] |= same
            near[i + 1] |= same
    return near


def in_the_middle(day: Day) -> Floats:
    """(N,) 1 for each photo with short gaps on both sides, which no house can begin or end with; else 0."""
    edge = np.append(True, np.append(~(day.gaps <= BESIDE_PAUSE), True))
    return np.asarray(~edge[:-1] & ~edge[1:], dtype=np.float64)


def drives_beside(day: Day) -> tuple[Floats, Floats] | None:
    """How far the gap before, and after, each photo can be a drive, 0 to 1; None on a day without a read sheet."""
    if not any(i.sheet.claims for i in day.observations):
        return None
    scale = np.log(SURE_DRIVE / SHORTEST_DRIVE)
    likely = np.clip(np.log(np.maximum(day.gaps, 1.0) / SHORTEST_DRIVE) / scale, 0.0, 1.0)
    likely = np.where(np.isnan(day.gaps), 1.0, likely)
    return np.append(1.0, likely), np.append(likely, 1.0)


def sheet_changes(day: Day) -> Floats:
    """A first estimate of the boundaries: the widest gap around each change of the sheet that was read."""
    crossing = np.zeros_like(day.gaps)
    last: tuple[int, frozenset[ClaimId]] | None = None
    for i, observation in enumerate(day.observations):
        if not observation.sheet.claims:
            continue
        now = frozenset(observation.sheet.claims)
        if last is not None and not now & last[1]:
            ends = [last[0], i - 1]
            crossing[max(ends, key=lambda k: float(np.nan_to_num(day.gaps[k])))] = 1.0
        last = (i, now)
    return crossing


def seconds_between(day: Day, a: int, b: int) -> float | None:
    """Seconds between two observations; None where either has no time."""
    first, second = day.observations[a].time, day.observations[b].time
    return None if first is None or second is None else max(0.0, second - first)
