"""An invented house: its measures, its walls and slopes as flat textured pieces, and its yard."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.world import Picture, Vector, vec

FACES = ("front", "right", "back", "left")
OVERHANG = 0.38
"""Metres of eave beyond the wall."""
WALL_PPM = 110
ROOF_PPM = 100
STORY = 2.65
"""Metres of wall a storey."""


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """Measures in metres, `pitch` in inches of rise a foot, colours BGR."""

    seed: int
    width: float
    depth: float
    stories: int
    pitch: int
    cladding: str
    wall: tuple[int, int, int]
    trim: tuple[int, int, int]
    door: tuple[int, int, int]
    roof: str

    @property
    def height(self) -> float:
        """Metres from the ground to the eave."""
        return 0.25 + STORY * self.stories

    @property
    def slope_length(self) -> float:
        """Metres from eave to ridge along the slope; the same on all four sides of the hip."""
        run = self.depth / 2 + OVERHANG
        return float(run * np.hypot(1, self.pitch / 12))


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side of a house as seen from outside: its lower left corner, its right, its outward normal."""

    corner: Vector
    right: Vector
    out: Vector
    length: float

    def at(self, along: float, out: float, up: float) -> Vector:
        """The point so many metres to the right of the corner, out of the wall and above the ground."""
        return self.corner + self.right * along + self.out * out + vec(0, 0, up)


def side(house: House, face: str) -> Side:
    """The side of `house` that `face` names."""
    a, b = house.width / 2, house.depth / 2
    x, y = vec(1, 0, 0), vec(0, 1, 0)
    return {
        "front": Side(corner=vec(-a, -b, 0), right=x, out=-y, length=house.width),
        "right": Side(corner=vec(a, -b, 0), right=y, out=x, length=house.depth),
        "back": Side(corner=vec(a, b, 0), right=-x, out=y, length=house.width),
        "left": Side(corner=vec(-a, b, 0), right=-y, out=-x, length=house.depth),
    }[face]


def uphill(house: House, face: str) -> Vector:
    """Unit vector up the slope of `face`."""
    rise = house.pitch / 12
    direction = -side(house, face).out + vec(0, 0, rise)
    return direction / np.linalg.norm(direction)


def on_slope(house: House, face: str, along: float, up: float, above: float = 0.0) -> Vector:
    """The point of a slope `along` metres right of its lower left corner, `up` the slope, `above` it."""
    wall = side(house, face)
    corner = wall.at(-OVERHANG, OVERHANG, house.height)
    climb = uphill(house, face)
    normal = np.cross(wall.right, climb)
    return corner + wall.right * along + climb * up + normal * above


def sun_light(direction: Vector, normal: Vector) -> float:
    """Share of full light on a surface: sky light plus what the sun adds."""
    return 0.66 + 0.42 * max(0.0, float(normal @ direction))


def cladding(house: House, seed: int, width: float, height: float, ppm: float) -> Picture:
    """The house's outer skin, a piece of it."""
    if house.cladding == "brick":
        return textures.brick(seed, width, height, ppm, house.wall)
    if house.cladding == "stucco":
        return textures.stucco(seed, width, height, ppm, house.wall)
    return textures.siding(seed, width, height, ppm, house.wall)


@lru_cache(maxsize=16)
def wall_texture(house: House, face: str) -> Picture:
    """A whole wall with its windows and doors, seen straight on, at WALL_PPM."""
    length = side(house, face).length
    wall = cladding(house, house.seed * 7 + FACES.index(face), length, house.height, WALL_PPM).copy()
    rng = np.random.default_rng([house.seed, FACES.index(face), 5])
    for storey in range(house.stories):
        sill = house.height - 0.25 - STORY * storey - 0.95
        for along, width in _openings(house, face, storey):
            window(wall, house, rng, along, sill - 1.35, width, 1.35, WALL_PPM)
    if face == "front":
        _front_doors(wall, house, rng)
    if face == "back":
        _door(wall, house, rng, length * 0.52, 1.7, glass=True)
    rows = wall.shape[0]
    y = np.arange(rows) / WALL_PPM
    fade = 1 - 0.42 * np.exp(-((y / 0.3) ** 2)) - 0.22 * np.exp(-(((house.height - y) / 0.25) ** 2))
    foundation = y > house.height - 0.22
    wall[foundation] = cv2.addWeighted(
        textures.concrete(house.seed, length, 0.25, WALL_PPM)[: int(foundation.sum()), : wall.shape[1]],
        0.8,
        wall[foundation],
        0.1,
        0,
    )
    return np.clip(wall * fade[:, None, None], 0, 255).astype(np.uint8)


def _openings(house: House, face: str, storey: int) -> list[tuple[float, float]]:
    """Where windows stand, metres from the left, and how wide."""
    length = side(house, face).length
    if face == "front" and storey == 0:
        return [(length * 0.10, 1.6), (length * 0.29, 0.9)]
    if face == "front":
        return [(length * share, 1.0) for share in (0.12, 0.36, 0.6, 0.84)]
    if face == "back":
        return [(length * 0.12, 1.2), (length * 0.32, 1.2), (length * 0.8, 1.6)]
    return [(length * 0.25, 0.95), (length * 0.62, 0.95)]


def window(
    wall: Picture,
    house: House,
    rng: np.random.Generator,
    along: float,
    top: float,
    width: float,
    height: float,
    ppm: float,
) -> None:
    """Set a double-hung window with its trim and a screen over the lower sash into a wall picture."""
    x0, y0 = round(along * ppm), round(top * ppm)
    w, h, trim = round(width * ppm), round(height * ppm), round(0.09 * ppm)
    frame = textures.metal(int(rng.integers(1 << 30)), w + 2 * trim, h + 2 * trim, house.trim)
    paste(wall, frame, x0 - trim, y0 - trim)
    glass = glass_picture(rng, w, h)
    paste(wall, glass, x0, y0)
    rail = max(2, round(0.045 * ppm))
    middle = y0 + h // 2 - rail // 2
    wall[max(0, middle) : middle + rail, x0 : x0 + w] = house.trim
    if width > 1.3:
        wall[max(0, y0) : y0 + h, x0 + w // 2 - rail // 2 : x0 + w // 2 + rail // 2 + 1] = house.trim
    lower = wall[y0 + h // 2 + rail : y0 + h, x0 : x0 + w]
    lower[:] = cv2.addWeighted(lower, 0.45, np.full_like(lower, 58), 0.55, 0)
    line = max(1, round(0.012 * ppm))
    cv2.rectangle(wall, (x0, y0), (x0 + w, y0 + h), (40, 40, 42), line)
    sill = slice(y0 + h + trim, y0 + h + trim + max(2, round(0.04 * ppm)))
    wall[sill, x0 - trim : x0 + w + trim] = (wall[sill, x0 - trim : x0 + w + trim] * 0.55).astype(np.uint8)


def glass_picture(rng: np.random.Generator, columns: int, rows: int) -> Picture:
    """A pane: a dark room behind, curtains, and the sky and trees mirrored."""
    x, y = np.linspace(0, 1, columns, dtype=np.float32), np.linspace(0, 1, rows, dtype=np.float32)
    mirror = np.clip((0.62 - y)[:, None] * 2 + 0.7 * (textures.clouds(rng, rows, columns, 4, 4) - 0.5), 0, 1)
    room = 26 + 16 * textures.clouds(rng, rows, columns, 3, 2)
    curtain = np.maximum(0, np.abs(x - 0.5) * 2 - rng.uniform(0.55, 0.85))[None, :] * 380
    curtain *= 0.75 + 0.25 * np.sin(x * 60)[None, :]
    inside = np.minimum(room + curtain, 150) * (1 - 0.6 * mirror)
    planes = [cv2.convertScaleAbs(inside + 0.75 * sky_value * mirror) for sky_value in (182, 160, 138)]
    return cv2.merge(planes)


def _front_doors(wall: Picture, house: House, rng: np.random.Generator) -> None:
    """The entrance and the garage door."""
    _door(wall, house, rng, house.width * 0.44, 1.0, glass=False)
    width = min(4.9, house.width * 0.36)
    x0, y0 = round((house.width * 0.93 - width) * WALL_PPM), round((house.height - 2.35) * WALL_PPM)
    w, h = round(width * WALL_PPM), round(2.13 * WALL_PPM)
    trim = round(0.1 * WALL_PPM)
    paste(wall, textures.metal(3, w + 2 * trim, h + trim, house.trim), x0 - trim, y0 - trim)
    door = textures.metal(4, w, h, tuple(int(c * 0.93) for c in house.trim))
    for row in range(4):
        for column in range(6):
            px0, px1 = int((column + 0.12) * w / 6), int((column + 0.88) * w / 6)
            py0, py1 = int((row + 0.15) * h / 4), int((row + 0.85) * h / 4)
            cv2.rectangle(door, (px0, py0), (px1, py1), tuple(int(c * 0.72) for c in house.trim), 1)
            cv2.line(door, (px0, py1), (px1, py1), tuple(min(255, int(c * 1.08)) for c in house.trim), 1)
        edge = (row + 1) * h // 4
        cv2.line(door, (0, edge), (w, edge), (90, 92, 94), 2)
    paste(wall, door, x0, y0)


def _door(
    wall: Picture, house: House, rng: np.random.Generator, along: float, width: float, *, glass: bool
) -> None:
    x0, y0 = round(along * WALL_PPM), round((house.height - 0.22 - 2.05) * WALL_PPM)
    w, h, trim = round(width * WALL_PPM), round(2.05 * WALL_PPM), round(0.1 * WALL_PPM)
    paste(wall, textures.metal(5, w + 2 * trim, h + trim, house.trim), x0 - trim, y0 - trim)
    if glass:
        paste(wall, glass_picture(rng, w, h), x0, y0)
        cv2.rectangle(wall, (x0, y0), (x0 + w // 2, y0 + h), house.trim, 6)
        cv2.rectangle(wall, (x0 + w // 2, y0), (x0 + w, y0 + h), house.trim, 6)
        return
    leaf = textures.metal(6, w, h, house.door)
    for row, share in ((0.08, 0.42), (0.52, 0.9)):
        for column in (0.14, 0.56):
            corner = (int(column * w), int(row * h))
            far = (int((column + 0.3) * w), int(share * h))
            cv2.rectangle(leaf, corner, far, tuple(int(c * 0.6) for c in house.door), 2)
    cv2.circle(leaf, (int(w * 0.9), int(h * 0.52)), 4, (120, 190, 210), -1, cv2.LINE_AA)
    paste(wall, leaf, x0, y0)


def paste(picture: Picture, piece: Picture, x0: int, y0: int) -> None:
    """Copy `piece` into `picture`, cutting off what lies outside."""
    top, left = max(0, y0), max(0, x0)
    bottom = min(picture.shape[0], y0 + piece.shape[0])
    right = min(picture.shape[1], x0 + piece.shape[1])
    if bottom > top and right > left:
        picture[top:bottom, left:right] = piece[top - y0 : bottom - y0, left - x0 : right - x0]


def slope_part(
    house: House, face: str, left: float, bottom: float, width: float, height: float
) -> list[tuple[float, float]]:
    """Return the part of a rectangle on a slope (metres) between the hips, as an outline for `Canvas.plane`."""
    length = side(house, face).length + 2 * OVERHANG
    lean = slope_outline(house, face)[0][0] * length / house.slope_length
    points = [
        (left, bottom + height),
        (left + width, bottom + height),
        (left + width, bottom),
        (left, bottom),
    ]

    def cut(
        points: list[tuple[float, float]], inside: Callable[[float, float], float]
    ) -> list[tuple[float, float]]:
        kept = []
        for here, following in zip(points, points[1:] + points[:1], strict=True):
            a, b = inside(*here), inside(*following)
            if a >= 0:
                kept.append(here)
            if (a >= 0) != (b >= 0):
                share = a / (a - b)
                kept.append(
                    (here[0] + share * (following[0] - here[0]), here[1] + share * (following[1] - here[1]))
                )
        return kept

    points = cut(points, lambda along, up: along - up * lean - 0.1)
    points = cut(points, lambda along, up: length - along - up * lean - 0.1)
    return [((x - left) / width, (bottom + height - y) / height) for x, y in points]


@lru_cache(maxsize=16)
def slope_texture(house: House, face: str) -> Picture:
    """A slope's shingles, the whole bounding rectangle, at ROOF_PPM."""
    length = side(house, face).length + 2 * OVERHANG
    seed = house.seed * 11 + FACES.index(face)
    return textures.shingles(seed, length, house.slope_length, ROOF_PPM, house.roof)


def slope_outline(house: House, face: str) -> list[tuple[float, float]]:
    """The slope's trapezoid or triangle in shares of its bounding rectangle, from its top left."""
    length = side(house, face).length + 2 * OVERHANG
    run = house.depth / 2 + OVERHANG
    cut = min(0.5, run / length)
    return [(cut, 0), (1 - cut, 0), (1, 1), (0, 1)]
