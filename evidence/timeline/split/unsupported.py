"""Photos whose claim rests on weak evidence, however well the model fits: they are marked to confirm."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from itertools import pairwise

import numpy as np

from evidence.forward_backward import Floats
from evidence.model import Claim, ClaimId, GeoPoint
from evidence.timeline.split.observations import (
    CANDIDATE_RANGE,
    Day,
    SiteEstimates,
    sheets_open,
    site_of,
)
from evidence.timeline.split.positions import NEIGHBOUR, local_metres
from evidence.timeline.split.segmentation import Segmentation
from evidence.timeline.split.sheets import SURE_DRIVE
from evidence.timeline.split.site_estimates import VISIT_GAP, away_from

FAR_FROM_OWN = 150.0
"""Metres by which a fix must be further from its claim's house than from another to be at the other."""
EDGE_PHOTOS, EDGE_PAUSE = 3, 60.0
"""Photos at the end of a house, at most, and seconds between them and the rest, from which they may be photos of a drive."""
HIDDEN, BESIDE = 0.008, 2
"""Probability of another house after a long pause from which the photos after it are to confirm: a house that is missed
is misfiled as a whole, with 200 photos. And the photos beside the pause at which it counts."""
HIDDEN_OFF_LIST = 0.03
"""The same where the house would be on no list, because no claim of the list waits for its photos, and where pictures on
both sides of the pause would show it. Positions are compared as they are: the house may be next door."""
IMPOSSIBLE = 0.001
"""Probability of another house after a pause below which no claim that waits for photos hides there."""
SIGHTS = 10
"""Photos before, and after, a pause among which one must be analysed for that."""


def unsupported_photos(
    day: Day,
    segmentation: Segmentation,
    claims: Mapping[ClaimId, Claim],
    sites: SiteEstimates,
    left: Collection[ClaimId],
    move: Floats,
) -> set[int]:
    """Photos whose claim has no certain evidence, however well the rest fits.

    `move` (N-1,) are the log-odds of a move to another house by the positions before and after each gap. There are ten
    kinds: photos of a claim that only a sheet's text names; of a claim that only an address
    names, with another of the day's houses next to it; of a return without a sheet, which may be at the
    neighbour's; the part of a visit, after its most probable boundaries, that may belong to claims next door whose
    sheet was not seen, or to claims of the list under which nothing was filed (without a sheet, the whole visit); the
    part after a long pause before and after which the positions are rather those of two houses, or after which another
    house is not improbable enough;
    photos at another claim's house; the part before a long pause that the claim's first sheet follows; the part
    after a gap as long as a drive on a clock without a date; and the few photos at the ends of a house that a pause parts
    from the rest.
    """
    unsupported: set[int] = set()
    filed = {day.states[k] for k in set(segmentation.states.tolist()) if k < len(day.states)}
    waiting = [c for c in left if c not in filed]
    read = {c for i in day.observations for c in i.sheet.claims}
    shown = read | {i.sheet.named for i in day.observations}
    spots = local_metres([site_of(c, claims, sites) for c in day.states], day.origin)
    complete = bool(claims) and bool(read) and not waiting
    opening = sheets_open(day.observations)
    segments = list(pairwise([*np.flatnonzero(segmentation.opens).tolist(), len(day.observations)]))
    unnamed = sum(
        segmentation.states[a] == len(day.states)
        and b - a > EDGE_PHOTOS
        and not any(i.sheet.of_another for i in day.observations[a:b])
        for a, b in segments
    )
    for n, (a, b) in enumerate(segments):
        state = int(segmentation.states[a])
        if state >= len(day.states):
            continue
        claim, part = day.states[state], day.observations[a:b]
        apart = np.hypot(*(spots - spots[state]).T)
        beside = {int(segmentation.states[c]) for c, _ in segments[max(n - 1, 0) : n + 2]}
        close = [
            k
            for k in range(len(day.states))
            if k != state and (apart[k] <= NEIGHBOUR or (np.isnan(spots[k, 0]) and k in beside))
        ]
        supported = any(claim in i.sheet.claims or i.manual_claim == claim for i in part)
        named = any(i.sheet.named == claim for i in part)
        home = spots[state] if claim in read else local_metres([_address(claim, claims)], day.origin)[0]
        there = bool((np.nan_to_num(away_from(day.xy[a:b], home[None]), nan=np.inf) <= NEIGHBOUR).any())
        may_hide = _may_hide(day, a, b, waiting, claims) if len(waiting) > unnamed else set()
        again = any(int(segmentation.states[c]) == state for c, _ in segments[:n])
        reentry = (claim in shown or (again and bool(may_hide))) and not named
        if not supported and ((named and not there) or (not named and close) or reentry):
            unsupported.update(range(a, b))
        else:
            pauses = _pauses(day, a, b, interrupted=not complete)
            about = {i: _boundary_about(segmentation, i, a, b) for i in pauses}
            pauses.sort(key=lambda i: -about[i])
            unshown = {day.states[k] for k in close} - shown
            hidden = [i for i in pauses if about[i] >= IMPOSSIBLE][: len(unshown | may_hide)]
            least = [HIDDEN_OFF_LIST if complete and _would_be_seen(day, i, a, b) else HIDDEN for i in pauses]
            moved = [i for i, p in zip(pauses, least, strict=True) if move[i - 1] > 0.0 or about[i] >= p]
            doubtful = hidden + moved
            if doubtful and supported:
                unsupported.update(range(min(doubtful), b) if opening else range(a, max(doubtful)))
            elif doubtful:
                unsupported.update(range(a, b))
        unsupported.update(_at_another_house(day, state, claims, spots, a, b))
        unsupported.update(_before_late_sheet(day, claim, a, b))
        unsupported.update(_after_undated_drive(day, claim, a, b))
        unsupported.update(_apart_at_the_ends(day, a, b))
    return unsupported


def _pauses(day: Day, a: int, b: int, *, interrupted: bool) -> list[int]:
    """The photos of a segment that follow a long pause, or one that a few photos interrupt, as on a drive."""
    found = []
    for i in range(a + 1, b):
        if day.gaps[i - 1] > VISIT_GAP:
            found.append(i)
        elif interrupted and day.gaps[i - 1] > EDGE_PAUSE:
            before = [k for k in range(max(a + 1, i - EDGE_PHOTOS), i) if day.gaps[k - 1] > EDGE_PAUSE]
            if any(day.gaps[k - 1] + day.gaps[i - 1] > VISIT_GAP for k in before):
                found.append(i)
    return found


def _boundary_about(segmentation: Segmentation, i: int, a: int, b: int) -> float:
    """The probability of a boundary at photo i or at one of the few beside it, within the segment from a to b."""
    return float(segmentation.boundary[max(a + 1, i - BESIDE) : min(b, i + BESIDE + 1)].sum())


def _would_be_seen(day: Day, i: int, a: int, b: int) -> bool:
    """Whether pictures on both sides of the pause before photo i would show another house; positions could be next door."""
    around = slice(max(a, i - SIGHTS), i), slice(i, min(b, i + SIGHTS))
    placed, pictured = (
        all(bool((~np.isnan(known[part, 0])).any()) for part in around) for known in (day.xy, day.scenes)
    )
    return pictured and not placed


def _address(claim: ClaimId, claims: Mapping[ClaimId, Claim]) -> GeoPoint | None:
    return claims[claim].place if claim in claims else None


def _at_another_house(
    day: Day, state: int, claims: Mapping[ClaimId, Claim], spots: Floats, a: int, b: int
) -> list[int]:
    """The photos of a segment whose own fixes are at another claim's house, far from this one's address."""
    address = _address(day.states[state], claims)
    home = spots[state : state + 1] if address is None else local_metres([address], day.origin)
    own = away_from(day.xy[a:b], home)[:, 0]
    others = away_from(day.xy[a:b], np.delete(spots, state, axis=0))
    nearest = np.nan_to_num(others, nan=np.inf).min(axis=1, initial=np.inf)
    return [a + int(i) for i in np.flatnonzero((nearest <= NEIGHBOUR) & (own > nearest + FAR_FROM_OWN))]


def _may_hide(
    day: Day, a: int, b: int, waiting: Collection[ClaimId], claims: Mapping[ClaimId, Claim]
) -> set[ClaimId]:
    """The waiting claims that may have been photographed among these photos, as far as positions say."""
    known = [c for c in waiting if c in claims]
    fixes = day.xy[a:b][~np.isnan(day.xy[a:b, 0])]
    if not fixes.size or not known:
        return set(known)
    nearest = away_from(fixes, local_metres([claims[c].place for c in known], day.origin)).min(axis=0)
    return {c for c, metres in zip(known, nearest, strict=True) if not metres > CANDIDATE_RANGE}


def _before_late_sheet(day: Day, claim: ClaimId, a: int, b: int) -> range:
    """The photos of a segment before a pause that the first sheet of its claim follows: maybe another house's."""
    first = next((i for i in range(a, b) if claim in day.observations[i].sheet.claims), a)
    late = first > a and day.gaps[first - 1] > VISIT_GAP
    return range(a, first) if late else range(0)


def _after_undated_drive(day: Day, claim: ClaimId, a: int, b: int) -> range:
    """The photos of a segment after its first long gap on a clock without a date, up to the claim's next sheet."""
    drive = next((i for i in range(a + 1, b) if day.undated[i - 1] and day.gaps[i - 1] > SURE_DRIVE), b)
    return range(drive, next((i for i in range(drive, b) if claim in day.observations[i].sheet.claims), b))


def _apart_at_the_ends(day: Day, a: int, b: int) -> list[int]:
    """The few first and last photos of a segment that a pause, or an unknown time, parts from the rest and no sheet shows.

    They may have been taken between two houses, unless a position shows that they were taken at this one.
    """
    parted = [i for i in range(a + 1, b) if not day.gaps[i - 1] <= EDGE_PAUSE]
    first = max((i for i in parted if i - a <= EDGE_PHOTOS), default=a) if a else a
    last = min((i for i in parted if b - i <= EDGE_PHOTOS), default=b) if b < len(day.observations) else b
    ends = [end for end in (range(a, first), range(last, b)) if end]
    if not ends:
        return []
    fixes = day.xy[a:b][~np.isnan(day.xy[a:b, 0])]
    middle = np.median(fixes, axis=0) if fixes.size else np.full(2, np.nan)
    return [i for end in ends if not _belongs(day, end, middle) for i in end]


def _belongs(day: Day, end: range, middle: Floats) -> bool:
    """Whether one of the photos shows a read sheet, or was taken at the middle of the house's positions."""
    here = np.hypot(*(day.xy[end.start : end.stop] - middle).T) <= NEIGHBOUR / 2
    return bool(here.any()) or any(day.observations[k].sheet.claims for k in end)
