"""Photos taken from the ground: the house from each side, and what hangs on its walls."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.chalk import WHITE, Chalk, spread_points
from demo_photos.house import FACES, House, Side, cladding, glass_picture, side, sun_light
from demo_photos.world import Camera, Canvas, Picture, Vector, vec
from demo_photos.yard import backdrop, draw_house, draw_plants, draw_tree, draw_yard


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What one photo must show; `damage` is None where damage does not matter."""

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
