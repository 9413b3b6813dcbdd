"""One model over a whole working day: which house each photo belongs to, and how sure that is.

Hidden state: one of the day's claims, a house that is none of them, or an errand between houses.
Evidence: sheets, gaps, steps between fixes and distance to addresses, a person's decisions.
Two rounds: the first with priors, the second with gaps and sites learnt from the first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from evidence.forward_backward import Floats
from evidence.model import ClaimId
from evidence.timeline.split.gaps import LOST_CLOCK_CAP, GapModel, fit_gaps
from evidence.timeline.split.observations import Day, Item, Sites, beside, day_of, sheet_changes, site_of
from evidence.timeline.split.positions import NEIGHBOUR, metres
from evidence.timeline.split.reasons import reasons_of
from evidence.timeline.split.segmentation import Answer, Marginals, Scores, marginals, solve
from evidence.timeline.split.sheets import modes_of, sheet_scores
from evidence.timeline.split.site_estimates import (
    LOOK_GAP,
    Places,
    away_from,
    learn,
    learn_by_sheets,
    places_of,
    steps_of,
)
from evidence.timeline.split.stages import Rounds, Walking, walking
from evidence.timeline.values import ClaimSite, SplitOptions

DECIDED = 60.0
"""Nats of a person's decision: more than any evidence adds up to at one photo."""
CUT_AGAIN = -8.0
"""Nats for a house that goes on under the same claim after a person cut it."""
UNBACKED = 0.85
"""Confidence, at most, where nothing certain backs a claim: a sheet's text alone, or an address among neighbours."""
ERRAND_GOES_ON = 0.5
"""Chance that a photo between houses is followed by another one."""


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


def split_day(
    items: Sequence[Item], claims: Mapping[ClaimId, ClaimSite], options: SplitOptions, sites: Sites
) -> list[Verdict]:
    """A verdict for each item of one working day, in order. `sites` gains what the day taught."""
    day = day_of(items, claims, sites)
    modes, log_modes = modes_of(options)
    near = beside(day)
    sheets = sheet_scores([i.sheet for i in day.items], near, day.states, modes, options)
    changes = sheet_changes(day)
    gaps = fit_gaps(day.heard, changes, options)
    seen = walking(day.scenes, np.append(True, changes > 0))
    steps = steps_of(day, options)
    anchored = learn_by_sheets(day, sites)
    places = places_of(day, steps, claims, sites, options)
    sure = marginals(_scores(day, gaps, sheets, places, seen, log_modes, options))
    learn(day, sure.share, sites, anchored)
    gaps = fit_gaps(day.heard, sure.boundary[1:], options)
    places = places_of(day, steps, claims, sites, options)
    seen = walking(day.scenes, sure.boundary > 0.5, Rounds(_stages(sure), sure.boundary))
    answer = solve(_scores(day, gaps, sheets, places, seen, log_modes, options))
    return _verdicts(day, answer, gaps, claims, sites)


def _stages(sure: Marginals) -> Floats:
    """(N, P + 1) probability of each stage at any house, an errand last."""
    return np.column_stack([sure.stages[:, :-1].sum(axis=1), sure.share[:, -1]])


def _scores(
    day: Day,
    gaps: GapModel,
    sheets: tuple[Floats, Floats, Floats],
    places: Places,
    seen: Walking,
    log_modes: Floats,
    options: SplitOptions,
) -> Scores:
    keep, first, last = sheets
    shots, count = keep.shape
    errand, unknown = count - 1, count - 2
    keep = keep.copy()
    move = places.move
    within, between, aside = gaps.scores(day.gaps, options)
    excess = np.minimum(between - within, LOST_CLOCK_CAP)
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
    sight = np.repeat(seen.sight[:, None, :], count, axis=1)
    sight[:, errand] = seen.errand[:, None]
    apart = 1.0 - np.eye(seen.start.size)
    turn = seen.turn + gaps.turning(day.heard, options)[:, None, None] * apart
    return Scores(keep, first, last, stay, leave, enter, again, log_modes, sight, seen.start, turn, seen.end)


def _destinations(day: Day, places: Places, options: SplitOptions) -> Floats:
    """(N, S) prior shares of what a boundary before each shot leads to.

    With a sheet, any claim alike. Without one, seldom a house whose sheet was seen at another time
    of the day, rather a claim that no sheet shows at all, above all when its address is next door.
    """
    shots, claims = len(day.items), len(day.states)
    known = max(0.0, 1 - options.new_house - options.errand)
    shown = {c for i in day.items for c in (*i.sheet.claims, i.sheet.named)}
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


def _decide(day: Day, keep: Floats, stay: Floats, leave: Floats, again: Floats) -> None:
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


def _verdicts(
    day: Day, answer: Answer, gaps: GapModel, claims: Mapping[ClaimId, ClaimSite], sites: Sites
) -> list[Verdict]:
    out = []
    doubtful = _doubtful(day, answer, claims, sites)
    stages = _stages(answer)
    for i in range(len(day.items)):
        state = int(answer.states[i])
        claim = day.states[state] if state < len(day.states) else None
        opens = bool(answer.opens[i])
        out.append(
            Verdict(
                claim=claim,
                unknown=state == len(day.states),
                confidence=float(min(UNBACKED if i in doubtful else 1.0, answer.share[i, state])),
                opens=opens,
                probability=float(answer.boundary[i]),
                reasons=reasons_of(day, i, claim, gaps, claims, sites, stages) if opens else (),
            )
        )
    return out


def _doubtful(day: Day, answer: Answer, claims: Mapping[ClaimId, ClaimSite], sites: Sites) -> set[int]:
    """Shots whose claim nothing certain backs, however well the rest of the evidence fits.

    Four kinds: what only a sheet's text names; what only an address names that another house of
    the day stands next to; a return that no sheet shows, which may be the neighbour's; and the part
    of a visit, after its likeliest boundary, that may be the claim next door of which no sheet was seen.
    """
    doubtful: set[int] = set()
    shown = {c for i in day.items for c in (*i.sheet.claims, i.sheet.named)}
    spots = metres([site_of(c, claims, sites) for c in day.states], day.origin)
    for a, b in pairwise([*np.flatnonzero(answer.opens).tolist(), len(day.items)]):
        state = int(answer.states[a])
        if state >= len(day.states):
            continue
        claim, part = day.states[state], day.items[a:b]
        apart = np.hypot(*(spots - spots[state]).T)
        close = [k for k in np.flatnonzero(apart <= NEIGHBOUR) if k != state]
        backed = any(claim in i.sheet.claims or i.pin == claim for i in part)
        named = any(i.sheet.named == claim for i in part)
        fixes = away_from(day.xy[a:b], spots[state : state + 1])
        there = bool((np.nan_to_num(fixes, nan=np.inf) <= NEIGHBOUR).any())
        again = claim in shown and not named
        if not backed and ((named and not there) or (not named and close) or again):
            doubtful.update(range(a, b))
        elif any(day.states[k] not in shown for k in close):
            pauses = [i for i in range(a + 1, b) if day.gaps[i - 1] > LOOK_GAP]
            if pauses:
                doubtful.update(range(max(pauses, key=lambda i: float(answer.boundary[i])), b))
    return doubtful
