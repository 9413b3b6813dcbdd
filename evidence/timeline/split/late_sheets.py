"""A sheet that was photographed a few photos after its house began opens the house all the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from evidence.timeline.split.observations import NO_SHEET, Observation
from evidence.timeline.split.sheets import SHORTEST_DRIVE

LATEST = 5
"""Photos of a house, at most, before its sheet is remembered."""
STEADY = 100.0
"""Seconds between two of these photos, at most: nobody drives to another house in that time."""


def with_sheets_first(observations: Sequence[Observation]) -> list[Observation]:
    """The observations, with the reading of each late sheet moved to the first photo after the drive before it.

    A sheet is late if up to `LATEST` photos, and no pause, lie between a drive (or the start of the day) and it, none
    of them shows a sheet, nobody put a boundary there, and more photos than those follow it without a drive: one that
    closes its house stays.
    """
    out = list(observations)
    for i, shown in enumerate(observations):
        first = _first_of_house(observations, i) if shown.sheet.claims else None
        if first is not None and _goes_on(observations, i, i - first):
            out[first] = replace(out[first], sheet=shown.sheet, scenes={})
            out[i] = replace(out[i], sheet=NO_SHEET)
    return out


def _first_of_house(observations: Sequence[Observation], i: int) -> int | None:
    """The first photo after the drive before the sheet of photo i, if the sheet is late; else None."""
    for k in range(i, max(i - LATEST, 0) - 1, -1):
        if k < i and (observations[k].sheet.is_sheet or observations[k].is_manual):
            return None
        if observations[k].cut:
            return None
        gap = _gap(observations, k)
        if k == 0 or (gap is not None and gap >= SHORTEST_DRIVE):
            return k if k < i else None
        if gap is None or gap > STEADY:
            return None
    return None


def _goes_on(observations: Sequence[Observation], i: int, before: int) -> bool:
    """Whether more than `before` photos follow photo i without a drive or another sheet."""
    following = range(i + 1, i + 2 + before)
    return following[-1] < len(observations) and all(
        (gap := _gap(observations, k)) is not None
        and gap < SHORTEST_DRIVE
        and not observations[k].sheet.claims
        for k in following
    )


def _gap(observations: Sequence[Observation], k: int) -> float | None:
    """Seconds from the photo before photo k to it; None where unknown."""
    times = observations[k - 1].time if k else None, observations[k].time
    return None if times[0] is None or times[1] is None else times[1] - times[0]
