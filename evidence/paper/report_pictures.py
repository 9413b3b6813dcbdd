"""The pictures of a report: upright copies, made from the thumbnails.

Where a thumbnail is missing or damaged, a process of its own makes it anew from the original, in a temporary folder:
an original may need much memory, or end the process that decodes it.
"""

from __future__ import annotations

import io
import shutil
import tempfile
from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from PIL import Image

from evidence.model import PICTURE_KINDS, PhotoRecord, Sha256
from evidence.sight.batch import LookProcess
from evidence.sight.request import PICTURE_MEMORY_MB, THUMB_SIDES, LookOptions, LookRequest, thumb_path

QUALITY = 82
"""JPEG quality without visible blocks; common practice, no source."""

LARGE_THUMB, SMALL_THUMB = max(THUMB_SIDES), min(THUMB_SIDES)

WORKERS = 2
"""Pictures made at the same time; an ordinary office computer has two cores or more."""

AHEAD = 6
"""Pictures made ahead of the page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureSource:
    """Where a report finds its pictures."""

    thumbs: Path
    """The folder of thumbnails."""
    original: Callable[[Sha256], Path | None]
    """The path of an original, or None; called from one thread only."""
    memory_mb: int = PICTURE_MEMORY_MB
    """Megabytes that decoding an original may take; one that needs more has no picture."""
    timeout_s: float = 60.0
    """Longest time for an original."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPicture:
    """A photo's upright JPEG pictures without metadata; None when none can be made."""

    large: bytes | None = None
    tile: bytes | None = None


class PictureLoader:
    """A report's pictures in the order in which they are printed; makes the next few in advance."""

    def __init__(self, source: PictureSource, wanted: Iterable[tuple[PhotoRecord, int]]) -> None:
        """`wanted` gives each photo with the pixels of its long side, in the order of printing."""
        self._source = source
        self._wanted = iter(wanted)
        self._pool = ThreadPoolExecutor(max_workers=WORKERS)  # decoders release the interpreter's lock
        self._started: deque[tuple[PhotoRecord, int, Future[ReportPicture]]] = deque()
        self._tiles: dict[Sha256, bytes | None] = {}
        self._originals = _Originals(source)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)
        self._originals.close()

    def make(self, record: PhotoRecord, side: int) -> ReportPicture:
        """Both pictures of one photo, now; the large one has at most `side` pixels on its long side."""
        made = self._make(record, None, side)
        if made.large is None or made.tile is None:
            made = self._make(record, self._source.original(record.sha256), side)
        return made

    def next_large(self, record: PhotoRecord) -> bytes | None:
        """The next large picture. Raises ValueError when it is not this photo's."""
        while len(self._started) < AHEAD and (following := next(self._wanted, None)) is not None:
            self._started.append((*following, self._start(*following)))
        due, side, future = self._started.popleft()
        if due is not record:
            raise ValueError(f"{record.name} is not the next picture")
        made = future.result()
        if made.large is None or made.tile is None:
            made = self.make(record, side)
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
        return self._pool.submit(self._make, record, original, side)

    def _make(self, record: PhotoRecord, original: Path | None, side: int) -> ReportPicture:
        if record.kind not in PICTURE_KINDS:
            return ReportPicture()
        made = _from_folder(self._source.thumbs, record.sha256, side)
        if original is None or (made.large is not None and made.tile is not None):
            return made
        anew = self._originals.make(record, original, side)
        return ReportPicture(large=made.large or anew.large, tile=made.tile or anew.tile)


class _Originals:
    """Makes pictures from originals, one at a time, in a process that starts with the first one."""

    def __init__(self, source: PictureSource) -> None:
        self._process = LookProcess(timeout_s=source.timeout_s)
        self._options = LookOptions(read_writing=False, scene_kinds=False, memory_mb=source.memory_mb)

    def make(self, record: PhotoRecord, original: Path, side: int) -> ReportPicture:
        """Both pictures; neither when the original gives none."""
        folder = Path(tempfile.mkdtemp(prefix="report-"))
        try:
            self._process.look(
                LookRequest(
                    path=original,
                    sha256=record.sha256,
                    kind=record.kind,
                    orientation=record.facts.orientation,
                    thumb_dir=folder,
                    options=self._options,
                )
            )
            return _from_folder(folder, record.sha256, side)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def close(self) -> None:
        """End the process."""
        self._process.close()


def _from_folder(thumbs: Path, sha: Sha256, side: int) -> ReportPicture:
    return ReportPicture(
        large=_from_thumbnail(thumb_path(thumbs, sha, LARGE_THUMB), side),
        tile=_from_thumbnail(thumb_path(thumbs, sha, SMALL_THUMB), SMALL_THUMB),
    )


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
