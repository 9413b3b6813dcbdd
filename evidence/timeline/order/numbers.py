"""Shooting order by file number, and whether the numbers can be trusted."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from itertools import pairwise
from math import lgamma, log

from evidence.timeline.order.units import Unit

BACKWARD = 2.0
"""Seconds by which a later file may have an earlier stamp: stamps without sub-seconds, bursts written late."""

CLOCK_CHANGE_COST = 9.0
"""Negative log prior (nats) of a clock being set between two photos: about one in ten thousand."""
OUTLIER_COST = 5.0
"""Negative log prior (nats) of a stamp that fits neither neighbour, such as an edited copy's."""
SCRAMBLE_COST = 7.0
"""Negative log prior (nats) of a card whose files were renamed, so that numbers mean nothing: about one in a thousand."""


def number_order(units: Sequence[Unit]) -> list[Unit]:
    """Units with DCF numbers in the order of their numbers, also where the numbers roll over.

    Folders wrap from 999 to 100, files from 9999 to 0001. A folder with both ends of the range and
    a hole of more than half of it has wrapped, unless that makes more times run backward.
    """
    folders: dict[int, list[Unit]] = defaultdict(list)
    for unit in units:
        assert unit.lead.dcf is not None
        folders[unit.lead.dcf.folder_number].append(unit)
    start = _wrap_start(sorted(folders), span=900)
    ordered: list[Unit] = []
    for folder in sorted(folders, key=lambda number: (number < start, number)):
        ordered.extend(_file_order(folders[folder]))
    return ordered


def _file_order(units: list[Unit]) -> list[Unit]:
    def number(unit: Unit) -> int:
        assert unit.lead.dcf is not None
        return unit.lead.dcf.file_number

    plain = sorted(units, key=lambda u: (number(u), u.stamp or 0.0, u.lead.name, u.lead.sha256))
    start = _wrap_start([number(u) for u in plain], span=9999)
    wrapped = [u for u in plain if number(u) >= start] + [u for u in plain if number(u) < start]
    if wrapped[0] is plain[0]:
        return plain
    return wrapped if _descents(_stamps(wrapped)) <= _descents(_stamps(plain)) else plain


def _wrap_start(numbers: Sequence[int], *, span: int) -> int:
    """The number that comes first: the one after a hole of over half the range, else the lowest."""
    holes = [(b - a, b) for a, b in pairwise(numbers)]
    widest = max(holes, default=(0, 0))
    return widest[1] if widest[0] > span // 2 else numbers[0]


def numbers_are_reliable(by_number: Sequence[Unit]) -> bool:
    """Whether the numbers can be trusted although times run backward in their order.

    Compares the log-likelihood of two explanations: the clock was set a few times, or the files were
    renamed. Of n! orders only about (k + 1)^n have k descents (Eulerian numbers, leading term), so one
    step back on a long card means that the clock was set, and a shuffled card that it was renamed.
    """
    stamps = [t for t in _stamps(by_number) if t is not None]
    descents = _descents(stamps)
    if descents == 0:
        return True
    outliers = outlier_stamps(stamps)
    changes = _descents([t for i, t in enumerate(stamps) if i not in outliers])
    clock_cost = CLOCK_CHANGE_COST * changes + OUTLIER_COST * len(outliers)
    n = len(stamps)
    log_chance = min(0.0, n * log(descents + 1) - lgamma(n + 1))
    return clock_cost <= SCRAMBLE_COST - log_chance


def outlier_stamps(stamps: Sequence[float]) -> set[int]:
    """Places of one or two stamps that leave an otherwise rising sequence and return to it.

    These are the elements that a longest rising subsequence leaves out, in groups of at most two.
    """
    kept = _longest_rising(stamps)
    outliers: set[int] = set()
    group: list[int] = []
    for i in range(len(stamps) + 1):
        if i < len(stamps) and i not in kept:
            group.append(i)
        elif group:
            if len(group) <= 2 < len(stamps):
                outliers.update(group)
            group = []
    # A stamp that is only a little early comes from a burst written late and is no outlier.
    return {
        i
        for i in outliers
        if (i > 0 and stamps[i] < stamps[i - 1] - BACKWARD)
        or (i + 1 < len(stamps) and stamps[i + 1] < stamps[i] - BACKWARD)
    }


def _longest_rising(stamps: Sequence[float]) -> set[int]:
    """Indices of a longest non-decreasing subsequence (patience sorting)."""
    tails: list[float] = []
    where: list[int] = []
    before: list[int] = []
    for i, t in enumerate(stamps):
        place = bisect_right(tails, t)
        before.append(where[place - 1] if place else -1)
        if place == len(tails):
            tails.append(t)
            where.append(i)
        else:
            tails[place] = t
            where[place] = i
    kept: set[int] = set()
    i = where[-1] if where else -1
    while i >= 0:
        kept.add(i)
        i = before[i]
    return kept


def _stamps(units: Sequence[Unit]) -> list[float | None]:
    return [u.stamp for u in units]


def _descents(stamps: Sequence[float | None]) -> int:
    known = [t for t in stamps if t is not None]
    return sum(b < a - BACKWARD for a, b in pairwise(known))
