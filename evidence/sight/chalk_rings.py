"""Counts rings of chalk outside a test square: hits that somebody circled one by one."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
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
_LIT, _DARKEST = 110.0, 0.6
"""CIELAB lightness (8 bit) of shingles in the light, and the smallest share of the difference allowed in a shadow."""
_CONTRAST = 20.0
"""Smallest median relief of the ring, grey levels."""
_ALIKE = 0.5
"""Largest standard deviation of the logarithms of the lengths: rings of one person are similar."""
_FEWEST, _MANY = 2, 60
"""One ring may be a pipe or a nail's cover; more than 60 nobody draws (common practice, no source)."""


_STRAY = 0.12
"""Largest distance of a stroke's pixel from the ellipse, as a share of the radius, beyond the stroke's own width."""
_ALONG = 0.9
"""Smallest share of a stroke's pixels that lie along the ellipse."""
_SECTORS, _AROUND = 36, 0.75
"""Sectors of an open ring, and the smallest share of them with a stroke."""


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
    for inside, ring in itertools.chain(_closed(strokes), _open(strokes)):
        if all(
            np.hypot(ring.x - other.x, ring.y - other.y) > max(ring.length, other.length) / 2
            for other in rings
        ) and _stands_alone(inside, strokes, relief, lab):
            rings.append(ring)
    lengths = np.log([ring.length for ring in rings])
    if not _FEWEST <= len(rings) <= _MANY or float(np.std(lengths)) > _ALIKE:
        return None
    return len(rings)


def _closed(strokes: Mask) -> Iterator[tuple[NDArray[np.int32], Ring]]:
    """Outlines of what closed, or nearly closed, strokes enclose."""
    for gap in _GAPS:
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (gap, gap))
        closed = cv2.morphologyEx(strokes, cv2.MORPH_CLOSE, kernel)
        contours, tree = cv2.findContours(closed, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
        links = np.reshape(tree, (-1, 4)) if len(contours) else np.empty((0, 4), np.int32)
        for contour, link in zip(contours, links, strict=True):
            if link[3] >= 0:  # the inner edge of a stroke
                outline = np.asarray(contour, np.int32)
                ring = _ring(outline)
                if ring is not None:
                    yield outline, ring


def _open(strokes: Mask) -> Iterator[tuple[NDArray[np.int32], Ring]]:
    """Ellipses through strokes that go most of the way round, with gaps."""
    for gap in _GAPS:
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (gap, gap))
        joined = cv2.morphologyEx(strokes, cv2.MORPH_CLOSE, kernel)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
        for number in range(1, count):
            left, top, wide, high, _area = (int(value) for value in stats[number])
            if not _LEAST <= max(wide, high) <= 1.2 * _MOST or min(wide, high) < _LEAST / _ROUND:
                continue
            y, x = np.nonzero(labels[top : top + high, left : left + wide] == number)
            found = _ellipse(np.column_stack([x + left, y + top]).astype(np.float32))
            if found is not None:
                yield found


def _ellipse(points: NDArray[np.float32]) -> tuple[NDArray[np.int32], Ring] | None:
    """The ellipse along a stroke's pixels (n, 2), and its ring; None when the stroke is no ring."""
    if len(points) < 30:
        return None
    (x, y), (one, other), turn = cv2.fitEllipseDirect(points)
    if not all(np.isfinite(value) for value in (x, y, one, other)) or min(one, other) < _LEAST / _ROUND:
        return None
    long, short = max(one, other), min(one, other)
    if not _LEAST <= long <= _MOST or long > _ROUND * short:
        return None
    angle = np.radians(turn)
    along = (points - [x, y]) @ np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    scaled = along / (np.array([one, other]) / 2)
    reach = np.hypot(scaled[:, 0], scaled[:, 1])
    near = np.abs(reach - 1) <= _STRAY + 6 / short
    way = np.unique(
        (np.arctan2(scaled[near, 1], scaled[near, 0]) / (2 * np.pi) * _SECTORS).astype(int) % _SECTORS
    )
    if near.mean() < _ALONG or len(way) < _AROUND * _SECTORS:
        return None
    inner = cv2.ellipse2Poly(
        (round(x), round(y)),
        (max(1, round(one / 2 - 4)), max(1, round(other / 2 - 4))),
        round(turn),
        0,
        360,
        6,
    )
    return np.asarray(inner, np.int32).reshape(-1, 1, 2), Ring(x=x, y=y, length=long)


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
    margin = 20
    x, y = max(0, left - margin), max(0, top - margin)
    part = np.s_[y : top + high + margin, x : left + wide + margin]
    ink = strokes[part]
    inside = np.zeros_like(ink)
    cv2.drawContours(inside, [contour], -1, 1, -1, offset=(-x, -y))
    stroke = cv2.dilate(inside, np.ones((25, 25), np.uint8))  # the widest stroke, and the blur beside it
    around = (cv2.dilate(inside, np.ones((39, 39), np.uint8)) > stroke) & (stroke == 0)
    drawn = (cv2.dilate(inside, np.ones((9, 9), np.uint8)) > inside) & (ink > 0)
    if not around.any() or not drawn.any():
        return False
    ground = np.median(lab[part][around], axis=0)
    step = np.abs(np.median(lab[part][inside > 0], axis=0) - ground).max()
    light = min(1.0, max(_DARKEST, float(ground[0]) / _LIT))  # in a shadow all differences are smaller
    return bool(
        ink[inside > 0].mean() <= _CLEAN_IN
        and ink[around].mean() <= _CLEAN_OUT
        and step <= _SAME_GROUND * light
        and np.median(relief[part][drawn]) >= _CONTRAST
    )
