"""The compass direction that a house's front faces, and positions in metres round it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from evidence.model import Face, Facet, GeoPoint, PhotoRecord, Role
from evidence.tags.vocabulary import Vocabulary
from evidence.tags.walk.sides import OUTWARD, SIDES

WGS84_A = 6_378_137.0
"""Semi-major axis in metres (WGS 84, NGA.STND.0036)."""
WGS84_F = 1 / 298.257223563
"""Flattening (WGS 84, NGA.STND.0036)."""

LEAST_AGREEMENT = 0.9
"""Mean resultant length that the directions need: a circular standard deviation of 26 degrees, well under the 45
between a side and its corner; common practice, no source."""

COMPASS_POINTS = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
"""Every 45 degrees, clockwise from north."""


def outward(face: Face) -> float:
    """Degrees from the front's outward direction to that of `face`, clockwise; raises ValueError for no side."""
    return OUTWARD[SIDES.index(face.value)]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrontBearing:
    """Where the front faces, by the cameras' compasses."""

    degrees: float
    """0 <= d < 360, clockwise from the cameras' north."""
    photos: int
    """Views of elevations that it was calculated from."""
    guessed: bool
    """True when no view of an elevation is stated, so that guesses were used."""
    magnetic: bool | None
    """True or False when all cameras say which north they mean; else None."""

    def of(self, face: Face) -> float:
        """The direction that a side faces."""
        return (self.degrees + outward(face)) % 360

    def point(self, face: Face) -> str:
        """The same as one of eight compass points."""
        return COMPASS_POINTS[round(self.of(face) / 45) % 8]


def front_bearing(records: Sequence[PhotoRecord], vocabulary: Vocabulary) -> FrontBearing | None:
    """Where the front faces; None when no view of an elevation has a direction, or they contradict each other.

    A camera that looks at a side points against the side's outward direction. The result is the mean direction of the
    views (Mardia and Jupp, Directional Statistics, 2000, section 2.2).
    """
    for guessed in (False, True):
        views = [view for record in records if (view := _view(record, vocabulary, guessed=guessed))]
        if views:
            return _mean(views, guessed=guessed)
    return None


def _view(record: PhotoRecord, vocabulary: Vocabulary, *, guessed: bool) -> tuple[float, bool | None] | None:
    """The front's direction by one view of an elevation, and whether its north is magnetic."""
    role, face, direction = record.tags.get(Facet.ROLE), record.tags.get(Facet.FACE), record.facts.direction
    if role is None or face is None or direction is None:
        return None
    if role.value != Role.ELEVATION or face.value not in SIDES:
        return None
    for value in (role, face):
        if not value.stated and (not guessed or value.confidence < vocabulary.guess.shows):
            return None
    true = record.facts.direction_is_true
    return (direction + 180 - outward(Face(face.value))) % 360, None if true is None else not true


def _mean(views: Sequence[tuple[float, bool | None]], *, guessed: bool) -> FrontBearing | None:
    east = sum(math.sin(math.radians(degrees)) for degrees, _ in views) / len(views)
    north = sum(math.cos(math.radians(degrees)) for degrees, _ in views) / len(views)
    if math.hypot(east, north) < LEAST_AGREEMENT:
        return None
    kinds = {magnetic for _, magnetic in views}
    return FrontBearing(
        degrees=math.degrees(math.atan2(east, north)) % 360,
        photos=len(views),
        guessed=guessed,
        magnetic=kinds.pop() if len(kinds) == 1 else None,
    )


def local_metres(point: GeoPoint, origin: GeoPoint) -> tuple[float, float]:
    """East and north of `origin` in metres: the equidistant cylindrical projection with its true scale at the origin.

    Snyder, Map Projections: A Working Manual, USGS Professional Paper 1395 (1987), chapter 12, with the radii of
    curvature of the ellipsoid (equations 4-18 and 4-20). Within 1 km of the origin, the error is below 1 m up to the
    latitude of 60 degrees.
    """
    phi = math.radians(origin.lat)
    e2 = WGS84_F * (2 - WGS84_F)
    w = math.sqrt(1 - e2 * math.sin(phi) ** 2)
    meridian = WGS84_A * (1 - e2) / w**3
    parallel = WGS84_A / w * math.cos(phi)
    across = (point.lon - origin.lon + 180) % 360 - 180
    return parallel * math.radians(across), meridian * math.radians(point.lat - origin.lat)
