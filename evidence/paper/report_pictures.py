"""The pictures of a report: small upright copies, from the thumbnails where they do, from the original else."""

from __future__ import annotations

import io
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from PIL import Image

from evidence.model import MediaKind, PhotoRecord, Sha256
from evidence.sight.pictures import PictureError, load_picture
from evidence.sight.request import THUMB_SIDES, thumb_path

QUALITY = 82
"""JPEG quality at which a reader sees no blocks; common practice, no source."""

LARGE_THUMB, SMALL_THUMB = max(THUMB_SIDES), min(THUMB_SIDES)

PICTURES = frozenset({MediaKind.PHOTO, MediaKind.RAW})

WORKERS = 2
"""Pictures made at the same time: the cores of a plain office machine."""

AHEAD = 6
"""Pictures in the making or made and not yet set; an original of 12 megapixels takes some 30 MB meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureSource:
    """Where a report finds its pictures."""

    thumbs: Path
    """The folder of thumbnails."""
    original: Callable[[Sha256], Path | None]
    """Where an original stands, or None; asked by one thread only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prints:
    """A photo's pictures, upright, JPEG, without metadata; None where there is no picture to be had."""

    large: bytes | None = None
    tile: bytes | None = None


def prints(record: PhotoRecord, source: PictureSource, side: int) -> Prints:
    """Both pictures of one photo, the large one at most `side` pixels long."""
    made = _prints(record, source.thumbs, None, side)
    if made.large is None or made.tile is None:
        made = _prints(record, source.thumbs, source.original(record.sha256), side)
    return made


class PictureBook:
    """A report's pictures in the order in which they are set, the next few made meanwhile."""

    def __init__(self, source: PictureSource, wanted: Iterable[tuple[PhotoRecord, int]]) -> None:
        """`wanted`: each photo with the pixels of its long side, in that order."""
        self._source = source
        self._wanted = iter(wanted)
        self._pool = ThreadPoolExecutor(max_workers=WORKERS)  # decoders let go of the interpreter's lock
        self._begun: deque[tuple[PhotoRecord, int, Future[Prints]]] = deque()
        self._tiles: dict[Sha256, bytes | None] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)

    def large(self, record: PhotoRecord) -> bytes | None:
        """The next large picture, which must be this photo's."""
        while len(self._begun) < AHEAD and (following := next(self._wanted, None)) is not None:
            self._begun.append((*following, self._begin(*following)))
        due, side, future = self._begun.popleft()
        if due is not record:
            raise ValueError(f"{record.name} is not the next picture")
        made = future.result()
        if made.large is None or made.tile is None:
            made = prints(record, self._source, side)
        self._tiles[record.sha256] = made.tile
        return made.large

    def tile(self, sha: Sha256) -> bytes | None:
        """The small picture of a photo whose large one was taken."""
        return self._tiles.get(sha)

    def _begin(self, record: PhotoRecord, side: int) -> Future[Prints]:
        lost = not all(
            thumb_path(self._source.thumbs, record.sha256, one).is_file()
            for one in (LARGE_THUMB, SMALL_THUMB)
        )
        original = self._source.original(record.sha256) if lost else None
        return self._pool.submit(_prints, record, self._source.thumbs, original, side)


def _prints(record: PhotoRecord, thumbs: Path, original: Path | None, side: int) -> Prints:
    if record.kind not in PICTURES:
        return Prints()
    large = _from_thumbnail(thumb_path(thumbs, record.sha256, LARGE_THUMB), side)
    tile = _from_thumbnail(thumb_path(thumbs, record.sha256, SMALL_THUMB), SMALL_THUMB)
    if original is not None and (large is None or tile is None):
        image = _from_original(record, original)
        if image is not None:
            large, tile = large or _encoded(image, side), tile or _encoded(image, SMALL_THUMB)
    return Prints(large=large, tile=tile)


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
            return _encoded(image, side)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None


def _from_original(record: PhotoRecord, path: Path) -> Image.Image | None:
    try:
        return Image.fromarray(load_picture(path, record.kind, record.facts.orientation).rgb)
    except PictureError:
        return None


def _encoded(image: Image.Image, side: int) -> bytes:
    scale = min(1.0, side / max(image.size))
    size = (max(1, round(image.width * scale)), max(1, round(image.height * scale)))
    out = io.BytesIO()
    image.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def size_of(jpeg: bytes) -> tuple[int, int]:
    """Width and height in pixels."""
    with Image.open(io.BytesIO(jpeg)) as image:
        return image.size
