"""The house as it stands in its yard: sky, trees and lawn, then walls, slopes, gutters and plants."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.house import (
    FACES,
    OVERHANG,
    House,
    on_slope,
    side,
    slope_outline,
    slope_texture,
    sun_light,
    uphill,
    wall_texture,
)
from demo_photos.world import Camera, Canvas, Picture, Vector, blend, vec

# --- the yard ----------------------------------------------------------------------------


def backdrop(camera: Camera, rng: np.random.Generator, *, cover: float, trees: float = 1.0) -> Canvas:
    """A canvas with sky, far trees and a far lawn; `trees` scales the height of the tree line."""
    probe = Canvas(camera, np.zeros((1, 1, 3), np.uint8))
    ahead = camera.target - camera.eye
    flat = vec(ahead[0], ahead[1], 0)
    size = float(np.linalg.norm(flat))
    far = camera.eye + (flat / size if size > 1e-6 else vec(0, 1, 0)) * 4000
    down = probe.depth(far) <= 0 or camera.eye[2] - camera.target[2] > 6 * size
    row = -1 if down else round(probe.pixel(far)[1])
    horizon = int(np.clip(row, 0, camera.height))
    picture = np.full((camera.height, camera.width, 3), (62, 112, 98), np.uint8)
    if horizon > 4:
        picture[:horizon] = textures.sky(rng, camera.width, horizon, cover=cover, haze=rng.uniform(0.2, 0.9))
    canvas = Canvas(camera, picture)
    _far_ground(picture, rng, horizon)
    if row > 0:
        _tree_line(picture, rng, horizon, camera.width, trees)
    return canvas


def _tree_line(picture: Picture, rng: np.random.Generator, horizon: int, width: int, scale: float) -> None:
    """Far trees, bluish, then nearer ones, along the horizon: rows of round crowns, no hills."""
    for height, blue, crowns in ((0.03, 0.5, 40), (0.05, 0.22, 22)):
        size = int(picture.shape[0] * height * scale) + 6
        at = rng.uniform(-0.05, 1.05, crowns) * width
        wide = rng.uniform(0.6, 1.5, crowns) * width / crowns * 1.3
        tall = rng.uniform(0.55, 1.15, crowns) * size
        x = np.arange(width)[:, None]
        bumps = tall * np.sqrt(np.clip(1 - ((x - at) / wide) ** 2, 0, 1))
        outline = np.maximum(bumps.max(axis=1), size * 0.3)
        outline += (
            size * 0.07 * (textures.noise(rng, 4, width, 3.0)[2] + textures.noise(rng, 4, width, 9.0)[2])
        )
        tops = horizon - outline.astype(int)
        low = max(0, int(tops.min()))
        high = min(picture.shape[0], horizon + size // 4)
        if high <= low:
            continue
        rows = np.arange(low, high)[:, None]
        mask = np.where(rows > tops[None, :], 255, 0).astype(np.uint8)
        leaf = (
            0.52
            + 0.16 * textures.noise(rng, high - low, width, 3.0)
            + 0.1 * textures.noise(rng, high - low, width, 8.0)
        )
        leaf += 0.34 * np.clip((rows - tops[None, :]) / -size + 0.75, 0, 1)
        colour = textures.tint(np.clip(leaf, 0.2, 1.4).astype(np.float32), (52, 92, 70))
        haze = np.full_like(colour, (176, 168, 150))
        blend(picture[low:high], cv2.addWeighted(colour, 1 - blue, haze, blue, 0), mask)


def _far_ground(picture: Picture, rng: np.random.Generator, horizon: int) -> None:
    """Fields under the horizon: flat bands that grow coarser toward the viewer."""
    rows, columns = picture.shape[0] - horizon, picture.shape[1]
    if rows < 4:
        return
    small = rng.normal(1.0, 0.1, (max(4, rows // 5), 24)).astype(np.float32)
    bands = cv2.resize(small, (columns, rows), interpolation=cv2.INTER_CUBIC)
    bands *= 1 + 0.08 * cv2.resize(textures.noise(rng, rows, max(8, columns // 6)), (columns, rows))
    picture[horizon:] = textures.tint(bands, (66, 116, 104))


@lru_cache(maxsize=4)
def _lawn(seed: int, near: bool) -> Picture:
    if not near:
        return textures.grass(seed, 90, 90, 18)
    lawn = textures.grass(seed, 14, 14, 130)
    rows, columns = lawn.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    edge = np.minimum(np.minimum(x, columns - x), np.minimum(y, rows - y)) / columns
    return np.dstack([lawn, cv2.convertScaleAbs(np.clip(edge * 5, 0, 1), alpha=255)])


def draw_yard(canvas: Canvas, house: House, light: float = 1.0, *, near: bool = True) -> None:
    """The lawn, the driveway and the walk, all flat on the ground; `near` adds a finely drawn part before the viewer."""
    canvas.plane(
        vec(-45, 45, 0), vec(90, 0, 0), vec(0, -90, 0), _lawn(house.seed, False), shade=light, strips=9
    )
    if near:
        _near_lawn(canvas, house, light)
    drive = min(5.2, house.width * 0.38)
    x0 = house.width * 0.43 - drive + 0.1
    pad = _drive(house.seed)
    front = -house.depth / 2
    canvas.plane(vec(x0, front, 0.01), vec(drive, 0, 0), vec(0, -24, 0), pad, shade=light, strips=6)
    walk_x = house.width * (0.44 - 0.5)
    canvas.plane(
        vec(walk_x - 0.1, front, 0.01), vec(1.3, 0, 0), vec(0, -12, 0), pad[:, :160], shade=light, strips=4
    )


def _near_lawn(canvas: Canvas, house: House, light: float) -> None:
    eye = canvas.camera.eye
    ahead = canvas.camera.target - eye
    flat = vec(ahead[0], ahead[1], 0)
    flat = flat / max(float(np.linalg.norm(flat)), 1e-6)
    middle = vec(eye[0], eye[1], 0) + flat * 5.5
    across = np.cross(flat, vec(0, 0, 1)) * 14
    canvas.plane(
        middle - across / 2 + flat * 7, across, -flat * 14, _lawn(house.seed, True), shade=light, strips=3
    )


@lru_cache(maxsize=2)
def _drive(seed: int) -> Picture:
    return textures.concrete(seed, 5.2, 24, 60)


# --- the house ---------------------------------------------------------------------------


def draw_house(canvas: Canvas, house: House, sun: Vector) -> None:
    """Every wall, slope, gutter and downspout that the camera can see from outside."""
    eye = canvas.camera.eye
    seen = [f for f in FACES if (eye - side(house, f).corner) @ side(house, f).out > 0]
    seen.sort(key=lambda f: -float(np.linalg.norm(eye - side(house, f).at(side(house, f).length / 2, 0, 1))))
    ground_shadow(canvas, house, sun)
    for face in seen:
        wall = side(house, face)
        canvas.plane(
            wall.at(0, 0, house.height),
            wall.right * wall.length,
            vec(0, 0, -house.height),
            wall_texture(house, face),
            shade=sun_light(sun, wall.out),
        )
    for face in seen:
        _soffit(canvas, house, face)
    slopes = [f for f in FACES if _slope_faces(house, f, eye)]
    slopes.sort(key=lambda f: -float(np.linalg.norm(eye - on_slope(house, f, side(house, f).length / 2, 1))))
    for face in slopes:
        draw_slope(canvas, house, face, sun)
    for face in seen:
        _gutter_line(canvas, house, face, sun)


def ground_shadow(canvas: Canvas, house: House, sun: Vector) -> None:
    """The house's shadow on the ground, and the dark foot of its walls."""
    reach = -sun[:2] / max(sun[2], 0.25) * house.height
    a, b = house.width / 2 + OVERHANG, house.depth / 2 + OVERHANG
    corners = np.array([[-a, -b], [a, -b], [a, b], [-a, b]])
    both = np.vstack([corners, corners + reach]).astype(np.float32)
    hull = cv2.convexHull(both)[:, 0]
    canvas.shadow([vec(float(x), float(y), 0.02) for x, y in hull], 0.45, 5)
    canvas.shadow([vec(float(x), float(y), 0.02) for x, y in corners * 1.03], 0.35, 14)


def _slope_faces(house: House, face: str, eye: Vector) -> bool:
    wall = side(house, face)
    normal = np.cross(wall.right, uphill(house, face))
    return bool((eye - on_slope(house, face, 0, 0)) @ normal > 0)


def draw_slope(
    canvas: Canvas, house: House, face: str, sun: Vector, texture: Picture | None = None, strips: int = 1
) -> None:
    """One slope with its own or the given texture."""
    wall = side(house, face)
    climb = uphill(house, face)
    normal = np.cross(wall.right, climb)
    canvas.plane(
        on_slope(house, face, 0, house.slope_length),
        wall.right * (wall.length + 2 * OVERHANG),
        -climb * house.slope_length,
        slope_texture(house, face) if texture is None else texture,
        shade=sun_light(sun, normal),
        outline=slope_outline(house, face),
        strips=strips,
    )


def _soffit(canvas: Canvas, house: House, face: str) -> None:
    wall = side(house, face)
    boards = np.full((8, 64, 3), house.trim, np.uint8)
    boards[:, ::8] = (np.array(house.trim) * 0.8).astype(np.uint8)
    canvas.plane(
        wall.at(-OVERHANG, 0, house.height),
        wall.right * (wall.length + 2 * OVERHANG),
        wall.out * OVERHANG,
        boards,
        shade=0.5,
    )


def _gutter_line(canvas: Canvas, house: House, face: str, sun: Vector) -> None:
    """The gutter along an eave and the downspouts at both ends, as seen from some way off."""
    wall = side(house, face)
    light = sun_light(sun, wall.out)
    bend = np.array([1.12, 1.0, 0.98, 0.86, 0.72, 0.9, 0.66])
    strip = _gutter_strip(house.trim, bend.tobytes())
    canvas.plane(
        wall.at(-OVERHANG, OVERHANG + 0.1, house.height + 0.03),
        wall.right * (wall.length + 2 * OVERHANG),
        vec(0, 0, -0.15),
        strip,
        shade=light,
    )
    for along in (0.12, wall.length - 0.22):
        spout = _spout_strip(house.trim)
        canvas.plane(
            wall.at(along, 0.07, house.height - 0.22),
            wall.right * 0.1,
            vec(0, 0, -(house.height - 0.5)),
            spout,
            shade=light,
        )
        canvas.plane(
            wall.at(along, OVERHANG + 0.04, house.height - 0.1),
            wall.right * 0.1,
            vec(0, 0, -0.16) - wall.out * (OVERHANG - 0.03),
            spout,
            shade=light * 0.85,
        )
        canvas.plane(
            wall.at(along, 0.07, 0.3),
            wall.right * 0.1,
            wall.out * 0.3 + vec(0, 0, -0.18),
            spout,
            shade=light * 1.05,
        )


@lru_cache(maxsize=4)
def _gutter_strip(colour: tuple[int, int, int], bend: bytes) -> Picture:
    return textures.metal(11, 800, 24, colour, bend=np.frombuffer(bend))


@lru_cache(maxsize=4)
def _spout_strip(colour: tuple[int, int, int]) -> Picture:
    across = textures.metal(12, 256, 32, colour, bend=np.array([0.7, 1.0, 0.85, 1.05, 0.8, 1.0, 0.62]))
    return np.ascontiguousarray(cv2.rotate(across, cv2.ROTATE_90_CLOCKWISE))


def draw_plants(canvas: Canvas, house: House, rng: np.random.Generator, face: str) -> None:
    """Shrubs along a wall and a tree at the edge, as upright cut-outs."""
    wall = side(house, face)
    right = canvas.camera.target - canvas.camera.eye
    facing = np.cross(right / np.linalg.norm(right), vec(0, 0, 1))
    facing = facing / max(float(np.linalg.norm(facing)), 1e-6)
    spots = rng.uniform(0.04, 0.4 if face == "front" else 0.95, 4) * wall.length
    for along in sorted(spots, reverse=True):
        size = rng.uniform(0.7, 1.25)
        foot = wall.at(along, rng.uniform(0.7, 1.1), 0)
        crown = textures.foliage(rng, 260, 240, shade=rng.uniform(0.75, 1.05))
        canvas.shadow(
            [
                foot + facing * s * size / 2 + wall.out * t * 0.5
                for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            ],
            0.4,
            16,
        )
        canvas.plane(
            foot - facing * size / 2 + vec(0, 0, size * 0.92), facing * size, vec(0, 0, -size), crown
        )


def draw_tree(canvas: Canvas, rng: np.random.Generator, foot: Vector, size: float) -> None:
    """A tree of `size` metres as an upright cut-out."""
    ahead = canvas.camera.target - canvas.camera.eye
    facing = np.cross(ahead / np.linalg.norm(ahead), vec(0, 0, 1))
    trunk = textures.metal(int(rng.integers(99)), 24, 120, (62, 78, 92))
    trunk = np.ascontiguousarray(trunk)
    canvas.plane(
        foot - facing * size * 0.03 + vec(0, 0, size * 0.5),
        facing * size * 0.06,
        vec(0, 0, -size * 0.5),
        trunk,
        shade=0.7,
    )
    crown = textures.foliage(rng, 420, 420, shade=0.9)
    canvas.plane(
        foot - facing * size * 0.4 + vec(0, 0, size * 1.05),
        facing * size * 0.8,
        vec(0, 0, -size * 0.8),
        crown,
    )
