"""The order of a sheet among photos of other devices: at the edge of its house, where clocks are not exact enough.

Two clocks can often be compared to a minute only. The sheet that opens or closes a house then lies among the
first or last photos that another device took there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from evidence.timeline.merge import TimedUnit
from evidence.timeline.split.sheets import SHORTEST_DRIVE

CLOCKS_APART = 90.0
"""Seconds within which photos of two devices may be in the wrong order: two clocks, each compared to 45 seconds."""


def with_sheets_at_edges(
    chain: Sequence[TimedUnit], names_claim: Callable[[TimedUnit], bool]
) -> list[TimedUnit]:
    """The units, with each sheet that names a claim moved before, or after, photos of other devices between it and a drive.

    `names_claim` says whether a unit shows such a sheet, by its code or its text. A sheet moves only past units of other
    devices that were taken within `CLOCKS_APART` of it, and takes the place in time
    of the last one that it passes. One that could move either way stays.
    """
    out = list(chain)
    if len({timed.device for timed in out}) < 2:
        return out
    for sheet in [t for t in chain if t.time is not None and names_claim(t)]:
        at = next(i for i, timed in enumerate(out) if timed.unit is sheet.unit)
        places = [place for step in (-1, 1) if (place := _edge(out, at, step)) is not None]
        if len(places) == 1:
            passed = out[places[0]]
            moved = replace(sheet, key=passed.key, time=passed.time or sheet.time)
            del out[at]
            out.insert(places[0], moved)
    return out


def _edge(chain: Sequence[TimedUnit], at: int, step: int) -> int | None:
    """The place of the last unit that the one at `at` can pass before the drive; None where it cannot get there."""
    sheet, edge, last = chain[at], at, chain[at].time or 0.0
    for i in range(at + step, len(chain) if step > 0 else -1, step):
        time = chain[i].time
        if time is not None and abs(time - last) >= SHORTEST_DRIVE:
            break
        if chain[i].device == sheet.device or (
            time is not None and abs(time - (sheet.time or 0.0)) > CLOCKS_APART
        ):
            return None
        edge, last = i, time if time is not None else last
    return edge if edge != at else None
