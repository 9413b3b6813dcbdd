"""Boundaries from time alone, on a day without sheets, claims and positions.

Two views of each gap are combined. One compares it with the gaps around it: the adaptive rule of Platt,
Czerwinski and Field, PhotoTOC (2003), formula from memory. The other compares it with the pauses and drives
of inspections. Which of them counts depends on how many photos the rule leaves between two boundaries:
inspections have 60 and more.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.timeline.split.gaps import BETWEEN_WIDTH, SHORTEST_GAP, GapModel
from evidence.timeline.values import SplitOptions

RULE_MARGIN, RULE_WINDOW = log(17), 10
"""The rule marks a gap whose log is this much above the mean of those up to so many places before and after."""
RULE_SLOPE = 3.0
"""Log-odds (nats) of a boundary for each e-fold of the gap beyond the rule's margin."""
SHORT_STRETCH, STRETCH_WIDTH = 25.0, 3.0
"""Mean photos between the rule's marks at which both views count the same, and how fast that changes."""
PAUSES_BELOW, PAUSES_WIDTH = 150.0, 0.1
"""Median seconds of the marked gaps below which they are pauses in one person's rhythm, and how fast that changes."""
PRIOR_BOUNDARIES = 5.0
"""Weight of the prior share of boundaries, as a number of boundaries."""
STEPS = 6
"""Rounds in which the share of boundaries and the drives of the day are estimated."""


def boundary_log_odds(gaps: Floats, model: GapModel, options: SplitOptions) -> Floats:
    """(N-1,) log-odds (nats) of a boundary at each gap in seconds, from nothing but the gaps; zero if unknown."""
    known = ~np.isnan(gaps)
    out = np.zeros_like(gaps)
    if not known.any():
        return out
    x = np.log(np.maximum(gaps[known], SHORTEST_GAP))
    rule = RULE_SLOPE * (np.maximum(x, 0.0) - local_mean(np.maximum(x, 0.0)) - RULE_MARGIN)
    share = _share_of_the_rule(x, rule >= 0.0)
    out[known] = share * rule + (1.0 - share) * _as_inspections(gaps[known], x, model, options)
    return out


def _share_of_the_rule(x: Floats, marks: NDArray[np.bool_]) -> float:
    """How much the rule counts: little if its boundaries are far apart, or it marks mostly short pauses."""
    if not marks.any():
        return 0.0
    stretch = (x.size + 1) / (int(marks.sum()) + 1)
    short_stretches = 1.0 / (1.0 + exp((stretch - SHORT_STRETCH) / STRETCH_WIDTH))
    excess = (log(PAUSES_BELOW) - float(np.median(x[marks]))) / PAUSES_WIDTH
    return short_stretches / (1.0 + exp(min(excess, 50.0)))


def local_mean(x: Floats) -> Floats:
    """(N,) mean of the values up to `RULE_WINDOW` places before and after each; fewer at the ends."""
    total = np.concatenate([[0.0], np.cumsum(x)])
    places = np.arange(x.size)
    low, high = np.maximum(places - RULE_WINDOW, 0), np.minimum(places + RULE_WINDOW + 1, x.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _as_inspections(gaps: Floats, x: Floats, model: GapModel, options: SplitOptions) -> Floats:
    """Log-odds if the day consists of inspections: drives against the pauses within a house, by EM."""
    within = replace(model, meals=0.0).log_densities(gaps, options)[0]
    hazard, mean = 1.0 / options.photos_per_house, log(options.between_median)
    odds = np.zeros_like(x)
    for _ in range(STEPS):
        density = np.exp(-0.5 * ((x - mean) / BETWEEN_WIDTH) ** 2) / (BETWEEN_WIDTH * (2 * np.pi) ** 0.5)
        # A gap longer than the usual drive is a boundary no less than the usual drive is.
        density = np.where(x > mean, density.max(initial=0.0), density)
        odds = np.log(hazard / (1.0 - hazard)) + np.log(density + 1e-12) - within
        p = 1.0 / (1.0 + np.exp(-np.clip(odds, -50.0, 50.0)))
        hazard = (PRIOR_BOUNDARIES + float(p.sum())) / (PRIOR_BOUNDARIES * options.photos_per_house + x.size)
        mean = (float((p * x).sum()) + 8.0 * log(options.between_median)) / (float(p.sum()) + 8.0)
    return np.asarray(odds)
