"""Keeps the memory of decoding within a limit: estimates it from the header, and decodes large files in strips.

A JPEG is decoded at a half, a quarter or an eighth of its size. libvips reads PNG and TIFF from top to bottom and
reduces them as it reads. Other kinds are decoded whole, so their size is limited.
"""

from __future__ import annotations

import logging
import os
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image


class PictureError(Exception):
    """The file gives no picture; `code` is the flag that says why."""

    def __init__(self, code: str, message: str) -> None:
        self.code = code
        super().__init__(message)


STREAMED_FROM = 16_000_000
"""Pixels from which PNG and TIFF are decoded in strips; below it a whole decode takes about 100 MB."""

_WHOLE, _WHOLE_WEBP = 8, 17
"""Bytes for each pixel of a picture that is decoded whole: Pillow's four, and the decoder's own copy. A WebP is decoded
as a film of one frame, with several copies (measured: 15.3)."""


def check_memory(image: Image.Image, side: int | None, memory_mb: int) -> None:
    """Raises PictureError (`too_large`) when decoding `image` to a long side of `side` pixels needs more memory.

    `image` is open and not yet decoded; `side` None means full size.
    """
    needed = memory_needed(image, side) / 1e6
    if needed > memory_mb:
        width, height = image.size
        raise PictureError(
            "too_large",
            f"The picture ({width} by {height} pixels) was not analysed: it needs about {needed:,.0f} MB of memory, and "
            f"the limit is {memory_mb:,} MB. The photo is kept. To analyse it, raise 'picture_memory_mb' in [intake].",
        )


def memory_needed(image: Image.Image, side: int | None) -> float:
    """Bytes that decoding takes, estimated from the header."""
    width, height = image.size
    pixels = width * height
    scale = 1.0 if side is None else min(1.0, side / max(width, height))
    reduced = pixels * min(1.0, 4 * scale * scale)  # a JPEG's scale is at most twice the one asked for
    if image.format in ("JPEG", "MPO"):
        return coefficients(image) + _WHOLE * reduced
    if side is not None and is_streamed(image):
        return _WHOLE * pixels * scale * scale
    return float((_WHOLE_WEBP if image.format == "WEBP" else _WHOLE) * pixels)


def coefficients(image: Image.Image) -> float:
    """Bytes of the whole picture's coefficients, two each, which libjpeg keeps for a progressive JPEG."""
    if not image.info.get("progressive"):
        return 0.0
    layers = [(across, down) for _, across, down, _ in getattr(image, "layer", ())] or [(1, 1)] * 3
    most = max(across for across, _ in layers) * max(down for _, down in layers)
    samples = sum(across * down for across, down in layers) / most
    return float(2 * image.width * image.height * samples)


def is_streamed(image: Image.Image) -> bool:
    """True for a large PNG or TIFF that can be decoded in strips; an interlaced PNG cannot."""
    if image.width * image.height < STREAMED_FROM:
        return False
    return image.format == "TIFF" or (image.format == "PNG" and not image.info.get("interlace"))


def _ends_early(image: Image.Image, path: Path) -> bool:
    """True for a TIFF whose strips or tiles reach beyond the end of the file; libvips fills them with black."""
    tags = getattr(image, "tag_v2", {})
    ends = [
        place + length
        for places, lengths in (
            (273, 279),
            (324, 325),
        )  # TIFF 6.0: strip and tile offsets, and their byte counts
        for place, length in zip(tags.get(places, ()), tags.get(lengths, ()), strict=False)
    ]
    return max(ends, default=0) > path.stat().st_size


def streamed(image: Image.Image, path: Path, mode: str, side: int) -> Image.Image:
    """The picture of a file, not turned, with its long side reduced to `side` pixels; `mode` is `RGB` or `L`.

    `image` is the same file with its header read. Raises pyvips.Error or ValueError for a damaged file and for one
    that was cut short.
    """
    if _ends_early(image, path):
        raise ValueError("the file ends before its picture does")
    vips = one_thread_vips()
    large = vips.Image.thumbnail(
        str(path), side, height=side, size="down", no_rotate=True, fail_on="truncated"
    )
    large = large.colourspace("srgb" if mode == "RGB" else "b-w").cast("uchar")
    bands = 3 if mode == "RGB" else 1
    pixels = np.asarray((large[:bands] if large.bands > bands else large).numpy(), np.uint8)
    return Image.fromarray(pixels).convert(mode)


@cache
def one_thread_vips() -> Any:
    """Libvips with one thread and no cache: each process analyses one photo on one core."""
    os.environ.setdefault("VIPS_CONCURRENCY", "1")
    import pyvips  # noqa: PLC0415 - few cards hold a picture that needs it

    logging.getLogger("pyvips").setLevel(logging.ERROR)
    pyvips.cache_set_max(0)
    return pyvips
