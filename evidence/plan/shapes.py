"""The drawing of a house from above: areas, texts and dots in a unit square, y downward.

It shows which side is where and what the photos state of it. It is no measurement: every house is drawn as the same square
with four slopes. A surface differs by its pattern and its letter, not by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import TypeAlias

from evidence.errors import counted
from evidence.model import Face, GeoPoint, PhotoRecord, Sha256
from evidence.plan.bearing import FrontBearing, local_metres, outward
from evidence.plan.surfaces import FACES, House, HousePart, State, Surface

Point: TypeAlias = tuple[float, float]
"""x to the right and y downward, 0 to 1."""
Segment: TypeAlias = tuple[Point, Point]

CENTRE: Point = (0.5, 0.5)
EAVES = 0.25
"""Half the side of the roof's square."""
BAND = 0.07
"""Width of the band that stands for a wall."""
NAME_AT = 0.385
"""Distance of a side's name from the centre."""
SQUARE = 0.062
"""Side of the small square that stands for a test square."""
REACH = 0.47
"""Distance from the centre of the photo that was taken farthest away."""
LEAST_M = 15.0
"""The farthest photo is taken to be at least this many metres away, so that positions at one place stay together."""
FAR_M = 120.0
"""A position farther from the middle is left out: farther than a house's ground reaches; common practice, no source."""
MOST_SQUARES = 3
"""Test squares drawn on a slope; the table lists all."""
VIEW_LENGTH = 0.03
"""Length of the line that shows where a camera pointed."""

SCALE_WORDS = "10 m between dots"
"""Beside the bar: only the dots are to scale."""

NOTE = (
    "Orientation only, no measurement: drawn from the tags, positions and compass of the photos. "
    "Every house is drawn as the same square with four slopes, not to scale; a position can be some metres off."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnArea:
    """An elevation's band or a slope's triangle."""

    surface: Surface
    points: tuple[Point, ...]
    letter_at: Point

    @property
    def lines(self) -> tuple[Segment, ...]:
        """Lines of its pattern: close diagonals for damage, wide ones the other way for a guess; else none."""
        if self.surface.state is State.DAMAGED:
            return hatch(self.points, spacing=0.017, rising=True)
        if self.surface.state is State.GUESSED:
            return hatch(self.points, spacing=0.034, rising=False)
        return ()

    @property
    def specks(self) -> tuple[Point, ...]:
        """Points of its pattern, for what is proved sound."""
        return stipple(self.points, spacing=0.022) if self.surface.state is State.SOUND else ()

    @property
    def dashed(self) -> bool:
        """True when its outline is dashed, because no photo is stated to show it."""
        return self.surface.state in (State.MISSING, State.GUESSED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A short text, its middle at a point."""

    words: str
    at: Point


@dataclass(frozen=True, slots=True, kw_only=True)
class SquareMark:
    """A test square on its slope, with its hits; `?` where none is stated."""

    at: Point
    words: str
    photo: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """Where a photo was taken, and the end of the line that shows where the camera pointed."""

    at: Point
    view: Point | None
    photo: Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePlan:
    """The whole drawing."""

    areas: tuple[DrawnArea, ...]
    names: tuple[Text, ...]
    """The four sides."""
    squares: tuple[SquareMark, ...]
    dots: tuple[Dot, ...]
    north_up: bool
    """True when up is north; otherwise the front is at the bottom."""
    ten_metres: float | None
    """Length of ten metres between the dots; None without dots."""
    orientation: str
    """How the drawing is turned, in one sentence."""
    positions: str
    """Which photos the dots show, in one sentence."""
    note: str = NOTE

    @property
    def description(self) -> str:
        """The drawing in words, for who cannot see it."""
        surfaces = "; ".join(surface_words(area.surface) for area in self.areas)
        return f"Plan of the house. {self.orientation} {surfaces}. {self.positions} {self.note}"


def plan_of(house: House, records: Sequence[PhotoRecord], bearing: FrontBearing | None) -> HousePlan:
    """The drawing of a house, with a dot for each of `records` where its position and the front's direction are known."""
    front = bearing.degrees if bearing else 180.0
    dots, scale, left_out = _dots(records) if bearing else ((), None, 0)
    return HousePlan(
        areas=tuple(_areas(house, front)),
        names=tuple(
            Text(words=face.value.capitalize(), at=_from_centre(front + outward(face), NAME_AT))
            for face in FACES
        ),
        squares=tuple(_squares(house, front)),
        dots=dots,
        north_up=bearing is not None,
        ten_metres=10 * scale if scale else None,
        orientation=_orientation(bearing),
        positions=_positions(len(dots), len(records), left_out, bearing),
    )


def surface_words(surface: Surface) -> str:
    """`front slope: damaged, 5 photos, test square with 9 hits, 1 required shot missing`."""
    parts = [f"{surface.name}: {surface.state}"]
    if surface.photos:
        parts.append(counted(len(surface.photos), "photo"))
    for square in surface.squares:
        if square.hits is not None:
            parts.append(f"test square with {counted(square.hits, 'hit')}")
        else:
            proposed = "" if square.proposed is None else f" ({square.proposed} proposed by the program)"
            parts.append(f"test square without a stated count{proposed}")
    if surface.missing_shots:
        parts.append(counted(surface.missing_shots, "required shot missing", "required shots missing"))
    return ", ".join(parts)


def _orientation(bearing: FrontBearing | None) -> str:
    if bearing is None:
        return "The front is drawn at the bottom: no compass direction of an elevation is known, or they disagree."
    kind = {True: "magnetic ", False: "true ", None: ""}[bearing.magnetic]
    views = counted(bearing.photos, "view") + (" of guessed elevations" if bearing.guessed else "")
    return (
        f"Up is {kind}north by the cameras' compass ({views}): the front faces {bearing.point(Face.FRONT)} "
        f"({round(bearing.degrees) % 360}\N{DEGREE SIGN})."
    )


def _positions(dots: int, photos: int, left_out: int, bearing: FrontBearing | None) -> str:
    if bearing is None:
        return "No positions are drawn, because the drawing is not turned to the compass."
    if not dots:
        return "No photo has a position."
    far = f"; {left_out} taken farther than {FAR_M:.0f} m away left out" if left_out else ""
    return f"Dots: where {dots} of {counted(photos, 'photo')} were taken, by the camera's position{far}."


# --- areas -------------------------------------------------------------------------------


def _direction(degrees: float) -> Point:
    """The unit vector of a direction clockwise from up."""
    return math.sin(math.radians(degrees)), -math.cos(math.radians(degrees))


def _from_centre(degrees: float, distance: float, along: float = 0.0) -> Point:
    """A point at that distance in a direction, then `along` to its right."""
    (x, y), (u, v) = _direction(degrees), _direction(degrees + 90)
    return CENTRE[0] + x * distance + u * along, CENTRE[1] + y * distance + v * along


def _areas(house: House, front: float) -> Iterator[DrawnArea]:
    for face in FACES:
        facing = front + outward(face)
        far = EAVES + BAND
        yield DrawnArea(
            surface=house.surface(HousePart.ELEVATION, face),
            points=(
                _from_centre(facing, EAVES, -EAVES),
                _from_centre(facing, far, -far),
                _from_centre(facing, far, far),
                _from_centre(facing, EAVES, EAVES),
            ),
            letter_at=_from_centre(facing, EAVES + BAND / 2),
        )
    for face in FACES:
        facing = front + outward(face)
        yield DrawnArea(
            surface=house.surface(HousePart.SLOPE, face),
            points=(CENTRE, _from_centre(facing, EAVES, -EAVES), _from_centre(facing, EAVES, EAVES)),
            letter_at=_from_centre(facing, EAVES * 0.46),
        )


def _squares(house: House, front: float) -> Iterator[SquareMark]:
    for face in FACES:
        shown = house.surface(HousePart.SLOPE, face).squares[:MOST_SQUARES]
        for place, square in enumerate(shown):
            along = (place - (len(shown) - 1) / 2) * SQUARE * 1.35
            words = "?" if square.hits is None else str(square.hits)
            at = _from_centre(front + outward(face), EAVES * 0.8, along)
            yield SquareMark(at=at, words=words, photo=square.photo)


# --- dots --------------------------------------------------------------------------------


def _dots(records: Sequence[PhotoRecord]) -> tuple[tuple[Dot, ...], float | None, int]:
    """The dots, units a metre, and how many positions are too far away. Without a position: none."""
    placed = [(record, gps) for record in records if (gps := record.facts.gps)]
    if not placed:
        return (), None, 0
    middle = GeoPoint(lat=median(gps.lat for _, gps in placed), lon=median(gps.lon for _, gps in placed))
    metres = [(record, local_metres(gps, middle)) for record, gps in placed]
    near = [(record, at) for record, at in metres if math.hypot(*at) <= FAR_M]
    scale = REACH / max([LEAST_M, *(math.hypot(*at) for _, at in near)])
    dots = []
    for record, (east, north) in near:
        x, y = CENTRE[0] + east * scale, CENTRE[1] - north * scale
        view = None
        if record.facts.direction is not None:
            u, v = _direction(record.facts.direction)
            view = x + u * VIEW_LENGTH, y + v * VIEW_LENGTH
        dots.append(Dot(at=(x, y), view=view, photo=record.sha256))
    return tuple(dots), scale, len(metres) - len(near)


# --- patterns ----------------------------------------------------------------------------


def hatch(points: Sequence[Point], *, spacing: float, rising: bool) -> tuple[Segment, ...]:
    """Diagonal lines within a convex polygon, `spacing` apart."""
    side = 1 if rising else -1
    across = (1 / math.sqrt(2), side / math.sqrt(2))
    along = (across[1], -across[0])
    offsets = [x * across[0] + y * across[1] for x, y in points]
    lines = []
    step = math.ceil(min(offsets) / spacing)
    while step * spacing < max(offsets):
        ends = sorted(
            (x * along[0] + y * along[1], (x, y)) for x, y in _crossings(points, across, step * spacing)
        )
        if len(ends) >= 2 and ends[-1][0] - ends[0][0] > spacing / 10:
            lines.append((ends[0][1], ends[-1][1]))
        step += 1
    return tuple(lines)


def _crossings(points: Sequence[Point], across: Point, offset: float) -> Iterator[Point]:
    """Where the line of all points with `across . p = offset` meets the polygon's sides."""
    for (x0, y0), (x1, y1) in zip(points, [*points[1:], points[0]], strict=True):
        from_line = x0 * across[0] + y0 * across[1] - offset
        to_line = x1 * across[0] + y1 * across[1] - offset
        if (from_line < 0) != (to_line < 0):
            share = from_line / (from_line - to_line)
            yield x0 + share * (x1 - x0), y0 + share * (y1 - y0)


def stipple(points: Sequence[Point], *, spacing: float) -> tuple[Point, ...]:
    """Points of a grid within a convex polygon, every other row shifted."""
    xs, ys = [x for x, _ in points], [y for _, y in points]
    found = []
    for row in range(math.ceil(min(ys) / spacing), math.floor(max(ys) / spacing) + 1):
        shift = spacing / 2 if row % 2 else 0.0
        for column in range(math.ceil(min(xs) / spacing) - 1, math.floor(max(xs) / spacing) + 1):
            at = column * spacing + shift, row * spacing
            if contains(points, at, margin=spacing * 0.25):
                found.append(at)
    return tuple(found)


def contains(points: Sequence[Point], at: Point, *, margin: float = 0.0) -> bool:
    """True when `at` is inside a convex polygon, at least `margin` from its sides."""
    signs = set()
    for (x0, y0), (x1, y1) in zip(points, [*points[1:], points[0]], strict=True):
        cross = (x1 - x0) * (at[1] - y0) - (y1 - y0) * (at[0] - x0)
        length = math.hypot(x1 - x0, y1 - y0)
        if abs(cross) < margin * length:
            return False
        signs.add(cross > 0)
    return len(signs) == 1
