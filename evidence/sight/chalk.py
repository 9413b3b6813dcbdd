"""Finds chalk on a roof: a four-sided outline that may be a test square, marks inside it, and rings without a square.

The result is a guess only, and only pictures of a roof or of shingles are searched (`contents`). Chalk here is anything thin that is brighter, or more coloured, than the shingles
around it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from evidence.model import ChalkSeen, WritingLine
from evidence.sight.chalk_rings import count_rings
from evidence.sight.pixels import size_at

Picture = NDArray[np.uint8]
Mask = NDArray[np.uint8]
Points = NDArray[np.float32]

_SIDE = 1000
"""Pixels of the long side at which chalk is searched; a stroke is then 3 to 12 pixels wide."""
_STROKE = 21
"""Pixels, odd: anything wider is not a stroke."""
_CLEAR = 3.6
"""Robust standard deviations by which a stroke must exceed the shingles."""
_ABOUT = 37
"""Pixels, odd, on a copy of a quarter of the size: the window over which the shingles are averaged."""
_SMALLEST_SPECK = 45
"""Pixels of area below which a bright spot is taken for granules."""
_LEAST_SQUARE = 0.03
"""Smallest share of the frame that a test square covers."""
_UNLIKE = 0.5
"""Largest standard deviation of the logarithms of the marks' lengths; marks of one person are similar."""
_AS_CLEAR = 0.4
"""Smallest contrast of a mark as a share of the outline's; a mark in a hard shadow has about half."""
_MOST_MARKS = 60
"""More marks than any adjuster chalks in a test square; common practice, no source."""


_SQUARE_SEEN = 0.5
"""Confidence from which an outline is a square; rings are counted where there is none."""
_GRID, _COURSES = 0.5, 0.75
"""Shares of the extended sides with strokes from which the lines are a grid, and from which two opposite sides are
courses: an adjuster's side ends at its corner."""

_BENDS = 31
"""Pixels, odd: how far a line that goes on may bend, as a cable does."""
_CONVERGE = 55.0
"""Largest angle in degrees between opposite sides: a square seen along a steep slope."""
_LEAST_CORNER = 30.0
"""Smallest angle in degrees between neighbouring sides."""
_SAME_GROUND = 20.0
"""Largest difference in CIELAB levels (8 bit) between the surface inside and outside an outline. The roof hardly
differs across a chalk line; a window in its frame, or a board, differs far more."""
_SMOOTH = 0.5
"""Smallest ratio of the texture inside an outline to that around it: the glass of a skylight has no granules."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A four-sided outline in chalk."""

    corners: Points
    """(4, 2) pixels on the copy it was found on, clockwise."""
    drawn: float
    """Share of its length along which there is chalk."""


def see_chalk(rgb: Picture, lines: Sequence[WritingLine] = ()) -> ChalkSeen | None:
    """The chalk in an upright RGB picture of a roof, or None when nothing resembles a chalked outline or ringed hits.

    `lines` is the writing read in it, which is not counted as marks. `marks` is None when no mark was found,
    or when the marks are too different to be counted.
    """
    # Averaging areas takes five times as long and finds no more (docs/measurements.md).
    small = np.asarray(cv2.resize(rgb, size_at(rgb, _SIDE, 8), interpolation=cv2.INTER_LINEAR), np.uint8)
    relief = _relief(small)
    strokes = _strokes_in(relief)
    outline = _best_outline(strokes)
    square = 0.0 if outline is None else float(1 / (1 + np.exp(-14 * (outline.drawn - 0.66))))
    if outline is not None and square >= _SQUARE_SEEN and _is_square(small, strokes, outline):
        return ChalkSeen(square=square, marks=_count(strokes, relief, outline, _certain_writing(lines)))
    rings = count_rings(small, strokes, relief)
    return None if rings is None else ChalkSeen(square=0.0, marks=rings)


def _is_square(rgb: Picture, strokes: Mask, outline: Outline) -> bool:
    """False for a window or board, and for a part of a grid or of courses, whose lines go on beyond the corners."""
    if _colour_step(rgb, outline.corners) > _SAME_GROUND or _smoothness(rgb, outline.corners) < _SMOOTH:
        return False
    beyond = _goes_on(strokes, outline)
    return float(np.mean(beyond)) < _GRID and max(beyond) < _COURSES


def _relief(rgb: Picture) -> NDArray[np.float32]:
    """The white top-hat of each pixel in its strongest colour: how far it exceeds everything wider than a stroke."""
    soft = cv2.GaussianBlur(rgb, (0, 0), 1.6)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_STROKE, _STROKE))
    red, green, blue = cv2.split(cv2.morphologyEx(soft, cv2.MORPH_TOPHAT, kernel))
    return np.asarray(cv2.max(cv2.max(red, green), blue), np.float32)


def _strokes_in(height: NDArray[np.float32]) -> Mask:
    # The threshold is local, because a shadow halves chalk and granules alike. Local mean and spread change
    # slowly, so they are computed at a quarter of the size.
    size = height.shape[1], height.shape[0]
    coarse = max(1, size[0] // 4), max(1, size[1] // 4)
    mean, square = (
        cv2.boxFilter(cv2.resize(each, coarse, interpolation=cv2.INTER_AREA), -1, (_ABOUT, _ABOUT))
        for each in (height, height * height)
    )
    spread = np.sqrt(np.maximum(square - mean * mean, 1.0))
    calm = np.minimum(spread, np.float32(2.0 * float(np.median(spread))))
    clear = cv2.resize(np.maximum(mean + _CLEAR / 2 * calm, 10), size, interpolation=cv2.INTER_LINEAR)
    mask = cv2.morphologyEx(
        np.asarray(height > clear, dtype=np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)
    )
    return _without_specks(np.asarray(mask, dtype=np.uint8), _SMALLEST_SPECK)


def _without_specks(mask: Mask, least: int) -> Mask:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    long = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) >= 14
    kept = (long & (stats[:, cv2.CC_STAT_AREA] >= least)).astype(np.uint8)
    kept[0] = 0  # the background
    return np.asarray(kept[labels], dtype=np.uint8)


# --- the outline ---------------------------------------------------------------------------


def _best_outline(strokes: Mask) -> Outline | None:
    least = _LEAST_SQUARE * strokes.size
    near = np.asarray(cv2.dilate(strokes, np.ones((13, 13), np.uint8)), dtype=np.uint8)
    best: Outline | None = None
    for corners in itertools.chain(_from_loops(strokes), _from_sides(strokes)):
        if cv2.contourArea(corners) < least or not cv2.isContourConvex(corners.astype(np.int32)):
            continue
        found = Outline(corners=corners, drawn=_chalk_share(near, corners))
        if best is None or found.drawn > best.drawn:
            best = found
    return best


def _from_loops(strokes: Mask) -> list[Points]:
    """Quadrilaterals around areas that a closed, or nearly closed, stroke encloses."""
    found = []
    for gap in (1, 15, 31):
        closed = cv2.dilate(strokes, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (gap, gap)))
        contours, tree = cv2.findContours(closed, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
        for contour, links in zip(contours, np.reshape(tree, (-1, 4)) if len(contours) else (), strict=True):
            if links[3] < 0 or cv2.contourArea(contour) < _LEAST_SQUARE * strokes.size / 2:
                continue
            hull = cv2.convexHull(contour)
            for slack in (0.02, 0.04, 0.06):
                corners = cv2.approxPolyDP(hull, slack * cv2.arcLength(hull, closed=True), closed=True)
                if len(corners) == 4:
                    found.append(
                        _to_middle_of_stroke(np.reshape(corners, (-1, 2)).astype(np.float32), gap / 2 + 3)
                    )
                    break
    return found


def _to_middle_of_stroke(corners: Points, by: float) -> Points:
    """The corners moved outward from the inner edge of a stroke to its middle."""
    middle = corners.mean(axis=0)
    arms = corners - middle
    lengths = np.linalg.norm(arms, axis=1, keepdims=True)
    return np.asarray(middle + arms * (1 + 1.4 * by / np.maximum(lengths, 1.0)), dtype=np.float32)


def _from_sides(strokes: Mask) -> list[Points]:
    """Quadrilaterals of two pairs of long straight strokes, for outlines with gaps."""
    least = int(0.11 * max(strokes.shape))
    segments = cv2.HoughLinesP(strokes * 255, 1, np.pi / 180, 70, minLineLength=least, maxLineGap=40)
    if segments is None:
        return []
    lines = _distinct([np.asarray(each, dtype=np.float32) for each in np.reshape(segments, (-1, 4))])[:12]
    found = []
    apart = [[_angle_between(one, other) for other in lines] for one in lines]
    pairs = [
        pair for pair in itertools.combinations(range(len(lines)), 2) if apart[pair[0]][pair[1]] <= _CONVERGE
    ]
    for (top, bottom), (left, right) in itertools.combinations(pairs, 2):
        if (
            min(apart[top][left], apart[top][right], apart[bottom][left], apart[bottom][right])
            < _LEAST_CORNER
        ):
            continue
        crossings = ((top, left), (top, right), (bottom, right), (bottom, left))
        meets = [_intersection(lines[one], lines[other]) for one, other in crossings]
        if all(meet is not None for meet in meets):
            found.append(np.array(meets, dtype=np.float32))
    return found


def _distinct(segments: list[Points]) -> list[Points]:
    """The longest segment of each group along one stroke."""
    kept: list[Points] = []
    for segment in sorted(segments, key=lambda each: -float(np.hypot(each[2] - each[0], each[3] - each[1]))):
        if all(_angle_between(segment, other) > 10 or _distance_from(segment, other) > 22 for other in kept):
            kept.append(segment)
    return kept


def _angle(segment: Points) -> float:
    left, top, right, bottom = segment.tolist()
    return math.degrees(math.atan2(bottom - top, right - left)) % 180


def _angle_between(one: Points, other: Points) -> float:
    """Degrees between two directions, 0 to 90."""
    turn = abs(_angle(one) - _angle(other))
    return min(turn, 180 - turn)


def _distance_from(segment: Points, line: Points) -> float:
    """Distance in pixels of a segment's middle from the line through another."""
    middle = (segment[:2] + segment[2:]) / 2
    along = line[2:] - line[:2]
    across = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-6)
    return abs(float((middle - line[:2]) @ across))


def _intersection(one: Points, other: Points) -> Points | None:
    """The intersection of two lines; None when they are parallel."""
    a, b = one[2:] - one[:2], other[2:] - other[:2]
    cross = float(a[0] * b[1] - a[1] * b[0])
    if abs(cross) < 1e-3:
        return None
    gap = other[:2] - one[:2]
    return np.asarray(one[:2] + a * (float(gap[0] * b[1] - gap[1] * b[0]) / cross), dtype=np.float32)


def _chalk_share(near: Mask, corners: Points) -> float:
    """Share of an outline with chalk, 0 to 1: the average of the sides' mean and the lowest side."""
    height, width = near.shape
    shares = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        steps = max(2, int(np.linalg.norm(end - start)))
        points = np.round(start + np.linspace(0, 1, steps)[:, None] * (end - start)).astype(int)
        inside = (points >= 0).all(axis=1) & (points < [width, height]).all(axis=1)
        hits = near[points[inside, 1], points[inside, 0]]
        shares.append(float(hits.sum()) / steps)
    return (min(shares) + float(np.mean(shares))) / 2


def _colour_step(rgb: Picture, corners: Points) -> float:
    """The colour difference across the outline: the median over its length, in CIELAB levels."""
    lab = cv2.cvtColor(cv2.GaussianBlur(rgb, (0, 0), 4), cv2.COLOR_RGB2LAB).astype(np.float32)
    height, width = lab.shape[:2]
    steps = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        along = (end - start) / max(float(np.linalg.norm(end - start)), 1.0)
        across = np.array([-along[1], along[0]]) * 16
        points = start + np.linspace(0.05, 0.95, 40)[:, None] * (end - start)
        one, other = np.round(points + across).astype(int), np.round(points - across).astype(int)
        both = np.concatenate([one, other], axis=1)
        both = both[((both >= 0) & (both < [width, height, width, height])).all(axis=1)]
        steps.append(np.abs(lab[both[:, 1], both[:, 0]] - lab[both[:, 3], both[:, 2]]).max(axis=1))
    return float(np.median(np.concatenate(steps)))


def _smoothness(rgb: Picture, corners: Points) -> float:
    """The texture inside an outline as a share of that around it, each relative to its brightness."""
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    mean = cv2.blur(grey, (15, 15))
    rough = np.abs(grey - cv2.blur(grey, (5, 5))) / (mean + 5)
    area = np.zeros(grey.shape, np.uint8)
    cv2.fillPoly(area, [np.round(corners).astype(np.int32)], 1)
    kernel = np.ones((31, 31), np.uint8)
    inside = cv2.erode(area, kernel) > 0
    around = (cv2.dilate(area, np.ones((121, 121), np.uint8)) > 0) & (cv2.dilate(area, kernel) == 0)
    if not inside.any() or not around.any():
        return 1.0
    return float(rough[inside].mean() / max(float(rough[around].mean()), 1e-6))


def _goes_on(strokes: Mask, outline: Outline) -> tuple[float, float]:
    """For each pair of opposite sides: share of their extensions, a third of a side each, along which there is chalk."""
    near = cv2.dilate(strokes, np.ones((_BENDS, _BENDS), np.uint8))
    height, width = near.shape
    corners = outline.corners
    shares: tuple[list[float], list[float]] = ([], [])
    for side, (start, end) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        for origin, way in ((end, end - start), (start, start - end)):
            points = np.round(origin + np.linspace(0.06, 0.33, 40)[:, None] * way).astype(int)
            inside = (points >= 0).all(axis=1) & (points < [width, height]).all(axis=1)
            if inside.sum() >= 10:
                shares[side % 2].append(float(near[points[inside, 1], points[inside, 0]].mean()))
    one, other = (float(np.mean(each)) if each else 0.0 for each in shares)
    return one, other


# --- marks ---------------------------------------------------------------------------------


def _certain_writing(lines: Sequence[WritingLine]) -> list[WritingLine]:
    """Lines that are certainly writing, without rows of circles and slashes that were read as letters."""
    return [line for line in lines if len(set(line.text.upper()) - set("O0CQDG()/|\\I1X- ")) >= 2]


def _count(
    strokes: Mask, relief: NDArray[np.float32], outline: Outline, lines: Sequence[WritingLine]
) -> int | None:
    """Number of separate marks of similar size well inside the outline; None when there are none or their sizes differ."""
    height, width = strokes.shape
    corners = outline.corners
    side = float(np.sqrt(cv2.contourArea(corners)))
    inside = np.zeros_like(strokes)
    cv2.fillPoly(inside, [np.round(corners).astype(np.int32)], 1)
    edge = max(5, int(0.045 * side)) | 1
    inner = cv2.erode(inside, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (edge, edge)))
    marks = np.asarray(strokes * inner, dtype=np.uint8)
    for line in lines:
        left, right = int(line.box.left * width), int(np.ceil(line.box.right * width))
        top, bottom = int(line.box.top * height), int(np.ceil(line.box.bottom * height))
        marks[max(0, top - 4) : bottom + 4, max(0, left - 4) : right + 4] = 0
    joined = np.asarray(cv2.morphologyEx(marks, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)), dtype=np.uint8)
    contours, _ = cv2.findContours(joined, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    sides = [_angle(np.concatenate([corners[n], corners[(n + 1) % 4]])) for n in range(2)]
    drawn = np.zeros_like(strokes)
    cv2.polylines(drawn, [np.round(corners).astype(np.int32)], True, 1, 9)
    clear = _AS_CLEAR * float(np.median(relief[(drawn & strokes) > 0])) if (drawn & strokes).any() else 0.0
    reaches = []
    for contour in contours:
        reach = _mark_length(contour, joined, side, sides)
        if reach and _contrast(contour, marks, relief) > clear:
            reaches.append(reach)
    if not reaches or len(reaches) > _MOST_MARKS or float(np.std(np.log(reaches))) > _UNLIKE:
        return None
    return len(reaches)


def _contrast(contour: NDArray[Any], marks: Mask, relief: NDArray[np.float32]) -> float:
    """The median contrast of the strokes inside a contour."""
    x, y, w, h = cv2.boundingRect(contour)
    part = relief[y : y + h, x : x + w][marks[y : y + h, x : x + w] > 0]
    return float(np.median(part)) if len(part) else 0.0


def _mark_length(contour: NDArray[Any], joined: Mask, side: float, sides: Sequence[float]) -> float:
    """The length in pixels of a ring or slash in a square of `side` pixels; 0 for any other shape.

    A slash parallel to a side of the square is taken for a shingle's edge.
    """
    _, (wide, high), turn = cv2.minAreaRect(contour)
    long, short = max(wide, high), max(1.0, min(wide, high))
    whole = cv2.contourArea(contour)
    if not 0.03 * side < long < 0.25 * side:
        return 0.0
    x, y, w, h = cv2.boundingRect(contour)
    shape = np.zeros((h, w), dtype=np.uint8)
    cv2.drawContours(shape, [contour], -1, 1, -1, offset=(-x, -y))
    ink = int((joined[y : y + h, x : x + w] * shape).sum())
    hollow = 1 - ink / max(1, int(shape.sum()))
    if long < 1.9 * short:
        round_enough = whole > 0.6 * long * short
        return long if round_enough and (hollow > 0.12 or long < 0.06 * side) else 0.0
    straight = whole > 0.45 * long * short
    along = (turn if wide >= high else turn + 90) % 180
    level = min(min(abs(along - each), 180 - abs(along - each)) for each in sides)
    return long if straight and level > 14 and long > 0.045 * side else 0.0
