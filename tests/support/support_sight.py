"""Pages put into photographs: perspective, uneven light, blur, noise and JPEG, all from a seed."""

from __future__ import annotations

from functools import cache, lru_cache

import cv2
import numpy as np


@cache
def backdrop(width, height, seed=0):
    """A made-up outdoors: courses of a wall or a roof with grain, in grey levels (float32; copy before changing)."""
    rng = np.random.default_rng(seed)
    small = rng.standard_normal((height // 8, width // 8), dtype=np.float32)
    cloud = cv2.resize(cv2.GaussianBlur(small, (0, 0), 6), (width, height))
    grain = cv2.GaussianBlur(rng.standard_normal((height, width), dtype=np.float32), (0, 0), 1.2)
    rows = (np.arange(height) // max(8, height // 60) % 2).astype(np.float32)[:, None]
    return np.clip(118 + 160 * cloud + 14 * rows + 12 * grain, 0, 255)


@cache
def sensor_noise(width, height):
    """Unit Gaussian noise, to be rolled about so that no two photos carry the same."""
    return np.random.default_rng(99).standard_normal((height, width), dtype=np.float32)


def held_in_frame(
    page, size, rng, *, area, tilt=0.12, turn=12.0, blur=0.0, noise=3.0, light=0.5, quality=85, scene=None
):
    """A photo (grey, `size` = width, height) of `page` on about `area` of the frame.

    `tilt` moves corners by that share of the page's side, `turn` is the greatest rotation in degrees,
    `blur` a Gaussian sigma in pixels of the photo, `light` how far the light falls off across the page.
    """
    width, height = size
    behind = backdrop(width, height) if scene is None else scene.astype(np.float32)
    ph, pw = page.shape[:2]
    scale = np.sqrt(area * width * height / (pw * ph))
    half = np.array([pw, ph]) * scale / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    corners = corners + rng.uniform(-1, 1, (4, 2)) * tilt * half
    angle = np.deg2rad(rng.uniform(-turn, turn))
    corners = corners @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    room = np.maximum(np.array(size) / 2 - np.abs(corners).max(axis=0), 0)
    corners = corners + np.array(size) / 2 + rng.uniform(-1, 1, 2) * room
    if scale < 1:
        page = cv2.resize(page, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        ph, pw = page.shape[:2]
    source = np.array([[0, 0], [pw, 0], [pw, ph], [0, ph]], np.float32)
    warp = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    fall = np.linspace(1.0 - light * rng.random(), 1.0, pw, dtype=np.float32)[None, :]
    lit = page.astype(np.float32) * (fall if rng.random() < 0.5 else fall[:, ::-1])
    if rng.random() < 0.5:  # the edge of a shadow across the page
        lit[: int(ph * rng.uniform(0.2, 0.8))] *= 1 - 0.5 * light
    # Outside the page the photo is the backdrop: only where the page is, and as far as it blurs, there is work to do.
    near = _reach(blur) + 2
    left, top = np.maximum(np.floor(corners.min(axis=0)).astype(int) - near, 0)
    right, bottom = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + near, size)
    moved = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1]]) @ warp
    around = (right - left, bottom - top)
    mask = cv2.warpPerspective(np.ones((ph, pw), np.float32), moved, around)
    piece = behind[top:bottom, left:right] * (1 - mask)
    piece += cv2.warpPerspective(lit, moved, around) * mask
    if scene is None:
        photo = _blurred_backdrop(width, height, blur).copy()
    else:
        photo = cv2.GaussianBlur(behind, (0, 0), blur) if blur else behind
    photo[top:bottom, left:right] = cv2.GaussianBlur(piece, (0, 0), blur) if blur else piece
    top = int(rng.integers(height))
    grains = sensor_noise(width, height)
    seen = np.empty((height, width), np.uint8)
    for rows, grain in ((np.s_[top:], grains[: height - top]), (np.s_[:top], grains[height - top :])):
        if len(grain):  # the noise rolled down by `top`
            cv2.addWeighted(photo[rows], 1, grain, noise, 0, dst=seen[rows], dtype=cv2.CV_8U)
    return cv2.imdecode(
        cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE
    )


def _reach(blur):
    """The pixels over which OpenCV's Gaussian filter of floats reaches: four sigma."""
    return int(np.ceil(4 * blur)) + 1 if blur else 0


@lru_cache(maxsize=3)
def _blurred_backdrop(width, height, blur):
    plain = backdrop(width, height)
    return cv2.GaussianBlur(plain, (0, 0), blur) if blur else plain


def on_white(code, pixels, *, page=(850, 1100)):
    """A white page (width, height) with a square code of that many pixels a side in its middle."""
    sheet = np.full((page[1], page[0]), 255, np.uint8)
    code = cv2.resize(code, (pixels, pixels), interpolation=cv2.INTER_NEAREST)
    top, left = (page[1] - pixels) // 2, (page[0] - pixels) // 2
    sheet[top : top + pixels, left : left + pixels] = code
    return sheet


def qr_pixels(qr, module=8):
    """A segno code as grey pixels with its quiet zone of four modules."""
    rows = np.array(
        [[0 if bit else 255 for bit in row] for row in qr.matrix_iter(scale=1, border=4)], np.uint8
    )
    return np.kron(rows, np.ones((module, module), np.uint8))
