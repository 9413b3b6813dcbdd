"""Finds and reads writing in a photo: boards, chalk, tape, paper.

The two networks are PP-OCRv6's small detector and recogniser, as the wheel `rapidocr` 3.10 carries them
(Apache-2.0). Only that wheel's model files are used, checked by SHA-256; nothing is downloaded. The detector
runs first on a small copy; in most photos it finds nothing, and no more is done.
"""

from __future__ import annotations

import hashlib
import math
import string
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from evidence.model import Box, WritingLine
from evidence.sight.ctc import Decoded, decode
from evidence.sight.pixels import Pixels, reduced
from evidence.sight.runtime import freeing_memory, session_of
from evidence.sight.weights import NetworkError

Picture = NDArray[np.uint8]
Corners = NDArray[np.float32]

_DETECTOR = ("PP-OCRv6_det_small.onnx", "090f04abcd9d9a7498bc4ebf677e4cb9bdce1fe4197ddb7e529f1ef44e1ff94f")
_READER = ("PP-OCRv6_rec_small.onnx", "6f327246b50388f3c176ae304bd95767ea6dc0c9ae92153ef8cbe210b3c14884")
_REINSTALL = 'Install it again: pip install --force-reinstall "rapidocr>=3.10,<3.11"'

_TEXT_LEVEL = 0.3
"""Levels above it are text; this and the next two are the detector's published settings."""
_SPOT_LEVEL = 0.5
_GROWTH = 1.6
_GATE_SIDE = 576
"""Pixels of the long side at which writing is first searched: at 480 twice as many small
boards are missed, and 640 takes twice as long (docs/measurements.md)."""
_PLAIN_HEIGHT = 22
"""Pixels of a line's box on the first copy from which it is read as found. Smaller lines are detected again at
a larger scale; tests/bench/reading_report.py shows that this helps small lines only."""
_CLOSE_HEIGHT = 28
"""Pixels to which the smallest line's box is scaled for that."""
_SMALL_HEIGHT = 30
"""Pixels of a line's box on the picture given, at 1,600 pixels, below which the full picture is used."""
_SMALL_REACH = 0.2
"""Share of the long side within which writing may be a small board of several lines."""
_ROUND_IT = 0.6
"""Margin around small writing as a share of the longest line's length: for lines that were missed at first."""
_MOST_MAGNIFIED = 0.2
"""Largest share of the frame that is analysed at full size."""
_READ_HEIGHT = 48
"""Pixels; the recogniser's fixed input height."""
_WIDEST = 1600
"""Largest width in pixels of a line at that height; a longer one is squeezed."""
_LETTERS = frozenset(
    string.ascii_letters
    + string.digits
    + string.punctuation
    + " ÁÉÍÓÚÑÜáéíóúñü½¼¾°"
    + "\N{PRIME}\N{DOUBLE PRIME}"
)
"""Characters that may be read. The recogniser knows some 18,000, most of them of scripts not used here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingBudget:
    """Limits on the work for one photo's writing."""

    gate_side: int = _GATE_SIDE
    """Long side in pixels of the copy on which writing is first searched."""
    detail_side: int = 832
    """Largest long side in pixels to which the part with small writing is scaled to find its lines."""
    most_lines: int = 20
    """Largest number of lines read; lines with the tallest letters come first."""
    least_confidence: float = 0.5
    """Lines with less confidence are dropped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TextSpot:
    """A region that looks like a line of writing."""

    corners: Corners
    """(4, 2) x and y as shares of the upright frame: top left, then clockwise in reading direction."""
    score: float
    """The detector's mean level inside, 0 to 1."""

    @property
    def box(self) -> Box:
        """The upright rectangle around it, inside the frame."""
        return _box_of(self.corners)


def read_writing(
    rgb: Picture,
    *,
    budget: ReadingBudget | None = None,
    spots: Sequence[TextSpot] | None = None,
    full: Callable[[], Pixels] | None = None,
) -> tuple[WritingLine, ...]:
    """The lines of writing in an upright 8-bit RGB picture (h, w, 3), in reading order.

    `spots` are the regions of `find_writing`, when the caller has them already. `full` returns the same upright
    picture at full size in grey (h, w); it is called when the writing is small. Raises NetworkError.
    """
    plan = budget or ReadingBudget()
    first = find_writing(rgb, side=plan.gate_side) if spots is None else tuple(spots)
    if not first:
        return ()
    part = _PicturePart(rgb=rgb, start=np.zeros(2, np.float32), share=np.ones(2, np.float32))
    if _is_small(rgb, first):
        part = _part_at_full_size(first, rgb if full is None else full()) or part
    found = _detected_again(
        part.rgb, tuple(part.inside(spot) for spot in first), plan, again=part.rgb is not rgb
    )
    return tuple(replace(line, box=part.outside(line.box)) for line in _read_all(part.rgb, found, plan))


def find_writing(rgb: Picture, *, side: int = _GATE_SIDE) -> tuple[TextSpot, ...]:
    """Regions of writing, largest first, from a copy with a long side of `side` pixels. Raises NetworkError."""
    height, width = rgb.shape[:2]
    scale = side / max(height, width)
    size = _multiple_of_32(width * scale), _multiple_of_32(height * scale)
    small = reduced(rgb, size) if scale < 1 else cv2.resize(rgb, size, interpolation=cv2.INTER_CUBIC)
    # The networks were trained on blue-green-red, each value mapped to -1..1.
    planes = (small[:, :, ::-1].astype(np.float32) / 127.5 - 1).transpose(2, 0, 1)[None]
    levels = _run(_detector(), planes, freeing_memory() if side > _GATE_SIDE else None)[0, 0]
    shares = np.array([1 / size[0], 1 / size[1]], dtype=np.float32)
    found = [TextSpot(corners=corners * shares, score=score) for corners, score in _spots_in(levels)]
    return tuple(sorted(found, key=lambda spot: -_area(spot.corners)))


# --- the part that holds small writing -----------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _PicturePart:
    """A part of the photo and its position: start and size, x and y, as shares of the whole."""

    rgb: Picture
    start: NDArray[np.float32]
    share: NDArray[np.float32]

    def inside(self, spot: TextSpot) -> TextSpot:
        return TextSpot(corners=(spot.corners - self.start) / self.share, score=spot.score)

    def outside(self, box: Box) -> Box:
        return _box_of(
            np.array([[box.left, box.top], [box.right, box.bottom]], np.float32) * self.share + self.start
        )


def _is_small(rgb: Picture, spots: Sequence[TextSpot]) -> bool:
    """True when letters are low, or lie so close together that several lines may look like one."""
    shape = np.array([rgb.shape[1], rgb.shape[0]], dtype=np.float32)
    corners = np.concatenate([spot.corners for spot in spots]) * shape
    reach = float((corners.max(axis=0) - corners.min(axis=0)).max())
    lowest = min(min(_sides(spot.corners * shape)) for spot in spots)
    return lowest < _SMALL_HEIGHT or reach < _SMALL_REACH * max(rgb.shape)


def _part_at_full_size(spots: Sequence[TextSpot], full: Pixels) -> _PicturePart | None:
    """The part of the picture, grey or RGB, that contains the spots; None when that is a large part, as for a page."""
    height, width = full.shape[:2]
    shape = np.array([width, height], dtype=np.float32)
    corners = np.concatenate([spot.corners for spot in spots])
    margin = _ROUND_IT * max(max(_sides(spot.corners * shape)) for spot in spots) / shape
    low = np.floor(np.clip(corners.min(axis=0) - margin, 0, 1) * shape).astype(int)
    high = np.ceil(np.clip(corners.max(axis=0) + margin, 0, 1) * shape).astype(int)
    if np.prod((high - low) / shape) > _MOST_MAGNIFIED:
        return None
    cut = full[low[1] : high[1], low[0] : high[0]]
    return _PicturePart(
        rgb=cut if cut.ndim == 3 else np.asarray(cv2.cvtColor(cut, cv2.COLOR_GRAY2RGB), np.uint8),
        start=(low / shape).astype(np.float32),
        share=((high - low) / shape).astype(np.float32),
    )


# --- finding -------------------------------------------------------------------------------


def _multiple_of_32(length: float) -> int:
    return max(32, round(length / 32) * 32)


def _spots_in(levels: NDArray[np.float32]) -> list[tuple[Corners, float]]:
    """Rectangles around the text areas of the detector's map, grown to the full height of the letters.

    The post-processing of differentiable binarisation (Liao et al. 2020): threshold, contours, mean
    level inside, and growth by area / perimeter. All areas are rectangles here, so the growth is exact.
    """
    mask = cv2.dilate((levels > _TEXT_LEVEL).astype(np.uint8), np.ones((2, 2), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    found = []
    for contour in contours:
        (x, y), (w, h), angle = cv2.minAreaRect(contour)
        if min(w, h) < 3:
            continue
        score = _mean_inside(levels, np.asarray(cv2.boxPoints(((x, y), (w, h), angle)), dtype=np.float32))
        if score < _SPOT_LEVEL:
            continue
        grown = _GROWTH * w * h / (2 * (w + h))
        corners = cv2.boxPoints(((x, y), (w + 2 * grown, h + 2 * grown), angle))
        found.append((_in_order(np.asarray(corners, dtype=np.float32)), score))
    return found


def _mean_inside(levels: NDArray[np.float32], corners: NDArray[np.float32]) -> float:
    height, width = levels.shape
    left, top = np.clip(np.floor(corners.min(axis=0)).astype(int), 0, [width - 1, height - 1])
    right, bottom = np.clip(np.ceil(corners.max(axis=0)).astype(int), 0, [width - 1, height - 1])
    mask = np.zeros((bottom - top + 1, right - left + 1), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(corners - [left, top]).astype(np.int32)], 1)
    return float(cv2.mean(levels[top : bottom + 1, left : right + 1], mask)[0])


def _in_order(corners: Corners) -> Corners:
    """Top left first, then clockwise, for a line that reads left to right."""
    by_x = corners[np.argsort(corners[:, 0], kind="stable")]
    left, right = by_x[:2], by_x[2:]
    left, right = left[np.argsort(left[:, 1], kind="stable")], right[np.argsort(right[:, 1], kind="stable")]
    return np.array([left[0], right[0], right[1], left[1]], dtype=np.float32)


def _box_of(corners: Corners) -> Box:
    (left, top), (right, bottom) = np.clip([corners.min(axis=0), corners.max(axis=0)], 0.0, 1.0).tolist()
    return Box(left=left, top=top, right=right, bottom=bottom)


def _area(corners: Corners) -> float:
    return float(abs(cv2.contourArea(corners.astype(np.float32))))


def _detected_again(
    rgb: Picture, spots: Sequence[TextSpot], plan: ReadingBudget, *, again: bool
) -> tuple[TextSpot, ...]:
    """Detect the lines again at a larger scale, in the part of the picture with writing, when the smallest is small.

    `again`: always, and in the whole picture, which is such a part already.
    """
    height, width = rgb.shape[:2]
    gate = np.array([width, height], dtype=np.float32) * (plan.gate_side / max(height, width))
    smallest = min(min(_sides(spot.corners * gate)) for spot in spots)
    if again:
        wanted = plan.gate_side * _CLOSE_HEIGHT / smallest
        return find_writing(rgb, side=int(np.clip(wanted, plan.gate_side / 2, plan.detail_side)))
    if smallest >= _PLAIN_HEIGHT:
        return tuple(spots)
    corners = np.concatenate([spot.corners for spot in spots])
    margin = max(0.02, 0.5 * max(spot.box.bottom - spot.box.top for spot in spots))
    low, high = np.clip(corners.min(axis=0) - margin, 0, 1), np.clip(corners.max(axis=0) + margin, 0, 1)
    left, top = int(low[0] * width), int(low[1] * height)
    right, bottom = math.ceil(high[0] * width), math.ceil(high[1] * height)
    wanted = float(((high - low) * gate).max()) * _CLOSE_HEIGHT / smallest
    side = int(np.clip(wanted, plan.gate_side, plan.detail_side))
    share = np.array([(right - left) / width, (bottom - top) / height], dtype=np.float32)
    start = np.array([left / width, top / height], dtype=np.float32)
    found = find_writing(rgb[top:bottom, left:right], side=side)
    return tuple(TextSpot(corners=spot.corners * share + start, score=spot.score) for spot in found)


# --- reading -------------------------------------------------------------------------------


def _read_all(rgb: Picture, spots: Sequence[TextSpot], plan: ReadingBudget) -> tuple[WritingLine, ...]:
    shape = np.array([rgb.shape[1], rgb.shape[0]], dtype=np.float32)
    lines: list[tuple[Corners, WritingLine]] = []
    tallest = sorted((_as_read(spot.corners * shape) for spot in spots), key=lambda each: -_sides(each)[1])
    for corners in tallest[: plan.most_lines]:
        read = _read(_cut(rgb, corners))
        if read.text and read.confidence >= plan.least_confidence:
            box = _box_of(corners / shape)
            line = WritingLine(text=read.text, confidence=read.confidence, box=box, also=read.also)
            lines.append((corners, line))
    return tuple(_in_reading_order(lines))


def _as_read(points: Corners) -> Corners:
    """Corners in pixels, ordered so that the line runs from the first to the second, also for a vertical line."""
    across, down = _sides(points)
    return np.roll(points, 1, axis=0) if down > 1.5 * across else points


def _sides(points: Corners) -> tuple[float, float]:
    """Length and height of a line in pixels."""
    across = max(np.linalg.norm(points[0] - points[1]), np.linalg.norm(points[3] - points[2]))
    down = max(np.linalg.norm(points[0] - points[3]), np.linalg.norm(points[1] - points[2]))
    return float(across), float(down)


def _cut(rgb: Picture, points: Corners) -> Picture:
    """The line between four points in pixels, made level and at most twice the recogniser's height."""
    height, width = rgb.shape[:2]
    across, down = _sides(points)
    # Scaling large letters down in one step would alias, so average areas first.
    shrink = max(1.0, float(down) / (2 * _READ_HEIGHT))
    size = (max(8, round(float(across) / shrink)), max(8, round(float(down) / shrink)))
    target = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], dtype=np.float32)
    left, top = np.clip(np.floor(points.min(axis=0)).astype(int) - 2, 0, [width - 1, height - 1])
    right, bottom = np.clip(np.ceil(points.max(axis=0)).astype(int) + 2, 1, [width, height])
    part = rgb[top:bottom, left:right]
    moved = (points - [left, top]).astype(np.float32)
    if shrink > 1:
        less = (max(1, round(part.shape[1] / shrink)), max(1, round(part.shape[0] / shrink)))
        moved *= np.array([less[0] / part.shape[1], less[1] / part.shape[0]], dtype=np.float32)
        part = np.asarray(cv2.resize(part, less, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    warp = cv2.getPerspectiveTransform(moved, target)
    return np.asarray(
        cv2.warpPerspective(part, warp, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    )


def _read(cut: Picture) -> Decoded:
    """Text of one level line."""
    # Stretch a short line a little, so that touching strokes, as in 8/12, get a step each.
    stretch = 1.25 if cut.shape[1] < 6 * cut.shape[0] else 1.0
    width = min(_WIDEST, max(16, math.ceil(stretch * _READ_HEIGHT * cut.shape[1] / cut.shape[0])))
    line = cv2.resize(cut, (width, _READ_HEIGHT), interpolation=cv2.INTER_LINEAR)
    planes = np.zeros((1, 3, _READ_HEIGHT, max(64, _multiple_of_32(width + 16))), dtype=np.float32)
    planes[0, :, :, :width] = (line[:, :, ::-1].astype(np.float32) / 127.5 - 1).transpose(2, 0, 1)
    columns, letters = _alphabet()
    return decode(_run(_reader(), planes)[0][:, columns], letters)


def _in_reading_order(lines: Sequence[tuple[Corners, WritingLine]]) -> list[WritingLine]:
    """Row by row along the direction of the writing, also when the board is held at an angle.

    A line belongs to the row above when its middle lies within that row's height.
    """
    if not lines:
        return []
    along = np.sum([(c[1] - c[0]) + (c[2] - c[3]) for c, _ in lines], axis=0)
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    down = np.array([-along[1], along[0]])
    placed = []
    for corners, line in lines:
        middle = corners.mean(axis=0)
        placed.append((float(middle @ down), float(middle @ along), _sides(corners)[1], line))
    rows: list[list[tuple[float, float, float, WritingLine]]] = []
    for item in sorted(placed, key=lambda each: each[0]):
        if rows and item[0] - rows[-1][0][0] < rows[-1][0][2] / 2:
            rows[-1].append(item)
        else:
            rows.append([item])
    return [item[3] for row in rows for item in sorted(row, key=lambda each: each[1])]


# --- the networks --------------------------------------------------------------------------


def _run(session: Any, planes: NDArray[np.float32], options: Any = None) -> NDArray[np.float32]:
    (result,) = session.run(None, {"x": np.ascontiguousarray(planes)}, options)
    return np.asarray(result, dtype=np.float32)


@lru_cache(maxsize=1)
def _detector() -> Any:
    return session_of(_model(*_DETECTOR), keeps_memory=True)


@lru_cache(maxsize=1)
def _reader() -> Any:
    return session_of(_model(*_READER))


@lru_cache(maxsize=1)
def _alphabet() -> tuple[NDArray[np.intp], str]:
    """Columns of the recogniser's output that may be read, blank first, and the letter each stands for."""
    known = _reader().get_modelmeta().custom_metadata_map["character"].splitlines()
    signs = ["", *known, " "]
    columns = [0] + [at for at, sign in enumerate(signs) if sign in _LETTERS and sign]
    return np.array(columns), "".join(signs[at] or "\0" for at in columns)


def model_bytes() -> tuple[bytes, bytes]:
    """The two networks' files, the detector's first. Raises NetworkError."""
    return _model(*_DETECTOR), _model(*_READER)


def _model(name: str, digest: str) -> bytes:
    spec = find_spec("rapidocr")
    if spec is None or spec.origin is None:
        raise NetworkError("The models that read writing are not installed.", _REINSTALL)
    try:
        data = (Path(spec.origin).parent / "models" / name).read_bytes()
    except OSError as error:
        raise NetworkError(f"{name} cannot be read: {error}.", _REINSTALL) from error
    if hashlib.sha256(data).hexdigest() != digest:
        raise NetworkError(f"{name} is not the file this program knows.", _REINSTALL)
    return data
