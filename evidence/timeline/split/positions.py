"""Log-likelihood of GPS positions: near a claim's house, near a neighbour, and after a move."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, exp, log, pi, radians

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import GeoPoint
from evidence.timeline.values import SplitOptions

EARTH_RADIUS = 6_371_008.8
"""Mean radius, metres (IUGG)."""

AREA = 700.0
"""Radius in metres of the area in which an unknown house may be; storms hit neighbourhoods."""
GEOCODE_OFF, GEOCODE_WRONG = 0.07, 0.03
"""Share of addresses geocoded to the street or block only, and of those geocoded to a wrong place."""
BLOCK = 400.0
"""Spread in metres of an address geocoded to its block."""
SEEN_ELSEWHERE = 0.01
"""Share of photos of a house that are taken far from its other photos."""
NEXT_DOOR = 0.1
"""Share of houses next to another house of the day."""
NEIGHBOUR = 80.0
"""Metres between two adjacent houses, geocoding error included."""
WITHIN_HOUSE = 25.0
"""Metres walked between two photos of one house."""
NEAREST, FARTHEST = 20.0, 20_000.0
"""Range in metres between two houses of a day; uniform in the logarithm."""
RESUMES, RESUMED_SPREAD = 0.5, 6.0
"""Share of pauses after which the walk goes on where it stopped, and the spread in metres of these positions."""
ELSEWHERE_SPREAD, NEXT_SPREAD = 16.0, 30.0
"""Metres between the positions before and after a pause that ends elsewhere at the same house, or at the next one."""
OUTLIER_SHARE = 0.001
"""Share of fixes that are far off without any sign of it."""


def local_metres(points: Sequence[GeoPoint | None], origin: GeoPoint) -> Floats:
    """(N, 2) metres east and north of `origin`, NaN without a fix. Accurate to 0.1 % within 50 km."""
    out = np.full((len(points), 2), np.nan)
    wide = EARTH_RADIUS * cos(radians(origin.lat))
    for i, p in enumerate(points):
        if p is not None:
            east = (p.lon - origin.lon + 180.0) % 360.0 - 180.0
            out[i] = radians(east) * wide, radians(p.lat - origin.lat) * EARTH_RADIUS
    return out


def site_density(distance: Floats, seen: NDArray[np.bool_], options: SplitOptions) -> Floats:
    """Log density, per square metre, of a position this far from a claim's site.

    Bivariate Student distribution: narrow (nu = 6) around a site learnt from photos, wider (nu = 4)
    around a geocoded address, mixed with addresses that were geocoded coarsely or wrongly.
    """
    sure = _student(distance, options.seen_spread, 6.0)
    coded = (1 - GEOCODE_OFF - GEOCODE_WRONG) * _student(distance, options.site_spread, 4.0)
    coded = coded + GEOCODE_OFF * _student(distance, BLOCK, 4.0)
    anywhere = 1 / (pi * AREA**2)
    return np.asarray(
        np.log(
            np.where(
                seen,
                (1 - SEEN_ELSEWHERE) * sure + SEEN_ELSEWHERE * anywhere,
                coded + GEOCODE_WRONG * anywhere,
            )
        )
    )


def neighbour_density(distance: Floats) -> Floats:
    """Log density, per square metre, of a house next to any of the day's claims, from (N, C) distances."""
    near = np.nan_to_num(_student(distance, NEIGHBOUR / 2, 4.0))
    return np.asarray(np.log(NEXT_DOOR * near.mean(axis=1) + 1e-300))


def _student(distance: Floats, spread: Floats | float, nu: Floats | float) -> Floats:
    """Density per square metre of a bivariate Student distribution at a distance from its centre."""
    return np.asarray((1 + distance**2 / (nu * spread**2)) ** (-(nu + 2) / 2) / (2 * pi * spread**2))


def move_density(step: Floats) -> Floats:
    """Log density, per square metre, of another house this far away; of the whole area if the step is NaN."""
    known = -np.log(2 * pi * np.maximum(step, NEAREST) ** 2 * log(FARTHEST / NEAREST))
    return np.asarray(np.where(np.isnan(step), -log(pi * AREA**2), known))


def move_log_odds(step: Floats, walk: Floats, tail: Floats) -> Floats:
    """Log-odds (nats) that a step between two fixes is a move to another house, not a walk around this one.

    A walk is a bivariate Student distribution with spread `walk` and `tail` degrees of freedom.
    """
    move, stay = np.exp(move_density(step)), _student(step, walk, tail)
    return np.asarray(np.log(move) - np.log((1 - OUTLIER_SHARE) * stay + OUTLIER_SHARE * move))


def resume_log_odds(step: float) -> float:
    """Log-odds (nats) that the photos after a pause are at another house, from the metres between its two ends.

    A walk mostly goes on where it stopped. Beyond the next house the step says no more than the positions' means.
    """
    step = min(step, 2 * NEXT_SPREAD)
    here = RESUMES * _normal(step, RESUMED_SPREAD) + (1 - RESUMES) * _normal(step, ELSEWHERE_SPREAD)
    return log(_normal(step, NEXT_SPREAD) / here)


def _normal(distance: float, spread: float) -> float:
    """Density per square metre of a bivariate normal distribution at a distance from its centre."""
    return exp(-0.5 * (distance / spread) ** 2) / (2 * pi * spread**2)
