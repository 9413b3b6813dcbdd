"""The pictures of a report: upright copies, made from the thumbnails by a process of its own.

Where a thumbnail is missing or damaged, another process makes it anew from the original, in a temporary folder: a file
may need much memory, or end the process that decodes it. Here only the size in a picture's header is read.
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

from evidence.model import PICTURE_KINDS, MediaKind, PhotoRecord, Sha256
from evidence.sight.batch import LookProcess
from evidence.sight.request import (
    PICTURE_MEMORY_MB,
    THUMB_SIDES,
    LookOptions,
    LookRequest,
    ReduceRequest,
    thumb_path,
)

QUALITY = 82
"""JPEG quality at full fineness: no visible blocks; common practice, no source."""

LARGE_THUMB = max(THUMB_SIDES)

REDUCE_TIMEOUT_S = 30.0
"""Longest time for a thumbnail, of which a core reduces dozens in a second."""

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
class Fineness:
    """How much of a picture a report keeps."""

    scale: float = 1.0
    """Of the pixels of its long side."""
    quality: int = QUALITY
    """JPEG quality."""

    @property
    def cost(self) -> float:
        """About how many bytes a picture takes, relative to full fineness: pixels, and less for a lower quality."""
        return self.scale**2 * (0.25 + 0.75 * (self.quality / QUALITY) ** 3)


FULL = Fineness()
LADDER = (
    FULL,
    Fineness(scale=0.85, quality=78),
    Fineness(scale=0.7, quality=74),
    Fineness(scale=0.58, quality=70),
    Fineness(scale=0.48, quality=64),
    Fineness(scale=0.4, quality=58),
)
"""From the finest to the coarsest. At the last one, a photo of 5 inches has 100 dots per inch: readable on a screen."""


class PictureLoader:
    """A report's pictures in the order in which they are printed; makes the next few in advance."""

    def __init__(
        self,
        source: PictureSource,
        wanted: Iterable[tuple[PhotoRecord, int]],
        fineness: Fineness = FULL,
    ) -> None:
        """`wanted` gives each photo with the pixels of its long side at full fineness, in the order of printing."""
        self._source = source
        self._fineness = fineness
        self.bytes = 0
        self._wanted = iter(wanted)
        self._pool = ThreadPoolExecutor(max_workers=1)  # waits for the processes while pages are written
        self._started: deque[tuple[PhotoRecord, int, Future[bytes | None]]] = deque()
        self._reducer = LookProcess(timeout_s=REDUCE_TIMEOUT_S, preload="evidence.sight.reduced")
        self._originals = _Originals(source, self._from_folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)
        self._reducer.close()
        self._originals.close()

    def make(self, record: PhotoRecord, side: int) -> bytes | None:
        """The upright JPEG of one photo without metadata, now, with at most `side` pixels on its long side.

        None when none can be made.
        """
        made = self._make(record, None, side) or self._make(
            record, self._source.original(record.sha256), side
        )
        self.bytes += len(made or b"")
        return made

    def logo(self, path: Path, side: int) -> bytes | None:
        """The picture of a file that is no photo of the claim; decoded like an original."""
        made = self._originals.make_file(path, Sha256("0" * 64), MediaKind.PHOTO, 1, side, FULL)
        self.bytes += len(made or b"")
        return made

    def next_large(self, record: PhotoRecord) -> bytes | None:
        """The next large picture. Raises ValueError when it is not this photo's."""
        while len(self._started) < AHEAD and (following := next(self._wanted, None)) is not None:
            self._started.append((*following, self._start(*following)))
        due, side, future = self._started.popleft()
        if due is not record:
            raise ValueError(f"{record.name} is not the next picture")
        made = future.result()
        if made is None:
            return self.make(record, side)
        self.bytes += len(made)
        return made

    def _start(self, record: PhotoRecord, side: int) -> Future[bytes | None]:
        missing = not thumb_path(self._source.thumbs, record.sha256, LARGE_THUMB).is_file()
        original = self._source.original(record.sha256) if missing else None
        return self._pool.submit(self._make, record, original, side)

    def _make(self, record: PhotoRecord, original: Path | None, side: int) -> bytes | None:
        if record.kind not in PICTURE_KINDS:
            return None
        made = self._from_folder(self._source.thumbs, record.sha256, side, self._fineness)
        if original is None or made is not None:
            return made
        orientation = record.facts.orientation
        return self._originals.make_file(
            original, record.sha256, record.kind, orientation, side, self._fineness
        )

    def _from_folder(self, thumbs: Path, sha: Sha256, side: int, fineness: Fineness) -> bytes | None:
        """The thumbnail, reduced if it is too large; None when it is missing or damaged."""
        if not thumb_path(thumbs, sha, LARGE_THUMB).is_file():
            return None
        quality = None if fineness == FULL else fineness.quality
        return self._reducer.reduced(
            ReduceRequest(thumb_dir=thumbs, sha256=sha, side=round(side * fineness.scale), quality=quality)
        )


class _Originals:
    """Makes pictures from originals, one at a time, in a process that starts with the first one."""

    def __init__(
        self, source: PictureSource, from_folder: Callable[[Path, Sha256, int, Fineness], bytes | None]
    ) -> None:
        self._from_folder = from_folder
        self._process = LookProcess(timeout_s=source.timeout_s)
        self._options = LookOptions(read_writing=False, scene_kinds=False, memory_mb=source.memory_mb)

    def make_file(
        self, path: Path, sha: Sha256, kind: MediaKind, orientation: int, side: int, fineness: Fineness
    ) -> bytes | None:
        """The picture of a file; None when it gives none."""
        folder = Path(tempfile.mkdtemp(prefix="report-"))
        try:
            self._process.look(
                LookRequest(
                    path=path,
                    sha256=sha,
                    kind=kind,
                    orientation=orientation,
                    thumb_dir=folder,
                    options=self._options,
                )
            )
            return self._from_folder(folder, sha, side, fineness)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def close(self) -> None:
        """End the process."""
        self._process.close()


def size_of(jpeg: bytes) -> tuple[int, int]:
    """Width and height in pixels."""
    with Image.open(io.BytesIO(jpeg)) as image:
        return image.size
