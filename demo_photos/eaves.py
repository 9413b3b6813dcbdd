"""Photos of gutters and downspouts: round profiles, dents, straps."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.house import OVERHANG, House, Side, side, sun_light
from demo_photos.outside import View, near_wall
from demo_photos.world import Canvas, Picture, vec

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
