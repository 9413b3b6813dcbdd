"""Drawn chalk rings of many kinds, and things on a roof that resemble chalk. All seeded by the caller.

`ground` is any picture of a roof, float RGB: drawn shingles, or a real photograph.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import cv2
import numpy as np
from support_drawn import USUAL, chalked, grain, photographed

CHALKS = {
    "white": (240, 240, 235),
    "yellow": (240, 215, 90),
    "blue": (120, 175, 230),
    "pink": (235, 130, 140),
}


def ring(
    canvas: np.ndarray,
    middle: np.ndarray,
    reach: float,
    rng: np.random.Generator,
    *,
    closed: float,
    width: int,
) -> None:
    """A ring drawn by hand; `closed` is the share of its way round that is drawn, above 1 it overlaps."""
    turn = np.linspace(0, 2 * np.pi * closed, 40)[:, None] + rng.uniform(0, 6)
    drift = 1 + np.linspace(-0.08, 0.08, 40)[:, None] * rng.uniform(-1, 1)
    points = np.hstack([np.cos(turn), np.sin(turn) * rng.uniform(0.75, 1.15)]) * reach * drift + middle
    points = points + rng.normal(0, reach * 0.02, points.shape)
    for one, other in itertools.pairwise(points):
        thick = max(2, int(width * rng.uniform(0.7, 1.2)))
        cv2.line(canvas, np.round(one).astype(int).tolist(), np.round(other).astype(int).tolist(), 1.0, thick)


def tick(canvas: np.ndarray, middle: np.ndarray, reach: float, rng: np.random.Generator, width: int) -> None:
    """A tick: a short stroke and a long one."""
    corner = middle + reach * np.array([-0.2, 0.5])
    for way in ((-0.8, -0.1), (0.9, -0.9)):
        end = middle + reach * np.array(way) + rng.normal(0, reach * 0.08, 2)
        cv2.line(
            canvas, np.round(corner).astype(int).tolist(), np.round(end).astype(int).tolist(), 1.0, width
        )


def marked(
    ground: np.ndarray,
    rng: np.random.Generator,
    rings: int,
    *,
    reach: tuple[float, float],
    closed: float = 1.0,
    colour: str = "white",
    ticks: int = 0,
    trouble=USUAL,
) -> np.ndarray:
    """`ground` with `rings` ringed hits, and `ticks` ticks, 8-bit RGB. `reach`: radius as a share of the long side."""
    high, wide = ground.shape[:2]
    canvas = np.zeros((high, wide), np.float32)
    size = rng.uniform(*reach) * max(high, wide)
    width = max(4, int(max(high, wide) * rng.uniform(0.004, 0.007)))
    places: list[np.ndarray] = []
    for _ in range(4000):
        if len(places) == rings + ticks:
            break
        spot = rng.uniform([1.3 * size, 1.3 * size], [wide - 1.3 * size, high - 1.3 * size])
        if all(np.linalg.norm(spot - other) > 2.7 * size for other in places):
            places.append(spot)
    assert len(places) == rings + ticks, "the rings do not fit"
    for number, spot in enumerate(places):
        if number < rings:
            around = closed + rng.uniform(-0.02, 0.05)
            ring(canvas, spot, size * rng.uniform(0.8, 1.15), rng, closed=around, width=width)
        else:
            tick(canvas, spot, size, rng, width)
    return photographed(chalked(ground, canvas, rng, CHALKS[colour]), rng, trouble)


# --- things that are not chalk ---------------------------------------------------------------


def _spots(rng: np.random.Generator, ground: np.ndarray, many: int) -> np.ndarray:
    return rng.uniform(
        [0.08 * ground.shape[1], 0.08 * ground.shape[0]],
        [0.92 * ground.shape[1], 0.92 * ground.shape[0]],
        (many, 2),
    )


def _at(spot: np.ndarray) -> list[int]:
    return np.round(spot).astype(int).tolist()


def tar_lines(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Wavy lines of sealant with a glossy edge."""
    out = ground.copy()
    for _ in range(rng.integers(1, 4)):
        x = np.linspace(0, ground.shape[1], 60)
        y = (
            rng.uniform(0.1, 0.9) * ground.shape[0]
            + 40 * np.sin(x / rng.uniform(90, 300))
            + rng.normal(0, 4, 60)
        )
        way = np.round(np.stack([x, y], axis=1)).astype(np.int32)
        cv2.polylines(out, [way], False, (22, 22, 24), int(rng.integers(14, 40)))
        cv2.polylines(out, [way - [0, 6]], False, (190, 190, 195), int(rng.integers(2, 5)))
    return out


def leaves(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Fallen leaves with pale veins."""
    out = ground.copy()
    for spot in _spots(rng, ground, int(rng.integers(4, 25))):
        long, turn = rng.uniform(25, 90), rng.uniform(0, 360)
        colour = [(190, 150, 60), (160, 90, 40), (120, 130, 60), (215, 190, 110)][rng.integers(4)]
        cv2.ellipse(out, _at(spot), (int(long), int(long * rng.uniform(0.3, 0.7))), turn, 0, 360, colour, -1)
        vein = long * np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        cv2.line(out, _at(spot - vein), _at(spot + 1.3 * vein), (225, 205, 150), 3)
    return out


def blots(
    ground: np.ndarray, rng: np.random.Generator, colour: tuple[int, int, int], share: float
) -> np.ndarray:
    """Patches of another colour with ragged edges: lost granules, moss, frost."""
    high, wide = ground.shape[:2]
    cover = np.clip(
        (grain(rng, wide, high, rng.uniform(40, 120)) + 0.5 * grain(rng, wide, high, 9) - share) * 2, 0, 1
    )
    return ground * (1 - cover[..., None]) + np.array(colour, np.float32) * cover[..., None]


def skylights(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One or two windows in the roof, in metal frames."""
    out = ground.copy()
    for spot in _spots(rng, ground * 1.0, int(rng.integers(1, 3))):
        wide, high = rng.uniform(160, 420), rng.uniform(160, 420)
        box = cv2.boxPoints((tuple(spot), (wide, high), rng.uniform(-12, 12))).astype(np.int32)
        cv2.fillPoly(out, [box], (70, 84, 100))
        cv2.polylines(out, [box], True, (205, 205, 208), int(rng.integers(6, 16)))
    return out


def gutters(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A gutter along the eave, and a strip of drip edge."""
    out = ground.copy()
    y = rng.uniform(0.7, 0.95) * ground.shape[0]
    for step in (0, rng.uniform(18, 45), rng.uniform(60, 110)):
        start, end = np.array([0, y + step]), np.array([ground.shape[1], y + step + rng.uniform(-30, 30)])
        cv2.line(out, _at(start), _at(end), (228, 228, 224), int(rng.integers(5, 12)))
    return out


def cables(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Pale cables that run across the roof, one with a loop, in half of the pictures coiled."""
    out = ground.copy()
    for number in range(rng.integers(1, 4)):
        t = np.linspace(0, 1, 200)
        way = np.stack(
            [
                t * ground.shape[1],
                ground.shape[0] * (rng.uniform(0.2, 0.8) + 0.1 * np.sin(6 * t + rng.uniform(0, 6))),
            ],
            axis=1,
        )
        if number == 0:
            turn = np.clip((t - 0.45) / 0.1, 0, 1) * 2 * np.pi * rng.integers(1, 4)
            way += rng.uniform(50, 130) * np.stack([np.sin(turn), 1 - np.cos(turn)], axis=1)
        cv2.polylines(out, [np.round(way).astype(np.int32)], False, (205, 205, 200), int(rng.integers(4, 9)))
    return out


def pebbles(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Pale stones, or hail that has not melted."""
    out = ground.copy()
    for spot in _spots(rng, ground, int(rng.integers(5, 50))):
        reach = rng.uniform(8, 45)
        axes = (int(reach), int(reach * rng.uniform(0.6, 1)))
        turn = rng.uniform(0, 360)
        cv2.ellipse(out, _at(spot + 4), axes, turn, 0, 360, (40, 40, 42), -1)
        cv2.ellipse(out, _at(spot), axes, turn, 0, 360, (215, 214, 208), -1)
        cv2.ellipse(
            out, _at(spot), (max(1, axes[0] // 2), max(1, axes[1] // 2)), turn, 0, 360, (176, 176, 172), -1
        )
    return out


def vents(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Pipes in pale collars, seen from above: rings with a hole."""
    out = ground.copy()
    for spot in _spots(rng, ground, int(rng.integers(1, 5))):
        reach = rng.uniform(35, 120)
        cv2.circle(out, _at(spot), int(reach), (150, 150, 150), -1)
        cv2.circle(out, _at(spot), int(reach * 0.7), (222, 222, 220), int(reach * 0.14))
        cv2.circle(out, _at(spot), int(reach * 0.6), (28, 28, 30), -1)
    return out


def edges(ground: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Sunlit lower edges of the courses, and joints: straight and pale."""
    out = ground.copy()
    course = rng.uniform(90, 220)
    for y in np.arange(rng.uniform(0, course), ground.shape[0], course):
        cv2.line(
            out,
            (0, int(y)),
            (ground.shape[1], int(y + rng.uniform(-12, 12))),
            (190, 185, 178),
            int(rng.integers(3, 7)),
        )
        for x in np.arange(rng.uniform(0, 260), ground.shape[1], 260):
            cv2.line(out, (int(x), int(y)), (int(x), int(y + course)), (184, 180, 172), 4)
    return out


NOT_CHALK: dict[str, Callable[[np.ndarray, np.random.Generator], np.ndarray]] = {
    "nothing": lambda ground, _rng: ground,
    "tar lines": tar_lines,
    "shingle edges": edges,
    "leaves": leaves,
    "granule loss": lambda ground, rng: blots(ground, rng, (150, 146, 138), 1.3),
    "moss": lambda ground, rng: blots(ground, rng, (96, 128, 60), 1.0),
    "frost": lambda ground, rng: blots(ground, rng, (225, 230, 236), 0.8),
    "skylights": skylights,
    "gutters": gutters,
    "cables": cables,
    "pebbles or hail": pebbles,
    "pipes in collars": vents,
}
