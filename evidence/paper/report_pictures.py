"""The pictures of a report: small upright copies, from the thumbnails where they do, from the original else."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from evidence.model import MediaKind, PhotoRecord, Sha256
from evidence.sight.look import THUMB_SIDES, thumb_path
from evidence.sight.pictures import PictureError, load_picture

QUALITY = 82
"""JPEG quality at which a reader sees no blocks; common practice, no source."""

PICTURES = frozenset({MediaKind.PHOTO, MediaKind.RAW})


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureSource:
    """Where a report finds its pictures."""

    thumbs: Path
    """The folder of thumbnails."""
    original: Callable[[Sha256], Path | None]
    """Where an original stands, or None."""


def picture(record: PhotoRecord, source: PictureSource, side: int) -> bytes | None:
    """An upright JPEG at most `side` pixels long, without metadata; None when there is no picture to be had."""
    if record.kind not in PICTURES:
        return None
    for stored in sorted(THUMB_SIDES):
        if stored >= side or stored == max(THUMB_SIDES):
            found = _from_thumbnail(thumb_path(source.thumbs, record.sha256, stored), side)
            if found is not None:
                return found
    return _from_original(record, source, side)


def _from_thumbnail(path: Path, side: int) -> bytes | None:
    """The thumbnail itself where it is small enough, else smaller; None for one that is gone or damaged."""
    try:
        data = path.read_bytes()
        with Image.open(io.BytesIO(data)) as image:
            if image.format != "JPEG" or image.mode != "RGB":
                return None
            if max(image.size) <= side:
                image.draft("RGB", (image.width // 8, image.height // 8))
                image.load()
                return data
            image.load()
            return _encoded(image, side)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None


def _from_original(record: PhotoRecord, source: PictureSource, side: int) -> bytes | None:
    path = source.original(record.sha256)
    if path is None:
        return None
    try:
        pixels = load_picture(path, record.kind, record.facts.orientation).rgb
    except PictureError:
        return None
    return _encoded(Image.fromarray(pixels), side)


def _encoded(image: Image.Image, side: int) -> bytes:
    copy = image.copy()
    copy.thumbnail((side, side), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    copy.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def size_of(jpeg: bytes) -> tuple[int, int]:
    """Width and height in pixels."""
    with Image.open(io.BytesIO(jpeg)) as image:
        return image.size
