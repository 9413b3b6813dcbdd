"""Decodes a file once into an upright picture, at the sizes that the analysis needs.

Pillow decodes a JPEG at a half, a quarter or an eighth of its size for a fraction of the time (draft mode). It
picks the scale by the tighter side of the requested box, so the box must have the photo's own aspect ratio.
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
"""Pixels of the long side at which codes and writing are read."""

MOST_PIXELS = 250_000_000
"""More than any camera of the trade has; decoding a file that claims more could exhaust memory."""

PREVIEW_MOST_BYTES = 256 << 20
"""Bytes of a raw file that are searched for its preview."""

PREVIEW_TRIES = 64
"""JPEG start markers tried in a raw file: its thumbnail, its previews, and chance matches."""

_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}  # fmt: skip
"""The operation that makes a picture of each EXIF orientation upright."""

_JPEG_BEGINS, _JPEG_ENDS = b"\xff\xd8\xff", b"\xff\xd9"

Image.MAX_IMAGE_PIXELS = MOST_PIXELS // 2  # Pillow refuses at twice this number, and warns above it
warnings.filterwarnings("ignore", category=Image.DecompressionBombWarning)
pi_heif.register_heif_opener()


class PictureError(Exception):
    """The file gives no picture; `code` is the flag that says why."""

    def __init__(self, code: str, message: str) -> None:
        self.code = code
        super().__init__(message)


@dataclass(frozen=True, kw_only=True)
class Picture:
    """An upright photo, decoded once, and smaller copies, each made at first use."""

    rgb: Pixels
    """(height, width, 3), at most 1,600 pixels on its long side."""
    width: int
    """Pixels of the original, upright."""
    height: int
    truncated: bool
    """The file ends early; the missing part is grey."""

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

    Raises PictureError when the file gives no picture.
    """
    data = _data(path, kind)
    with _opened(data) as image:
        size, upright = image.size, image.format == "HEIF"  # its decoder has turned it already
    image, truncated = _decoded(data, "RGB", READ_SIDE)
    if not upright and orientation in _TURNS:
        image = image.transpose(_TURNS[orientation])
        size = size if orientation < 5 else (size[1], size[0])
    pixels = fitted(np.asarray(image, np.uint8), READ_SIDE)
    return Picture(rgb=pixels, width=size[0], height=size[1], truncated=truncated)


def load_full_grey(path: Path, kind: MediaKind, orientation: int = 1) -> Pixels:
    """The same photo at full size in grey, turned by `orientation` only. Raises PictureError."""
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
    except Exception as problem:  # a damaged file can make a decoder raise anything
        raise PictureError("undecodable", f"The picture's header is damaged: {_brief(problem)}.") from problem


def _decoded(data: bytes, mode: str, side: int | None) -> tuple[Image.Image, bool]:
    """The pixels, and whether the file ended before they did."""
    try:
        return _load(_opened(data), mode, side), False
    except PictureError:
        raise
    except Exception as problem:
        if not data.startswith(_JPEG_BEGINS):
            raise PictureError(
                "undecodable", f"The picture cannot be decoded: {_brief(problem)}."
            ) from problem
        try:  # with an end marker added, a truncated JPEG decodes as far as its data go
            return _load(_opened(data + _JPEG_ENDS), mode, side), True
        except Exception:
            raise PictureError(
                "undecodable", f"The picture cannot be decoded: {_brief(problem)}."
            ) from problem


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
    """The largest JPEG inside a raw file. Makers store it in different places, but its start marker is the same."""
    best, most = b"", 0
    for start in _beginnings(raw):
        try:
            with _opened(raw[start:]) as image:
                pixels = image.size[0] * image.size[1]
                if pixels > most:
                    image.draft("L", (64, 64))
                    image.load()
                    best, most = raw[start:], pixels
        except Exception:  # noqa: S112 - a chance match, or sensor data in a coding of the maker's own
            continue
    if not best:
        raise PictureError("no_preview", "The raw file contains no preview.")
    return best


def _beginnings(raw: bytes) -> Iterator[int]:
    start = -1
    for _ in range(PREVIEW_TRIES):
        start = raw.find(_JPEG_BEGINS, start + 1, PREVIEW_MOST_BYTES)
        if start < 0:
            return
        yield start
