"""Finds the AprilTags of label cards in a grey picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from evidence.sight.pixels import Pixels

LABEL_TAGS = 587
"""Number of tags in the family 36h11: 0 to 586."""

THRESHOLD_WINDOW = 13
"""Pixels of the adaptive threshold's window at each size. Three sizes with one window read large cards out of
focus that one size with OpenCV's three windows misses, mostly in less time (docs/measurements.md)."""

LARGE_OUTLINE = 0.24
"""Smallest perimeter of a tag on the smallest copy, as a share of the long side. Smaller tags are read on the
larger copies; searching them here would try every speck of a roof."""

INNER, BORDER = 6, 1
"""Cells on a side of the family's tags, and the width of the black border around them."""

_ALMOST = 5
"""Wrong cells of an outline that is still worth OpenCV's comparison, which corrects three."""
_WHITE_BORDER = 14
"""White cells in the border of such an outline: half of it. OpenCV accepts twelve."""

_CELLS = INNER + 2 * BORDER
_CELL = 4
"""Pixels of a cell when an outline is straightened, as OpenCV straightens it."""
_STRAIGHT = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], np.float32) * (_CELLS * _CELL - 1)
_WEIGHTS = np.uint64(1) << np.arange(INNER * INNER, dtype=np.uint64)


@cache
def family() -> cv2.aruco.Dictionary:
    """The family of our tags."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def find_tags(grey: Pixels, *, large_only: bool = False) -> Iterator[tuple[int, NDArray[Any]]]:
    """The number and the four corners (4, 2), in pixels, of every tag in the picture; the same as with the whole family.

    OpenCV 5.0 takes a millisecond to compare one outline with the whole family, and a roof has dozens of outlines. So
    the outlines alone are searched first, and compared with the tags that one of them may be.
    """
    present, _, outlines = _detector((0,), large_only, True).detectMarkers(grey)
    numbers = _may_be(grey, outlines) | ({0} if len(present) else set())
    if not numbers:
        return
    asked = tuple(sorted(numbers))
    corners, found, _ = _detector(asked, large_only, False).detectMarkers(grey)
    for corner, place in zip(corners, () if found is None else found.ravel(), strict=True):
        yield asked[int(place)], corner.reshape(4, 2)


def _may_be(grey: Pixels, outlines: Sequence[NDArray[Any]]) -> set[int]:
    """The tags of which an outline (1, 4, 2) holds nearly the cells."""
    if not len(outlines):
        return set()
    straight = np.array([_straightened(grey, one.reshape(4, 2)) for one in outlines])
    cells = straight.reshape(-1, _CELLS, _CELL, _CELLS, _CELL).sum(axis=(2, 4)) > _CELL * _CELL // 2
    inner = cells[:, BORDER:-BORDER, BORDER:-BORDER].reshape(-1, INNER * INNER)
    white = cells.sum(axis=(1, 2)) - inner.sum(axis=1)
    bits = inner[white <= _WHITE_BORDER].astype(np.uint64) @ _WEIGHTS
    wrong = np.bitwise_count(bits[:, None, None] ^ _bits_of_tags())
    return set(np.nonzero((wrong <= _ALMOST).any(axis=(0, 2)))[0].tolist())


def _straightened(grey: Pixels, corners: NDArray[Any]) -> Pixels:
    """The inside of an outline as a square of zeros and ones."""
    side = _CELLS * _CELL
    turn = cv2.getPerspectiveTransform(corners.astype(np.float32), _STRAIGHT)
    square = cv2.warpPerspective(grey, turn, (side, side), flags=cv2.INTER_NEAREST)
    return np.asarray(cv2.threshold(square, 0, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1], np.uint8)


@cache
def _bits_of_tags() -> NDArray[np.uint64]:
    """The inner cells of each tag in its four turns as one number, (tags, 4)."""
    drawn = [cv2.aruco.generateImageMarker(family(), number, _CELLS) for number in range(LABEL_TAGS)]
    inner = np.array(drawn)[:, BORDER:-BORDER, BORDER:-BORDER] > 0
    turned = [np.rot90(inner, turn, axes=(1, 2)).reshape(LABEL_TAGS, -1) for turn in range(4)]
    return np.stack([one.astype(np.uint64) @ _WEIGHTS for one in turned], axis=1)


def _detector(numbers: tuple[int, ...], large_only: bool, every_outline: bool) -> cv2.aruco.ArucoDetector:
    """A detector of these tags; with `every_outline`, the ones that nearly agree are all kept."""
    parameters = cv2.aruco.DetectorParameters()
    if large_only:
        parameters.minMarkerPerimeterRate = LARGE_OUTLINE
    parameters.adaptiveThreshWinSizeMin = THRESHOLD_WINDOW
    parameters.adaptiveThreshWinSizeMax = THRESHOLD_WINDOW
    if every_outline:
        parameters.minGroupDistance = 0.0
        parameters.minMarkerDistanceRate = 0.0
    some = cv2.aruco.Dictionary(family().bytesList[list(numbers)], INNER, family().maxCorrectionBits)
    return cv2.aruco.ArucoDetector(some, parameters)
