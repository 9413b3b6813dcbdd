"""The offset between the clocks of two devices that one person carries, from the rhythm of their visits.

Whoever carries a camera and a phone uses both at every house and neither while driving. With the
right shift, nearly every photo of one device is close in time to a photo of the other. With a wrong
one, many fall into the drives of the other.
"""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DAY = 86_400.0
HOUR = 3600.0
REACH = 3.5 * HOUR
"""Seconds to either side within which a shift is searched, on top of whole days."""
STEP = 15.0
"""Seconds between the shifts that are tried."""
MAX_SAMPLE = 160
"""Photos compared, at most, of the device with fewer; more add nothing."""
MIN_PHOTOS = 6
"""Photos of each device below which the rhythm is no evidence: two a visit."""
NEAR_SHARE = 0.97
"""Share of photos close in time to one of the other device, if one person carries both."""
PHOTO_WEIGHT = 0.3
"""Weight of each photo: photos close in time are not independent evidence."""
MIN_VISITS = 3
"""Visits, separated by gaps of `DRIVE` seconds, below which a shift fits by chance."""
DRIVE = 360.0
MIN_LEAD = 8.0
"""Log-likelihood (nats) by which the best shift must lead over any other."""
MIN_LEAD_ON_CARD = 4.0
"""The same for a clock whose photos the order of the files on their card puts between known times."""
SHORT_GAP, LONGEST = 10.0, 6 * HOUR
"""Seconds between two photos beside a change of the clock: all shorter ones are as probable, longer ones uniform in the
logarithm up to the longest."""
OVERLAP = 90.0
"""Seconds by which the files may seem out of order: what another device shows of a lost clock is only as good as this."""
SAME_SHIFT = 240.0
"""Shifts this many seconds apart, or fewer, count as the same."""
CORRECT, WHOLE_HOURS, MINUTES = 0.7, 0.15, 0.14
"""Prior shares of clocks that are correct (within `CORRECT_WITHIN`), wrong by whole hours, wrong by minutes."""
MINUTES_SCALE = 1200.0
"""Mean size in seconds of an error of minutes."""
CORRECT_WITHIN = 90.0
WRONG_DATE = -4.0
"""Log prior (nats) of a clock that shows another date."""


def has_rhythm(times: Floats) -> bool:
    """Whether a day's times (seconds, rising) have enough visits and drives to be matched."""
    return times.size >= MIN_PHOTOS and int((np.diff(times) > DRIVE).sum()) >= MIN_VISITS - 1


def align(first: Floats, second: Floats, *, lost: bool = False) -> float | None:
    """Seconds that the second device is ahead of the first, from times alone; None where it is not clear.

    Both in seconds, rising, of one working day. Searches whole days plus or minus `REACH`. With `lost`,
    for a clock that lost its date and may show anything, it searches every shift that overlaps.
    """
    if not has_rhythm(first) or not has_rhythm(second):
        return None
    flipped = second.size > first.size
    base, sample = (second, first) if flipped else (first, second)
    sample = evenly_sampled(sample)
    middle = (sample[0] + sample[-1] - base[0] - base[-1]) / 2
    days = middle if lost else 0.0 if abs(middle) < 8 * HOUR else round(middle / DAY) * DAY
    reach = max(REACH, float(base[-1] - base[0]) / 2) if lost else REACH
    local = np.arange(-reach, reach + STEP, STEP)
    shifts = days + local
    scores = log_likelihoods(base, sample, shifts).sum(axis=1)
    if lost:  # nothing else limits the shift: the photos of each device must be near those of the other
        scores = scores + log_likelihoods(sample, evenly_sampled(base), -shifts).sum(axis=1)
    scores = scores if lost else scores + log_prior(local) + (WRONG_DATE if days else 0.0)
    best = int(scores.argmax())
    others = scores[np.abs(local - local[best]) > SAME_SHIFT]
    lead = float(scores[best] - others.max())
    if lead < MIN_LEAD or abs(local[best]) > reach - SAME_SHIFT:
        return None
    shift = float(shifts[best])
    return -shift if flipped else shift


def align_on_card(
    base: Floats, ticks: Floats, earliest: float | None, latest: float | None, *, proved: bool
) -> float | None:
    """Seconds that a clock without a date is ahead, if its photos lie between two known times on their card; else None.

    `base` are the true times of another device's photos, `ticks` those of the clock; both rise. `earliest` and `latest`
    are the times of the photos before and after; None at the ends of the card. They may be as wrong as any clock
    unless it is `proved`.
    """
    low = ticks[-1] - (latest if latest is not None else base[-1] + LONGEST) - OVERLAP
    high = ticks[0] - (earliest if earliest is not None else base[0] - LONGEST) + OVERLAP
    if low > high:
        return None
    shifts = np.arange(low, high + STEP, STEP)
    prior = np.zeros_like(shifts)
    if earliest is not None:
        prior -= np.log(np.maximum(ticks[0] - shifts - earliest, SHORT_GAP))
    if latest is not None:
        prior -= np.log(np.maximum(latest - ticks[-1] + shifts, SHORT_GAP))
    prior -= np.logaddexp.reduce(prior)
    if not proved:
        errors = np.arange(-REACH, REACH + STEP, STEP)
        prior = np.log(np.convolve(np.exp(prior), np.exp(log_prior(errors))) + 1e-300)
        shifts = low - REACH + STEP * np.arange(prior.size)
    scores = prior
    for one, other, sign in ((base, ticks, 1.0), (ticks, _between(base, earliest, latest), -1.0)):
        if one.size > 1 and other.size:
            scores = scores + log_likelihoods(one, evenly_sampled(other), sign * shifts).sum(axis=1)
    best = int(scores.argmax())
    others = scores[np.abs(shifts - shifts[best]) > SAME_SHIFT]
    lead = float(scores[best] - others.max(initial=-np.inf))
    return float(shifts[best]) if lead >= MIN_LEAD_ON_CARD else None


def evenly_sampled(times: Floats) -> Floats:
    """At most `MAX_SAMPLE` of these times, the first and the last among them."""
    return np.asarray(times[np.linspace(0, times.size - 1, min(MAX_SAMPLE, times.size)).astype(int)])


def _between(times: Floats, earliest: float | None, latest: float | None) -> Floats:
    return times[
        (times > (-np.inf if earliest is None else earliest))
        & (times < (np.inf if latest is None else latest))
    ]


def log_likelihoods(base: Floats, sample: Floats, shifts: Floats) -> Floats:
    """(S, N) log-likelihood of each sampled time, moved back by each shift, given the times of the base."""
    scale = max(40.0, 2.0 * float(np.median(np.diff(base))))
    span = float(base[-1] - base[0]) + 2 * REACH
    moved = sample[None, :] - shifts[:, None]
    place = np.searchsorted(base, moved)
    after = np.abs(base[np.minimum(place, base.size - 1)] - moved)
    before = np.abs(base[np.maximum(place - 1, 0)] - moved)
    near = np.exp(-np.minimum(after, before) / scale)
    active = 2 * scale * (1 + float((1 - np.exp(-np.diff(base) / (2 * scale))).sum()))
    return np.asarray(PHOTO_WEIGHT * np.log(NEAR_SHARE * near / active + (1 - NEAR_SHARE) / span))


def log_prior(local: Floats) -> Floats:
    """Log prior of each of evenly spaced shifts, `STEP` seconds apart."""
    whole = np.abs(local - np.round(local / HOUR) * HOUR) <= CORRECT_WITHIN
    correct = np.abs(local) <= CORRECT_WITHIN
    steps = 2 * CORRECT_WITHIN / STEP
    hours = 2 * REACH / HOUR
    even = MINUTES * STEP / (2 * MINUTES_SCALE) * np.exp(-np.abs(local) / MINUTES_SCALE) + 1e-9
    return np.asarray(
        np.where(
            correct, log(CORRECT / steps), np.where(whole, log(WHOLE_HOURS / steps / hours), np.log(even))
        )
    )
