"""Roof fixtures: a box vent and a plumbing pipe with its boot, built of flat pieces."""

from __future__ import annotations

import cv2
import numpy as np

from demo_photos import textures
from demo_photos.chalk import WHITE, Chalk, spread_points
from demo_photos.house import on_slope, side, sun_light, uphill
from demo_photos.outside import View
from demo_photos.world import Canvas, Vector, vec


def box_vent(canvas: Canvas, view: View, face: str, along: float, up: float, damaged: bool = False) -> None:
    """A square slant-back roof vent on its flange."""
    house = view.house
    wall, climb = side(house, face), uphill(house, face)
    normal = np.cross(wall.right, climb)
    rng = np.random.default_rng([house.seed, round(along * 100), 9])
    grey = (96, 98, 100) if house.roof != "brown" else (66, 78, 92)
    light = sun_light(view.sun, normal)
    wide, deep, tall = 0.42, 0.42, 0.13

    def at(a: float, u: float, n: float) -> Vector:
        return on_slope(house, face, along + a, up + u, n)

    canvas.shadow(
        [at(a, u, 0.004) for a, u in ((-0.2, -0.3), (0.36, -0.34), (0.4, 0.2), (-0.1, 0.24))], 0.45, 9
    )
    flange = textures.metal(1, 120, 120, grey)
    canvas.plane(at(-0.32, 0.32, 0.006), wall.right * 0.64, -climb * 0.6, flange, shade=light * 0.92)
    low = textures.metal(2, 200, 80, grey)
    low[34:66, 16:184] = (26, 26, 28)
    low[38:64:5, 16:184] = (70, 72, 74)
    flank = textures.metal(3, 120, 60, grey)
    eye = canvas.camera.eye
    for start, across, out in (
        (at(-wide / 2, deep / 2, tall * 0.45), -climb * deep, -wall.right),
        (at(wide / 2, -deep / 2, tall), climb * deep, wall.right),
    ):
        if (eye - start) @ out > 0:
            canvas.plane(
                start,
                across,
                -normal * tall,
                flank,
                shade=light * (0.62 + 0.4 * max(0.0, float(out @ view.sun))),
            )
    canvas.plane(at(-wide / 2, -deep / 2, tall), wall.right * wide, -normal * tall, low, shade=light * 0.8)
    lid = textures.metal(int(rng.integers(99)), 420, 420, grey)
    if damaged:
        spots = np.array(spread_points(view.rng, int(view.rng.integers(5, 9)), (40, 40, 380, 380), 80))
        textures.dents(lid, spots, 22, view.rng)
        chalk = Chalk(lid, 1000, view.rng)
        for spot in spots:
            chalk.circle((float(spot[0]), float(spot[1])), 0.036, 0.007)
        chalk.rub(WHITE)
    cv2.rectangle(lid, (2, 2), (417, 417), tuple(int(c * 1.25) for c in grey), 5)
    canvas.plane(
        at(-wide / 2 - 0.03, deep / 2 + 0.03, tall * 0.55),
        wall.right * (wide + 0.06),
        -climb * (deep + 0.09) + normal * tall * 0.5,
        lid,
        shade=light * 1.05,
    )


def pipe(canvas: Canvas, view: View, face: str, along: float, up: float, damaged: bool = False) -> None:
    """A plumbing vent with its metal flange and rubber collar."""
    house = view.house
    wall, climb = side(house, face), uphill(house, face)
    light = sun_light(view.sun, np.cross(wall.right, climb))
    foot = on_slope(house, face, along, up, 0.0)

    def at(a: float, u: float, n: float = 0.005) -> Vector:
        return on_slope(house, face, along + a, up + u, n)

    canvas.shadow([at(a, u) for a, u in ((-0.05, -0.1), (0.5, -0.16), (0.52, -0.05), (0.05, 0.08))], 0.5, 8)
    flange = textures.metal(4, 240, 260, (150, 154, 156))
    if damaged:
        textures.dents(flange, np.array(spread_points(view.rng, 6, (20, 20, 220, 240), 50)), 15, view.rng)
    canvas.plane(at(-0.17, 0.24), wall.right * 0.34, -climb * 0.42, flange, shade=light)
    _tube(canvas, foot, vec(0, 0, 1), 0.1, 0.07, 0.12, (30, 30, 32), view.sun)
    colour = (206, 212, 214)
    _tube(canvas, foot + vec(0, 0, 0.08), vec(0, 0, 1), 0.042, 0.042, 0.34, colour, view.sun)
    top = foot + vec(0, 0, 0.42)
    angles = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    mouth = [canvas.pixel(top + vec(0.042 * np.cos(a), 0.042 * np.sin(a), 0)) for a in angles]
    if canvas.depth(top) > 0.1:
        cv2.fillPoly(
            canvas.picture, [np.round(np.array(mouth) * 16).astype(np.int32)], (20, 20, 20), cv2.LINE_AA, 4
        )


def _tube(
    canvas: Canvas,
    foot: Vector,
    axis: Vector,
    low: float,
    high: float,
    tall: float,
    colour: tuple[int, int, int],
    sun: Vector,
) -> None:
    """A round, tapering tube as a ring of narrow pieces, those facing the camera only."""
    pieces = 28
    speckle = textures.metal(14, 12, 60, colour)
    for index in range(pieces):
        a0, a1 = (2 * np.pi * (index + k) / pieces for k in (0, 1.06))
        out = vec(np.cos((a0 + a1) / 2), np.sin((a0 + a1) / 2), 0)
        if (canvas.camera.eye - foot) @ out <= 0:
            continue
        start = foot + axis * tall + high * vec(np.cos(a0), np.sin(a0), 0)
        across = high * (vec(np.cos(a1), np.sin(a1), 0) - vec(np.cos(a0), np.sin(a0), 0))
        down = -axis * tall + (low - high) * vec(np.cos(a0), np.sin(a0), 0)
        light = 0.5 + 0.62 * max(0.0, float(out @ sun)) + 0.1 * out[0]
        canvas.plane(start, across * low / high, down, speckle, shade=light)
