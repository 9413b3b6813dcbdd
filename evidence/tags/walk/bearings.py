"""Compass directions, positions and heights as evidence for the face and for being on the roof.

Directions are degrees clockwise from north as the camera gives them; true and magnetic ones differ by the
declination, which is small compared with the spreads here and the same for the whole claim.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats
from evidence.model import GeoPoint, PhotoRecord, Role
from evidence.tags.vocabulary import Zone
from evidence.tags.walk.plan import Compass, WalkPlan
from evidence.tags.walk.sides import OUTWARD, SIDES

FRONTS = np.arange(0.0, 360.0, 15.0)
"""Directions that the front may face, in degrees; a camera's direction is less exact than their distance."""

OVERVIEW_SHARES = np.array([0.5, 0.5 / 3, 0.5 / 3, 0.5 / 3])
"""Share of each side among overviews of a house, before position and compass; common practice, no source."""

_CORNER = 25.0
"""Degrees from the middle of a side from which a view shows the side next to it too; halfway is 45."""

_TRUST = 0.7
"""Power on the likelihoods of place: neighbouring photos share their errors."""

_MISNAMED = 0.02
"""Share of boards whose compass word is wrong."""

_FAR = 120.0
"""Metres from the median position beyond which a position is ignored."""

_LEAST_POSITIONS = 4
"""Fewer positions do not show where the middle of the house is."""

_METRES_A_DEGREE = 111_195.0
"""Of latitude, on a sphere of 6,371 km."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bearings:
    """Directions, positions and heights of one claim's photos; NaN where a photo has none."""

    facing: Floats
    """(photos,): where the camera pointed."""
    standing: Floats
    """(photos,): direction from the middle of the house to the photographer."""
    distance: Floats
    """(photos,): metres from the middle."""
    named: Floats
    """(photos,): outward direction of the side that writing names by a compass word."""
    height: Floats
    """(photos,): metres above any common level."""

    @property
    def empty(self) -> bool:
        """True when no photo has a direction, a position or a height."""
        return bool(np.isnan(np.stack([self.facing, self.standing, self.named, self.height])).all())


def bearings(photos: Sequence[PhotoRecord], named: Sequence[float | None]) -> Bearings:
    """Directions and positions of one claim's photos, around the middle of where they were taken.

    Positions far from the median are dropped; the middle is that of the 5th and 95th percentiles of the
    rest, east and north, so that neither a long stay on one side nor one wrong fix moves it much.
    """
    gps = [photo.facts.gps for photo in photos]
    east, north = _metres(gps)
    standing = np.full(len(photos), np.nan)
    distance = np.full(len(photos), np.nan)
    known = ~np.isnan(east)
    if known.any():
        off = np.hypot(east - np.median(east[known]), north - np.median(north[known]))
        near = known & (np.nan_to_num(off, nan=np.inf) <= _FAR)
        if near.sum() >= _LEAST_POSITIONS:
            east = east - np.mean(np.percentile(east[near], [5, 95]))
            north = north - np.mean(np.percentile(north[near], [5, 95]))
            standing[near] = np.degrees(np.arctan2(east[near], north[near])) % 360
            distance[near] = np.hypot(east[near], north[near])
    return Bearings(
        facing=_numbers([photo.facts.direction for photo in photos]),
        standing=standing,
        distance=distance,
        named=_numbers(named),
        height=_numbers([point.alt if point else None for point in gps]),
    )


def _numbers(values: Sequence[float | None]) -> Floats:
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)


def _metres(points: Sequence[GeoPoint | None]) -> tuple[Floats, Floats]:
    """East and north of the first point, in metres."""
    first = next((point for point in points if point), None)
    if first is None:
        return np.full(len(points), np.nan), np.full(len(points), np.nan)
    east = [
        (p.lon - first.lon) * _METRES_A_DEGREE * math.cos(math.radians(first.lat)) if p else None
        for p in points
    ]
    north = [(p.lat - first.lat) * _METRES_A_DEGREE if p else None for p in points]
    return _numbers(east), _numbers(north)


def _von_mises(off: Floats, spread: Floats | float, astray: float) -> Floats:
    """Likelihood of an error of `off` degrees, relative to no evidence: von Mises with a share of outliers."""
    kappa = 1.0 / np.square(np.radians(spread))
    # 1 / (2 pi I0(kappa)) times 2 pi, with I0 scaled to keep large kappa finite
    peak = (
        np.exp(kappa * (np.cos(np.radians(off)) - 1))
        / np.i0(np.minimum(kappa, 500))
        / np.exp(-np.minimum(kappa, 500))
    )
    found: Floats = (1 - astray) * peak + astray
    return np.where(np.isnan(found), 1.0, found)


def _surface_likelihoods(plan: WalkPlan, seen: Bearings) -> Floats:
    """(photos, 3 surfaces, 4 sides, directions of the front): likelihoods relative to no evidence.

    The surfaces are walls, things on or at them, and the roof.
    """
    compass: Compass = plan.compass
    side = FRONTS[None] + np.array(OUTWARD)[:, None]  # (sides, directions): outward direction of each side
    facing = seen.facing[:, None, None] - side[None] - 180.0
    standing = seen.standing[:, None, None] - side[None]
    named = _von_mises(seen.named[:, None, None] - side[None], 30.0, _MISNAMED)
    spread = np.hypot(compass.stand, np.degrees(np.arctan2(compass.position, np.maximum(seen.distance, 0.1))))
    stands = _von_mises(standing, np.nan_to_num(spread, nan=90.0)[:, None, None], compass.astray)
    either_way = 0.5 * (
        _von_mises(facing, compass.roof, compass.roof_astray)
        + _von_mises(facing + 180.0, compass.roof, compass.roof_astray)
    )
    roof_stands = _von_mises(standing, np.nan_to_num(spread, nan=90.0)[:, None, None], compass.roof_astray)
    surfaces = [
        _von_mises(facing, compass.wall, compass.astray) * stands,
        _von_mises(facing, compass.thing, compass.astray) * stands,
        either_way * roof_stands,
    ]
    return np.stack([surface**_TRUST * named for surface in surfaces], axis=1)


def place_likelihoods(plan: WalkPlan, seen: Bearings) -> Floats:
    """(directions of the front, photos, steps): likelihoods relative to no evidence."""
    table = _surface_likelihoods(plan, seen)
    surface, side = _surfaces(plan)
    flat = table.reshape(len(table), 12, -1)
    # a thing without a side is photographed from some side, mostly from the one where the photographer is
    anywhere = 0.5 + 0.5 * table.max(axis=2)  # (photos, surfaces, directions)
    indoors = np.ones((len(table), 1, flat.shape[2]))
    overview = np.einsum("f,pfd->pd", OVERVIEW_SHARES, table[:, 0])[:, None]
    cells = np.concatenate([flat, anywhere, indoors, overview], axis=1)
    place = np.where(side >= 0, surface * 4 + side, 12 + surface)
    place[overviews(plan)] = 16
    steps: Floats = cells[:, place].transpose(2, 0, 1)
    return steps


def overviews(plan: WalkPlan) -> NDArray[np.bool_]:
    """(steps,): True for an overview of the house from outside, which may show any side or a corner."""
    return np.array([step.role == Role.OVERVIEW and step.zone is Zone.OUTSIDE for step in plan.steps])


def overview_sides(plan: WalkPlan, seen: Bearings, share: Floats) -> Floats:
    """(photos, 4): probability of each of `SIDES` if the photo is an overview; NaN for a photo without place.

    `share` (directions,) is the probability of each of `FRONTS`.
    """
    joint = OVERVIEW_SHARES[None, :, None] * _surface_likelihoods(plan, seen)[:, 0]
    sides: Floats = np.einsum("pfd,d->pf", joint / joint.sum(axis=1, keepdims=True), share)
    known = np.asarray(~np.isnan(np.stack([seen.facing, seen.standing, seen.named])).all(axis=0))
    return np.where(known[:, None], sides, np.nan)


def corner(front: float, facing: float, standing: float) -> tuple[str, str] | None:
    """The two sides that a view of a corner shows, the more visible one first; None for a view of one side.

    Directions in degrees: that of the front, of the camera (else NaN), and to the photographer (else NaN).
    """
    seen_from = standing if math.isnan(facing) else facing + 180.0
    if math.isnan(seen_from):
        return None
    off = [abs((seen_from - front - turn + 180) % 360 - 180) for turn in OUTWARD]
    first, second = sorted(range(4), key=off.__getitem__)[:2]
    return (SIDES[first], SIDES[second]) if off[first] >= _CORNER else None


def _surfaces(plan: WalkPlan) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """For each step its surface (3 for indoors) and its side (-1 for none)."""
    surface, side = [], []
    for step in plan.steps:
        outside = 0 if step.role in ("elevation", "overview") else 1
        surface.append({Zone.ROOF: 2, Zone.INSIDE: 3, Zone.OUTSIDE: outside}[step.zone])
        side.append(SIDES.index(step.face) if step.face in SIDES else -1)
    return np.array(surface, dtype=np.intp), np.array(side, dtype=np.intp)


def front_direction(share: Floats) -> float | None:
    """The mean of `FRONTS` under their probabilities; None unless two thirds of these lie within 30 degrees of it."""
    turned = np.exp(1j * np.radians(FRONTS))
    mean = complex((share * turned).sum())
    angle = math.degrees(math.atan2(mean.imag, mean.real)) % 360
    off = np.abs((FRONTS - angle + 180) % 360 - 180)
    return angle if share[off <= 30].sum() >= 2 / 3 and abs(mean) > 0.5 else None


def height_likelihoods(plan: WalkPlan, seen: Bearings, steps: Floats) -> Floats | None:
    """(photos, steps): likelihoods of each photo's height on the ground or the roof; None when heights are no evidence.

    `steps` (photos, steps) is the posterior so far: it shows which photos were taken on the roof.
    """
    roof = np.array([step.zone is Zone.ROOF for step in plan.steps])
    known = ~np.isnan(seen.height)
    up = steps[:, roof].sum(axis=1)
    if (up[known] > 0.5).sum() < 5 or (up[known] < 0.5).sum() < 5:
        return None
    high = float(np.median(seen.height[known & (up > 0.5)]))
    low = float(np.median(seen.height[known & (up < 0.5)]))
    middle = np.where(up > 0.5, high, low)
    spread = max(2.0, 1.4826 * float(np.median(np.abs((seen.height - middle)[known]))))
    if high - low < spread:
        return None
    flat = np.ones((len(steps), len(roof)))
    for is_roof, level in ((True, high), (False, low)):
        fit = np.exp(-0.5 * np.square((seen.height - level) / spread))
        flat[:, roof == is_roof] = np.where(known, 0.8 * fit + 0.2, 1.0)[:, None]
    return flat
