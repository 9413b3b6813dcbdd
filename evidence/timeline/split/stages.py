"""Log-likelihood of pictures by stage: the ground around a house, its roof, its rooms, or an errand.

Within a house the stage changes seldom and mostly upwards; a new house starts at the beginning again.
So a pause on the roof can be told from a drive to the next house although both take as long. The
numbers are common practice, no source; the day's own houses adjust most of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats, forward
from evidence.model import SceneKind

STAGES = ("ground", "roof", "rooms")
KINDS = tuple(SceneKind)

_KIND_SHARES: Mapping[str, Mapping[SceneKind, float]] = {
    "ground": {SceneKind.HOUSE: 0.45, SceneKind.FIXTURE: 0.25, SceneKind.OTHER: 0.2},
    "roof": {SceneKind.SHINGLE: 0.4, SceneKind.ROOF: 0.3, SceneKind.FIXTURE: 0.15, SceneKind.GAUGE: 0.05},
    "rooms": {SceneKind.INTERIOR: 0.75, SceneKind.OTHER: 0.15},
    "errand": {
        SceneKind.OTHER: 0.55,
        SceneKind.HOUSE: 0.15,
        SceneKind.INTERIOR: 0.1,
        SceneKind.FIXTURE: 0.05,
    },
}
"""Share of the kinds of picture at each stage; the rest is spread evenly over all kinds."""
KIND_WEIGHT = 60.0
"""Weight of those shares, as a number of photos."""
STARTS, ENDS = (0.9, 0.07, 0.03), (0.2, 0.65, 0.15)
"""Share of houses that begin, and that end, at each stage, if the ground comes first."""
ROOF_FIRST = 0.2
"""Share of days on which the roof comes first; ground and roof are then exchanged."""
HOUSES_WEIGHT = 4.0
"""Weight of those shares, as a number of houses."""
PHOTO_SHARES = (0.5, 0.42, 0.08)
"""Share of photos taken at each stage."""
TRANSITIONS = ((0.983, 0.015, 0.002), (0.0015, 0.9965, 0.002), (0.004, 0.003, 0.993))
"""Probability that the next photo of the house is taken at each stage, if the ground comes first."""
UNRELIABLE = 0.1
"""Share of photos for which the image network's output is random."""
PICTURE_WEIGHT = 0.6
"""Weight of each picture's log-likelihood: the network makes the same error on similar photos."""
FEWEST_PICTURES = 30
"""Pictures of a day from which it shows whether they follow a walk."""

_ROOF_FIRST_ORDER = (1, 0, 2)
"""The stages with ground and roof exchanged."""


@dataclass(frozen=True, slots=True)
class FirstPass:
    """The posterior of the first pass over the day."""

    stages: Floats
    """(N, P + 1) probability of each stage, an errand last."""
    boundary: Floats
    """(N,) probability of a new house before each photo."""


@dataclass(frozen=True, slots=True)
class StageModel:
    """Log-probabilities of the stages of the day's inspections and of their pictures."""

    start: Floats
    """(P,) a house begins at the stage."""
    transition: Floats
    """(P, P) from each stage to each stage within a house."""
    end: Floats
    """(P,) a house ends at the stage, relative to any stage."""
    emission: Floats
    """(N, P) each picture at each stage; zeros where it was not analysed."""
    errand: Floats
    """(N,) each picture on an errand."""


def without_pictures(photos: int) -> StageModel:
    """The model for a day without analysed pictures: one stage, all zeros."""
    nought = np.zeros(1)
    return StageModel(nought, np.zeros((1, 1)), nought, np.zeros((photos, 1)), np.zeros(photos))


def scene_rows(scenes: Sequence[Mapping[SceneKind, float]]) -> Floats:
    """(N, K) the network's probabilities for each photo, rows summing to one; NaN where it was not analysed."""
    rows = np.full((len(scenes), len(KINDS)), np.nan)
    for i, seen in enumerate(scenes):
        values = np.array([seen.get(k, 0.0) for k in KINDS])
        if values.sum() > 0:
            rows[i] = values / values.sum()
    return rows


def stage_model(scenes: Floats, opens: NDArray[np.bool_], first_pass: FirstPass | None = None) -> StageModel:
    """The stage model of one day, from the priors and, if given, the posterior of a first pass.

    `scenes` is (N, K) from `scene_rows`; `opens` (N,) marks where houses are estimated to begin. From
    these follows whether the ground or the roof comes first that day.
    """
    known = ~np.isnan(scenes[:, 0])
    if not known.any():
        return without_pictures(len(scenes))
    kind_shares = _kind_shares()
    if first_pass is not None:
        kind_shares = _dirichlet_mean(kind_shares, first_pass.stages[known].T @ scenes[known], KIND_WEIGHT)
    likely = np.zeros((len(scenes), len(kind_shares)))
    likely[known] = _log_likelihoods(scenes[known], kind_shares)
    order, _ = _order_posterior(likely[:, :-1], opens)
    begins, ends, spent = (order @ _both_orders(shares) for shares in (STARTS, ENDS, PHOTO_SHARES))
    if first_pass is not None:
        inside = first_pass.stages[:, :-1]
        begins = _dirichlet_mean(begins, first_pass.boundary @ inside, HOUSES_WEIGHT)
        ends = _dirichlet_mean(ends, np.append(first_pass.boundary[1:], 1.0) @ inside, HOUSES_WEIGHT)
        spent = _dirichlet_mean(spent, inside.sum(axis=0), KIND_WEIGHT)
    transition = np.log(np.tensordot(order, _both_orders(TRANSITIONS), axes=1))
    return StageModel(np.log(begins), transition, np.log(ends / spent), likely[:, :-1], likely[:, -1])


def of_walks(scenes: Floats, opens: NDArray[np.bool_]) -> Floats:
    """The pictures (N, K), or none of them (NaN) if their order fits no walk: plain walls, or all alike.

    Pictures in the order of a walk are more probable under the stages than in any order in the day's own
    shares. A few pictures are kept as they are.
    """
    known = ~np.isnan(scenes[:, 0])
    if known.sum() < FEWEST_PICTURES:
        return scenes
    likely = np.zeros((len(scenes), len(STAGES)))
    likely[known] = _log_likelihoods(scenes[known], _kind_shares()[:-1])
    in_order = _order_posterior(likely, opens)[1]
    in_any_order = float(_log_likelihoods(scenes[known], scenes[known].mean(axis=0)).sum())
    return scenes if in_order > in_any_order else np.full_like(scenes, np.nan)


def _log_likelihoods(scenes: Floats, shares: Floats) -> Floats:
    """(N, ...) of pictures (N, K) under shares of the kinds, (K,) or (P, K)."""
    return np.asarray(PICTURE_WEIGHT * np.log((1 - UNRELIABLE) * scenes @ shares.T + UNRELIABLE / len(KINDS)))


def _order_posterior(likely: Floats, opens: NDArray[np.bool_]) -> tuple[Floats, float]:
    """(2,) probability that the ground, and that the roof, comes first, given where houses begin; log-likelihood."""
    transition, begins = _both_orders(TRANSITIONS), _both_orders(STARTS)
    seen = np.exp(likely - likely.max(axis=1, keepdims=True))
    log_weight = np.log([1 - ROOF_FIRST, ROOF_FIRST])

    def move(photo: int, row: Floats) -> Floats:
        return begins[:, None, :] if opens[photo + 1] else np.asarray(row @ transition)

    for one in forward(begins[:, None, :], seen, move):
        log_weight = log_weight + one.log_likelihood[:, 0]
    weight = np.exp(log_weight - log_weight.max())
    best = float(log_weight.max() + np.log(weight.sum()))
    return np.asarray(weight / weight.sum()), best + float(likely.max(axis=1).sum())


def _both_orders(table: Sequence[object]) -> Floats:
    """(2, ...) a table by stage, (P,) or (P, P), if the ground comes first and if the roof does."""
    plain = np.array(table, dtype=np.float64)
    return np.stack([plain, plain[np.ix_(*[_ROOF_FIRST_ORDER] * plain.ndim)]])


def _kind_shares() -> Floats:
    """(P + 1, K) shares of the kinds at each stage, an errand last."""
    rows = np.array([[_KIND_SHARES[s].get(k, 0.0) for k in KINDS] for s in (*STAGES, "errand")])
    return np.asarray(rows + (1 - rows.sum(axis=1, keepdims=True)) / len(KINDS))


def _dirichlet_mean(prior: Floats, counts: Floats, weight: float) -> Floats:
    """Posterior mean along the last axis: the prior counts as `weight` observations."""
    total = counts + weight * prior
    return np.asarray(total / total.sum(axis=-1, keepdims=True))
