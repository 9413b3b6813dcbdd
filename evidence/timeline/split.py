"""One model over a whole working day: which house each photo belongs to, and how sure that is.

Hidden state: one of the day's claims, a house that is none of them, or an errand between houses.
Evidence: sheets, gaps, steps between fixes and distance to addresses, a person's decisions.
Two rounds: the first with priors, the second with gaps and sites learnt from the first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evidence.model import ClaimId, GeoPoint
from evidence.timeline import clues
from evidence.timeline.chain import Answer, Scores, solve
from evidence.timeline.clues import Floats, GapModel, SheetRow
from evidence.timeline.values import ClaimSite, SplitOptions

CANDIDATE_RANGE = 400.0
"""Metres from a fix within which a claim of the assignments may be the house; beyond, it needs a sheet."""
CANDIDATES = 40
"""Claims considered for their address alone; a storm can put hundreds in one neighbourhood."""
DECIDED = 60.0
"""Nats of a person's decision: more than any evidence adds up to at one photo."""
CUT_AGAIN = -8.0
"""Nats for a house that goes on under the same claim after a person cut it."""
LOOK_GAP = 240.0
"""Seconds: a fix beyond a longer gap says nothing of where the photos before the gap were taken."""
VISIT = 60
"""Fixes, at most, whose mean stands for one spell at a house."""
CENTRE = 9.0
"""Metres between the means of two spells at the same house: one side of it first, the other later."""
UNTIMED = 3
"""Untimed photos, at most, between two timed ones whose gap still tells of a boundary."""
ASTRAY = -6.0
"""Nats, at most, against a claim for photos far from its house: fixes and sites can be wrong."""
SHEET_REACH = 180.0
"""Seconds around a sheet that was read in which fixes show where its house stands."""
TEXT_ALONE = 0.85
"""Confidence, at most, where nothing backs the text of a sheet: 1 match in 10 was wrong with the truth absent."""
ERRAND_GOES_ON = 0.5
"""Chance that a photo between houses is followed by another one."""
LEARNT_FROM = 3
"""Fixes that make a site seen rather than geocoded."""
SURE_SHARE = 0.9
"""Probability from which a photo's fix may teach where a claim's house stands."""


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


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the model says of one item."""

    claim: ClaimId | None
    unknown: bool
    confidence: float
    opens: bool
    probability: float
    """Of a boundary before it."""
    reasons: tuple[str, ...] = ()
    """Of the boundary, where one opens here."""


@dataclass(slots=True)
class Sites:
    """Where houses stand, learnt from one day and of use on the next: claim to (position, fixes)."""

    seen: dict[ClaimId, GeoPoint] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Day:
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


def split_day(
    items: Sequence[Item], claims: Mapping[ClaimId, ClaimSite], options: SplitOptions, sites: Sites
) -> list[Verdict]:
    """A verdict for each item of one working day, in order. `sites` gains what the day taught."""
    day = _day(items, claims, sites)
    modes, log_modes = clues.modes_of(options)
    near = _beside(day)
    sheets = clues.sheet_scores([i.sheet for i in day.items], near, day.states, modes, options)
    heard = np.where(day.echo, np.nan, day.gaps)
    gaps = clues.fit_gaps(heard, _sheet_changes(day), options)
    anchored = _learn_by_sheets(day, sites)
    answer = solve(_scores(day, gaps, sheets, _places(day, claims, sites, options), log_modes, options))
    _learn(day, answer, sites, anchored)
    gaps = clues.fit_gaps(heard, answer.boundary[1:], options)
    answer = solve(_scores(day, gaps, sheets, _places(day, claims, sites, options), log_modes, options))
    return _verdicts(day, answer, gaps, claims, sites)


# --- the day as arrays -----------------------------------------------------------------------


def _day(items: Sequence[Item], claims: Mapping[ClaimId, ClaimSite], sites: Sites) -> _Day:
    fixes = [i.place for i in items]
    origin = next((p for p in fixes if p is not None), GeoPoint(lat=0.0, lon=0.0))
    xy = clues.metres(fixes, origin)
    return _Day(tuple(items), _candidates(items, claims, sites, xy, origin), *_gaps(items), xy, origin)


def _gaps(items: Sequence[Item]) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """(gaps, weak, echo), each (N-1,); the rules are those of `_Day`."""
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
            c for c in {**claims, **sites.seen} if c not in spoken and _site_of(c, claims, sites) is not None
        ]
        spots = clues.metres([_site_of(c, claims, sites) for c in known], origin)
        reach = []
        for claim, spot in zip(known, spots, strict=True):
            nearest = float(np.sqrt(((fixes - spot) ** 2).sum(1)).min())
            if nearest <= CANDIDATE_RANGE:
                reach.append((nearest, str(claim), claim))
        spoken |= {claim for _, _, claim in sorted(reach)[:CANDIDATES]}
    return tuple(sorted(spoken))


def _site_of(claim: ClaimId, claims: Mapping[ClaimId, ClaimSite], sites: Sites) -> GeoPoint | None:
    if claim in sites.seen:
        return sites.seen[claim]
    return claims[claim].place if claim in claims else None


def _beside(day: _Day) -> list[bool]:
    """Which shots stand right beside another sheet that may be the same."""
    rows = [i.sheet for i in day.items]
    near = [False] * len(rows)
    for i in range(len(rows) - 1):
        a, b = rows[i], rows[i + 1]
        if a.any and b.any and not day.gaps[i] > clues.RETAKE_WITHIN:
            same = not a.claims or not b.claims or bool(set(a.claims) & set(b.claims))
            near[i] |= same
            near[i + 1] |= same
    return near


def _sheet_changes(day: _Day) -> Floats:
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


# --- scores ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Places:
    """What fixes say. The position of a house is one fact, so it counts on entering and on leaving, not per photo."""

    enter: Floats
    """(N, C + 1) nats for entering each claim's house, or an unknown one, against any house as far away."""
    leave: Floats
    """(N, C) nats, none above zero, against having been at each claim's house up to this shot."""
    next_door: NDArray[np.bool_]
    """(N, C) whether each claim's address is next door to where the shot was taken."""
    move: Floats
    """(N-1,) nats of the steps between fixes as moves to another house."""


def _places(day: _Day, claims: Mapping[ClaimId, ClaimSite], sites: Sites, options: SplitOptions) -> _Places:
    shots, count = len(day.items), len(day.states)
    enter, leave = np.zeros((shots, count + 1)), np.zeros((shots, count))
    move, next_door = np.zeros(max(shots - 1, 0)), np.zeros((shots, count), dtype=np.bool_)
    fixed = np.flatnonzero(~np.isnan(day.xy[:, 0]))
    if not fixed.size:
        return _Places(enter, leave, next_door, move)
    spell = _spells(day)
    for a, b in pairwise(int(i) for i in fixed):
        if spell[b] == spell[a] + 1:
            # A long pause or a drive to the next door: whole visits tell them apart where single fixes cannot.
            before, after = fixed[spell[fixed] == spell[a]][-VISIT:], fixed[spell[fixed] == spell[b]][:VISIT]
            hop = float(np.hypot(*(day.xy[after].mean(axis=0) - day.xy[before].mean(axis=0))))
            noise = np.array((CENTRE**2 + clues.HOUSE**2 / min(before.size, after.size)) ** 0.5)
            move[_likeliest(day, a, b)] += float(clues.move_score(np.array(hop), noise))
            continue
        passed = _passed(day, a, b)
        step = float(np.hypot(*(day.xy[b] - day.xy[a])))
        walk = clues.HOUSE if passed is None else min(clues.HOUSE, 4.0 + 1.2 * passed)
        noise = np.array((2 * options.fix_spread**2 + walk**2) ** 0.5)
        move[_likeliest(day, a, b)] += float(clues.move_score(np.array(step), noise))
    if count:
        seen = np.array([c in sites.seen for c in day.states], dtype=np.bool_)
        spots = clues.metres([_site_of(c, claims, sites) for c in day.states], day.origin)
        ahead = _looks(day, fixed, options.look, ahead=True)
        behind = _looks(day, fixed, options.look, ahead=False)
        hops = np.full(shots, np.nan)
        hops[1:] = np.hypot(*(ahead[1:] - behind[:-1]).T)
        away, anywhere = _away(ahead, spots), clues.move_density(hops)
        enter[:, :-1] = np.nan_to_num(clues.site_density(away, seen, options) - anywhere[:, None])
        enter[:, -1] = np.logaddexp(0.0, clues.neighbour_density(away) - anywhere)
        next_door = np.nan_to_num(away, nan=np.inf) <= clues.NEIGHBOUR
        fair = clues.site_density(np.full(count, clues.HOUSE), seen, options)
        leave = np.nan_to_num(
            np.clip(clues.site_density(_away(behind, spots), seen, options) - fair, ASTRAY, 0.0)
        )
    return _Places(enter, leave, next_door, move)


def _spells(day: _Day) -> NDArray[np.int64]:
    """(N,) number of the spell each shot belongs to: shots that no gap longer than `LOOK_GAP` parts."""
    return np.concatenate([[0], np.cumsum(np.nan_to_num(day.gaps) > LOOK_GAP)]).astype(np.int64)


def _away(positions: Floats, spots: Floats) -> Floats:
    """(N, C) metres from each position to each claim's site."""
    return np.asarray(
        np.hypot(positions[:, None, 0] - spots[None, :, 0], positions[:, None, 1] - spots[None, :, 1])
    )


def _looks(day: _Day, fixed: NDArray[np.int64], most: int, *, ahead: bool) -> Floats:
    """(N, 2) where each shot was taken, by the next (or last) few fixes that no long gap parts from it."""
    spell = _spells(day)
    looks = np.full((len(day.items), 2), np.nan)
    for i in range(len(day.items)):
        place = int(np.searchsorted(fixed, i, side="left" if ahead else "right"))
        near = fixed[place : place + most] if ahead else fixed[max(0, place - most) : place]
        near = near[spell[near] == spell[i]]
        if near.size:
            looks[i] = np.median(day.xy[near], axis=0)
    return looks


def _passed(day: _Day, a: int, b: int) -> float | None:
    first, second = day.items[a].time, day.items[b].time
    return None if first is None or second is None else max(0.0, second - first)


def _likeliest(day: _Day, a: int, b: int) -> int:
    """Where between two fixes a move most likely fell: before a sheet, else at the widest gap."""

    def rank(k: int) -> tuple[bool, float, int]:
        return (day.items[k + 1].sheet.any, float(np.nan_to_num(day.gaps[k], nan=60.0)), -k)

    return max(range(a, b), key=rank)


def _scores(
    day: _Day,
    gaps: GapModel,
    sheets: tuple[Floats, Floats, Floats],
    places: _Places,
    log_modes: Floats,
    options: SplitOptions,
) -> Scores:
    keep, first, last = sheets
    shots, count = keep.shape
    errand, unknown = count - 1, count - 2
    keep = keep.copy()
    move = places.move
    within, between, aside = gaps.scores(day.gaps, options)
    excess = np.minimum(between - within, clues.LOST_CLOCK_CAP)
    between = np.where(day.weak, within + excess, between)
    between, aside = (np.where(day.echo, v - within, v) for v in (between, aside))
    within = np.where(day.echo, 0.0, within)
    aside = np.where(day.weak, within + np.minimum(aside - within, 0.0), aside)

    stay = np.repeat((within + np.log(1 - gaps.hazard))[:, None], count, axis=1)
    # On an errand one photographs the same thing twice, or the next thing a drive later.
    either = np.logaddexp(within, aside) - np.log(2.0)
    stay[:, errand] = either + np.log(ERRAND_GOES_ON) + np.logaddexp(0.0, move) - np.log(2.0)
    leave = np.repeat((between + np.log(gaps.hazard) + move)[:, None], count, axis=1)
    leave[:, errand] = aside + np.log(1 - ERRAND_GOES_ON) + move
    leave[:, :unknown] += places.leave[:-1]
    keep[-1, :unknown] += places.leave[-1]
    enter = np.log(_destinations(day, places, options))
    enter[1:, errand] += aside - between
    enter[:, : unknown + 1] += places.enter
    again = np.full((max(shots - 1, 0), count), -np.inf)
    again[:, unknown] = 0.0
    _decide(day, keep, stay, leave, again)
    return Scores(keep, first, last, stay, leave, enter, again, log_modes)


def _destinations(day: _Day, places: _Places, options: SplitOptions) -> Floats:
    """(N, S) prior shares of what a boundary before each shot leads to.

    With a sheet, any claim alike. Without one, seldom a house whose sheet was read at another time
    of the day, rather a claim that no sheet shows at all, above all when its address is next door.
    """
    shots, claims = len(day.items), len(day.states)
    known = max(0.0, 1 - options.new_house - options.errand)
    shown = {c for i in day.items for c in i.sheet.claims}
    unseen = np.array([c not in shown for c in day.states], dtype=np.bool_)
    share = np.zeros((shots, claims + 2))
    share[:, claims], share[:, claims + 1] = options.new_house, options.errand
    if not claims:
        share[:, claims] += known
        return share
    share[:, :claims] = known / claims
    bare = np.array([not i.sheet.any for i in day.items], dtype=np.bool_)
    if unseen.any():
        share[np.ix_(bare, unseen)] = max(0.0, known - options.returns) / int(unseen.sum())
        share[np.ix_(bare, ~unseen)] = options.returns / max(1, int((~unseen).sum()))
        close = places.next_door & unseen & bare[:, None]
        here = close.any(axis=1)
        share[here] *= 1 - options.neighbour_next
        share[:, :claims] += options.neighbour_next * close / np.maximum(1, close.sum(axis=1, keepdims=True))
    else:
        share[np.ix_(bare, ~unseen)] = options.returns / claims
        share[bare, claims] += max(0.0, known - options.returns)
    return share


def _decide(day: _Day, keep: Floats, stay: Floats, leave: Floats, again: Floats) -> None:
    """Lay a person's decisions over the evidence."""
    count = keep.shape[1]
    column = {claim: k for k, claim in enumerate(day.states)}
    for i, item in enumerate(day.items):
        if item.pinned:
            wanted = count - 1 if item.pin is None else column[item.pin]
            keep[i, np.arange(count) != wanted] -= DECIDED
        if i and item.cut:
            stay[i - 1] -= DECIDED
            again[i - 1, : count - 2] = CUT_AGAIN
        elif i and item.join:
            leave[i - 1] -= DECIDED


def _learn_by_sheets(day: _Day, sites: Sites) -> set[ClaimId]:
    """Put each claim where its sheet was photographed, by the fixes right around it; tell which had enough."""
    spell = np.concatenate([[0], np.cumsum(np.nan_to_num(day.gaps) > SHEET_REACH)])
    near: dict[ClaimId, list[int]] = {}
    for i, item in enumerate(day.items):
        for claim in item.sheet.claims:
            for k in range(max(0, i - 30), min(len(day.items), i + 31)):
                passed = _passed(day, min(i, k), max(i, k))
                close = passed is not None and passed <= SHEET_REACH and spell[k] == spell[i]
                if close and not np.isnan(day.xy[k, 0]):
                    near.setdefault(claim, []).append(k)
    for claim, places in near.items():
        east, north = np.median(day.xy[places], axis=0)
        sites.seen[claim] = _point(float(east), float(north), day.origin)
    return {claim for claim, places in near.items() if len(places) >= LEARNT_FROM}


def _learn(day: _Day, answer: Answer, sites: Sites, anchored: set[ClaimId]) -> None:
    """Put each claim that no sheet places where its surest photos were taken: the median of their fixes."""
    fixed = ~np.isnan(day.xy[:, 0])
    for k, claim in enumerate(day.states):
        sure = fixed & (answer.share[:, k] >= SURE_SHARE)
        if claim not in anchored and int(sure.sum()) >= LEARNT_FROM:
            east, north = np.median(day.xy[sure], axis=0)
            sites.seen[claim] = _point(float(east), float(north), day.origin)


def _point(east: float, north: float, origin: GeoPoint) -> GeoPoint:
    wide = clues.EARTH * np.cos(np.radians(origin.lat))
    return GeoPoint(
        lat=origin.lat + float(np.degrees(north / clues.EARTH)),
        lon=origin.lon + float(np.degrees(east / wide)),
    )


# --- verdicts --------------------------------------------------------------------------------


def _verdicts(
    day: _Day, answer: Answer, gaps: GapModel, claims: Mapping[ClaimId, ClaimSite], sites: Sites
) -> list[Verdict]:
    out = []
    alone = _by_text_alone(day, answer, claims, sites)
    for i in range(len(day.items)):
        state = int(answer.states[i])
        claim = day.states[state] if state < len(day.states) else None
        opens = bool(answer.opens[i])
        out.append(
            Verdict(
                claim=claim,
                unknown=state == len(day.states),
                confidence=float(min(TEXT_ALONE if i in alone else 1.0, answer.share[i, state])),
                opens=opens,
                probability=float(answer.boundary[i]),
                reasons=_reasons(day, i, claim, gaps, claims, sites) if opens else (),
            )
        )
    return out


def _by_text_alone(day: _Day, answer: Answer, claims: Mapping[ClaimId, ClaimSite], sites: Sites) -> set[int]:
    """Shots of segments that nothing but a sheet's text puts under their claim: no code, no person, no position."""
    alone: set[int] = set()
    starts = [*np.flatnonzero(answer.opens).tolist(), len(day.items)]
    for a, b in pairwise(starts):
        state = int(answer.states[a])
        if state >= len(day.states):
            continue
        claim = day.states[state]
        part = day.items[a:b]
        named = any(i.sheet.named == claim for i in part)
        backed = any(claim in i.sheet.claims or i.pin == claim for i in part)
        site = _site_of(claim, claims, sites)
        if site is not None:
            away = _away(day.xy[a:b], clues.metres([site], day.origin))
            backed |= bool((np.nan_to_num(away, nan=np.inf) <= clues.NEIGHBOUR).any())
        if named and not backed:
            alone.update(range(a, b))
    return alone


def _reasons(
    day: _Day,
    i: int,
    claim: ClaimId | None,
    gaps: GapModel,
    claims: Mapping[ClaimId, ClaimSite],
    sites: Sites,
) -> tuple[str, ...]:
    """What speaks for a boundary before item i, strongest first, in words."""
    item, reasons = day.items[i], []
    before = day.items[i - 1] if i else None
    if item.cut:
        reasons.append("a person cut here")
    if item.sheet.claims:
        reasons.append("the sheet of claim " + ", ".join(item.sheet.claims) + " was read")
    elif item.sheet.confidence >= 0.5:
        named = (
            f", its text names claim {item.sheet.named}"
            if item.sheet.named
            else ", no claim could be read off it"
        )
        reasons.append("a sheet of paper without a readable code" + named)
    if before is not None and before.sheet.any:
        whose = " of claim " + ", ".join(before.sheet.claims) if before.sheet.claims else ""
        reasons.append(f"the photo before shows the closing sheet{whose}")
    if i == 0:
        reasons.append("first photo of the working day")
    elif not np.isnan(day.gaps[i - 1]):
        usual = spell_gap(float(np.exp(gaps.within[0])))
        if day.gaps[i - 1] > 3 * float(np.exp(gaps.within[0])):
            reasons.append(f"{spell_gap(float(day.gaps[i - 1]))} since the photo before, {usual} is usual")
    if i:
        earlier = [k for k in range(i) if not np.isnan(day.xy[k, 0])]
        if earlier and not np.isnan(day.xy[i, 0]):
            step = float(np.hypot(*(day.xy[i] - day.xy[earlier[-1]])))
            if step > 2 * clues.HOUSE:
                reasons.append(f"{step:.0f} m from the position before")
    site = _site_of(claim, claims, sites) if claim is not None else None
    if claim is not None and site is not None and not np.isnan(day.xy[i, 0]):
        spot = clues.metres([site], day.origin)[0]
        reasons.append(f"{float(np.hypot(*(spot - day.xy[i]))):.0f} m from the house of claim {claim}")
    return tuple(reasons) or ("nothing of its own; the photos on both sides belong to different places",)


def spell_gap(seconds: float) -> str:
    """A gap in words: `12 s`, `18 min`, `2 h 5 min`."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"
