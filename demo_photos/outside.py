"""Photos taken from the ground: the house from each side, and what hangs on its walls."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.chalk import WHITE, Chalk, spread_points
from demo_photos.house import (
    FACES,
    OVERHANG,
    House,
    Side,
    backdrop,
    cladding,
    draw_house,
    draw_plants,
    draw_tree,
    draw_yard,
    glass_picture,
    side,
    sun_light,
)
from demo_photos.world import Camera, Canvas, Picture, Vector, vec


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What one photo is to show; `damage` None where nobody looks for any."""

    house: House
    face: str
    rng: np.random.Generator
    sun: Vector
    cover: float
    damage: bool | None = None
    count: int = 0
    width: int = 1920
    height: int = 1440

    def camera(self, eye: Vector, target: Vector, fov: float, roll: float = 1.2) -> Camera:
        """A camera held by hand: never quite level."""
        return Camera(
            eye=eye,
            target=target,
            fov=fov,
            width=self.width,
            height=self.height,
            roll=float(self.rng.normal(0, roll)),
        )


def elevation(view: View) -> Picture:
    """A whole side of the house from the ground."""
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    away = max(wall.length * 0.72, house.height * 1.3) + rng.uniform(4, 6)
    eye = wall.at(wall.length / 2 + rng.uniform(-2.6, 2.6), away, 1.62)
    target = wall.at(wall.length / 2 + rng.uniform(-0.8, 0.8), 0, house.height * rng.uniform(0.55, 0.8))
    return _whole_house(view, eye, target, rng.uniform(62, 68))


def overview(view: View) -> Picture:
    """The house across a corner, from the street or the yard."""
    house, rng = view.house, view.rng
    following = FACES[(FACES.index(view.face) + 1) % 4]
    first, second = side(house, view.face), side(house, following)
    corner = first.at(first.length, 0, 0)
    away = first.out * rng.uniform(1.0, 1.4) + second.out * rng.uniform(0.8, 1.3)
    eye = corner + away / np.linalg.norm(away) * rng.uniform(11, 14) + vec(0, 0, 1.65)
    target = vec(0, 0, house.height * 0.75) + corner * 0.25
    return _whole_house(view, eye, target, rng.uniform(60, 66))


def _whole_house(view: View, eye: Vector, target: Vector, fov: float) -> Picture:
    rng = view.rng
    canvas = backdrop(view.camera(eye, target, fov), rng, cover=view.cover, trees=rng.uniform(0.8, 1.6))
    draw_yard(canvas, view.house)
    wall = side(view.house, view.face)
    draw_tree(
        canvas, rng, wall.at(wall.length + rng.uniform(1, 4), rng.uniform(-12, -6), 0), rng.uniform(6, 9)
    )
    draw_tree(canvas, rng, wall.at(rng.uniform(-7, -3), rng.uniform(-14, -8), 0), rng.uniform(5, 9))
    draw_house(canvas, view.house, view.sun)
    draw_plants(canvas, view.house, rng, view.face)
    return canvas.picture


def near_wall(
    view: View, eye: Vector, target: Vector, fov: float, along: float, ppm: float, reach: float = 3.2
) -> Canvas:
    """A canvas with yard and a finely drawn piece of wall round `along`, floor to eave."""
    house = view.house
    wall = side(house, view.face)
    canvas = backdrop(view.camera(eye, target, fov), view.rng, cover=view.cover)
    draw_yard(canvas, house, near=eye[2] < 2.4)
    low = house.height - min(house.height, 2.9)
    seed = int(view.rng.integers(1 << 30))
    skin = cladding(house, seed, 2 * reach, house.height - low, ppm).copy()
    fade = 1 - 0.35 * np.exp(-((np.arange(skin.shape[0]) / ppm / 0.25) ** 2))
    skin = np.clip(skin * fade[:, None, None], 0, 255).astype(np.uint8)
    light = sun_light(view.sun, wall.out)
    canvas.plane(
        wall.at(along - reach, 0, house.height),
        wall.right * 2 * reach,
        vec(0, 0, low - house.height),
        skin,
        shade=light,
    )
    if low > 0:
        lower = cladding(house, seed + 1, 2 * reach, low, ppm / 2)
        canvas.plane(
            wall.at(along - reach, 0, low), wall.right * 2 * reach, vec(0, 0, -low), lower, shade=light
        )
    return canvas


# --- gutters and downspouts ---------------------------------------------------------------

GUTTER_PROFILE = (
    (0.0, 0.0),
    (0.125, 0.0),
    (0.125, -0.022),
    (0.108, -0.045),
    (0.1, -0.075),
    (0.082, -0.115),
    (0.0, -0.12),
)
"""Metres out of the fascia and above its edge: the open top, the lip, the curve, the floor."""


def gutter(view: View) -> Picture:
    """A gutter from a ladder, looking along it, or from below."""
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    along = rng.uniform(0.3, 0.7) * wall.length
    edge = house.height + 0.02
    ahead = rng.choice([-1.0, 1.0])
    if rng.random() < 0.7:
        eye = wall.at(
            along - ahead * rng.uniform(0.7, 1.1),
            OVERHANG + rng.uniform(0.55, 0.85),
            edge + rng.uniform(0.12, 0.4),
        )
        target = wall.at(along + ahead * rng.uniform(0.15, 0.5), OVERHANG + 0.08, edge - 0.08)
    else:
        eye = wall.at(
            along - ahead * rng.uniform(0.9, 1.4),
            OVERHANG + rng.uniform(0.8, 1.2),
            edge - rng.uniform(0.5, 0.9),
        )
        target = wall.at(along + ahead * rng.uniform(0.1, 0.6), OVERHANG + 0.05, edge - 0.04)
    canvas = near_wall(view, eye, target, rng.uniform(56, 64), along, 190)
    _eave(canvas, view, wall, along, edge, view.damage is True)
    return canvas.picture


def _eave(canvas: Canvas, view: View, wall: Side, along: float, edge: float, damaged: bool) -> None:
    """Soffit, shingles and a gutter with its profile, six metres of it round `along`."""
    house, rng, reach = view.house, view.rng, 4.0
    light = sun_light(view.sun, wall.out)
    boards = np.repeat(textures.metal(2, 16, 400, house.trim), 20, axis=1)
    boards[::20] = (boards[::20] * 0.7).astype(np.uint8)
    soffit = np.ascontiguousarray(cv2.rotate(boards, cv2.ROTATE_90_CLOCKWISE))
    canvas.plane(
        wall.at(along - reach, 0, edge - 0.13),
        wall.right * 2 * reach,
        wall.out * OVERHANG,
        soffit,
        shade=0.55,
    )
    rise = house.pitch / 12
    up = -wall.out + vec(0, 0, rise)
    up = up / np.linalg.norm(up)
    eaves = wall.at(along - reach, OVERHANG + 0.03, edge + 0.035)
    roof = textures.shingles(int(rng.integers(1 << 30)), 2 * reach, 2.2, 260, house.roof)
    if canvas.camera.eye[2] > edge:
        canvas.plane(eaves + up * 2.2, wall.right * 2 * reach, -up * 2.2, roof, shade=light, strips=2)
    lip = wall.at(along - reach, OVERHANG, edge)
    shades = (0.42, 1.16, 1.0, 0.93, 0.84, 0.66)
    pieces = []
    for index, ((o0, z0), (o1, z1)) in enumerate(pairwise(GUTTER_PROFILE)):
        middle = lip + wall.out * (o0 + o1) / 2 + vec(0, 0, (z0 + z1) / 2) + wall.right * reach
        pieces.append((float(np.linalg.norm(canvas.camera.eye - middle)), index, o0, z0, o1, z1))
    for _, index, o0, z0, o1, z1 in sorted(pieces, reverse=True):
        rows = max(24, int(np.hypot(o1 - o0, z1 - z0) * 420))
        strip = textures.metal(int(rng.integers(1 << 30)), 3300, rows, house.trim)
        strip = _weather(strip, rng)
        if damaged and index in (1, 2, 3, 4):
            count = int(rng.integers(9, 15))
            spots = np.stack([rng.uniform(600, 2700, count), rng.uniform(0, rows, count)], axis=1)
            textures.dents(strip, spots, 9.0 if index != 1 else 6.0, rng)
        if index == 0:
            strip = _gutter_inside(strip, rng)
        start = lip + wall.out * o0 + vec(0, 0, z0)
        canvas.plane(
            start,
            wall.right * 2 * reach,
            wall.out * (o1 - o0) + vec(0, 0, z1 - z0),
            strip,
            shade=light * shades[index],
        )
    for hanger in np.arange(-reach + 0.3, reach, 0.6):
        strap = np.full((8, 8, 3), 150, np.uint8)
        canvas.plane(
            lip + wall.right * (reach + hanger) + vec(0, 0, 0.004),
            wall.right * 0.022,
            wall.out * 0.12,
            strap,
            shade=light,
        )


def _weather(strip: Picture, rng: np.random.Generator) -> Picture:
    """Rain streaks and dust on painted metal."""
    streak = cv2.resize(textures.noise(rng, 4, strip.shape[1], 3.0), (strip.shape[1], strip.shape[0]))
    light = 1 + 0.02 * streak
    return np.clip(strip * light[..., None], 0, 255).astype(np.uint8)


def _gutter_inside(strip: Picture, rng: np.random.Generator) -> Picture:
    """Looking down into the gutter: dark sides, grit and leaves on the floor."""
    rows, columns = strip.shape[:2]
    depth = np.abs(np.linspace(-1, 1, rows, dtype=np.float32))[:, None] ** 2
    dirt = np.clip(textures.clouds(rng, rows, columns, 5, 40) * 1.6 - 0.6, 0, 1)
    grit = 62 + 26 * textures.noise(rng, rows, columns, 2.0)
    mixed = (strip.mean(axis=2) * 0.75) * (1 - dirt) + grit * dirt
    mixed = mixed * (0.75 + 0.35 * depth)
    return textures.tint(mixed.astype(np.float32) / 255, (240, 250, 255))


def downspout(view: View) -> Picture:
    """A downspout on its wall, close enough to see dents in its ribs."""
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    along = rng.choice([0.5, wall.length - 0.6]) + rng.uniform(-0.1, 0.1)
    height = rng.uniform(0.9, 1.6)
    eye = wall.at(
        along + rng.choice([-1, 1]) * rng.uniform(0.4, 1.0),
        rng.uniform(1.1, 1.6),
        height + rng.uniform(0.0, 0.35),
    )
    target = wall.at(along + rng.uniform(-0.12, 0.12), 0, height - rng.uniform(0, 0.5))
    canvas = near_wall(view, eye, target, rng.uniform(52, 62), along, 330, reach=2.2)
    light = sun_light(view.sun, wall.out)
    _spout(canvas, wall, along, house, rng, light, view.damage is True)
    return canvas.picture


def _spout(
    canvas: Canvas,
    wall: Side,
    along: float,
    house: House,
    rng: np.random.Generator,
    light: float,
    damaged: bool,
) -> None:
    """A rectangular, ribbed downspout with straps and its foot."""
    wide, deep, top, foot = 0.1, 0.075, house.height - 0.3, 0.34
    ribs = np.array([0.8, 1.02, 0.98, 0.72, 1.06, 1.0, 0.74, 1.06, 1.0, 0.72, 1.02, 0.98, 0.78])
    length = top - foot
    lay = textures.metal(int(rng.integers(1 << 30)), round(length * 900), 92, house.trim, bend=ribs)
    if damaged:
        count = int(rng.integers(9, 14))
        spots = np.stack([rng.uniform(0.25, 0.85, count) * lay.shape[1], rng.uniform(10, 82, count)], axis=1)
        textures.dents(lay, spots, 17, rng)
    front = np.ascontiguousarray(cv2.rotate(lay, cv2.ROTATE_90_CLOCKWISE))
    flank = np.ascontiguousarray(cv2.rotate(textures.metal(7, 600, 40, house.trim), cv2.ROTATE_90_CLOCKWISE))
    toward = vec(0, 0, -length)
    near_right = float((canvas.camera.eye - wall.at(along, 0, 0)) @ wall.right) > 0
    canvas.shadow(
        [
            wall.at(along + a, 0.001, z)
            for a, z in ((wide, top), (wide + 0.09, top - 0.05), (wide + 0.09, foot), (wide, foot))
        ],
        0.5,
        10,
    )
    flank_at = wall.at(along + (wide if near_right else 0.0), 0.0, top)
    canvas.plane(flank_at, wall.out * deep, toward, flank, shade=light * (0.8 if near_right else 0.66))
    canvas.plane(wall.at(along, deep, top), wall.right * wide, toward, front, shade=light)
    for strap in (top - 0.45, (top + foot) / 2, foot + 0.25):
        band = textures.metal(8, 60, 14, tuple(int(c * 0.93) for c in house.trim))
        canvas.plane(
            wall.at(along - 0.03, 0.004, strap),
            wall.right * (wide + 0.06),
            vec(0, 0, -0.03),
            band,
            shade=light * 0.9,
        )
        canvas.plane(
            wall.at(along, deep + 0.003, strap), wall.right * wide, vec(0, 0, -0.03), band, shade=light * 1.04
        )
    elbow = front[-420:]
    canvas.plane(
        wall.at(along, deep, foot),
        wall.right * wide,
        wall.out * 0.3 + vec(0, 0, -0.22),
        elbow,
        shade=light * 1.05,
    )


# --- windows, walls, condenser ------------------------------------------------------------


def screen(view: View) -> Picture:
    """A window screen from arm's length, torn or whole."""
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    along, sill = wall.length * 0.4, 1.0
    wide, tall = rng.uniform(0.85, 1.05), rng.uniform(1.25, 1.45)
    eye = wall.at(
        along + rng.uniform(-0.45, 0.45), rng.uniform(1.15, 1.5), sill + tall * rng.uniform(0.4, 0.75)
    )
    target = wall.at(along + rng.uniform(-0.1, 0.1), 0, sill + tall * rng.uniform(0.38, 0.55))
    canvas = near_wall(view, eye, target, rng.uniform(54, 62), along, 300, reach=2.4)
    light = sun_light(view.sun, wall.out)
    trim = textures.metal(int(rng.integers(99)), 240, 300, house.trim)
    canvas.plane(
        wall.at(along - wide / 2 - 0.1, 0.01, sill + tall + 0.1),
        wall.right * (wide + 0.2),
        vec(0, 0, -tall - 0.2),
        trim,
        shade=light,
    )
    canvas.shadow(
        [
            wall.at(along + s * (wide / 2 + 0.1), 0.004, sill + z)
            for s, z in ((-1, -0.1), (1, -0.1), (1.04, -0.16), (-0.96, -0.16))
        ],
        0.4,
        6,
    )
    recess = glass_picture(rng, 400, 520)
    canvas.plane(
        wall.at(along - wide / 2, 0.0, sill + tall), wall.right * wide, vec(0, 0, -tall), recess, shade=0.9
    )
    rail = textures.metal(9, 300, 24, house.trim)
    canvas.plane(
        wall.at(along - wide / 2, 0.012, sill + tall * 0.53),
        wall.right * wide,
        vec(0, 0, -0.055),
        rail,
        shade=light * 0.95,
    )
    mesh = _mesh(view, wide, tall)
    canvas.plane(
        wall.at(along - wide / 2, 0.03, sill + tall), wall.right * wide, vec(0, 0, -tall), mesh, shade=1.0
    )
    frame = textures.metal(10, 400, 20, (70, 74, 78))
    for a, z, across, down in (
        (-wide / 2, tall, wall.right * wide, vec(0, 0, -0.028)),
        (-wide / 2, 0.028, wall.right * wide, vec(0, 0, -0.028)),
        (-wide / 2, tall, wall.right * 0.028, vec(0, 0, -tall)),
        (wide / 2 - 0.028, tall, wall.right * 0.028, vec(0, 0, -tall)),
    ):
        canvas.plane(wall.at(along + a, 0.034, sill + z), across, down, frame, shade=light)
    return canvas.picture


def _mesh(view: View, wide: float, tall: float) -> Picture:
    """The screen's mesh with opacity; hail leaves pushed-in spots and tears."""
    rng, ppm = view.rng, 1250
    columns, rows = round(wide * ppm), round(tall * ppm)
    mesh = textures.screen_mesh(int(rng.integers(1 << 30)), columns, rows, 5.2)
    if view.damage:
        for x, y in spread_points(rng, int(rng.integers(4, 8)), (0.1, 0.1, 0.9, 0.9), 0.18):
            centre = (round(x * columns), round(y * rows))
            size = int(rng.integers(16, 34))
            reach = int(size * 1.7)
            top, left = max(0, centre[1] - reach), max(0, centre[0] - reach)
            spot = mesh[top : centre[1] + reach, left : centre[0] + reach]
            bulge = cv2.getGaussianKernel(2 * reach, size * 0.6) * 30
            bulge = (bulge @ bulge.T * (40 / (bulge.max() ** 2)))[: spot.shape[0], : spot.shape[1]]
            spot[..., :3] = np.clip(spot[..., :3] + bulge[..., None] * 1.4, 0, 255).astype(np.uint8)
            turn = rng.uniform(0, 3.1)
            step = np.array([np.cos(turn), np.sin(turn)]) * size
            tear = np.array(
                [
                    centre + step * 1.4,
                    centre + step[::-1] * [1, -1] * 0.55,
                    centre - step * 1.2,
                    centre - step[::-1] * [1, -1] * 0.4,
                ]
            )
            cv2.fillPoly(mesh, [tear.astype(np.int32)], (18, 18, 18, 235), cv2.LINE_AA)
            for strand in range(5):
                end = tear[strand % 4] + rng.normal(0, 14, 2)
                cv2.line(
                    mesh,
                    tear[strand % 4].astype(int).tolist(),
                    end.astype(int).tolist(),
                    (150, 150, 150, 255),
                    1,
                    cv2.LINE_AA,
                )
    return mesh


def siding(view: View) -> Picture:
    """A piece of wall from two steps away: holes circled, or nothing to see."""
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    along, height = wall.length * rng.uniform(0.25, 0.7), rng.uniform(0.7, 1.7)
    eye = wall.at(
        along + rng.choice([-1, 1]) * rng.uniform(0.3, 1.5),
        rng.uniform(1.0, 2.2),
        height + rng.uniform(-0.2, 0.4),
    )
    target = wall.at(along, 0, height)
    canvas = backdrop(view.camera(eye, target, rng.uniform(52, 62), 2), rng, cover=view.cover)
    draw_yard(canvas, house)
    ppm, reach = 420, 3.0
    tall = min(house.height, 2.9)
    skin = cladding(house, int(rng.integers(1 << 30)), 2 * reach, tall, ppm).copy()
    if view.damage:
        _siding_holes(skin, rng, ppm, reach, tall - height)
    light = sun_light(view.sun, wall.out)
    canvas.plane(wall.at(along - reach, 0, tall), wall.right * 2 * reach, vec(0, 0, -tall), skin, shade=light)
    if rng.random() < 0.8:
        _wall_thing(
            canvas,
            wall,
            along + rng.choice([-1, 1]) * rng.uniform(0.5, 0.9),
            height + rng.uniform(-0.5, 0.3),
            rng,
            light,
        )
    return canvas.picture


def _siding_holes(skin: Picture, rng: np.random.Generator, ppm: float, reach: float, down: float) -> None:
    """Cracks and punched holes round the middle, each with a chalk ring."""
    chalk = Chalk(skin, ppm, rng)
    box = ((reach - 0.6) * ppm, (down - 0.4) * ppm, (reach + 0.6) * ppm, (down + 0.4) * ppm)
    for x, y in spread_points(rng, int(rng.integers(3, 6)), box, 0.32 * ppm):
        size = rng.uniform(0.012, 0.022) * ppm
        angles = np.sort(rng.uniform(0, 6.28, 9))
        hole = np.stack(
            [x + np.cos(angles) * size * rng.uniform(0.6, 1.3, 9), y + np.sin(angles) * size], axis=1
        )
        cv2.fillPoly(skin, [hole.astype(np.int32)], (30, 32, 34), cv2.LINE_AA)
        for _ in range(3):
            end = (int(x + rng.normal(0, size * 2.6)), int(y + rng.normal(0, size * 2.0)))
            cv2.line(skin, (int(x), int(y)), end, (48, 50, 52), 2, cv2.LINE_AA)
        chalk.circle((x, y), 0.075)
    bright = float(skin.mean()) > 150
    chalk.rub((190, 110, 60) if bright else WHITE, 0.95)


def _wall_thing(
    canvas: Canvas, wall: Side, along: float, up: float, rng: np.random.Generator, light: float
) -> None:
    """A hose bib plate or a light on the wall, so that no two pieces of wall look alike."""
    plate = textures.metal(int(rng.integers(99)), 60, 60, (186, 188, 186))
    cv2.circle(plate, (30, 32), 14, (70, 96, 120), -1, cv2.LINE_AA)
    cv2.circle(plate, (30, 30), 8, (110, 150, 190), -1, cv2.LINE_AA)
    canvas.shadow(
        [wall.at(along + a, 0.002, up + z) for a, z in ((0, 0), (0.2, -0.03), (0.2, -0.2), (0.02, -0.2))],
        0.5,
        8,
    )
    canvas.plane(wall.at(along, 0.03, up), wall.right * 0.16, vec(0, 0, -0.16), plate, shade=light)


def ac_unit(view: View) -> Picture:
    """The condenser on its pad beside the house."""
    house, rng = view.house, view.rng
    wall = side(house, view.face)
    along, out, size, tall = wall.length * 0.45, 0.45, 0.78, 0.82
    close = view.damage is True and rng.random() < 0.5
    turn = rng.choice([-1, 1])
    far = rng.uniform(1.1, 1.3) if close else rng.uniform(1.9, 2.4)
    eye = wall.at(along + size / 2 + turn * far * 0.75, out + size + far * 0.7, rng.uniform(1.2, 1.6))
    target = wall.at(along + size / 2, out + size * 0.6, tall * (0.62 if close else 0.5))
    canvas = near_wall(view, eye, target, rng.uniform(50, 60), along, 170)
    pad = textures.concrete(5, 1.1, 1.1, 200, joint=9)
    canvas.shadow(
        [
            wall.at(along + a, out + o, 0.012)
            for a, o in ((-0.3, -0.3), (1.3, -0.3), (1.35, 1.15), (-0.3, 1.1))
        ],
        0.35,
        20,
    )
    canvas.plane(wall.at(along - 0.16, out - 0.16, 0.08), wall.right * 1.1, wall.out * 1.1, pad)
    _line_set(canvas, wall, along, out)
    corner = wall.at(along, out, 0)
    sides = [
        (corner + wall.right * size + wall.out * size, -wall.out, wall.right),
        (corner + wall.out * size, wall.right, wall.out),
        (corner + wall.right * size, -wall.right, -wall.out),
        (corner, wall.out, -wall.right),
    ]
    for start, across, normal in sides:
        if (eye - start) @ normal <= 0:
            continue
        fins = _fins(view, size, tall)
        origin = start + vec(0, 0, 0.08 + tall)
        canvas.plane(origin, across * size, vec(0, 0, -tall), fins, shade=sun_light(view.sun, normal) * 0.98)
    canvas.plane(
        corner + vec(0, 0, 0.08 + tall), wall.right * size, wall.out * size, _grille(rng), shade=1.05
    )
    return canvas.picture


def _fins(view: View, wide: float, tall: float) -> Picture:
    """One side of the condenser: thin upright fins behind louvres; dents flatten fins."""
    rng, ppm = view.rng, 800
    columns, rows = round(wide * ppm), round(tall * ppm)
    x = np.arange(columns)
    fins = 0.55 + 0.28 * ((x % 5) < 3) + 0.05 * rng.standard_normal(columns)
    light = np.repeat(fins[None, :].astype(np.float32), rows, axis=0)
    light *= 0.88 + 0.2 * textures.clouds(rng, rows, columns, 4, 4)
    for centre in spread_points(
        rng, int(rng.integers(13, 20)) if view.damage else 0, (30, 60, columns - 30, rows - 60), 60
    ):
        _flatten(light, centre, rng.uniform(12, 24), rng)
    face = textures.tint(light, (150, 152, 150))
    paint = (206, 212, 208)
    for row in np.arange(0, rows, 62):
        cv2.rectangle(face, (0, int(row)), (columns, int(row) + 9), paint, -1)
        cv2.rectangle(face, (0, int(row) + 9), (columns, int(row) + 13), (70, 72, 72), -1)
    for column in (0, columns // 3, 2 * columns // 3, columns - 10):
        cv2.rectangle(face, (column, 0), (column + 9, rows), paint, -1)
    cv2.rectangle(face, (0, 0), (columns, 46), paint, -1)
    cv2.rectangle(face, (0, rows - 58), (columns, rows), tuple(int(c * 0.9) for c in paint), -1)
    return face


def _flatten(
    light: textures.Field, centre: tuple[float, float], radius: float, rng: np.random.Generator
) -> None:
    """Fins bent flat by a stone: a smooth, shiny or dark patch."""
    x, y = int(centre[0]), int(centre[1])
    reach = int(radius)
    part = light[y - reach : y + reach, x - reach : x + reach]
    v, u = np.mgrid[-1 : 1 : part.shape[0] * 1j, -1 : 1 : part.shape[1] * 1j]
    inside = np.clip((1 - np.sqrt(u**2 + v**2)) * 3, 0, 1)
    part[:] = part * (1 - inside) + (0.95 + 0.5 * v + rng.uniform(-0.3, 0.2)) * inside


def _grille(rng: np.random.Generator) -> Picture:
    """The condenser's top: a dark fan under a round wire guard."""
    side_px = 640
    top = textures.metal(int(rng.integers(99)), side_px, side_px, (206, 212, 208))
    middle = (side_px // 2, side_px // 2)
    cv2.circle(top, middle, 290, (28, 28, 28), -1, cv2.LINE_AA)
    turn = rng.uniform(0, 120)
    for blade in range(3):
        start = turn + blade * 120
        cv2.ellipse(top, middle, (250, 250), 0, start, start + 62, (58, 58, 60), -1, cv2.LINE_AA)
    cv2.circle(top, middle, 62, (80, 80, 82), -1, cv2.LINE_AA)
    for radius in range(24, 292, 17):
        cv2.circle(top, middle, radius, (176, 178, 176), 3, cv2.LINE_AA)
    for spoke in range(8):
        angle = spoke * np.pi / 4
        end = (int(middle[0] + 292 * np.cos(angle)), int(middle[1] + 292 * np.sin(angle)))
        cv2.line(top, middle, end, (186, 188, 186), 4, cv2.LINE_AA)
    return top


def _line_set(canvas: Canvas, wall: Side, along: float, out: float) -> None:
    """The insulated pipe from the condenser to the wall."""
    pipe = textures.metal(13, 16, 80, (34, 34, 34))
    canvas.plane(wall.at(along - 0.28, 0.03, 0.62), wall.right * 0.05, vec(0, 0, -0.4), pipe)
    canvas.plane(
        wall.at(along - 0.28, 0.05, 0.24), wall.right * 0.3 + wall.out * out * 0.8, vec(0, 0, -0.05), pipe
    )
