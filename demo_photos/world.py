"""A pinhole camera and a canvas: flat, textured pieces of a world in metres, painted back to front.

World axes: x to the right as seen from the street, y away from the street, z up. Pictures are
uint8 BGR arrays, rows first, as OpenCV has them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]
Outline = Sequence[tuple[float, float]]
"""A convex polygon in shares of a parallelogram."""

NEAR = 0.05
"""Metres before the lens; whatever is nearer is cut away."""
MAX_RESAMPLE = 0.02
"""Textures are never shrunk below this share, so that none shrinks to nothing."""


def vec(x: float, y: float, z: float) -> Vector:
    """A point or a direction, metres."""
    return np.array([x, y, z], dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Where the photo is taken from: eye and target in metres, horizontal field of view and roll in degrees."""

    eye: Vector
    target: Vector
    fov: float
    width: int
    height: int
    roll: float = 0.0

    def matrix(self) -> NDArray[np.float64]:
        """3x4: homogeneous world point to homogeneous pixel; the third component is depth in metres."""
        forward = self.target - self.eye
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, vec(0.0, 0.0, 1.0))
        size = float(np.linalg.norm(right))
        right = right / size if size > 1e-6 else vec(1.0, 0.0, 0.0)
        down = np.cross(forward, right)
        angle = np.radians(self.roll)
        turned_right = np.cos(angle) * right + np.sin(angle) * down
        turned_down = -np.sin(angle) * right + np.cos(angle) * down
        rotation = np.stack([turned_right, turned_down, forward])
        focal = self.width / 2 / np.tan(np.radians(self.fov) / 2)
        inner = np.array([[focal, 0, self.width / 2], [0, focal, self.height / 2], [0, 0, 1.0]])
        return inner @ np.hstack([rotation, (-rotation @ self.eye)[:, None]])


class Canvas:
    """A picture being painted through one camera."""

    def __init__(self, camera: Camera, background: Picture) -> None:
        self.camera = camera
        self.matrix = camera.matrix()
        self.picture = background

    def depth(self, point: Vector) -> float:
        """Metres along the view; negative behind the camera."""
        return float(self.matrix[2] @ np.append(point, 1.0))

    def pixel(self, point: Vector) -> tuple[float, float]:
        """Where a point lies in the picture; meaningless behind the camera."""
        p = self.matrix @ np.append(point, 1.0)
        return float(p[0] / p[2]), float(p[1] / p[2])

    def plane(
        self,
        origin: Vector,
        across: Vector,
        down: Vector,
        texture: Picture,
        *,
        shade: float = 1.0,
        outline: Sequence[tuple[float, float]] | None = None,
        strips: int = 1,
    ) -> None:
        """Paint `texture` on the parallelogram from `origin` (its top left) along `across` and `down`.

        `outline` is a convex polygon in shares of the parallelogram, for gables and hips. A fourth
        channel of the texture is its opacity. `strips` cuts a piece that runs far away into
        pieces that are resampled each on their own.
        """
        for index in range(strips):
            low, high = index / strips, (index + 1) / strips
            polygon = _strip(outline or ((0, 0), (1, 0), (1, 1), (0, 1)), low, high)
            if len(polygon) < 3:
                continue
            if strips == 1:
                self._piece(origin, across, down, texture, polygon, shade)
                continue
            rows = texture.shape[0]
            top, bottom = max(0, int(low * rows) - 1), min(rows, int(np.ceil(high * rows)) + 1)
            share, part = top / rows, (bottom - top) / rows
            band = [(u, (v - share) / part) for u, v in polygon]
            self._piece(origin + down * share, across, down * part, texture[top:bottom], band, shade)

    def _piece(
        self,
        origin: Vector,
        across: Vector,
        down: Vector,
        texture: Picture,
        polygon: Sequence[tuple[float, float]],
        shade: float,
    ) -> None:
        to_pixel = self.matrix @ np.column_stack(
            [np.append(across, 0), np.append(down, 0), np.append(origin, 1)]
        )
        points = _clip_near([to_pixel @ np.array([u, v, 1.0]) for u, v in polygon])
        if len(points) < 3:
            return
        flat = np.array([[p[0] / p[2], p[1] / p[2]] for p in points])
        inside = _clip_frame(flat, self.camera.width, self.camera.height)
        if len(inside) < 3:
            return
        texture = _shrink(texture, to_pixel, polygon, (self.camera.width, self.camera.height))
        texture = np.ascontiguousarray(texture)
        scale = np.diag([1 / texture.shape[1], 1 / texture.shape[0], 1.0])
        # A slanting strip fills little of its bounding box: it is painted in low bands, each as wide as necessary.
        for band in _bands(inside):
            self._paint(texture, to_pixel @ scale, band, shade)

    def _paint(self, texture: Picture, to_pixel: Matrix, polygon: Matrix, shade: float) -> None:
        """Paint the part of a piece that lies in a convex polygon of pixels."""
        x0, y0 = np.maximum(np.floor(polygon.min(axis=0)).astype(int), 0)
        x1 = min(int(np.ceil(polygon[:, 0].max())) + 1, self.camera.width)
        y1 = min(int(np.ceil(polygon[:, 1].max())) + 1, self.camera.height)
        if x1 <= x0 or y1 <= y0:
            return
        move = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
        warped = cv2.warpPerspective(
            texture, move @ to_pixel, (int(x1 - x0), int(y1 - y0)), borderMode=cv2.BORDER_REPLICATE
        )
        mask = np.zeros(warped.shape[:2], np.uint8)
        cv2.fillConvexPoly(mask, np.round((polygon - [x0, y0]) * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
        region = self.picture[y0:y1, x0:x1]
        colour = warped[..., :3]
        if shade != 1.0:
            colour = cv2.convertScaleAbs(colour, alpha=shade)
        if warped.shape[2] == 4:
            blend(region, colour, cv2.multiply(mask, warped[..., 3], scale=1 / 255))
        else:
            cv2.copyTo(colour, cv2.threshold(mask, 96, 255, cv2.THRESH_BINARY)[1], region)

    def shadow(self, points: Sequence[Vector], strength: float, softness: float) -> None:
        """Darken the polygon through world points, `strength` 0 to 1, edges soft over so many pixels."""
        homogeneous = [self.matrix @ np.append(p, 1.0) for p in points]
        cut = _clip_near(homogeneous)
        if len(cut) < 3:
            return
        flat = np.array([[p[0] / p[2], p[1] / p[2]] for p in cut]) / 4
        mask = np.zeros((self.camera.height // 4, self.camera.width // 4), np.uint8)
        hull = np.round(np.clip(flat, -30000, 30000)).astype(np.int32)
        cv2.fillPoly(mask, [hull], int(255 * strength))
        mask = cv2.GaussianBlur(mask, (0, 0), max(softness / 4, 0.5))
        darken(self.picture, mask)


def blend(region: Picture, colour: Picture, opacity: Picture) -> None:
    """Blend `colour` over `region` in place with `opacity` (0 to 255)."""
    over = opacity.astype(np.float32) / 255
    region[:] = cv2.blendLinear(colour, region, over, 1 - over)


def darken(picture: Picture, mask: Picture) -> None:
    """Multiply `picture` in place by one minus `mask` / 255; the mask may be smaller."""
    full = cv2.resize(255 - mask, (picture.shape[1], picture.shape[0]), interpolation=cv2.INTER_LINEAR)
    cv2.multiply(picture, cv2.merge([full, full, full]), dst=picture, scale=1 / 255)


def _shrink(texture: Picture, to_pixel: Matrix, outline: Outline, size: tuple[int, int]) -> Picture:
    """The texture at about one texel a pixel where it is seen from nearest, each direction on its own."""
    points = np.array(outline)
    low, high = points.min(axis=0), points.max(axis=0)
    grid = np.stack(
        np.meshgrid(*(np.linspace(low[k], high[k], n) for k, n in ((0, 41), (1, 13)))), axis=-1
    ).reshape(-1, 2)
    seen = np.column_stack([grid, np.ones(len(grid))]) @ to_pixel.T
    ahead = seen[:, 2] > NEAR
    seen = seen[ahead]
    if not len(seen):
        return texture
    flat = seen[:, :2] / seen[:, 2:]
    margin = 0.25 * max(size)
    visible = np.all((flat > -margin) & (flat < np.array(size) + margin), axis=1)
    if not visible.any():
        return texture
    seen = seen[visible]
    share = []
    for axis, length in ((0, texture.shape[1]), (1, texture.shape[0])):
        moved = to_pixel[:, axis]
        speed = (moved[None, :2] * seen[:, 2:] - seen[:, :2] * moved[2]) / seen[:, 2:] ** 2
        needed = float(np.quantile(np.linalg.norm(speed, axis=1), 0.96)) / length
        share.append(min(1.0, max(MAX_RESAMPLE, needed)))
    if min(share) > 0.8:
        return texture
    reduced = (max(2, round(texture.shape[1] * share[0])), max(2, round(texture.shape[0] * share[1])))
    return cv2.resize(texture, reduced, interpolation=cv2.INTER_AREA)


def _clip_near(points: Sequence[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """The polygon's part before the lens, in homogeneous pixels."""
    kept: list[NDArray[np.float64]] = []
    for here, following in zip(points, [*points[1:], points[0]], strict=True):
        if here[2] >= NEAR:
            kept.append(here)
        if (here[2] >= NEAR) != (following[2] >= NEAR):
            share = (NEAR - here[2]) / (following[2] - here[2])
            kept.append(here + share * (following - here))
    return kept


def _clip_frame(flat: Matrix, width: int, height: int) -> Matrix:
    """The pixel polygon's part in the frame, with a pixel to spare."""
    points = _cut(flat, 0, -1.0, above=True)
    points = _cut(points, 0, width + 1.0, above=False)
    points = _cut(points, 1, -1.0, above=True)
    return _cut(points, 1, height + 1.0, above=False)


def _bands(polygon: Matrix) -> Iterator[Matrix]:
    """The polygon whole where it fills its bounding box well, else cut into low bands."""
    low, high = polygon.min(axis=0), polygon.max(axis=0)
    box = float(np.prod(high - low))
    if box < 60_000 or cv2.contourArea(polygon.astype(np.float32)) > 0.7 * box:
        yield polygon
        return
    edges = np.linspace(low[1], high[1], max(2, int((high[1] - low[1]) / 90) + 1))
    for top, bottom in pairwise(edges):
        # Bands overlap by a row, or their soft edges would leave a seam.
        band = _cut(_cut(polygon, 1, top - 1.0, above=True), 1, bottom + 1.0, above=False)
        if len(band) >= 3:
            yield band


def _cut(points: Matrix, axis: int, edge: float, *, above: bool) -> Matrix:
    """The convex polygon's part above (or below) `edge` along an axis."""
    if len(points) < 3:
        return points
    sign = 1.0 if above else -1.0
    side = (points[:, axis] - edge) * sign
    kept = []
    for here, following, a, b in zip(
        points, np.roll(points, -1, axis=0), side, np.roll(side, -1), strict=True
    ):
        if a >= 0:
            kept.append(here)
        if (a >= 0) != (b >= 0):
            kept.append(here + a / (a - b) * (following - here))
    return np.array(kept)


def _strip(outline: Outline, low: float, high: float) -> list[tuple[float, float]]:
    """The outline's part with `low` <= v <= `high`."""
    points = _cut(_cut(np.array(outline, np.float64), 1, low, above=True), 1, high, above=False)
    return [(float(u), float(v)) for u, v in points]
