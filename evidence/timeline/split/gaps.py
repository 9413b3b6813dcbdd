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
PRIOR_HOUSES, PRIOR_WITHOUT_SHEETS = 0.25, 1.0
"""Weight of the prior number of photos of a house, as a number of houses, because adjusters differ by a factor of ten; and on a
day without a read sheet, on which nothing but the model itself shows where houses begin."""
WITHIN_WIDTH, PAUSE_WIDTH, BETWEEN_WIDTH, ERRAND_WIDTH = 1.0, 1.0, 0.9, 1.3
"""Standard deviations of the log gap: most gaps lie within a factor of e**width of their median."""
ERRAND_MEDIAN = 300.0
"""Seconds between a house and a photo taken on the way to the next."""
CLIMB_MEDIAN, CLIMB_SHARE = 150.0, 0.6
"""Seconds from the last photo on the ground to the first on the roof, if the ladder must be set up first;
and the share of such moves for which it must."""
SHORT_PAUSE, SHORT_PAUSE_WIDTH = 90.0, 0.5
"""Prior median in seconds, and width of the log, of the short pauses that belong to a person's rhythm."""
LONGEST_SHORT_PAUSE = 200.0
"""Highest median of the short pauses."""
SHORT_PAUSE_SHARE = 0.02
"""Prior share of short pauses among the gaps within a house."""
MEAL_MEDIAN, MEAL_WIDTH, MEALS, FEWEST_GAPS = 2400.0, 0.4, 0.6, 100
"""Seconds of a meal at a house, width of its log, and meals on a day, however many photos it has; a day of fewer gaps than
this is no whole day."""
SHARE_WEIGHT = 100.0
"""Weight of the prior shares of short and long pauses, as a number of gaps."""
MOST_PAUSES = 0.3
"""Highest share of short pauses."""
EM_STEPS = 8
MOST_BOUNDARIES = 0.1
"""Highest prior probability of a boundary after a photo."""
LOST_CLOCK_CAP = 2.0
"""Log-odds (nats) that a gap on a clock without a date may add at most; too few to split by themselves."""


@dataclass(frozen=True, slots=True)
class Pauses:
    """The pauses within the houses of one day."""

    centre: float = log(SHORT_PAUSE)
    """Mean of the log of the short ones, seconds."""
    width: float = SHORT_PAUSE_WIDTH
    short: float = SHORT_PAUSE_SHARE
    """Share of short pauses among the gaps within a house."""
    long: float = 0.0
    """Share of long ones, such as a talk or setting up a ladder, without meals."""

    def parts(
        self, x: Floats, within: tuple[float, float], options: SplitOptions, meals: float
    ) -> tuple[Floats, Floats, Floats]:
        """Densities of the log gaps `x` as usual gaps, short pauses and long pauses, each times its share."""
        return (
            (1 - self.short - self.long - meals) * _normal(x, *within),
            self.short * _normal(x, self.centre, self.width),
            self.long * _normal(x, log(options.pause_median), PAUSE_WIDTH)
            + meals * _normal(x, log(MEAL_MEDIAN), MEAL_WIDTH),
        )


@dataclass(frozen=True, slots=True)
class GapModel:
    """Log-normal gaps in seconds within a house and between houses, fitted to one day."""

    within: tuple[float, float]
    """Mean and standard deviation of the log gap."""
    between: tuple[float, float]
    hazard: float
    """Probability of a boundary after a photo."""
    pauses: Pauses
    meals: float
    """Share of meals among the gaps within a house."""

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
        usual, short, long = self.pauses.parts(x, self.within, options, self.meals)
        inside = usual + short + long
        within = np.log(inside + 0.1 * even)
        between = np.log((1 - OUTLIER_SHARE) * _normal(x, *self.between) + even)
        errand = np.log((1 - OUTLIER_SHARE) * _normal(x, log(ERRAND_MEDIAN), ERRAND_WIDTH) + even)
        unknown = np.isnan(gaps)
        return np.where(unknown, 0.0, within), np.where(unknown, 0.0, between), np.where(unknown, 0.0, errand)


def _normal(x: Floats, mean: float, width: float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((x - mean) / width) ** 2) / (width * (2 * pi) ** 0.5))


def fit_gaps(
    gaps: Floats, crossing: Floats, options: SplitOptions, *, prior_houses: float = PRIOR_HOUSES
) -> GapModel:
    """Fit both kinds of gap to the day: medians for the many within houses, weighted moments for the few between.

    `crossing` is the probability that each gap is a boundary (one step of EM). The priors count as
    `PRIOR_GAPS` gaps: they dominate on a day of ten photos, and hardly matter on a day of a thousand. `prior_houses` is the
    weight of the prior share of boundaries.
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
    hazard = (prior_houses + float(crossing.sum())) / (
        prior_houses * options.photos_per_house + crossing.size
    )
    hazard = min(MOST_BOUNDARIES, hazard)
    meals = MEALS / max(FEWEST_GAPS, crossing.size)
    pauses = _fit_pauses(x, p, (mean, width), (across, spread2**0.5), hazard, meals, options)
    return GapModel((mean, width), (across, spread2**0.5), hazard, pauses, meals)


def _fit_pauses(
    x: Floats,
    p: Floats,
    within: tuple[float, float],
    between: tuple[float, float],
    hazard: float,
    meals: float,
    options: SplitOptions,
) -> Pauses:
    """The day's own pauses, by EM over usual gaps, short and long pauses, and drives.

    `x` are log gaps, `p` how probable it is that each is a boundary, `hazard` the share of drives. Drives that no sheet shows are told
    from pauses by their length.
    """
    pauses = Pauses(long=options.pause_share)
    drive = max(hazard, 1.0 / options.photos_per_house) * _normal(x, *between)
    total = float((1 - p).sum()) + SHARE_WEIGHT
    for _ in range(EM_STEPS):
        usual, short, long = pauses.parts(x, within, options, meals)
        part = (1 - p) * short / (usual + short + long + drive + 1e-12)
        many, talks = (
            float(part.sum()),
            float(((1 - p) * long / (usual + short + long + drive + 1e-12)).sum()),
        )
        centre = (float((part * x).sum()) + PRIOR_GAPS * log(SHORT_PAUSE)) / (many + PRIOR_GAPS)
        spread2 = float((part * (x - centre) ** 2).sum()) + PRIOR_GAPS * SHORT_PAUSE_WIDTH**2
        pauses = Pauses(
            centre=min(centre, log(LONGEST_SHORT_PAUSE)),
            width=(spread2 / (many + PRIOR_GAPS)) ** 0.5,
            short=min(MOST_PAUSES, (many + SHARE_WEIGHT * SHORT_PAUSE_SHARE) / total),
            long=(talks + 5 * SHARE_WEIGHT * options.pause_share) / (total + 4 * SHARE_WEIGHT),
        )
    return pauses
