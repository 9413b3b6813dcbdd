"""Two devices in the same hands: their clocks from the rhythm of the day.

Whoever carries a camera and a phone uses both at every house and neither on the drives. With
the right shift nearly every photo of the one lies near a photo of the other; with a wrong one
many fall into the other's drives.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DAY = 86_400.0
HOUR = 3600.0
REACH = 3.5 * HOUR
"""Seconds to either side that a shift is looked for, beside whole days."""
STEP = 15.0
MAX_SAMPLE = 160
"""Photos of the sparser device that are asked; more would say the same again."""
MIN_PHOTOS = 12
"""Photos on each side below which a rhythm is no evidence."""
NEAR_SHARE = 0.97
"""Share of photos that lie near one of the other device, when both are in the same hands."""
PHOTO_WEIGHT = 0.3
"""Weight of each photo: neighbours in time say the same thing."""
MIN_VISITS = 3
"""Spells of photos, parted by `DRIVE` seconds, below which a shift fits by chance."""
DRIVE = 360.0
MIN_LEAD = 8.0
"""Nats by which the best shift must lead over any other."""
SAME_SHIFT = 240.0
"""Seconds from which two shifts count as different."""
CORRECT, WHOLE_HOURS, MINUTES = 0.7, 0.15, 0.14
"""Prior shares of clocks that are right (to a minute and a half), off by whole hours, off by minutes."""
MINUTES_SCALE = 1200.0
"""Seconds, mean size of an error of minutes."""
CORRECT_WITHIN = 90.0
WRONG_DATE = -4.0
"""Nats for a clock that shows another date."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """How much faster the second device runs, seconds, and the lead over any other shift, nats."""

    shift: float
    lead: float


def has_rhythm(times: Floats) -> bool:
    """Whether a day's times, in seconds, rising, show enough visits and drives to be recognised by."""
    return times.size >= MIN_PHOTOS and int((np.diff(times) > DRIVE).sum()) >= MIN_VISITS - 1


def align(first: Floats, second: Floats, *, lost: bool = False) -> Alignment | None:
    """The shift of the second device against the first from times of day alone, or None where it is open.

    Both in seconds, rising, of one working day. Looks at whole days plus or minus `REACH`; with
    `lost`, for a clock that lost its date and may show anything, at every shift that overlaps.
    """
    if not has_rhythm(first) or not has_rhythm(second):
        return None
    flipped = second.size > first.size
    base, sample = (second, first) if flipped else (first, second)
    sample = sample[np.linspace(0, sample.size - 1, min(MAX_SAMPLE, sample.size)).astype(int)]
    middle = (sample[0] + sample[-1] - base[0] - base[-1]) / 2
    days = middle if lost else 0.0 if abs(middle) < 8 * HOUR else round(middle / DAY) * DAY
    reach = max(REACH, float(base[-1] - base[0]) / 2) if lost else REACH
    local = np.arange(-reach, reach + STEP, STEP)
    shifts = days + local
    scores = log_likelihoods(base, sample, shifts).sum(axis=1)
    scores = scores if lost else scores + log_prior(local) + (WRONG_DATE if days else 0.0)
    best = int(scores.argmax())
    others = scores[np.abs(local - local[best]) > SAME_SHIFT]
    lead = float(scores[best] - others.max())
    if lead < MIN_LEAD or abs(local[best]) > reach - SAME_SHIFT:
        return None
    shift = float(shifts[best])
    return Alignment(-shift if flipped else shift, lead)


def log_likelihoods(base: Floats, sample: Floats, shifts: Floats) -> Floats:
    """(S, N) log likelihood of each asked time, moved back by each shift, lying near times of the base."""
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
