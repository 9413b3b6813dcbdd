"""Decides whether a photo shows a sheet of paper: bright, four-sided, with writing, filling much of the frame.

It does not decide whose sheet it is: the split matches its writing with the day's claims. A page of a book
may look like a sheet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from evidence.model import Box, SceneKind, SheetSeen, WritingLine
from evidence.sight.pixels import grey_of, reduced, size_at

Picture = NDArray[np.uint8]

_SIDE = 400
"""Pixels of the long side at which the paper's outline is searched."""
_LEAST_AREA = 0.08
"""Smallest share of the frame; a sheet that starts a claim is photographed from near."""
_LEAST_CONFIDENCE = 0.5
_LONGEST = 1.9
"""Largest aspect ratio of a sheet, with some tilt: letter 1.29, A4 1.41, legal 1.65; a banknote has 2.35
(common practice, no source)."""
_INK_HEIGHT = 60
"""Pixels to which a line of large writing is scaled to measure whether its ink is dark."""
_SCENE_SURE = 0.85
"""The scene head's probability from which a page is accepted although its outline was not found."""
_DULL = 0.8
"""Lightness below which the confidence falls; the sheets of the real photos tried have 0.83 and more."""
_TINTED = 20.0
"""Distance from grey above which the confidence falls: white paper under a warm lamp reaches it."""
_SHEET_USUAL = 1 / 8
"""Prior probability of a sheet, without the scene head."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A bright area that may be paper."""

    area: float
    """Share of the frame."""
    four_sided: float
    """How well a quadrilateral fits the area, 0 to 1."""
    ratio: float
    """Long side to short side, 1 or more, as seen."""
    plain: float
    """Share of the area that is colourless and close to its median brightness."""
    bright: float
    """Lightness of its lit parts as a share of the picture's lightest parts; paper is among the lightest things."""
    colour: float
    """Its median distance from grey, CIELAB levels (8 bit)."""
    open: bool
    """It touches three or more edges of the frame, so that its shape is unknown."""
    box: Box


def see_sheet(
    rgb: Picture,
    boxes: Sequence[Box],
    lines: Sequence[WritingLine],
    scenes: Mapping[SceneKind, float] | None = None,
) -> SheetSeen | None:
    """The sheet that fills much of an upright RGB picture, or None.

    `boxes` are the regions of writing, `lines` what was read there, `scenes` the scene head's probabilities.
    The confidence is a score, not a calibrated probability; docs/measurements.md gives its error rates.
    """
    scene = (scenes or {}).get(SceneKind.SHEET)
    best: tuple[float, Paper] | None = None
    for paper in (find_paper(rgb), _paper_by_its_writing(boxes) if (scene or 0.0) > _SCENE_SURE else None):
        inside = [box for box in boxes if paper is not None and _holds(paper.box, box)]
        if paper is None or not inside:
            continue
        confidence = _confidence(paper, inside, scene, ink=_dark_ink(rgb, inside))
        if best is None or confidence > best[0]:
            best = (confidence, paper)
    if best is None or best[0] < _LEAST_CONFIDENCE:
        return None
    confidence, paper = best
    kept = tuple(line for line in lines if _holds(paper.box, line.box))
    return SheetSeen(area=paper.area, confidence=confidence, lines=kept)


def _paper_by_its_writing(boxes: Sequence[Box]) -> Paper | None:
    """The page as its lines bound it, for a page that a shadow cuts in two; its outline is unknown."""
    if len(boxes) < 2:
        return None
    box = Box(
        left=min(each.left for each in boxes),
        top=min(each.top for each in boxes),
        right=max(each.right for each in boxes),
        bottom=max(each.bottom for each in boxes),
    )
    return Paper(
        area=box.area, four_sided=0.85, ratio=1.0, plain=0.75, bright=_DULL, colour=0.0, open=True, box=box
    )


def _dark_ink(rgb: Picture, boxes: Sequence[Box]) -> float:
    """Share of the largest boxes in which the ink is darker than its surroundings, with or without shadow."""
    height, width = rgb.shape[:2]
    dark = []
    for box in sorted(boxes, key=lambda each: -each.area)[:12]:
        left, top = int(box.left * width), int(box.top * height)
        part = rgb[top : max(top + 4, int(box.bottom * height)), left : max(left + 4, int(box.right * width))]
        grey = grey_of(part)
        low = min(grey.shape)
        about = min(99.0, 0.8 * low)
        if low > _INK_HEIGHT:  # ink is as dark in a smaller copy
            grey = reduced(grey, size_at(grey, round(_INK_HEIGHT * max(grey.shape) / low)))
            about *= _INK_HEIGHT / low
        usual = cv2.medianBlur(grey, max(3, int(about)) | 1)
        leaves = grey.astype(np.float32) - usual
        if leaves.std() > 3:
            dark.append(float((leaves[leaves < 0] ** 2).sum()) > float((leaves[leaves > 0] ** 2).sum()))
    return float(np.mean(dark)) if dark else 1.0


def find_paper(rgb: Picture) -> Paper | None:
    """The best bright, colourless, compact area of an RGB picture that is large enough for a sheet."""
    small = reduced(rgb, size_at(rgb, _SIDE, 8))
    lab = cv2.cvtColor(cv2.GaussianBlur(small, (0, 0), 1.5), cv2.COLOR_RGB2LAB).astype(np.float32)
    light, colour = lab[..., 0], np.asarray(np.hypot(lab[..., 1] - 128, lab[..., 2] - 128), dtype=np.float32)
    best: Paper | None = None
    for mask in _bright_masks(light, colour):
        found = _paper_in(mask, light, colour)
        if found is not None and (best is None or _merit(found) > _merit(best)):
            best = found
    return best


def _bright_masks(light: NDArray[np.float32], colour: NDArray[np.float32]) -> list[NDArray[np.uint8]]:
    """Candidate masks for paper: brighter than Otsu's threshold, with and without a limit on colour.

    Morphological closing removes the ink, so that a page is one area.
    """
    level = float(cv2.threshold(light.astype(np.uint8), 0, 255, cv2.THRESH_OTSU)[0])
    masks = []
    high = max(level, float(np.percentile(light, 60)))
    for bright in (light > level, np.logical_and(light > level, colour < 26), light > high):
        mask = cv2.morphologyEx(
            np.asarray(bright, dtype=np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)
        )
        masks.append(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((7, 7), np.uint8)))
    return [np.asarray(mask, dtype=np.uint8) for mask in masks]


def _paper_in(
    mask: NDArray[np.uint8], light: NDArray[np.float32], colour: NDArray[np.float32]
) -> Paper | None:
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    if not contours:
        return None
    outline = max(contours, key=cv2.contourArea)
    height, width = mask.shape
    area = cv2.contourArea(outline) / (height * width)
    if area < _LEAST_AREA:
        return None
    hull = np.asarray(cv2.convexHull(outline), dtype=np.int32)
    corners, fit = _quadrilateral(hull, cv2.contourArea(outline))
    inside = np.zeros_like(mask)
    cv2.drawContours(inside, [outline], -1, 1, -1)
    levels = light[inside > 0]
    usual = float(np.median(levels))
    plain = float(((np.abs(light - usual) < 38) & (colour < 30))[inside > 0].mean())
    x, y, w, h = cv2.boundingRect(outline)
    edges = int(x <= 1) + int(y <= 1) + int(x + w >= width - 1) + int(y + h >= height - 1)
    sides = [float(np.linalg.norm(corners[i] - corners[(i + 1) % 4])) for i in range(4)]
    across, down = (sides[0] + sides[2]) / 2, (sides[1] + sides[3]) / 2
    return Paper(
        area=float(area),
        four_sided=fit,
        ratio=max(across, down) / max(1.0, min(across, down)),
        plain=plain,
        bright=float(np.percentile(levels, 85)) / max(1.0, float(np.percentile(light, 99))),
        colour=float(np.median(colour[inside > 0])),
        open=edges >= 3,
        box=Box(left=x / width, top=y / height, right=(x + w) / width, bottom=(y + h) / height),
    )


def _quadrilateral(hull: NDArray[np.int32], area: float) -> tuple[NDArray[np.float32], float]:
    """Four corners around a hull, and the share of that quadrilateral that the area fills."""
    length = cv2.arcLength(hull, closed=True)
    for slack in (0.02, 0.035, 0.05, 0.07):
        corners = cv2.approxPolyDP(hull, slack * length, closed=True)
        if len(corners) == 4:
            quad = np.reshape(corners, (-1, 2)).astype(np.float32)
            whole = max(cv2.contourArea(quad), cv2.contourArea(hull))
            return quad, float(area / max(whole, 1.0))
    box = cv2.boxPoints(cv2.minAreaRect(hull)).astype(np.float32)
    return box, float(area / max(cv2.contourArea(box), 1.0))


def _merit(paper: Paper) -> float:
    return float(np.sqrt(paper.area)) * paper.four_sided * paper.plain


def _holds(outer: Box, inner: Box) -> bool:
    """True when the middle of `inner` lies in `outer`."""
    x, y = (inner.left + inner.right) / 2, (inner.top + inner.bottom) / 2
    return outer.left <= x <= outer.right and outer.top <= y <= outer.bottom


def _confidence(paper: Paper, inside: Sequence[Box], scene: float | None, *, ink: float) -> float:
    """Logistic score; the weights are set by hand, so that one strong objection outweighs the rest."""
    score = -1.0
    score += 5.0 * (min(paper.four_sided, 0.97) - 0.85) if not paper.open else -0.3
    score += 3.0 * (paper.plain - 0.75)
    score += 1.5 * min(1.0, (paper.area - _LEAST_AREA) / 0.2)
    score += 0.5 * min(3, len(inside) - 1)
    if ink < 0.5:
        score -= 5.0
    score -= 8.0 * max(0.0, _DULL - paper.bright) + 0.3 * max(0.0, paper.colour - _TINTED)
    if paper.ratio > _LONGEST and not paper.open:
        score -= 6.0
    if _two_columns(paper.box, inside):
        score -= 6.0
    share = min(max(_SHEET_USUAL if scene is None else scene, 1e-3), 1 - 1e-3)
    speaks = 0.8 * float(np.log(share / (1 - share)) - np.log(_SHEET_USUAL / (1 - _SHEET_USUAL)))
    score += float(np.clip(speaks, -4.0, 2.5))
    return float(1 / (1 + np.exp(-score)))


def _two_columns(paper: Box, inside: Sequence[Box]) -> bool:
    """True for prose in two columns, as in an open book: many lines on either side, none across the middle."""
    middle, width = (paper.left + paper.right) / 2, paper.right - paper.left
    long = [box for box in inside if box.right - box.left > 0.22 * width]
    left = sum(box.right < middle + 0.04 * width for box in long)
    right = sum(box.left > middle - 0.04 * width for box in long)
    return min(left, right) >= 6 and left + right >= 0.9 * len(long)
