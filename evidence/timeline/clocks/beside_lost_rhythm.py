"""A clock that lost its date and the clock before or after it on the same card, compared with another device together.

Each of the two may fit the visits of the other device in several ways. But the photos beside the change of the clock
follow each other, so that only some pairs of shifts are possible.
"""

from __future__ import annotations

from math import log

import numpy as np

from evidence.timeline.clocks.alignment import (
    DRIVE,
    LONGEST,
    MIN_LEAD,
    MIN_PHOTOS,
    MIN_VISITS,
    OVERLAP,
    REACH,
    SAME_SHIFT,
    STEP,
    Floats,
    evenly_sampled,
    log_likelihoods,
    log_prior,
)
from evidence.timeline.clocks.zones import DAY, HOUR

CLOSE = 30.0
"""Seconds between the two photos beside a change of the clock; uniform in the logarithm above this, and even below."""
OUT_OF_ORDER = -15.0
"""Log-density (nats) of more than `LONGEST`, or of photos that are in the wrong order."""
ANOTHER_DAY = 8 * HOUR
"""Seconds between the middles of two devices' photos from which the clock shows another date."""


def align_both(
    others: Floats, known: Floats, lost: Floats, *, lost_first: bool
) -> tuple[float, float] | None:
    """Seconds that the known and the lost clock are ahead of another device's, or None where it is not clear.

    All in seconds, rising, of one working day: the other device's photos, those of the known clock, and those of the
    lost one, which come right before (`lost_first`) or after them on the same card.
    """
    together = int((np.diff(known) > DRIVE).sum()) + int((np.diff(lost) > DRIVE).sum())
    if min(others.size, known.size, lost.size) < MIN_PHOTOS or together < MIN_VISITS - 1:
        return None
    middle = float(known[0] + known[-1] - others[0] - others[-1]) / 2
    near = np.arange(-REACH, REACH + STEP, STEP)
    ahead = near + (0.0 if abs(middle) < ANOTHER_DAY else round(middle / DAY) * DAY)
    first = log_likelihoods(others, evenly_sampled(known), ahead).sum(axis=1) + log_prior(near)
    reach = max(REACH, float(others[-1] - others[0]) / 2)
    away = np.arange(-reach, reach + STEP, STEP) + float(lost[0] + lost[-1] - others[0] - others[-1]) / 2
    second = log_likelihoods(others, evenly_sampled(lost), away).sum(axis=1)
    second += _apart_inside(lost, evenly_sampled(others), away)
    gap = (known[0] - lost[-1] if lost_first else lost[0] - known[-1]) + (
        (away[None, :] - ahead[:, None]) * (1.0 if lost_first else -1.0)
    )
    scores = first[:, None] + second[None, :] + _log_density(gap)
    k, m = np.unravel_index(int(scores.argmax()), scores.shape)
    best = float(scores[k, m])
    same = np.abs(away - away[m]) <= SAME_SHIFT
    rival = max(
        float(scores[np.abs(ahead - ahead[k]) > SAME_SHIFT].max(initial=-np.inf)),
        float(scores[:, ~same].max(initial=-np.inf)),
    )
    if best - rival < MIN_LEAD or abs(near[k]) > REACH - SAME_SHIFT:
        return None
    return float(ahead[k]), float(away[m])


def _apart_inside(lost: Floats, others: Floats, away: Floats) -> Floats:
    """(S,) nats, at most zero, against each shift: the other device took photos then that are near none of the lost clock's."""
    moved = others[None, :] + away[:, None]
    inside = (moved >= lost[0]) & (moved <= lost[-1])
    back = log_likelihoods(lost, others, -away)
    return np.asarray(np.where(inside, back - back.max(), 0.0).sum(axis=1))


def _log_density(gap: Floats) -> Floats:
    """Log-density of the seconds between the two photos beside the change."""
    usual = -np.log(np.clip(gap, CLOSE, LONGEST)) - log(1.0 + log(LONGEST / CLOSE))
    return np.asarray(np.where((gap < -OVERLAP) | (gap > LONGEST), OUT_OF_ORDER, usual))
