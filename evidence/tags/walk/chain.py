"""Passes along the chain of the walk: what is believed of each photo, and what a confirmed walk counts as.

The recursions are those of `evidence.forward_backward`, run for all walks of the plan side by side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from evidence.forward_backward import Floats, forward
from evidence.forward_backward import forward_backward as both_passes
from evidence.tags.walk.model import GAP_EDGES, NO_GAP, Habits, WalkModel, in_rows
from evidence.tags.walk.plan import WalkPlan


def gap_bin(before: datetime | None, after: datetime | None) -> int:
    """The bin of the time between two photos; `NO_GAP` where either has no time or the order is reversed."""
    if before is None or after is None or after < before:
        return NO_GAP
    return int(np.searchsorted(GAP_EDGES, (after - before).total_seconds(), side="right"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Belief:
    """What the chain makes of one claim's photos."""

    steps: Floats
    """(photos, steps): everything heard."""
    habit: Floats
    """(photos, steps): what the walk and the other photos say, the photo itself not heard."""
    by_style: Floats
    """(styles, photos, steps)."""
    so_far: Floats
    """(styles, photos, steps): heard up to the photo itself, nothing after it."""
    styles: Floats
    """(styles,): which walk it was."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Between:
    """What is known of the moves between neighbouring photos; both of length photos - 1."""

    gaps: Sequence[int]
    """The bins of the times."""
    again: Floats
    """How much likelier the two pictures' likeness is if they are the same shot again than if not."""

    @classmethod
    def timed(cls, gaps: Sequence[int]) -> Between:
        """Times alone."""
        return cls(gaps=gaps, again=np.ones(len(gaps)))


def forward_backward(model: WalkModel, between: Between, heard: Floats) -> Belief:
    """Probabilities of the steps behind each photo.

    `heard` is (styles or 1, photos, steps), the likelihood of each photo's own evidence, positive in at
    least one step a photo, of any scale.
    """
    styles, steps = model.chain[0].shape
    photos = heard.shape[1]
    heard = np.broadcast_to(heard / heard.max(axis=(0, 2), keepdims=True), (styles, photos, steps))
    emissions = heard.transpose(1, 0, 2)[:, :, None]
    passes = both_passes(model.chain[0][:, None], emissions, _Moves.of(model, between))
    ahead, so_far, behind = (one[:, :, 0] for one in (passes.predicted, passes.filtered, passes.backward))
    habit = in_rows(ahead * behind).transpose(1, 0, 2)
    full = in_rows(habit * heard)
    shares = np.log(model.weights) + passes.log_likelihood[:, 0]
    shares = np.exp(shares - shares.max())
    shares /= shares.sum()
    return Belief(
        steps=np.einsum("s,stn->tn", shares, full),
        habit=np.einsum("s,stn->tn", shares, habit),
        by_style=full,
        so_far=so_far.transpose(1, 0, 2),
        styles=shares,
    )


def forward_evidence(model: WalkModel, between: Between, heard: Floats, cases: Floats) -> Floats:
    """(styles, cases): log-likelihood of a claim's photos under every walk and every case.

    `heard` is (photos, steps); `cases` (cases, photos, steps) are likelihoods that go on top of it.
    """
    start = model.chain[0]
    heard = heard / heard.max(axis=1, keepdims=True)
    evidence = np.zeros((len(start), len(cases)))
    opening = np.broadcast_to(start[:, None], (len(start), len(cases), start.shape[1]))
    emissions = (one * cases[:, photo] for photo, one in enumerate(heard))
    for step in forward(opening, emissions, _Moves.of(model, between).forward):
        evidence += step.log_likelihood
    return evidence


@dataclass(frozen=True, slots=True)
class _Moves:
    """The moves from photo to photo under each walk. Weights are (styles, cases, steps)."""

    chain: Floats
    """(bins, styles, steps, steps)"""
    stay: Floats
    """(bins, styles, steps)"""
    gaps: Sequence[int]
    more: Floats
    """How much likelier than the chain has it the same shot again is, less one."""

    @classmethod
    def of(cls, model: WalkModel, between: Between) -> _Moves:
        """The moves of one claim's photos."""
        return cls(model.chain[1], model.stay, between.gaps, between.again - 1.0)

    def forward(self, step: int, weights: Floats) -> Floats:
        """Weights of the steps at the next photo."""
        gap = self.gaps[step]
        again = self.more[step] * weights * self.stay[gap][:, None]
        return np.asarray(np.matmul(weights, self.chain[gap]) + again)

    def backward(self, step: int, weights: Floats) -> Floats:
        """The weight of what follows each step of a photo."""
        gap = self.gaps[step]
        later = np.matmul(self.chain[gap], weights.swapaxes(1, 2)).swapaxes(1, 2)
        return np.asarray(later + self.more[step] * self.stay[gap][:, None] * weights)


def count_moves(model: WalkModel, between: Between, heard: Floats, trust: Floats) -> tuple[Belief, Habits]:
    """The belief about one walk, and its expected counts (the E step of Baum and Welch), to be added up.

    `heard` is (1, photos, steps). `trust` (photos,) says how much each photo's tag may teach, 0 to 1: with
    every tag confirmed the counts are nearly whole numbers.
    """
    belief = forward_backward(model, between, heard)
    plan, chain = model.plan, model.chain[1]
    every = np.arange(len(plan.steps))
    pairs = np.zeros_like(chain[0])
    gap_counts = Habits.none(plan).gaps.copy()
    likely = np.flatnonzero(belief.styles > 1e-3)
    for t, bin_ in enumerate(between.gaps):
        weight = math.sqrt(trust[t] * trust[t + 1])
        if weight == 0:
            continue
        # the posterior of a pair is the share of the first in reaching the second, times the
        # posterior of the second
        now = belief.so_far[likely, t][:, :, None] * chain[bin_, likely]
        now[:, every, every] *= between.again[t]
        reach = np.maximum(now.sum(axis=1), 1e-300)
        after = belief.styles[likely, None] * belief.by_style[likely, t + 1] / reach
        joint = weight * now * after[:, None]
        pairs[likely] += joint
        if bin_ != NO_GAP:
            together = joint.sum(axis=0)
            gap_counts[:, bin_] += np.bincount(
                model.classes.ravel(), together.ravel(), minlength=len(gap_counts)
            )
    return belief, _gathered(plan, pairs, belief, gap_counts, trust)


def _gathered(plan: WalkPlan, pairs: Floats, belief: Belief, gap_counts: Floats, trust: Floats) -> Habits:
    """Counts of moves between steps, (styles, steps, steps), as counts of what the chain is made of."""
    counts = Habits.none(plan)
    steps = plan.steps
    kind = np.array([step.kind for step in steps])
    shot = np.array([step.shot for step in steps])
    place = np.array([step.place for step in steps])
    at_place = np.zeros((len(steps), len(plan.places)))
    at_place[np.arange(len(steps)), place] = 1.0
    together, stays = pairs.sum(axis=0), place[:, None] == place[None]
    moves = np.where(stays, 0.0, together)
    from_, to = np.nonzero(stays)
    np.add.at(counts.within, (kind[from_], shot[to]), together[from_, to])
    np.add.at(counts.within[:, -1], kind, moves.sum(axis=1))
    np.add.at(counts.opens, kind, moves.sum(axis=0) + trust[0] * belief.steps[0])
    starts = trust[0] * belief.styles[:, None] * (belief.by_style[:, 0] @ at_place)
    places = at_place.T @ np.where(stays, 0.0, pairs) @ at_place
    return replace(counts, gaps=gap_counts, styles=trust.mean() * belief.styles, starts=starts, places=places)
