"""The place of a file without a time, such as a video, whose card shows one house before it and the next one after it.

The number of a file only shows that it was taken between the two. Another device, used at the same houses, shows at
which of them more happened in that time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from evidence.timeline.merge import TimedUnit
from evidence.timeline.split.sheets import SHORTEST_DRIVE


def with_untimed_at_houses(chain: Sequence[TimedUnit]) -> list[TimedUnit]:
    """The units, with each one without a time moved to the next house of its card if other devices took more there.

    Compared are what the others took between the card's last timed photo before the drive and the drive, and between
    the drive and the card's next timed photo, without sheets, which come first. What was taken just before a sheet stays.
    """
    out = list(chain)
    if len({timed.device for timed in out}) < 2:
        return out
    for untimed in [t for t in chain if _is_untimed(t)]:
        at = next(i for i, timed in enumerate(out) if timed.unit is untimed.unit)
        card = _card(untimed)
        before = next((t for t in reversed(out[:at]) if t.time is not None and _card(t) == card), None)
        place = next(
            (i for i in range(at + 1, len(out)) if out[i].time is not None and _card(out[i]) == card), None
        )
        if before is None or place is None or any(f.dividers for f in out[place].unit.files):
            continue
        if _rather_after(out, before, out[place]):
            moved = replace(untimed, key=out[place].key)
            out.insert(place, moved)
            del out[at]
    return out


def _rather_after(chain: Sequence[TimedUnit], before: TimedUnit, after: TimedUnit) -> bool:
    """Whether the other devices took more between the drive and `after` than between `before` and the drive."""
    first, last = before.time or 0.0, after.time or 0.0
    if last - first < SHORTEST_DRIVE:
        return False
    others = [
        t.time
        for t in chain
        if t.device != before.device
        and t.time is not None
        and first < t.time < last
        and not any(f.dividers for f in t.unit.files)
    ]
    times = [first, *others, last]
    drive = max(range(len(times) - 1), key=lambda k: times[k + 1] - times[k])
    return times[drive + 1] - times[drive] >= SHORTEST_DRIVE and len(others) - drive > drive


def _is_untimed(timed: TimedUnit) -> bool:
    sheet = any(f.dividers or f.sheet is not None for f in timed.unit.files)
    return timed.time is None and timed.undated_time is None and timed.key is not None and not sheet


def _card(timed: TimedUnit) -> tuple[str, str]:
    return timed.unit.lead.device, timed.unit.lead.card
