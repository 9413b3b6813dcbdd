"""Clocks before and after a stretch in which a camera's clock had lost its date, from the order of the files.

Where another device shows the true time of the lost stretch, the photos before it on the card must have been
taken earlier, and those after it later. A clock that contradicts this was not correct.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log

import numpy as np

from evidence.timeline.clocks.alignment import (
    CORRECT,
    LONGEST,
    MIN_PHOTOS,
    MINUTES,
    OVERLAP,
    WHOLE_HOURS,
    Floats,
    log_likelihoods,
)
from evidence.timeline.clocks.zones import HOUR, common_times
from evidence.timeline.order.runs import Run

CLOSE = 60.0
"""Seconds assumed between the two photos beside a change of the clock, if nothing else shows the time."""
SHORTEST = 1.0
"""Seconds between the two photos beside a change of the clock, at least; uniform in the logarithm up to `LONGEST`."""
MOST_HALF_HOURS = 10
"""Half hours by which a clock may be wrong to either side."""
BETTER = 3.0
"""Log-odds (nats) by which another time must be ahead of the camera's own."""


def corrected_beside_lost(
    run: Run,
    zone: int | None,
    shown: float,
    limit: float,
    *,
    before: bool,
    others: Floats,
) -> float | None:
    """Seconds that the run's clock is ahead, if the lost stretch beside it shows that `shown` is wrong; else None.

    `limit` is the true time, in seconds, of the lost stretch's photo next to the run; `before` says that the run
    comes first. `others` are the true times, rising, of the photos of other devices.
    """
    times = np.array([t for _, t in common_times(run, zone)])
    if not times.size:
        return None
    edge = float(times[-1] if before else times[0])
    gap_at_zero = limit - edge if before else edge - limit
    sign = 1.0 if before else -1.0
    steps = np.arange(-MOST_HALF_HOURS, MOST_HALF_HOURS + 1) * HOUR / 2
    adjacent = sign * (CLOSE - gap_at_zero)
    errors = np.concatenate([[shown], steps, [adjacent]])
    prior = np.concatenate(
        [[log(CORRECT)], np.full(steps.size, log(WHOLE_HOURS / steps.size)), [log(MINUTES / 2)]]
    )
    gaps = gap_at_zero + sign * errors
    score = prior + np.where(
        gaps < -OVERLAP,
        -np.inf,
        np.where(gaps > LONGEST, -log(LONGEST) * 3, -np.log(np.clip(gaps, 10 * SHORTEST, None))),
    )
    near = others[(others > limit - LONGEST) & (others < limit + LONGEST)]
    if near.size >= MIN_PHOTOS and times.size >= MIN_PHOTOS:
        score = score + log_likelihoods(near, times, errors).sum(axis=1)
    best = int(score.argmax())
    if best == 0 or not np.isfinite(score[best]) or score[best] - score[0] < BETTER:
        return None
    return float(errors[best])


def times_of_others(
    runs: Sequence[Run], zones: Mapping[int, int], fast: Sequence[float | None], place: int
) -> Floats:
    """The true times, rising, of the photos of all devices but that of the run at `place`."""
    return np.array(
        sorted(
            t - error
            for j, (run, error) in enumerate(zip(runs, fast, strict=True))
            if run.device != runs[place].device and error is not None and not run.lost
            for _, t in common_times(run, zones.get(j))
        )
    )
