"""The pictures of a report: upright copies, made from the thumbnails, or from the original when one is missing."""

from __future__ import annotations

import io
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from PIL import Image

from evidence.model import PICTURE_KINDS, PhotoRecord, Sha256
from evidence.sight.pictures import PictureError, load_picture
from evidence.sight.request import THUMB_SIDES, thumb_path

QUALITY = 82
"""JPEG quality without visible blocks; common practice, no source."""

LARGE_THUMB, SMALL_THUMB = max(THUMB_SIDES), min(THUMB_SIDES)

WORKERS = 2
"""Pictures made at the same time; an ordinary office computer has two cores or more."""

AHEAD = 6
"""Pictures made ahead of the page; an original of 12 megapixels takes about 30 MB while it is made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureSource:
    """Where a report finds its pictures."""

    thumbs: Path
    """The folder of thumbnails."""
    original: Callable[[Sha256], Path | None]
    """The path of an original, or None; called from one thread only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPicture:
    """A photo's upright JPEG pictures without metadata; None when none can be made."""

    large: bytes | None = None
    tile: bytes | None = None


def make_picture(record: PhotoRecord, source: PictureSource, side: int) -> ReportPicture:
    """Both pictures of one photo; the large one has at most `side` pixels on its long side."""
    made = _make(record, source.thumbs, None, side)
    if made.large is None or made.tile is None:
        made = _make(record, source.thumbs, source.original(record.sha256), side)
    return made


class PictureLoader:
    """A report's pictures in the order in which they are printed; makes the next few in advance."""

    def __init__(self, source: PictureSource, wanted: Iterable[tuple[PhotoRecord, int]]) -> None:
        """`wanted` gives each photo with the pixels of its long side, in the order of printing."""
        self._source = source
        self._wanted = iter(wanted)
        self._pool = ThreadPoolExecutor(max_workers=WORKERS)  # decoders release the interpreter's lock
        self._started: deque[tuple[PhotoRecord, int, Future[ReportPicture]]] = deque()
        self._tiles: dict[Sha256, bytes | None] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)

    def next_large(self, record: PhotoRecord) -> bytes | None:
        """The next large picture. Raises ValueError when it is not this photo's."""
        while len(self._started) < AHEAD and (following := next(self._wanted, None)) is not None:
            self._started.append((*following, self._start(*following)))
        due, side, future = self._started.popleft()
        if due is not record:
            raise ValueError(f"{record.name} is not the next picture")
        made = future.result()
        if made.large is None or made.tile is None:
            made = make_picture(record, self._source, side)
        self._tiles[record.sha256] = made.tile
        return made.large

    def tile(self, sha: Sha256) -> bytes | None:
        """The small picture of a photo; None before its large one was taken."""
        return self._tiles.get(sha)

    def _start(self, record: PhotoRecord, side: int) -> Future[ReportPicture]:
        missing = not all(
            thumb_path(self._source.thumbs, record.sha256, one).is_file()
            for one in (LARGE_THUMB, SMALL_THUMB)
        )
        original = self._source.original(record.sha256) if missing else None
        return self._pool.submit(_make, record, self._source.thumbs, original, side)


def _make(record: PhotoRecord, thumbs: Path, original: Path | None, side: int) -> ReportPicture:
    if record.kind not in PICTURE_KINDS:
        return ReportPicture()
    large = _from_thumbnail(thumb_path(thumbs, record.sha256, LARGE_THUMB), side)
    tile = _from_thumbnail(thumb_path(thumbs, record.sha256, SMALL_THUMB), SMALL_THUMB)
    if original is not None and (large is None or tile is None):
        image = _from_original(record, original)
        if image is not None:
            large, tile = large or _encoded(image, side), tile or _encoded(image, SMALL_THUMB)
    return ReportPicture(large=large, tile=tile)


def _from_thumbnail(path: Path, side: int) -> bytes | None:
    """The thumbnail, reduced if it is too large; None when it is missing or damaged."""
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
