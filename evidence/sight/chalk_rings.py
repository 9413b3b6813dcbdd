"""Counts rings of chalk outside a test square: hits that somebody circled one by one."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Mask = NDArray[np.uint8]

_GAPS = (9, 3)
"""Pixels of gaps in a stroke that are closed, widest first; a ring that runs into granules needs the narrow one."""
_LEAST, _MOST = 22.0, 300.0
"""Pixels of a ring's inner length at 1,000 pixels: smaller ones are granules, and a hit is smaller than a third."""
_ROUND = 1.7
"""Largest ratio of length to width: a circle drawn by hand, seen along a slope."""
_FIT = 0.15
"""Largest difference between the area inside and that of its ellipse, as a share."""
_FULL = 0.9
"""Largest share of its rectangle that the area inside fills: an ellipse has 0.79, a cell of a grid 1."""
_SOLID = 0.9
"""Smallest share of the convex hull that the area inside fills."""
_CLEAN_IN, _CLEAN_OUT = 0.12, 0.18
"""Largest shares of strokes inside and around a ring: it stands alone on the shingle."""
_SAME_GROUND = 24.0
"""Largest difference in CIELAB levels (8 bit) between inside and outside; a vent or a pipe differs more."""
_CONTRAST = 20.0
"""Smallest median relief of the ring, grey levels."""
_ALIKE = 0.5
"""Largest standard deviation of the logarithms of the lengths: rings of one person are similar."""
_FEWEST, _MANY = 2, 60
"""One ring may be a pipe or a nail's cover; more than 60 nobody draws (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """A ring on the copy searched."""

    x: float
    y: float
    """Its middle in pixels."""
    length: float
    """The longer side of the area inside, in pixels."""


def count_rings(rgb: Picture, strokes: Mask, relief: NDArray[np.float32]) -> int | None:
    """Number of separate rings of similar size, or None for fewer than two.

    `strokes` (h, w) is 1 where a stroke may be, `relief` (h, w) how far each pixel exceeds its surroundings.
    """
    rings: list[Ring] = []
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB).astype(np.float32)
    for gap in _GAPS:
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (gap, gap))
        closed = cv2.morphologyEx(strokes, cv2.MORPH_CLOSE, kernel)
        contours, tree = cv2.findContours(closed, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
        links = np.reshape(tree, (-1, 4)) if len(contours) else np.empty((0, 4), np.int32)
        for contour, link in zip(contours, links, strict=True):
            ring = (
                _ring(np.asarray(contour, np.int32)) if link[3] >= 0 else None
            )  # the inner edge of a stroke
            if (
                ring is not None
                and _stands_alone(np.asarray(contour, np.int32), strokes, relief, lab)
                and all(np.hypot(ring.x - other.x, ring.y - other.y) > other.length / 2 for other in rings)
            ):
                rings.append(ring)
    lengths = np.log([ring.length for ring in rings])
    if not _FEWEST <= len(rings) <= _MANY or float(np.std(lengths)) > _ALIKE:
        return None
    return len(rings)


def _ring(contour: NDArray[np.int32]) -> Ring | None:
    """The ring whose inside has this outline; None when that is not a rounded, whole shape."""
    (x, y), (wide, high), _ = cv2.minAreaRect(contour)
    long, short = max(wide, high), max(1.0, min(wide, high))
    if not _LEAST <= long <= _MOST or long > _ROUND * short or len(contour) < 5:
        return None
    area = cv2.contourArea(contour)
    _, (across, down), _ = cv2.fitEllipse(contour)
    ellipse = np.pi * across * down / 4
    if area > _FULL * long * short or area < _SOLID * cv2.contourArea(cv2.convexHull(contour)):
        return None
    return Ring(x=x, y=y, length=long) if abs(area - ellipse) <= _FIT * max(area, ellipse) else None


def _stands_alone(
    contour: NDArray[np.int32], strokes: Mask, relief: NDArray[np.float32], lab: NDArray[np.float32]
) -> bool:
    """True when the ring is a clear stroke with hardly any other around it, on the same ground inside and outside."""
    left, top, wide, high = cv2.boundingRect(contour)
    margin = 14
    x, y = max(0, left - margin), max(0, top - margin)
    part = np.s_[y : top + high + margin, x : left + wide + margin]
    ink = strokes[part]
    inside = np.zeros_like(ink)
    cv2.drawContours(inside, [contour], -1, 1, -1, offset=(-x, -y))
    stroke = cv2.dilate(inside, np.ones((13, 13), np.uint8))
    around = (cv2.dilate(inside, np.ones((27, 27), np.uint8)) > stroke) & (stroke == 0)
    drawn = (cv2.dilate(inside, np.ones((9, 9), np.uint8)) > inside) & (ink > 0)
    if not around.any() or not drawn.any():
        return False
    step = np.abs(np.median(lab[part][inside > 0], axis=0) - np.median(lab[part][around], axis=0)).max()
    return bool(
        ink[inside > 0].mean() <= _CLEAN_IN
        and ink[around].mean() <= _CLEAN_OUT
        and step <= _SAME_GROUND
        and np.median(relief[part][drawn]) >= _CONTRAST
    )
