"""Houses that only addresses name, next to each other: each claim has one house, so that they share the claims among them.

The model gives every house the claim that fits it best by itself. Two houses next door can then get the same claim
although another one's address is as near.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import numpy as np

from evidence.forward_backward import Floats
from evidence.model import Claim, ClaimId
from evidence.timeline.split.observations import Day
from evidence.timeline.split.positions import NEIGHBOUR, local_metres
from evidence.timeline.split.segmentation import Segmentation
from evidence.timeline.split.site_estimates import MIN_FIXES

SAME_HOUSE = 15.0
"""Metres between the middles of two visits to one house, at most."""


@dataclass(slots=True)
class _HouseByAddress:
    """A house that only an address names: its visits, the middle of its positions, and its state."""

    visits: list[slice]
    middle: Floats
    state: int


def with_one_house_each(day: Day, found: Segmentation, claims: Mapping[ClaimId, Claim]) -> Segmentation:
    """The segmentation, with the claims of houses next door shared so that the addresses are nearest in all.

    Only houses without a sheet, a text and a person's decision are changed, among the claims that have none either.
    """
    shown = {c for i in day.observations for c in (*i.sheet.claims, i.sheet.named, i.manual_claim)}
    free = [k for k, c in enumerate(day.states) if c not in shown and c in claims and claims[c].place]
    if len(free) < 2:
        return found
    spots = local_metres([claims[c].place if c in claims else None for c in day.states], day.origin)
    houses = _houses(day, found, set(free))
    before = [house.state for house in houses]
    for one, other in combinations(houses, 2):
        _share(one, other, houses, free, spots)
    if before == [house.state for house in houses]:
        return found
    states = found.states.copy()
    for house in houses:
        for visit in house.visits:
            states[visit] = house.state
    return replace(found, states=states)


def _houses(day: Day, found: Segmentation, free: set[int]) -> list[_HouseByAddress]:
    """The houses of the free claims, where there are positions; visits to one place are one house."""
    houses: list[_HouseByAddress] = []
    for a, b in pairwise([*np.flatnonzero(found.opens).tolist(), len(day.observations)]):
        fixes = day.xy[a:b][~np.isnan(day.xy[a:b, 0])]
        state = int(found.states[a])
        if state not in free or len(fixes) < MIN_FIXES:
            continue
        middle = np.median(fixes, axis=0)
        same = next((h for h in houses if h.state == state and _apart(h.middle, middle) <= SAME_HOUSE), None)
        if same is None:
            houses.append(_HouseByAddress([slice(a, b)], middle, state))
        else:
            same.visits.append(slice(a, b))
    return houses


def _share(
    one: _HouseByAddress,
    other: _HouseByAddress,
    houses: list[_HouseByAddress],
    free: list[int],
    spots: Floats,
) -> None:
    """Give two houses two different claims, theirs or one of no house, whose addresses are nearest in all, in place."""
    unfiled = set(free) - {house.state for house in houses}
    near = {k for k in unfiled if min(_apart(h.middle, spots[k]) for h in (one, other)) <= NEIGHBOUR}
    claims = {one.state, other.state} | (near if one.state == other.state else set())
    ways = [(k, m) for k in sorted(claims) for m in sorted(claims) if k != m]
    if not ways or _apart(one.middle, other.middle) > 2 * NEIGHBOUR:
        return

    def cost(way: tuple[int, int]) -> float:
        return _apart(one.middle, spots[way[0]]) ** 2 + _apart(other.middle, spots[way[1]]) ** 2

    best = min(ways, key=cost)
    if one.state == other.state or cost(best) < cost((one.state, other.state)):
        one.state, other.state = best


def _apart(a: Floats, b: Floats) -> float:
    return float(np.hypot(*(a - b)))
