"""Where houses are and where photos were taken: the evidence of fixes for each state and boundary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, isnan, log

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import Claim, ClaimId, GeoPoint
from evidence.timeline.split.observations import (
    Day,
    SiteEstimates,
    seconds_between,
    sheets_open,
    site_of,
)
from evidence.timeline.split.positions import (
    EARTH_RADIUS,
    GEOCODE_OFF,
    GEOCODE_WRONG,
    NEIGHBOUR,
    SEEN_ELSEWHERE,
    WITHIN_HOUSE,
    local_metres,
    move_density,
    move_log_odds,
    neighbour_density,
    resume_log_odds,
    site_density,
)
from evidence.timeline.values import SplitOptions

VISIT_GAP = 240.0
"""Seconds; a longer gap ends a visit, and fixes after it do not locate the photos before it."""
MAX_VISIT_FIXES = 150
"""Fixes before, and after, a long pause, at most, whose means are compared: more than one walk round a house."""
WHOLE_WALK = 60
"""Photos of a walk all round a house; the means of longer visits lie nearer to its middle."""
LONGEST_WALK = 100.0
"""Metres; two fixes of a visit further apart are of two places, such as an errand just before the house."""
FIX_TAIL, MEAN_TAIL = 4.0, 10.0
"""Degrees of freedom of the steps between single fixes, some of which are far off, and between means of many."""
SAME_HOUSE_SPREAD = 9.0
"""Metres between the means of two visits to the same house, on different sides of it."""
AWAY_LIMIT, TEXT_LIMIT = -6.0, log(GEOCODE_OFF + GEOCODE_WRONG)
"""Lowest log-likelihood (nats) of photos far from a claim's house: fixes and sites can be wrong; and the same
far from the address of a claim that a sheet's text names."""
SHEET_WINDOW = 180.0
"""Seconds around a read sheet within which fixes locate its house."""
LATE_WINDOW = 600.0
"""The same where there are fewer than `MIN_FIXES` in the first."""
FAR = 150.0
"""Metres between the middle of a part of a visit and a claim's house from which it was not taken there."""
PAUSE_FIXES = 3
"""Fixes before, and after, a pause whose medians show whether the walk goes on where it stopped."""
MIN_FIXES = 3
"""Fixes needed to learn a site."""
CERTAIN = 0.9
"""Probability of a claim from which the photo's fix is used to learn the claim's site."""


@dataclass(frozen=True, slots=True)
class PositionEvidence:
    """Log-likelihoods of the fixes, counted on entering and on leaving a house, not for each photo."""

    enter: Floats
    """(N, C + 1) nats of entering each claim's house, or an unknown one, relative to any house as far away."""
    leave: Floats
    """(N, C) nats, at most zero, of having been at each claim's house up to this photo."""
    inside: Floats
    """(N, C) nats, at most zero, at one photo of each part of a visit: its positions are far from the claim's house."""
    next_door: NDArray[np.bool_]
    """(N, C) whether each claim's address is next door to where the photo was taken."""
    move: Floats
    """(N-1,) log-odds (nats) of a move to another house, from the steps between fixes."""


@dataclass(frozen=True, slots=True)
class Track:
    """The day's positions, independent of any claim."""

    ahead: Floats
    """(N, 2) metres: the position of each photo from the next few fixes, NaN where none is near in time."""
    behind: Floats
    """The same from the last few fixes."""
    jumps: Floats
    """(N,) metres from `behind` of the previous photo to `ahead` of this one."""
    move: Floats
    """(N-1,) log-odds (nats) of a move to another house, from the steps between fixes."""


def track_of(day: Day, options: SplitOptions) -> Track:
    """The positions of the photos, and the log-odds of a move between them."""
    photos = len(day.observations)
    fixed = np.flatnonzero(~np.isnan(day.xy[:, 0]))
    move, jumps = np.zeros(max(photos - 1, 0)), np.full(photos, np.nan)
    if not fixed.size:
        nowhere = np.full((photos, 2), np.nan)
        return Track(nowhere, nowhere, jumps, move)
    visit, opening = visit_numbers(day), sheets_open(day.observations)
    houses = _between_sheets(day, opening=opening)
    steps, walks, tails, places, resumed = [], [], [], [], []
    for k, (a, b) in enumerate(pairwise(fixed.tolist())):
        places.append(_likeliest_move(day, a, b, opening=opening))
        parted = visit[b] == visit[a] + 1
        if parted:
            # A long pause or a drive next door: the means of many fixes differ, where single ones are too noisy.
            last, first = (
                fixed[max(0, k + 1 - MAX_VISIT_FIXES) : k + 1],
                fixed[k + 1 : k + 1 + MAX_VISIT_FIXES],
            )
            before = _at_one_place(day.xy[last[houses[last] == houses[a]]][::-1])
            after = _at_one_place(day.xy[first[houses[first] == houses[b]]])
            steps.append(float(np.hypot(*(after.mean(axis=0) - before.mean(axis=0)))))
            walks.append(_spread_of_means(len(before), len(after)))
            ends = [np.median(part[:PAUSE_FIXES], axis=0) for part in (before, after)]
            resumed.append(resume_log_odds(float(np.hypot(*(ends[1] - ends[0])))))
        else:
            resumed.append(0.0)
            between = seconds_between(day, a, b)
            walk = WITHIN_HOUSE if between is None else min(WITHIN_HOUSE, 4.0 + 1.2 * between)
            steps.append(hypot(*(day.xy[b] - day.xy[a]).tolist()))
            walks.append((2 * options.fix_spread**2 + walk**2) ** 0.5)
        tails.append(MEAN_TAIL if parted else FIX_TAIL)
    if places:
        odds = move_log_odds(np.array(steps), np.array(walks), np.array(tails))
        np.add.at(move, places, odds + np.array(resumed))
    ahead = _median_positions(day, fixed, visit, options.median_fixes, ahead=True)
    behind = _median_positions(day, fixed, visit, options.median_fixes, ahead=False)
    jumps[1:] = np.hypot(*(ahead[1:] - behind[:-1]).T)
    return Track(ahead, behind, jumps, move)


def _between_sheets(day: Day, *, opening: bool) -> NDArray[np.int64]:
    """(N,) numbers that rise at each read sheet: with it if sheets open houses, after it if they close them."""
    read = np.array([bool(i.sheet.claims) for i in day.observations], dtype=np.int64)
    return np.asarray(np.cumsum(read) - (0 if opening else read))


def _spread_of_means(before: int, after: int) -> float:
    """Metres between the means of two visits to the same house with so many fixes, one standard deviation."""
    sides = sum(min(1.0, WHOLE_WALK / fixes) for fixes in (before, after)) / 2
    return float((SAME_HOUSE_SPREAD**2 * sides + WITHIN_HOUSE**2 / min(before, after)) ** 0.5)


def _at_one_place(xy: Floats) -> Floats:
    """The positions (n, 2) up to the first step that is longer than any walk around a house."""
    steps = np.hypot(*np.diff(xy, axis=0).T)
    far = np.flatnonzero(steps > LONGEST_WALK)
    return xy[: far[0] + 1] if far.size else xy


def position_evidence(
    day: Day, track: Track, claims: Mapping[ClaimId, Claim], sites: SiteEstimates, options: SplitOptions
) -> PositionEvidence:
    """The evidence of the fixes for every photo of the day; zeros where there are none."""
    photos, count = len(day.observations), len(day.states)
    enter = np.zeros((photos, count + 1))
    if not count:
        return PositionEvidence(
            enter,
            np.zeros((photos, 0)),
            np.zeros((photos, 0)),
            np.zeros((photos, 0), dtype=np.bool_),
            track.move,
        )
    seen = np.array([c in sites.learnt for c in day.states], dtype=np.bool_)
    spots = local_metres([site_of(c, claims, sites) for c in day.states], day.origin)
    away, anywhere = away_from(track.ahead, spots), move_density(track.jumps)
    enter[:, :-1] = np.nan_to_num(site_density(away, seen, options) - anywhere[:, None])
    enter[:, -1] = np.logaddexp(0.0, neighbour_density(away) - anywhere)
    next_door = np.nan_to_num(away, nan=np.inf) <= NEIGHBOUR
    fair = site_density(np.full(count, WITHIN_HOUSE), seen, options)
    left = site_density(away_from(track.behind, spots), seen, options) - fair
    by_text = {i.sheet.named for i in day.observations}
    lowest = [TEXT_LIMIT if c in by_text and c not in sites.learnt else AWAY_LIMIT for c in day.states]
    leave = np.nan_to_num(np.clip(left, np.array(lowest), 0.0))
    read = by_text | {c for i in day.observations for c in i.sheet.claims}
    odds = [log(SEEN_ELSEWHERE) if c in sites.learnt else log(GEOCODE_WRONG) for c in day.states]
    odds = [0.0 if c in read and c not in sites.learnt else o for c, o in zip(day.states, odds, strict=True)]
    inside = _not_here(day, spots, np.array(odds))
    return PositionEvidence(enter, leave, inside, next_door, track.move)


def _not_here(day: Day, spots: Floats, odds: Floats) -> Floats:
    """(N, C) nats against each claim, at the middle fix of each part of a visit that is far from the claim's house.

    `odds` (C,) are the log-likelihoods of a wrong address, or of photos far from a house whose place was learnt.
    """
    out = np.zeros((len(day.observations), len(spots)))
    fixed = np.flatnonzero(~np.isnan(day.xy[:, 0]))
    visit = visit_numbers(day)[fixed]
    for places in np.split(fixed, np.flatnonzero(np.diff(visit)) + 1):
        if len(places) >= MIN_FIXES:
            away = away_from(np.median(day.xy[places], axis=0)[None], spots)[0]
            out[places[len(places) // 2]] = np.where(np.nan_to_num(away) > FAR, odds, 0.0)
    return out


def visit_numbers(day: Day) -> NDArray[np.int64]:
    """(N,) number of each photo's visit; a gap longer than `VISIT_GAP`, or an unknown one, starts a new one."""
    return _parted_at(day, VISIT_GAP)


def _parted_at(day: Day, longest: float) -> NDArray[np.int64]:
    """(N,) numbers from 0 that rise at each gap longer than `longest` seconds and at each unknown gap.

    Where the whole day has no time at all, unknown gaps say nothing and do not part.
    """
    known = bool((~np.isnan(day.gaps)).any())
    parts = ~(day.gaps <= longest) if known else np.zeros(day.gaps.size, dtype=np.bool_)
    return np.concatenate([[0], np.cumsum(parts)]).astype(np.int64)


def away_from(positions: Floats, spots: Floats) -> Floats:
    """(N, C) metres from each position to each claim's site."""
    return np.asarray(
        np.hypot(positions[:, None, 0] - spots[None, :, 0], positions[:, None, 1] - spots[None, :, 1])
    )


def _median_positions(
    day: Day, fixed: NDArray[np.int64], visit: NDArray[np.int64], most: int, *, ahead: bool
) -> Floats:
    """(N, 2) position of each photo: the median of the next (or last) fixes of the same visit."""
    photos = np.arange(len(day.observations))
    place = np.searchsorted(fixed, photos, side="left" if ahead else "right")
    window = place[:, None] + (np.arange(most) if ahead else np.arange(-most, 0))[None, :]
    inside = (window >= 0) & (window < fixed.size)
    near = fixed[np.clip(window, 0, fixed.size - 1)]
    inside &= visit[near] == visit[:, None]
    count = inside.sum(axis=1)
    ordered = np.sort(np.where(inside[:, :, None], day.xy[near], np.inf), axis=1)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, most - 1)
    middle = (ordered[photos, low] + ordered[photos, high]) / 2
    return np.asarray(np.where((count > 0)[:, None], middle, np.nan))


def _likeliest_move(day: Day, a: int, b: int, *, opening: bool) -> int:
    """The most probable place of a move between two fixes: where the sheet opens or closes a house, else the widest gap."""
    if b == a + 1:
        return a

    def rank(k: int) -> tuple[bool, float, int]:
        gap, sheet = float(day.gaps[k]), day.observations[k + opening].sheet
        return (bool(sheet.claims) or sheet.named is not None, 60.0 if isnan(gap) else gap, -k)

    return max(range(a, b), key=rank)


def learn_sites_from_sheets(day: Day, sites: SiteEstimates) -> set[ClaimId]:
    """Locate each claim by the fixes after the sheet that opens it, or before the one that closes it.

    Returns the claims with enough of them.
    """
    opening = sheets_open(day.observations)
    near: dict[ClaimId, list[int]] = {}
    for i, observation in enumerate(day.observations):
        for claim in observation.sheet.claims:
            near.setdefault(claim, []).extend(_fixes_by_sheet(day, i, opening=opening))
    near = {claim: places for claim, places in near.items() if places}
    for claim, places in near.items():
        east, north = np.median(day.xy[places], axis=0)
        sites.learnt[claim] = _point(float(east), float(north), day.origin)
    return {claim for claim, places in near.items() if len(places) >= MIN_FIXES}


def _fixes_by_sheet(day: Day, i: int, *, opening: bool) -> list[int]:
    """The photos with a fix after, or before, the sheet of photo i: in the same visit and soon, else the next few."""
    found: list[int] = []
    last = i
    for k in range(i, len(day.observations)) if opening else range(i, -1, -1):
        pause, apart = (
            seconds_between(day, min(last, k), max(last, k)),
            seconds_between(day, min(i, k), max(i, k)),
        )
        if pause is None or apart is None:
            continue
        if pause > SHEET_WINDOW or apart > (LATE_WINDOW if len(found) < MIN_FIXES else SHEET_WINDOW):
            break
        last = k
        if not np.isnan(day.xy[k, 0]):
            found.append(k)
    return found


def learn_sites(day: Day, probability: Floats, sites: SiteEstimates, anchored: set[ClaimId]) -> None:
    """Locate each claim that no sheet locates by the median of its most certain photos' fixes."""
    fixed = ~np.isnan(day.xy[:, 0])
    for k, claim in enumerate(day.states):
        sure = fixed & (probability[:, k] >= CERTAIN)
        if claim not in anchored and int(sure.sum()) >= MIN_FIXES:
            east, north = np.median(day.xy[sure], axis=0)
            sites.learnt[claim] = _point(float(east), float(north), day.origin)


def _point(east: float, north: float, origin: GeoPoint) -> GeoPoint:
    wide = EARTH_RADIUS * np.cos(np.radians(origin.lat))
    return GeoPoint(
        lat=origin.lat + float(np.degrees(north / EARTH_RADIUS)),
        lon=origin.lon + float(np.degrees(east / wide)),
    )
