"""Log-likelihood of the time between two photos: within a house, and between two houses."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np

from evidence.forward_backward import Floats
from evidence.timeline.values import SplitOptions

SHORTEST_GAP = 0.5
"""Seconds; stamps without sub-seconds cannot resolve less."""
LOG_RANGE = log(40_000.0)
"""Log gaps lie between half a second and most of a day."""
OUTLIER_SHARE = 0.03
"""Share of gaps of either kind that fit neither model: uniform over the log range."""
PRIOR_GAPS = 8.0
"""Weight of the prior, as a number of gaps."""
WITHIN_WIDTH, PAUSE_WIDTH, BETWEEN_WIDTH, ERRAND_WIDTH = 1.0, 1.0, 0.9, 1.3
"""Standard deviations of the log gap: most gaps lie within a factor of e**width of their median."""
ERRAND_MEDIAN = 300.0
"""Seconds between a house and a photo taken on the way to the next."""
CLIMB_MEDIAN, CLIMB_SHARE = 150.0, 0.6
"""Seconds from the last photo on the ground to the first on the roof, if the ladder must be set up first;
and the share of such moves for which it must."""
MOST_BOUNDARIES = 0.1
"""Highest prior probability of a boundary after a photo."""
LOST_CLOCK_CAP = 2.0
"""Log-odds (nats) that a gap on a clock without a date may add at most; too few to split by themselves."""


@dataclass(frozen=True, slots=True)
class GapModel:
    """Log-normal gaps in seconds within a house and between houses, fitted to one day."""

    within: tuple[float, float]
    """Mean and standard deviation of the log gap."""
    between: tuple[float, float]
    hazard: float
    """Probability of a boundary after a photo."""

    def stage_change(self, gaps: Floats, options: SplitOptions) -> Floats:
        """Log density of the gaps at a change of stage, less that of any gap within a house."""
        x = np.log(np.maximum(gaps, SHORTEST_GAP))
        climb = _normal(x, log(CLIMB_MEDIAN), PAUSE_WIDTH)
        changed = (1 - CLIMB_SHARE) * _normal(x, *self.within) + CLIMB_SHARE * climb
        floor = 0.1 * OUTLIER_SHARE / LOG_RANGE
        return np.nan_to_num(np.log(changed + floor) - self.log_densities(gaps, options)[0])

    def log_densities(self, gaps: Floats, options: SplitOptions) -> tuple[Floats, Floats, Floats]:
        """Log densities of the gaps (within, between, around an errand); zero for an unknown gap (NaN)."""
        x = np.log(np.maximum(gaps, SHORTEST_GAP))
        even = OUTLIER_SHARE / LOG_RANGE
        pause = _normal(x, log(options.pause_median), PAUSE_WIDTH)
        inside = (1 - options.pause_share) * _normal(x, *self.within) + options.pause_share * pause
        within = np.log(inside + 0.1 * even)
        between = np.log((1 - OUTLIER_SHARE) * _normal(x, *self.between) + even)
        errand = np.log((1 - OUTLIER_SHARE) * _normal(x, log(ERRAND_MEDIAN), ERRAND_WIDTH) + even)
        unknown = np.isnan(gaps)
        return np.where(unknown, 0.0, within), np.where(unknown, 0.0, between), np.where(unknown, 0.0, errand)


def _normal(x: Floats, mean: float, width: float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - mean) / width) ** 2) / (width * (2 * pi) ** 0.5))


def fit_gaps(gaps: Floats, crossing: Floats, options: SplitOptions) -> GapModel:
    """Fit both kinds of gap to the day: medians for the many within houses, weighted moments for the few between.

    `crossing` is the probability that each gap is a boundary (one step of EM). The priors count as
    `PRIOR_GAPS` gaps: they dominate on a day of ten photos, and hardly matter on a day of a thousand.
    """
    known = ~np.isnan(gaps)
    x, p = np.log(np.maximum(gaps[known], SHORTEST_GAP)), crossing[known]
    inside = x[p < 0.5]
    mean, width = log(options.within_median), WITHIN_WIDTH
    if inside.size:
        share = inside.size / (inside.size + PRIOR_GAPS)
        centre = float(np.median(inside))
        spread = max(0.6, 1.4826 * float(np.median(np.abs(inside - centre))))
        mean, width = share * centre + (1 - share) * mean, share * spread + (1 - share) * width
    weight = float(p.sum())
    prior = log(options.between_median)
    across = (float((p * x).sum()) + PRIOR_GAPS * prior) / (weight + PRIOR_GAPS)
    spread2 = (float((p * (x - across) ** 2).sum()) + PRIOR_GAPS * BETWEEN_WIDTH**2) / (weight + PRIOR_GAPS)
    hazard = (1.0 + float(crossing.sum())) / (options.photos_per_house + crossing.size)
    return GapModel((mean, width), (across, spread2**0.5), min(MOST_BOUNDARIES, hazard))
