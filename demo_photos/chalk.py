"""Chalk, soft pencil and hand lettering, and what hail leaves on shingles."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import fontpkg
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from demo_photos.textures import Field, noise
from demo_photos.world import Picture, blend

WHITE = (236, 240, 240)
YELLOW = (96, 222, 240)
BLUE = (226, 176, 116)

Point = tuple[float, float]


@lru_cache(maxsize=32)
def font(name: str, size: int) -> ImageFont.FreeTypeFont:
    """A hand-lettering font of the `fontpkg` family by its name, `size` pixels high."""
    return ImageFont.truetype(str(Path(fontpkg.path(name))), size)


def lettering(text: str, name: str, size: int, *, spread: int = 0) -> Picture:
    """The words as an opacity picture, cropped close; `spread` thickens the strokes."""
    face = font(name, size)
    left, top, right, bottom = face.getbbox(text, stroke_width=spread)
    image = Image.new("L", (int(right - left) + 8, int(bottom - top) + 8), 0)
    ImageDraw.Draw(image).text((4 - left, 4 - top), text, font=face, fill=255, stroke_width=spread)
    return np.array(image)


class Chalk:
    """Strokes gathered on a mask and then rubbed on a rough surface all at once."""

    def __init__(self, picture: Picture, ppm: float, rng: np.random.Generator) -> None:
        self.picture, self.ppm, self.rng = picture, ppm, rng
        self.mask: Picture = np.zeros(picture.shape[:2], np.uint8)

    def line(self, start: Point, end: Point, width: float = 0.014) -> None:
        """A hand-drawn line between pixel points; `width` in metres."""
        steps = 14
        along = np.linspace(0, 1, steps)[:, None]
        points = np.array(start) * (1 - along) + np.array(end) * along
        points += self.rng.normal(0, 0.004 * self.ppm, points.shape)
        self._stroke(points, width)

    def circle(self, centre: Point, radius: float, width: float = 0.011) -> None:
        """A ring that does not quite close, pixel centre, metres of radius."""
        turn = self.rng.uniform(0, 6.28)
        angles = np.linspace(turn, turn + self.rng.uniform(6.0, 6.9), 30)
        wobble = 1 + 0.07 * np.sin(angles * 2 + self.rng.uniform(0, 6)) + np.linspace(0, 0.1, 30)
        squeeze = self.rng.uniform(0.85, 1.1)
        points = np.stack([np.cos(angles) * wobble, np.sin(angles) * wobble * squeeze], axis=1)
        self._stroke(points * radius * self.ppm + np.array(centre), width)

    def write(self, text: str, centre: Point, height: float, name: str = "permanent-marker") -> None:
        """Letters so many metres high round a pixel point."""
        letters = lettering(text, name, max(12, round(height * self.ppm)))
        turn = cv2.getRotationMatrix2D(
            (letters.shape[1] / 2, letters.shape[0] / 2), float(self.rng.normal(0, 4)), 1
        )
        turn[:, 2] += np.array(centre) - [letters.shape[1] / 2, letters.shape[0] / 2]
        size = (self.mask.shape[1], self.mask.shape[0])
        self.mask = np.maximum(self.mask, cv2.warpAffine(letters, turn, size))

    def rub(self, colour: tuple[int, int, int] = WHITE, strength: float = 0.9) -> None:
        """Put the strokes on the surface: chalk sticks to the high grains only."""
        rows = np.flatnonzero(self.mask.any(axis=1))
        if rows.size == 0:
            return
        top, bottom = int(rows[0]), int(rows[-1]) + 1
        mask, part = self.mask[top:bottom], self.picture[top:bottom]
        soft = cv2.GaussianBlur(mask, (0, 0), max(0.5, 0.002 * self.ppm)).astype(np.float32) / 255
        grain = noise(self.rng, *mask.shape, max(1.0, 0.0025 * self.ppm))
        level = part.mean(axis=2, dtype=np.float32)
        catch = np.clip(0.72 + 0.3 * grain + (level - float(level.mean())) / 90, 0, 1)
        opacity = cv2.convertScaleAbs(np.clip(soft * catch * 1.25, 0, 1) * strength, alpha=255)
        blend(part, np.full_like(part, colour), opacity)

    def _stroke(self, points: Field, width: float) -> None:
        pixels = np.round(points * 16).astype(np.int32)
        thick = max(1, round(width * self.ppm * self.rng.uniform(0.8, 1.2)))
        cv2.polylines(self.mask, [pixels], False, 255, thick, cv2.LINE_AA, 4)


def hail_hit(picture: Picture, centre: Point, radius: float, ppm: float, rng: np.random.Generator) -> None:
    """A hail strike on a shingle: granules gone from a round spot, the dark mat bare, a soft rim."""
    reach = int(radius * ppm * 2.2) + 3
    x0, x1 = max(0, int(centre[0]) - reach), min(picture.shape[1], int(centre[0]) + reach)
    y0, y1 = max(0, int(centre[1]) - reach), min(picture.shape[0], int(centre[1]) + reach)
    if x1 - x0 < 4 or y1 - y0 < 4:
        return
    rows, columns = y1 - y0, x1 - x0
    u = (np.arange(x0, x1)[None, :] - centre[0]) / (radius * ppm)
    v = (np.arange(y0, y1)[:, None] - centre[1]) / (radius * ppm * rng.uniform(0.85, 1.1))
    ragged = noise(rng, rows, columns, max(1.0, 0.004 * ppm)) * 0.14 + noise(rng, rows, columns, 2) * 0.06
    away = np.sqrt(u**2 + v**2) + ragged
    bare = np.clip((1.0 - away) * 4.5, 0, 1).astype(np.float32)
    rim = np.exp(-(((away - 1.15) / 0.22) ** 2)).astype(np.float32)
    tilt = 1 + 0.22 * np.exp(-(away**2)) * (u * 0.6 + v)
    part = picture[y0:y1, x0:x1].astype(np.float32)
    mat = np.array([34, 36, 40], np.float32) * (1 + 0.22 * noise(rng, rows, columns, 1.5))[..., None]
    keep = (0.82 * bare)[..., None]
    part = part * (1 - keep) + mat * keep
    part = part * tilt[..., None] + (10 * rim)[..., None]
    picture[y0:y1, x0:x1] = np.clip(part, 0, 255).astype(np.uint8)


def spread_points(
    rng: np.random.Generator, count: int, box: tuple[float, float, float, float], apart: float
) -> list[Point]:
    """`count` points inside the box (left, top, right, bottom), as far apart as asked where they fit."""
    points: list[Point] = []
    for attempt in range(4000):
        if len(points) == count:
            break
        point = (float(rng.uniform(box[0], box[2])), float(rng.uniform(box[1], box[3])))
        limit = apart * (1 - attempt / 4000)
        if all(np.hypot(point[0] - p[0], point[1] - p[1]) >= limit for p in points):
            points.append(point)
    return points
