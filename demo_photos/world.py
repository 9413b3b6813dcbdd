"""A pinhole camera and a canvas: flat, textured pieces of a world in metres, painted back to front.

World axes: x to the right as seen from the street, y away from the street, z up. Pictures are
uint8 BGR arrays, rows first, as OpenCV has them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Vector = NDArray[np.float64]

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
            polygon = _clip_band(outline or ((0, 0), (1, 0), (1, 1), (0, 1)), low, high)
            if len(polygon) >= 3:
                self._piece(origin, across, down, texture, polygon, shade)

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
        x0, y0 = np.maximum(np.floor(flat.min(axis=0)).astype(int), 0)
        x1 = min(int(np.ceil(flat[:, 0].max())) + 1, self.camera.width)
        y1 = min(int(np.ceil(flat[:, 1].max())) + 1, self.camera.height)
        if x1 <= x0 or y1 <= y0:
            return
        texture = _shrink(texture, to_pixel, polygon)
        rows, columns = texture.shape[:2]
        scale = np.diag([1 / columns, 1 / rows, 1.0])
        move = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
        warped = cv2.warpPerspective(
            texture, move @ to_pixel @ scale, (int(x1 - x0), int(y1 - y0)), borderMode=cv2.BORDER_REPLICATE
        )
        mask = np.zeros(warped.shape[:2], np.uint8)
        corners = np.round(np.clip(flat - [x0, y0], -30000, 30000) * 16).astype(np.int32)
        cv2.fillConvexPoly(mask, corners, 255, cv2.LINE_AA, 4)
        region = self.picture[y0:y1, x0:x1]
        colour = warped[..., :3]
        if shade != 1.0:
            colour = cv2.convertScaleAbs(colour, alpha=shade)
        if warped.ndim == 3 and warped.shape[2] == 4:
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
    """Lay `colour` over `region` in place, as far as `opacity` (0 to 255) says."""
    over = opacity.astype(np.float32) / 255
    region[:] = cv2.blendLinear(colour, region, over, 1 - over)


def darken(picture: Picture, mask: Picture) -> None:
    """Multiply `picture` in place by one minus `mask` / 255; the mask may be smaller."""
    full = cv2.resize(255 - mask, (picture.shape[1], picture.shape[0]), interpolation=cv2.INTER_LINEAR)
    cv2.multiply(picture, cv2.merge([full, full, full]), dst=picture, scale=1 / 255)


def _shrink(
    texture: Picture, to_pixel: NDArray[np.float64], polygon: Sequence[tuple[float, float]]
) -> Picture:
    """The texture at about one texel a pixel in the middle of the polygon, each direction on its own."""
    centre = np.mean(np.array(polygon), axis=0)
    middle = to_pixel @ np.append(centre, 1.0)
    if middle[2] <= NEAR:
        return texture
    steps = []
    for axis in (0, 1):
        moved = to_pixel[:, axis]
        speed = (moved[:2] * middle[2] - middle[:2] * moved[2]) / middle[2] ** 2
        steps.append(float(np.linalg.norm(speed)))
    share = [
        min(1.0, max(MAX_RESAMPLE, step / size))
        for step, size in zip(steps, (texture.shape[1], texture.shape[0]), strict=True)
    ]
    if min(share) > 0.8:
        return texture
    size = (max(2, round(texture.shape[1] * share[0])), max(2, round(texture.shape[0] * share[1])))
    return cv2.resize(texture, size, interpolation=cv2.INTER_AREA)


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


def _clip_band(polygon: Sequence[tuple[float, float]], low: float, high: float) -> list[tuple[float, float]]:
    """The convex polygon's part with `low` <= v <= `high`."""
    points = [tuple(map(float, p)) for p in polygon]
    for edge, keep_above in ((low, True), (high, False)):
        kept = []
        for here, following in zip(points, points[1:] + points[:1], strict=True):
            inside = here[1] >= edge if keep_above else here[1] <= edge
            inside_next = following[1] >= edge if keep_above else following[1] <= edge
            if inside:
                kept.append(here)
            if inside != inside_next:
                share = (edge - here[1]) / (following[1] - here[1])
                kept.append((here[0] + share * (following[0] - here[0]), edge))
        points = kept
        if not points:
            break
    return [(p[0], p[1]) for p in points]
