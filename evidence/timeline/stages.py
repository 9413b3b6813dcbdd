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

from evidence.model import SceneKind

Floats = NDArray[np.float64]

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
BEGINS, ENDS = (0.8, 0.15, 0.05), (0.25, 0.6, 0.15)
"""Share of houses that begin, and that end, at each stage."""
HOUSES_WEIGHT = 4.0
"""Houses that those shares count for, against the day's own."""
SPENT = (0.5, 0.42, 0.08)
"""Share of photos taken at each stage."""
TURN = ((0.983, 0.015, 0.002), (0.0015, 0.9965, 0.002), (0.010, 0.005, 0.985))
"""Chance that the next photo of the house is taken at each stage, where the ground comes first."""
CLOUDY = 0.1
"""Share of photos about which the image network may say anything."""
TRUST = 0.6
"""How much of what a picture says counts: the network errs alike on photos of one thing."""


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


def walking(scenes: Floats, stages: Floats | None = None, boundary: Floats | None = None) -> Walking:
    """Weigh the pictures of one day, with the priors alone or with what a first round made of the day.

    `scenes` is (N, K) as from `scene_rows`, `stages` (N, P + 1) the probability of each stage, an
    errand last, and `boundary` (N,) that of a new house before each photo.
    """
    known = ~np.isnan(scenes[:, 0])
    if not known.any():
        return unseen(len(scenes))
    shown = _shown()
    begins, ends, spent, turn = np.array(BEGINS), np.array(ENDS), np.array(SPENT), np.array(TURN)
    if stages is not None and boundary is not None:
        shown = _mixed(shown, stages[known].T @ scenes[known], SHOWN_WEIGHT)
        inside = stages[:, :-1]
        begins = _mixed(begins, boundary @ inside, HOUSES_WEIGHT)
        ends = _mixed(ends, np.append(boundary[1:], 1.0) @ inside, HOUSES_WEIGHT)
        spent = _mixed(spent, inside.sum(axis=0), SHOWN_WEIGHT)
        turn = _turned(turn, begins)
    likely = np.zeros((len(scenes), len(shown)))
    likely[known] = TRUST * np.log((1 - CLOUDY) * scenes[known] @ shown.T + CLOUDY / len(KINDS))
    return Walking(np.log(begins), np.log(turn), np.log(ends / spent), likely[:, :-1], likely[:, -1])


def _turned(turn: Floats, begins: Floats) -> Floats:
    """Turns on a day whose houses begin so: with ground and roof exchanged as far as they begin on the roof.

    Only beginnings teach this. Turns counted within houses would mistake every missed house for one.
    """
    ground, roof = STAGES.index("ground"), STAGES.index("roof")
    first, other = begins[ground] ** 2, begins[roof] ** 2
    order = np.arange(len(STAGES))
    order[[ground, roof]] = roof, ground
    return np.asarray((first * turn + other * turn[np.ix_(order, order)]) / (first + other))


def _shown() -> Floats:
    """(P + 1, K) shares of the kinds at each stage, an errand last."""
    rows = np.array([[_SHOWN[s].get(k, 0.0) for k in KINDS] for s in (*STAGES, "errand")])
    return np.asarray(rows + (1 - rows.sum(axis=1, keepdims=True)) / len(KINDS))


def _mixed(prior: Floats, counts: Floats, weight: float) -> Floats:
    """Shares along the last axis: the prior as `weight` observations, and the day's own."""
    total = counts + weight * prior
    return np.asarray(total / total.sum(axis=-1, keepdims=True))
