"""How many photos a house has: evidence for a boundary inside a stretch that is too long for one house.

Between two photos the model has the same prior probability of a boundary everywhere, so that a house of any length is
as credible as its parts. Inspections are not like that: on one day they have similar numbers of photos.
"""

from __future__ import annotations

from math import factorial

import numpy as np

from evidence.forward_backward import Floats
from evidence.timeline.split.gaps import PRIOR_HOUSES
from evidence.timeline.values import SplitOptions

SHAPE = 4
"""Shape of the gamma distribution of the photos of a house: nine in ten houses have between 0.3 and 2 times the mean."""
SHORT_SHARE, SHORT_LENGTH = 0.25, 0.25
"""Share of short visits, such as a return or a single shed, and their mean length relative to that of all houses."""
LOWEST, HIGHEST = -1.0, 2.5
"""Limits (nats) of the evidence, because the other boundaries of the day are not certain."""
SURE = 0.5
"""Probability from which a house is taken to begin at a photo."""


def house_length_log_odds(
    boundary: Floats,
    errand: Floats,
    hazard: float,
    options: SplitOptions,
    *,
    prior_houses: float = PRIOR_HOUSES,
) -> Floats:
    """(N,) nats to add to a house that begins at each photo, given the houses found around it; zero for the first.

    `boundary` (N,) is the probability of a boundary before each photo, `errand` (N,) that it was taken between
    houses, `hazard` the prior probability of a boundary after any photo, `prior_houses` the weight of the prior length.
    """
    photos = len(boundary)
    out = np.zeros(photos)
    begins = boundary * (1.0 - errand)
    starts = np.flatnonzero(np.append(True, begins[1:] >= SURE))
    mean = (prior_houses * options.photos_per_house + photos) / (prior_houses + float(begins.sum()))
    places = np.arange(1, photos)
    before = np.searchsorted(starts, places, side="left") - 1
    after = np.searchsorted(starts, places, side="right")
    left = (places - starts[before]).astype(np.float64)
    right = (np.append(starts, photos)[after] - places).astype(np.float64)
    odds = (
        _log_density(left, mean)
        + _log_density(right, mean)
        - _log_density(left + right, mean)
        - np.log(hazard)
    )
    out[1:] = np.clip(odds, LOWEST, HIGHEST)
    return out


def _log_density(length: Floats, mean: float) -> Floats:
    """Log density of the number of photos of a house: usual inspections and short visits, with this mean in all."""
    usual = mean / (1.0 - SHORT_SHARE + SHORT_SHARE * SHORT_LENGTH)
    scale, short = usual / SHAPE, usual * SHORT_LENGTH
    gamma = length ** (SHAPE - 1) * np.exp(-length / scale) / (factorial(SHAPE - 1) * scale**SHAPE)
    brief = np.exp(-length / short) / short
    return np.asarray(np.log((1.0 - SHORT_SHARE) * gamma + SHORT_SHARE * brief + 1e-30))
