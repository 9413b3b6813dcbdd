"""A file becomes an upright picture once, at the sizes that a look needs, and never takes the program down.

Pillow reads JPEG in a half, a quarter or an eighth of its size for a fraction of the cost (its draft
mode), but honours the tighter side of the box it is asked for: the box must have the photo's own shape.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pi_heif
from PIL import Image, UnidentifiedImageError

from evidence.model import MediaKind
from evidence.sight.pixels import Pixels, fitted, grey_of

READ_SIDE = 1600
"""Pixels of the long side that codes and writing are read at."""

MOST_PIXELS = 250_000_000
"""More than any camera of the trade has; a header that claims more is a trap for memory."""

PREVIEW_MOST_BYTES = 256 << 20
"""Bytes of a raw file searched for its preview."""

PREVIEW_TRIES = 64
"""JPEG beginnings looked at in a raw file: its thumbnail, its previews, and chance."""

_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}  # fmt: skip
"""What makes a picture of each EXIF orientation upright."""

_JPEG_BEGINS, _JPEG_ENDS = b"\xff\xd8\xff", b"\xff\xd9"

Image.MAX_IMAGE_PIXELS = MOST_PIXELS // 2  # Pillow refuses at twice this number, and warns above it
warnings.filterwarnings("ignore", category=Image.DecompressionBombWarning)
pi_heif.register_heif_opener()


class PictureError(Exception):
    """No picture could be had; `code` is the flag that says why."""

    def __init__(self, code: str, message: str) -> None:
        self.code = code
        super().__init__(message)


@dataclass(frozen=True, kw_only=True)
class Picture:
    """An upright photo, decoded once, and its reductions, each made when first asked for."""

    rgb: Pixels
    """(height, width, 3), at most 1,600 pixels on its long side."""
    width: int
    """Pixels of the original, upright."""
    height: int
    truncated: bool
    """The file ends early: what is missing is grey."""

    @cached_property
    def grey(self) -> Pixels:
        """(height, width) at the size of `rgb`."""
        return grey_of(self.rgb)

    @cached_property
    def grey_1024(self) -> Pixels:
        """At most 1,024 pixels on the long side."""
        return fitted(self.grey, 1024)

    @cached_property
    def grey_256(self) -> Pixels:
        """At most 256 pixels on the long side."""
        return fitted(self.grey_1024, 256)


def load_picture(path: Path, kind: MediaKind, orientation: int = 1) -> Picture:
    """The photo of a file, upright by its EXIF orientation. For a raw file the largest preview it carries.

    Raises PictureError when there is no picture to be had.
    """
    data = _data(path, kind)
    with _opened(data) as image:
        size, upright = image.size, image.format == "HEIF"  # its decoder has already turned it
    image, truncated = _decoded(data, "RGB", READ_SIDE)
    if not upright and orientation in _TURNS:
        image = image.transpose(_TURNS[orientation])
        size = size if orientation < 5 else (size[1], size[0])
    pixels = fitted(np.asarray(image, np.uint8), READ_SIDE)
    return Picture(rgb=pixels, width=size[0], height=size[1], truncated=truncated)


def load_full_grey(path: Path, kind: MediaKind, orientation: int = 1) -> Pixels:
    """The same photo at its full size in grey, as it lies in the file but for `orientation`. Raises PictureError."""
    data = _data(path, kind)
    with _opened(data) as header:
        upright = header.format == "HEIF"
    image, _ = _decoded(data, "L", None)
    if not upright and orientation in _TURNS:
        image = image.transpose(_TURNS[orientation])
    return np.asarray(image, np.uint8)


def _data(path: Path, kind: MediaKind) -> bytes:
    try:
        data = path.read_bytes()
    except OSError as problem:
        raise PictureError("unreadable", f"The file could not be read: {problem.strerror}.") from problem
    return _preview(data) if kind is MediaKind.RAW else data


def _opened(data: bytes) -> Image.Image:
    """The picture with its header read and nothing decoded."""
    try:
        return Image.open(io.BytesIO(data))
    except Image.DecompressionBombError as problem:
        raise PictureError(
            "decompression_bomb", f"The header claims more than {MOST_PIXELS // 1_000_000} megapixels."
        ) from problem
    except UnidentifiedImageError as problem:
        raise PictureError("undecodable", "The file does not hold a picture of a known kind.") from problem
    except Exception as problem:  # decoders raise whatever a damaged file leads them to
        raise PictureError(
            "undecodable", f"The picture's header makes no sense: {_brief(problem)}."
        ) from problem


def _decoded(data: bytes, mode: str, side: int | None) -> tuple[Image.Image, bool]:
    """The pixels, and whether the file ended before they did."""
    try:
        return _load(_opened(data), mode, side), False
    except PictureError:
        raise
    except Exception as problem:
        if not data.startswith(_JPEG_BEGINS):
            raise PictureError("undecodable", f"The picture does not decode: {_brief(problem)}.") from problem
        try:  # with an end put to it, a JPEG that was cut short decodes as far as it goes
            return _load(_opened(data + _JPEG_ENDS), mode, side), True
        except Exception:
            raise PictureError("undecodable", f"The picture does not decode: {_brief(problem)}.") from problem


def _load(image: Image.Image, mode: str, side: int | None) -> Image.Image:
    width, height = image.size
    if side is None:
        image.draft(mode, (width, height))
    else:
        scale = min(1.0, side / max(width, height))
        image.draft(mode, (max(1, int(width * scale)), max(1, int(height * scale))))
    image.load()
    return image if image.mode == mode else image.convert(mode)


def _brief(problem: Exception) -> str:
    return (str(problem) or type(problem).__name__).rstrip(".")[:120]


def _preview(raw: bytes) -> bytes:
    """The largest JPEG inside a raw file. Makers differ in where they put it; how it begins they share."""
    best, most = b"", 0
    for start in _beginnings(raw):
        try:
            with _opened(raw[start:]) as image:
                pixels = image.size[0] * image.size[1]
                if pixels > most:
                    image.draft("L", (64, 64))
                    image.load()
                    best, most = raw[start:], pixels
        except Exception:  # noqa: S112 - chance bytes, or the sensor's own data in a coding nobody else reads
            continue
    if not best:
        raise PictureError("no_preview", "The raw file carries no preview that could be looked at.")
    return best


def _beginnings(raw: bytes) -> Iterator[int]:
    start = -1
    for _ in range(PREVIEW_TRIES):
        start = raw.find(_JPEG_BEGINS, start + 1, PREVIEW_MOST_BYTES)
        if start < 0:
            return
        yield start
