"""Two simple rules to compare the splitter with; each files photos by the dividers that were read."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import log

import numpy as np

E2_K, E2_D = log(17), 10
"""Parameters of the adaptive log-gap rule (Platt, Czerwinski and Field 2003), from memory."""
PLAIN_GAP = 15 * 60.0
"""Seconds."""


def adaptive_log_gap(times: Sequence[float], k: float = E2_K, d: int = E2_D) -> list[bool]:
    """Marks between neighbours: log g_N >= K + mean of log g over the 2d+1 gaps about N.

    At the ends the mean runs over the gaps there are. Times in seconds, rising; gaps under a
    second count as one. Formula from memory (PhotoTOC); its shape is corroborated by public code.
    """
    gaps = np.log(np.maximum(np.diff(np.asarray(times, dtype=float)), 1.0))
    total = np.concatenate([[0.0], np.cumsum(gaps)])
    places = np.arange(gaps.size)
    low, high = np.maximum(places - d, 0), np.minimum(places + d + 1, gaps.size)
    mean = (total[high] - total[low]) / np.maximum(high - low, 1)
    return [bool(v) for v in gaps >= k + mean]


def plain_gap(times: Sequence[float], gap: float = PLAIN_GAP) -> list[bool]:
    """Marks between neighbours further apart than `gap` seconds."""
    return [b - a > gap for a, b in pairwise(times)]


def file_by_dividers(
    marks: Sequence[bool], dividers: Sequence[str | None], *, cut_at_dividers: bool, carry_on: bool
) -> tuple[list[str | None], list[bool]]:
    """(claim of each photo, marks used) for segments cut by a rule.

    A segment takes the first divider in it. With `cut_at_dividers` a new divider cuts too; with
    `carry_on` a segment without any keeps the claim of the one before, else it stays unassigned.
    """
    used = list(marks)
    last = dividers[0] if dividers else None
    for i in range(1, len(dividers)):
        if dividers[i] is not None and dividers[i] != last:
            used[i - 1] = used[i - 1] or cut_at_dividers
            last = dividers[i]
    claims: list[str | None] = []
    start, before = 0, None
    for i in range(1, len(dividers) + 1):
        if i == len(dividers) or used[i - 1]:
            own = next((d for d in dividers[start:i] if d is not None), before if carry_on else None)
            claims += [own] * (i - start)
            start, before = i, own
    return claims, used
