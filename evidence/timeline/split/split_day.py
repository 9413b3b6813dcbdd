"""One model over a whole working day: the claim of each photo, and how certain it is.

Hidden state: one of the day's claims, an unknown house, or an errand between houses. Evidence: sheets,
gaps, steps between fixes, distance to addresses, pictures, and people's decisions. There are two
passes: the first uses priors, the second gaps, sites and stages learnt from the first.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import Claim, ClaimId
from evidence.timeline.split.between_houses import with_photos_between_houses
from evidence.timeline.split.durations import house_length_log_odds
from evidence.timeline.split.gaps import (
    LOST_CLOCK_CAP,
    PRIOR_HOUSES,
    PRIOR_WITHOUT_SHEETS,
    GapModel,
    fit_gaps,
)
from evidence.timeline.split.houses_left import LEAST, log_odds_of_unread
from evidence.timeline.split.late_sheets import with_sheets_first
from evidence.timeline.split.observations import (
    Day,
    Observation,
    SiteEstimates,
    day_of,
    drives_beside,
    in_the_middle,
    near_other_sheet,
    sheet_changes,
)
from evidence.timeline.split.one_house_each import with_one_house_each
from evidence.timeline.split.reasons import reasons_of
from evidence.timeline.split.segmentation import Posterior, Scores, Segmentation, posterior, segment
from evidence.timeline.split.sheets import paper_rates, sheet_log_likelihoods, sheet_modes
from evidence.timeline.split.site_estimates import (
    PositionEvidence,
    learn_sites,
    learn_sites_from_sheets,
    position_evidence,
    track_of,
)
from evidence.timeline.split.stages import FirstPass, StageModel, of_walks, stage_model
from evidence.timeline.split.time_alone import boundary_log_odds
from evidence.timeline.split.unsupported import unsupported_photos
from evidence.timeline.values import SplitOptions

DECISION = 120.0
"""Log-odds (nats) of a person's decision: more than all evidence at one photo."""
SAME_CLAIM_AFTER_CUT = -8.0
"""Log prior (nats) of the same claim on both sides of a boundary that a person put there."""
UNSUPPORTED_CONFIDENCE = 0.85
"""Highest confidence in a claim without certain evidence: only a sheet's text, or one of two adjacent addresses."""
NEAR_BOUNDARY = 2
"""Photos before and after within which a boundary counts as the same one."""
HOUSES_WEIGHT = 2.0
"""Weight of the prior share of houses that are on no list and have no sheet, as a number of houses."""
SURE_ENTRY = 0.8
"""Probability from which an unnamed house begins at a photo beyond doubt."""
LIST_STEPS, LIST_SLACK = 4, 0.3
"""Rounds in which what the list adds is adapted, and the houses too many that end them."""
ERRAND_CONTINUES = 0.5
"""Probability that a photo on an errand is followed by another one."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The model's result for one observation."""

    claim: ClaimId | None
    unknown: bool
    confidence: float
    opens: bool
    probability: float
    """Of a boundary before it."""
    reasons: tuple[str, ...] = ()
    """Of the boundary, where one opens here."""
    evident: bool = True
    """Whether anything speaks for a boundary before it: it is more probable than before any photo."""


def split_day(
    observations: Sequence[Observation],
    claims: Mapping[ClaimId, Claim],
    options: SplitOptions,
    sites: SiteEstimates,
    left: Collection[ClaimId] = (),
) -> list[Verdict]:
    """A verdict for each observation of one working day. `sites` gains the sites learnt from it.

    `left` are the claims of the day's list that no sheet of any device shows.
    """
    day = day_of(with_sheets_first(observations), claims, sites)
    near = near_other_sheet(day)
    rows = [i.sheet for i in day.observations]
    changes = sheet_changes(day)
    papers, drives = paper_rates(rows, in_the_middle(day)), drives_beside(day)
    prior_houses = PRIOR_HOUSES if any(row.claims for row in rows) else PRIOR_WITHOUT_SHEETS
    gaps = fit_gaps(day.distinct_gaps, changes, options, prior_houses=prior_houses)
    opens = np.append(True, changes > 0)
    day = replace(day, scenes=of_walks(day.scenes, opens))
    pictures = stage_model(day.scenes, opens)
    checked = pictures.start.size > 1 or not bool(np.isnan(day.xy[:, 0]).all())
    modes, log_modes = sheet_modes(options, checked=checked)
    sheets = sheet_log_likelihoods(rows, near, day.states, modes, options, papers, drives)
    all_read = not left and any(row.claims for row in rows)
    track = track_of(day, options)
    anchored = learn_sites_from_sheets(day, sites)
    positions = position_evidence(day, track, claims, sites, options)
    first = posterior(_scores(day, gaps, sheets, positions, pictures, log_modes, options, all_read=all_read))
    learn_sites(day, first.probability, sites, anchored)
    gaps = fit_gaps(day.distinct_gaps, first.boundary[1:], options, prior_houses=prior_houses)
    positions = position_evidence(day, track, claims, sites, options)
    papers = paper_rates(rows, 1.0 - first.boundary)
    sheets = sheet_log_likelihoods(rows, near, day.states, modes, options, papers, drives)
    pictures = stage_model(day.scenes, first.boundary > 0.5, FirstPass(_stages(first), first.boundary))
    scores = _scores(day, gaps, sheets, positions, pictures, log_modes, options, all_read=all_read)
    if not time_alone(day):  # else the places need not be houses
        lengths = house_length_log_odds(
            first.boundary, first.probability[:, -1], gaps.hazard, options, prior_houses=prior_houses
        )
        scores.enter[:, :-1] += lengths[:, None]
    segmentation = _segment_by_list(day, scores, first, left, options, listed=bool(claims))
    segmentation = with_one_house_each(day, segmentation, claims)
    segmentation = with_photos_between_houses(day, segmentation)
    unsupported = unsupported_photos(day, segmentation, claims, sites, left, positions.move)
    return _verdicts(day, segmentation, gaps, claims, sites, unsupported, options)


def _stages(first: Posterior) -> Floats:
    """(N, P + 1) probability of each stage at any house, an errand last."""
    return np.column_stack([first.stages[:, :-1].sum(axis=1), first.probability[:, -1]])


def _scores(
    day: Day,
    gaps: GapModel,
    sheets: tuple[Floats, Floats, Floats],
    positions: PositionEvidence,
    pictures: StageModel,
    log_modes: Floats,
    options: SplitOptions,
    *,
    all_read: bool,
) -> Scores:
    inside, first, last = sheets
    photos, count = inside.shape
    errand, unknown = count - 1, count - 2
    inside = inside.copy()
    move = positions.move
    within, between, aside = _gap_log_densities(day, gaps, options)
    stay = np.repeat((within + np.log(1 - gaps.hazard))[:, None], count, axis=1)
    # On an errand the next photo shows the same thing again, or something else after a drive.
    either = np.logaddexp(within, aside) - np.log(2.0)
    stay[:, errand] = either + np.log(ERRAND_CONTINUES) + np.logaddexp(0.0, move) - np.log(2.0)
    leave = np.repeat((between + np.log(gaps.hazard) + move)[:, None], count, axis=1)
    leave[:, errand] = aside + np.log(1 - ERRAND_CONTINUES) + move
    leave[:, :unknown] += positions.leave[:-1]
    inside[-1, :unknown] += positions.leave[-1]
    inside[:, :unknown] += positions.inside
    enter = np.log(_destination_priors(day, positions, options, all_read=all_read))
    enter[1:, errand] += aside - between
    if pictures.start.size == 1 and time_alone(day):
        enter[:, errand] -= DECISION  # time alone cannot tell an errand from a house
    enter[:, : unknown + 1] += positions.enter
    reentry = np.full((max(photos - 1, 0), count), -np.inf)
    reentry[:, unknown] = 0.0
    _apply_decisions(day, inside, stay, leave, reentry)
    emission = np.repeat(pictures.emission[:, None, :], count, axis=1)
    emission[:, errand] = pictures.errand[:, None]
    apart = 1.0 - np.eye(pictures.start.size)
    transition = pictures.transition + gaps.stage_change(day.distinct_gaps, options)[:, None, None] * apart
    return Scores(
        inside=inside,
        first=first,
        last=last,
        stay=stay,
        leave=leave,
        enter=enter,
        reentry=reentry,
        modes=log_modes,
        emission=emission,
        start=pictures.start,
        transition=transition,
        end=pictures.end,
    )


def _gap_log_densities(day: Day, gaps: GapModel, options: SplitOptions) -> tuple[Floats, Floats, Floats]:
    """(within a house, between houses, around an errand), each (N-1,); undated and repeated gaps weigh less."""
    within, between, aside = gaps.log_densities(day.gaps, options)
    if time_alone(day):
        odds = boundary_log_odds(day.gaps, gaps, options) - np.log(gaps.hazard / (1 - gaps.hazard))
        between = within + np.where(np.isnan(day.gaps), 0.0, odds)
    excess = np.minimum(between - within, LOST_CLOCK_CAP)
    between = np.where(day.undated, within + excess, between)
    between, aside = (np.where(day.repeated, v - within, v) for v in (between, aside))
    within = np.where(day.repeated, 0.0, within)
    aside = np.where(day.undated, within + np.minimum(aside - within, 0.0), aside)
    return within, between, aside


def _segment_by_list(
    day: Day,
    scores: Scores,
    first: Posterior,
    left: Collection[ClaimId],
    options: SplitOptions,
    *,
    listed: bool,
) -> Segmentation:
    """The segmentation, with as many houses that no sheet shows as the list's claims without a sheet allow.

    `first` is the posterior of the first pass. What the list adds to such a house is lowered as long as more of
    them are expected than claims are left; a house that begins with the sheet of another claim is none of them. `listed`
    says that there is a list at all.
    """
    read = {c for i in day.observations for c in i.sheet.claims}
    shown = read | {i.sheet.named for i in day.observations}
    waiting = len([c for c in left if c not in shown])
    unshown = _unshown(day)
    listed_rows = np.array([not i.sheet.of_another for i in day.observations])
    entered = _entered(first, unshown)[listed_rows]
    share = max(options.new_house, 1.0 - options.returns - options.errand)
    nats = log_odds_of_unread(waiting, float(entered[entered > SURE_ENTRY].sum()), share)
    if not waiting:
        return _by_complete_list(day, scores, unshown, nats) if listed and read else segment(scores)
    for _ in range(LIST_STEPS):
        enter = scores.enter.copy()
        enter[:, unshown] += nats
        found = posterior(replace(scores, enter=enter))
        expected = float(_entered(found, unshown)[listed_rows].sum())
        if expected <= waiting + LIST_SLACK or nats <= LEAST:
            break
        nats = max(LEAST, nats - float(np.log(expected / waiting)))
    return segment(replace(scores, enter=enter), found)


def _by_complete_list(day: Day, scores: Scores, unshown: NDArray[np.int64], nats: float) -> Segmentation:
    """The segmentation on a day on which every claim of the list was read: no house without a sheet is expected.

    The path takes such a house for less probable by `nats`, unless a sheet of another claim shows it. The posterior,
    which says what is to confirm, does not.
    """
    another = [i.sheet.of_another for i in day.observations]
    enter = scores.enter.copy()
    enter[:, unshown] += np.where(another, 0.0, nats)[:, None]
    found = posterior(scores)
    likely = found.probability.copy()
    likely[:, unshown] *= np.exp(nats)
    likely /= likely.sum(axis=1, keepdims=True)
    return segment(replace(scores, enter=enter), found, likely)


def _entered(found: Posterior, unshown: NDArray[np.int64]) -> Floats:
    """(N,) about how probable it is that a house that no sheet shows begins at each photo."""
    return np.asarray(found.boundary * found.probability[:, unshown].sum(axis=1))


def _unshown(day: Day) -> NDArray[np.int64]:
    """The columns of the houses that no sheet shows: claims with an address only, and the unknown house."""
    shown = {c for i in day.observations for c in (*i.sheet.claims, i.sheet.named)}
    return np.array([k for k, c in enumerate(day.states) if c not in shown] + [len(day.states)])


def time_alone(day: Day) -> bool:
    """Whether nothing but time (and pictures) is known: no sheet, no claim, no position, no person's decision."""
    bare = all(not i.sheet.claims and not i.is_manual for i in day.observations)
    return bare and not day.states and bool(np.isnan(day.xy[:, 0]).all())


def _destination_priors(
    day: Day, positions: PositionEvidence, options: SplitOptions, *, all_read: bool
) -> Floats:
    """(N, S) prior probability of each state after a boundary before each photo.

    With a sheet, all claims are equal. Without one, a claim whose sheet was read at another time of the
    day is improbable, and one that no sheet shows more probable, above all with an address next door.
    `all_read` says that every claim of the day's list, not only the day's candidates, had its sheet read.
    """
    photos, claims = len(day.observations), len(day.states)
    known = max(0.0, 1 - options.new_house - options.errand)
    shown = {c for i in day.observations for c in (*i.sheet.claims, i.sheet.named)}
    unseen = np.array([c not in shown for c in day.states], dtype=np.bool_)
    share = np.zeros((photos, claims + 2))
    share[:, claims], share[:, claims + 1] = options.new_house, options.errand
    if not claims:
        share[:, claims] += known
        return share
    share[:, :claims] = known / claims
    bare = np.array([not i.sheet.claims and i.sheet.named is None for i in day.observations], dtype=np.bool_)
    if unseen.any():
        share[np.ix_(bare, unseen)] = max(0.0, known - options.returns) / int(unseen.sum())
        share[np.ix_(bare, ~unseen)] = options.returns / max(1, int((~unseen).sum()))
        close = positions.next_door & unseen & bare[:, None]
        here = close.any(axis=1)
        share[here] *= 1 - options.neighbour_next
        share[:, :claims] += options.neighbour_next * close / np.maximum(1, close.sum(axis=1, keepdims=True))
    else:
        share[np.ix_(bare, ~unseen)] = options.returns / claims
        # The more of the listed houses had their sheets, the less a house without one is to be expected.
        had_sheets = claims if all_read else 0
        share[bare, claims] += (
            max(0.0, known - options.returns) * HOUSES_WEIGHT / (HOUSES_WEIGHT + had_sheets)
        )
    return share


def _apply_decisions(day: Day, inside: Floats, stay: Floats, leave: Floats, reentry: Floats) -> None:
    """Add people's decisions to the scores, in place."""
    count = inside.shape[1]
    column = {claim: k for k, claim in enumerate(day.states)}
    for i, observation in enumerate(day.observations):
        if observation.is_manual:
            wanted = count - 1 if observation.manual_claim is None else column[observation.manual_claim]
            inside[i, np.arange(count) != wanted] -= DECISION
        if i and observation.cut:
            stay[i - 1] -= DECISION
            reentry[i - 1, : count - 2] = SAME_CLAIM_AFTER_CUT
        elif i and observation.join:
            leave[i - 1] -= DECISION


def _verdicts(
    day: Day,
    segmentation: Segmentation,
    gaps: GapModel,
    claims: Mapping[ClaimId, Claim],
    sites: SiteEstimates,
    unsupported: Collection[int],
    options: SplitOptions,
) -> list[Verdict]:
    out = []
    stages = _stages(segmentation)
    confidence = segmentation.probability[np.arange(len(day.observations)), segmentation.states]
    confidence[sorted(unsupported)] = np.minimum(confidence[sorted(unsupported)], UNSUPPORTED_CONFIDENCE)
    for i in range(len(day.observations)):
        state = int(segmentation.states[i])
        claim = day.states[state] if state < len(day.states) else None
        opens = bool(segmentation.opens[i])
        out.append(
            Verdict(
                claim=claim,
                unknown=state == len(day.states),
                confidence=float(confidence[i]),
                opens=opens,
                probability=_boundary_near(segmentation, i, confidence < options.confirm_below)
                if opens
                else float(segmentation.boundary[i]),
                reasons=reasons_of(day, i, claim, gaps, claims, sites, stages) if opens else (),
                evident=bool(segmentation.boundary[i] > 2 * gaps.hazard),
            )
        )
    return out


def _boundary_near(segmentation: Segmentation, i: int, marked: NDArray[np.bool_]) -> float:
    """Probability of a boundary at photo i or near it: a few photos before or after, or among marked ones next to it.

    Where only the exact photo is in doubt, the photos around are marked and the boundary is not. The next boundaries
    drawn end the search.
    """
    opens, total = segmentation.opens, float(segmentation.boundary[i])
    for step in (-1, 1):
        between = True  # whether every photo between a boundary there and this one is marked
        for j in range(i + step, len(opens) if step > 0 else 0, step):
            between = between and bool(marked[j if step < 0 else j - 1])
            if opens[j] or not (between or abs(j - i) <= NEAR_BOUNDARY):
                break
            total += float(segmentation.boundary[j])
    return min(1.0, total)
