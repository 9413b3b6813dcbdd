"""What the pictures say of a day: round the house, on its roof, in its rooms, or somewhere between houses.

Within a house one goes from stage to stage seldom and mostly upwards; a new house begins at the
beginning again. So a pause on the roof is told from a drive to the next house although both last
as long. The numbers are common practice, no source; the day's own houses move most of them.
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

_SHOWN: Mapping[str, Mapping[SceneKind, float]] = {
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
"""Share of the kinds in each stage's photos; the rest is spread evenly over all kinds."""
SHOWN_WEIGHT = 60.0
"""Photos that the shares above count for, against the day's own."""
BEGINS, ENDS = (0.9, 0.07, 0.03), (0.2, 0.65, 0.15)
"""Share of houses that begin, and that end, at each stage, where the ground comes first."""
ROOF_FIRST = 0.2
"""Share of days on which the roof comes first; ground and roof are then exchanged."""
HOUSES_WEIGHT = 4.0
"""Houses that those shares count for, against the day's own."""
SPENT = (0.5, 0.42, 0.08)
"""Share of photos taken at each stage."""
TURN = ((0.983, 0.015, 0.002), (0.0015, 0.9965, 0.002), (0.004, 0.003, 0.993))
"""Chance that the next photo of the house is taken at each stage, where the ground comes first."""
CLOUDY = 0.1
"""Share of photos about which the image network may say anything."""
TRUST = 0.6
"""How much of what a picture says counts: the network errs alike on photos of one thing."""


_EXCHANGED = (1, 0, 2)
"""The stages with ground and roof exchanged."""


@dataclass(frozen=True, slots=True)
class Rounds:
    """What a first round over the day made of it."""

    stages: Floats
    """(N, P + 1) probability of each stage, an errand last."""
    boundary: Floats
    """(N,) probability of a new house before each photo."""


@dataclass(frozen=True, slots=True)
class Walking:
    """Where inspections of the day begin and end, and what the photos of each stage show. Log values."""

    start: Floats
    """(P,) a house begins at the stage."""
    turn: Floats
    """(P, P) from one stage to the next within a house."""
    end: Floats
    """(P,) a house ends here rather than anywhere."""
    sight: Floats
    """(N, P) each picture at each stage; zeros where nothing was seen."""
    errand: Floats
    """(N,) each picture between houses."""


def unseen(shots: int) -> Walking:
    """No pictures were looked at: one stage, which says nothing."""
    nought = np.zeros(1)
    return Walking(nought, np.zeros((1, 1)), nought, np.zeros((shots, 1)), np.zeros(shots))


def scene_rows(scenes: Sequence[Mapping[SceneKind, float]]) -> Floats:
    """(N, K) what the network said of each photo, rows summing to one; NaN where it was not asked."""
    rows = np.full((len(scenes), len(KINDS)), np.nan)
    for i, seen in enumerate(scenes):
        values = np.array([seen.get(k, 0.0) for k in KINDS])
        if values.sum() > 0:
            rows[i] = values / values.sum()
    return rows


def walking(scenes: Floats, opens: NDArray[np.bool_], sure: Rounds | None = None) -> Walking:
    """Weigh the pictures of one day, with the priors alone or with what a first round made of the day.

    `scenes` is (N, K) as from `scene_rows`; `opens` (N,) tells where houses are thought to begin, from
    which it is learnt whether the ground or the roof comes first that day.
    """
    known = ~np.isnan(scenes[:, 0])
    if not known.any():
        return unseen(len(scenes))
    shown = _shown()
    if sure is not None:
        shown = _mixed(shown, sure.stages[known].T @ scenes[known], SHOWN_WEIGHT)
    likely = np.zeros((len(scenes), len(shown)))
    likely[known] = TRUST * np.log((1 - CLOUDY) * scenes[known] @ shown.T + CLOUDY / len(KINDS))
    habits = _habits(likely[:, :-1], opens)
    begins, ends, spent = (habits @ _both_ways(shares) for shares in (BEGINS, ENDS, SPENT))
    if sure is not None:
        inside = sure.stages[:, :-1]
        begins = _mixed(begins, sure.boundary @ inside, HOUSES_WEIGHT)
        ends = _mixed(ends, np.append(sure.boundary[1:], 1.0) @ inside, HOUSES_WEIGHT)
        spent = _mixed(spent, inside.sum(axis=0), SHOWN_WEIGHT)
    turn = np.log(np.tensordot(habits, _both_ways(TURN), axes=1))
    return Walking(np.log(begins), turn, np.log(ends / spent), likely[:, :-1], likely[:, -1])


def _habits(likely: Floats, opens: NDArray[np.bool_]) -> Floats:
    """(2,) probability that the ground, and that the roof, comes first: forward recursion over houses given."""
    turn, begins = _both_ways(TURN), _both_ways(BEGINS)
    seen = np.exp(likely - likely.max(axis=1, keepdims=True))
    said = np.log([1 - ROOF_FIRST, ROOF_FIRST])

    def move(photo: int, row: Floats) -> Floats:
        return begins[:, None, :] if opens[photo + 1] else np.asarray(row @ turn)

    for one in forward(begins[:, None, :], seen, move):
        said = said + one.log_likelihood[:, 0]
    weight = np.exp(said - said.max())
    return np.asarray(weight / weight.sum())


def _both_ways(table: Sequence[object]) -> Floats:
    """(2, ...) a table by stage, (P,) or (P, P), where the ground comes first and where the roof does."""
    plain = np.array(table, dtype=np.float64)
    return np.stack([plain, plain[np.ix_(*[_EXCHANGED] * plain.ndim)]])


def _shown() -> Floats:
    """(P + 1, K) shares of the kinds at each stage, an errand last."""
    rows = np.array([[_SHOWN[s].get(k, 0.0) for k in KINDS] for s in (*STAGES, "errand")])
    return np.asarray(rows + (1 - rows.sum(axis=1, keepdims=True)) / len(KINDS))


def _mixed(prior: Floats, counts: Floats, weight: float) -> Floats:
    """Shares along the last axis: the prior as `weight` observations, and the day's own."""
    total = counts + weight * prior
    return np.asarray(total / total.sum(axis=-1, keepdims=True))
