"""Pictures as arrays: 8 bits, grey (height, width) or RGB (height, width, 3), upright unless stated otherwise."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]

_HARDLY_SMALLER = 2 / 3
"""Scale above which a reduction is interpolated instead of averaged."""


def grey_of(pixels: Pixels) -> Pixels:
    """The picture in grey by the weights of ITU-R BT.601, or itself when it is grey already."""
    if pixels.ndim == 3:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8)
    return np.ascontiguousarray(pixels)


def reduced(pixels: Pixels, size: tuple[int, int]) -> Pixels:
    """A copy of `size` (width, height), smaller than the picture: halved as often as possible, because averaging
    whole steps is fast, then resized.
    """
    while pixels.shape[1] >= 2 * size[0] and pixels.shape[0] >= 2 * size[1]:
        half = pixels.shape[1] // 2, pixels.shape[0] // 2
        pixels = np.asarray(cv2.resize(pixels, half, interpolation=cv2.INTER_AREA), np.uint8)
    scale = min(size[0] / pixels.shape[1], size[1] / pixels.shape[0])
    # At this scale interpolation skips no pixel, and averaging areas takes five times as long.
    way = cv2.INTER_LINEAR if scale > _HARDLY_SMALLER else cv2.INTER_AREA
    return np.asarray(cv2.resize(pixels, size, interpolation=way), np.uint8)


def size_at(pixels: Pixels, side: int, least: int = 1) -> tuple[int, int]:
    """(width, height) of the picture scaled to a long side of `side` pixels; each at least `least`."""
    height, width = pixels.shape[:2]
    scale = side / max(height, width)
    return max(least, round(width * scale)), max(least, round(height * scale))


def fitted(pixels: Pixels, side: int) -> Pixels:
    """The same picture with its long side at most `side` pixels; never enlarged."""
    return pixels if side >= max(pixels.shape[:2]) else reduced(pixels, size_at(pixels, side))
