"""Decodes a file once into an upright picture, at the sizes that the analysis needs.

Pillow decodes a JPEG at a half, a quarter or an eighth of its size for a fraction of the time (draft mode). It
picks the scale by the tighter side of the requested box, so the box must have the photo's own aspect ratio.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TypeGuard

import numpy as np
import pi_heif
from PIL import Image, UnidentifiedImageError

from evidence.model import MediaKind
from evidence.sight.large_pictures import PictureError, check_memory, is_streamed, streamed
from evidence.sight.pixels import Pixels, fitted, grey_of
from evidence.sight.request import PICTURE_MEMORY_MB

__all__ = [
    "FULL_PIXELS",
    "MOST_PIXELS",
    "READ_SIDE",
    "Picture",
    "PictureError",
    "Source",
    "load_full_grey",
    "load_picture",
    "opened",
    "source_of",
    "upright",
    "whole_picture",
]

READ_SIDE = 1600
"""Pixels of the long side at which codes and writing are read."""

MOST_PIXELS = 250_000_000
"""More than any camera of the trade has: a file whose header claims more is not decoded."""

FULL_PIXELS = 64_000_000
"""Most pixels of the copy in which small codes and writing are read: a larger photo is reduced to this number."""

Source = Path | bytes

PREVIEW_MOST_BYTES = 256 << 20
"""Bytes of a raw file that are searched for its preview."""

PREVIEW_TRIES = 64
"""JPEG start markers tried in a raw file: its thumbnail, its previews, and chance matches."""

HEIF_META = 1 << 20
"""Bytes at the beginning of a HEIF file in which its parts are listed."""

_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT, 3: Image.Transpose.ROTATE_180, 4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE, 6: Image.Transpose.ROTATE_270, 7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}  # fmt: skip
"""The operation that makes a picture of each EXIF orientation upright."""

_JPEG_BEGINS, _JPEG_ENDS = b"\xff\xd8\xff", b"\xff\xd9"

Image.MAX_IMAGE_PIXELS = MOST_PIXELS // 2  # Pillow refuses at twice this number, and warns above it
warnings.filterwarnings("ignore", category=Image.DecompressionBombWarning)
pi_heif.register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)


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


def load_picture(
    path: Path, kind: MediaKind, orientation: int = 1, *, memory_mb: int = PICTURE_MEMORY_MB
) -> Picture:
    """The photo of a file, upright by its EXIF orientation. For a raw file the largest preview it carries.

    Raises PictureError when the file gives no picture, and when decoding it needs more than `memory_mb` megabytes.
    """
    source = source_of(path, kind)
    with opened(source) as image:
        size, upright = image.size, image.format == "HEIF"  # its decoder has turned it already
        check_memory(image, READ_SIDE, memory_mb)
    image, truncated = _decoded(source, "RGB", READ_SIDE)
    if not upright and orientation in _TURNS:
        image = image.transpose(_TURNS[orientation])
        size = size if orientation < 5 else (size[1], size[0])
    pixels = fitted(np.asarray(image, np.uint8), READ_SIDE)
    return Picture(rgb=pixels, width=size[0], height=size[1], truncated=truncated)


def load_full_grey(
    path: Path, kind: MediaKind, orientation: int = 1, *, memory_mb: int = PICTURE_MEMORY_MB
) -> Pixels:
    """The same photo in grey at full size, or reduced to FULL_PIXELS; turned by `orientation` only.

    Raises PictureError as `load_picture` does.
    """
    source = source_of(path, kind)
    with opened(source) as header:
        upright, (width, height) = header.format == "HEIF", header.size
        most = max(width, height) * min(1.0, math.sqrt(FULL_PIXELS / (width * height)))
        side = None if width * height <= FULL_PIXELS else int(most)
        check_memory(header, side, memory_mb)
    image, _ = _decoded(source, "L", side)
    if not upright and orientation in _TURNS:
        image = image.transpose(_TURNS[orientation])
    pixels = np.asarray(image, np.uint8)
    return pixels if side is None else fitted(pixels, side)


def whole_picture(source: Source) -> Pixels:
    """The picture in RGB at full size, not turned. Raises PictureError as `load_picture` does."""
    return np.asarray(_decoded(source, "RGB", None)[0], np.uint8)


def upright(pixels: Pixels, orientation: int) -> Pixels:
    """The picture turned by its EXIF orientation (1 to 8; any other number turns nothing)."""
    if orientation in _TURNS:
        return np.asarray(Image.fromarray(pixels).transpose(_TURNS[orientation]), np.uint8)
    return pixels


def source_of(path: Path, kind: MediaKind) -> Source:
    """What Pillow opens: the file itself, so that it is not read whole; the bytes of a raw file's preview."""
    try:
        if kind is MediaKind.RAW:
            return _preview(path.read_bytes())
        with path.open("rb") as file:
            file.read(1)
    except OSError as problem:
        raise _unreadable(problem) from problem
    return path


def _unreadable(problem: OSError) -> PictureError:
    return PictureError("unreadable", f"The file could not be read: {problem.strerror}.")


def opened(source: Source) -> Image.Image:
    """The picture with its header read and nothing decoded."""
    if isinstance(source, Path) and _names_odd_items(source):
        raise PictureError("undecodable", "The picture's header is damaged: the type of a part is not text.")
    try:
        return Image.open(source if isinstance(source, Path) else io.BytesIO(source))
    except Image.DecompressionBombError as problem:
        raise PictureError(
            "decompression_bomb", f"The header claims more than {MOST_PIXELS // 1_000_000} megapixels."
        ) from problem
    except UnidentifiedImageError as problem:
        raise PictureError("undecodable", "The file does not hold a picture of a known kind.") from problem
    except Exception as problem:  # a damaged file can make a decoder raise anything
        if _from_the_disk(problem):
            raise _unreadable(problem) from problem
        raise PictureError("undecodable", f"The picture's header is damaged: {_brief(problem)}.") from problem


def _names_odd_items(path: Path) -> bool:
    """True for a HEIF file with an item whose type or name is no text: the decoder's library ends the process then.

    An `infe` box (ISO/IEC 14496-12, 8.11.6) holds its version, an item's number and protection, its type and its name.
    """
    try:
        with path.open("rb") as file:
            head = file.read(HEIF_META)
    except OSError as problem:
        raise _unreadable(problem) from problem
    if head[4:8] != b"ftyp":
        return False
    at = head.find(b"infe")
    while at >= 4:
        begins = at + 4 + 4 + (4 if head[at + 4 : at + 5] == b"\x03" else 2) + 2
        ends = max(begins + 4, at - 4 + int.from_bytes(head[at - 4 : at], "big"))
        if not head[begins : begins + 4].isascii() or not _is_text(head[begins + 4 : ends]):
            return True
        at = head.find(b"infe", at + 4)
    return False


def _is_text(raw: bytes) -> bool:
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _from_the_disk(problem: Exception) -> TypeGuard[OSError]:
    """True for an error of the operating system; Pillow raises OSError without a number for damaged pictures."""
    return isinstance(problem, OSError) and problem.errno is not None


def _decoded(source: Source, mode: str, side: int | None) -> tuple[Image.Image, bool]:
    """The pixels, and whether the file ended before they did."""
    try:
        with opened(source) as image:
            if side is not None and isinstance(source, Path) and is_streamed(image):
                return streamed(image, source, mode, side), False
            return _load(image, mode, side), False
    except PictureError:
        raise
    except Exception as problem:
        if _from_the_disk(problem):
            raise _unreadable(problem) from problem
        failure = PictureError("undecodable", f"The picture cannot be decoded: {_brief(problem)}.")
        data = source if isinstance(source, bytes) else source.read_bytes()
        if not data.startswith(_JPEG_BEGINS):
            raise failure from problem
        try:  # with an end marker added, a truncated JPEG decodes as far as its data go
            return _load(opened(data + _JPEG_ENDS), mode, side), True
        except Exception:
            raise failure from problem


def _load(image: Image.Image, mode: str, side: int | None) -> Image.Image:
    width, height = image.size
    if side is None:
        image.draft(mode, (width, height))
    else:
        scale = min(1.0, side / max(width, height))
        image.draft(mode, (max(1, int(width * scale)), max(1, int(height * scale))))
    image.load()
    if image.mode != mode:
        image = image.convert(mode)
    halved = 1 if side is None else max(1, max(image.size) // side)
    # averaged in place: turning and copying a large picture would need its memory several times
    return image.reduce(1 << (halved.bit_length() - 1)) if halved > 1 else image


def _brief(problem: Exception) -> str:
    return (str(problem) or type(problem).__name__).rstrip(".")[:120]


def _preview(raw: bytes) -> bytes:
    """The largest JPEG inside a raw file. Makers store it in different places, but its start marker is the same."""
    best, most = b"", 0
    for start in _beginnings(raw):
        try:
            with opened(raw[start:]) as image:
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
