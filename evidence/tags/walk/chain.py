"""Inference along the walk: the posterior of each photo's step, and the expected counts of a confirmed walk.

The recursions are those of `evidence.forward_backward`, run for all styles of the plan side by side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from evidence.forward_backward import Floats, forward
from evidence.forward_backward import forward_backward as both_passes
from evidence.tags.walk.model import GAP_EDGES, NO_GAP, WalkCounts, WalkModel, normalised
from evidence.tags.walk.plan import WalkPlan


def gap_bin(before: datetime | None, after: datetime | None) -> int:
    """The bin of the time between two photos; `NO_GAP` where a time is missing or the order is reversed."""
    if before is None or after is None or after < before:
        return NO_GAP
    return int(np.searchsorted(GAP_EDGES, (after - before).total_seconds(), side="right"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WalkPosterior:
    """Posterior probabilities of one claim's photos."""

    steps: Floats
    """(photos, steps): given all evidence."""
    habit: Floats
    """(photos, steps): given the walk and the other photos, without the evidence of the photo itself."""
    by_style: Floats
    """(styles, photos, steps): given all evidence, under each style."""
    filtered: Floats
    """(styles, photos, steps): given the evidence up to the photo itself."""
    styles: Floats
    """(styles,): probability of each style."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeighbourEvidence:
    """Evidence on the moves between neighbouring photos; both of length photos - 1."""

    gaps: Sequence[int]
    """The bins of the times."""
    again_odds: Floats
    """Likelihood ratio of the two pictures' similarity: the same kind of photo again over any other."""

    @classmethod
    def timed(cls, gaps: Sequence[int]) -> NeighbourEvidence:
        """Times only."""
        return cls(gaps=gaps, again_odds=np.ones(len(gaps)))


def forward_backward(model: WalkModel, neighbours: NeighbourEvidence, likelihoods: Floats) -> WalkPosterior:
    """Posterior probabilities of the step of each photo.

    `likelihoods` (styles or 1, photos, steps) are those of each photo's own evidence, of any scale, positive
    in at least one step of each photo.
    """
    styles, steps = model.starts.shape
    photos = likelihoods.shape[1]
    likelihoods = np.broadcast_to(
        likelihoods / likelihoods.max(axis=(0, 2), keepdims=True), (styles, photos, steps)
    )
    emissions = likelihoods.transpose(1, 0, 2)[:, :, None]
    passes = both_passes(model.starts[:, None], emissions, _Moves.of(model, neighbours))
    ahead, filtered, behind = (one[:, :, 0] for one in (passes.predicted, passes.filtered, passes.backward))
    habit = normalised(ahead * behind).transpose(1, 0, 2)
    full = normalised(habit * likelihoods)
    shares = np.log(model.weights) + passes.log_likelihood[:, 0]
    shares = np.exp(shares - shares.max())
    shares /= shares.sum()
    return WalkPosterior(
        steps=np.einsum("s,stn->tn", shares, full),
        habit=np.einsum("s,stn->tn", shares, habit),
        by_style=full,
        filtered=filtered.transpose(1, 0, 2),
        styles=shares,
    )


def log_likelihoods(
    model: WalkModel, neighbours: NeighbourEvidence, likelihoods: Floats, cases: Floats
) -> Floats:
    """(styles, cases): log-likelihood of a claim's photos under every style and every case.

    `likelihoods` is (photos, steps); those of `cases` (cases, photos, steps) are multiplied with it.
    """
    start = model.starts
    likelihoods = likelihoods / likelihoods.max(axis=1, keepdims=True)
    evidence = np.zeros((len(start), len(cases)))
    opening = np.broadcast_to(start[:, None], (len(start), len(cases), start.shape[1]))
    emissions = (one * cases[:, photo] for photo, one in enumerate(likelihoods))
    for step in forward(opening, emissions, _Moves.of(model, neighbours).forward):
        evidence += step.log_likelihood
    return evidence


@dataclass(frozen=True, slots=True)
class _Moves:
    """The transitions from photo to photo under each style. Weights are (styles, cases, steps)."""

    model: WalkModel
    gaps: Sequence[int]
    more: Floats
    """`NeighbourEvidence.again_odds` minus one."""

    @classmethod
    def of(cls, model: WalkModel, neighbours: NeighbourEvidence) -> _Moves:
        """The moves of one claim's photos."""
        return cls(model, neighbours.gaps, neighbours.again_odds - 1.0)

    def forward(self, step: int, weights: Floats) -> Floats:
        """Weights of the steps at the next photo."""
        gap = self.gaps[step]
        again = self.more[step] * weights * self.model.stay(gap)[:, None]
        return np.asarray(np.matmul(weights, self.model.transitions(gap)) + again)

    def backward(self, step: int, weights: Floats) -> Floats:
        """The weight of what follows each step of a photo."""
        gap = self.gaps[step]
        later = np.matmul(self.model.transitions(gap), weights.swapaxes(1, 2)).swapaxes(1, 2)
        return np.asarray(later + self.more[step] * self.model.stay(gap)[:, None] * weights)


def expected_counts(
    model: WalkModel, neighbours: NeighbourEvidence, likelihoods: Floats, trust: Floats
) -> tuple[WalkPosterior, WalkCounts]:
    """The posterior of one walk and its expected counts (the E step of Baum and Welch).

    `likelihoods` is (1, photos, steps). `trust` (photos,), 0 to 1, weighs the counts of each photo: with every
    tag confirmed they are nearly whole numbers.
    """
    posterior = forward_backward(model, neighbours, likelihoods)
    plan = model.plan
    every = np.arange(len(plan.steps))
    pairs = np.zeros_like(model.moves)
    gap_counts = WalkCounts.zeros(plan).gaps.copy()
    probable = np.flatnonzero(posterior.styles > 1e-3)
    for t, bin_ in enumerate(neighbours.gaps):
        weight = math.sqrt(trust[t] * trust[t + 1])
        if weight == 0:
            continue
        # the posterior of a pair is the share of the first step in reaching the second one, times the
        # posterior of the second
        now = posterior.filtered[probable, t][:, :, None] * model.transitions(bin_)[probable]
        now[:, every, every] *= neighbours.again_odds[t]
        reach = np.maximum(now.sum(axis=1), 1e-300)
        after = posterior.styles[probable, None] * posterior.by_style[probable, t + 1] / reach
        joint = weight * now * after[:, None]
        pairs[probable] += joint
        if bin_ != NO_GAP:
            together = joint.sum(axis=0)
            gap_counts[:, bin_] += np.bincount(
                model.classes.ravel(), together.ravel(), minlength=len(gap_counts)
            )
    return posterior, _as_parameters(plan, pairs, posterior, gap_counts, trust)


def _as_parameters(
    plan: WalkPlan, pairs: Floats, posterior: WalkPosterior, gap_counts: Floats, trust: Floats
) -> WalkCounts:
    """Counts of moves between steps, (styles, steps, steps), as counts of the parameters of the model."""
    counts = WalkCounts.zeros(plan)
    steps = plan.steps
    kind = np.array([step.kind for step in steps])
    in_stage = np.array([step.in_stage for step in steps])
    place = np.array([step.place for step in steps])
    at_place = np.zeros((len(steps), len(plan.places)))
    at_place[np.arange(len(steps)), place] = 1.0
    together, stays = pairs.sum(axis=0), place[:, None] == place[None]
    moves = np.where(stays, 0.0, together)
    from_, to = np.nonzero(stays)
    np.add.at(counts.within, (kind[from_], in_stage[to]), together[from_, to])
    np.add.at(counts.within[:, -1], kind, moves.sum(axis=1))
    np.add.at(counts.opens, kind, moves.sum(axis=0) + trust[0] * posterior.steps[0])
    starts = trust[0] * posterior.styles[:, None] * (posterior.by_style[:, 0] @ at_place)
    places = at_place.T @ np.where(stays, 0.0, pairs) @ at_place
    return replace(
        counts, gaps=gap_counts, styles=trust.mean() * posterior.styles, starts=starts, places=places
    )
