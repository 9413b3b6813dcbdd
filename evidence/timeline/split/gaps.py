"""Log-likelihood of the time between two photos: within a house, and between two houses."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np

from evidence.forward_backward import Floats
from evidence.timeline.values import SplitOptions

SHORTEST_GAP = 0.5
"""Seconds; stamps without sub-seconds cannot tell less."""
LOG_RANGE = log(40_000.0)
"""Log gaps lie between half a second and most of a day."""
OUTLIER_SHARE = 0.03
"""Share of gaps of either kind that follow no rule and are spread evenly over the log range."""
PRIOR_GAPS = 8.0
"""Weight of the prior, in gaps, against the day's own."""
WITHIN_WIDTH, PAUSE_WIDTH, BETWEEN_WIDTH, ERRAND_WIDTH = 1.0, 1.0, 0.9, 1.3
"""Standard deviations of the log gap: most gaps lie within a factor of e**width of their median."""
ERRAND_MEDIAN = 300.0
"""Seconds from a house to a photo taken on the way, or from one to the next house."""
CLIMB_MEDIAN, CLIMB_SHARE = 150.0, 0.6
"""Seconds from the last photo on the ground to the first on the roof, where the ladder must first be set up,
and the share of such moves that take longer than any other step."""
MOST_BOUNDARIES = 0.1
"""Highest chance of a boundary after any photo, whatever the day seems to show."""
LOST_CLOCK_CAP = 2.0
"""Nats that gaps of a clock without a date may add to other evidence; too few to split by themselves."""


@dataclass(frozen=True, slots=True)
class GapModel:
    """Log-normal gaps in seconds within a house and between houses, fitted to one day."""

    within: tuple[float, float]
    """Mean and standard deviation of the log gap."""
    between: tuple[float, float]
    hazard: float
    """Chance of a boundary after a photo."""

    def stage_change(self, gaps: Floats, options: SplitOptions) -> Floats:
        """Log density of gaps at which one goes from one part of the house to the next, over that of any gap."""
        x = np.log(np.maximum(gaps, SHORTEST_GAP))
        climb = _normal(x, log(CLIMB_MEDIAN), PAUSE_WIDTH)
        changed = (1 - CLIMB_SHARE) * _normal(x, *self.within) + CLIMB_SHARE * climb
        floor = 0.1 * OUTLIER_SHARE / LOG_RANGE
        return np.nan_to_num(np.log(changed + floor) - self.log_densities(gaps, options)[0])

    def log_densities(self, gaps: Floats, options: SplitOptions) -> tuple[Floats, Floats, Floats]:
        """Log densities of the gaps (within, between, around an errand); an unknown gap (NaN) says nothing."""
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
    """Fit both kinds of gap to the day: medians for the many within, weighted moments for the few between.

    `crossing` is the probability that each gap is a boundary (one step of EM). Priors count as
    `PRIOR_GAPS` gaps, so a day of ten photos keeps to them and a day of a thousand to itself.
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
