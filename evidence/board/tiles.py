"""Tiles of the originals' own pixels for the large photo: made on request, kept beside the thumbnails, bounded on disk."""

from __future__ import annotations

import contextlib
import json
import os
import threading
import zipfile
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

from evidence.filing.originals import find_original
from evidence.model import PICTURE_KINDS, Sha256
from evidence.sight.batch import LookProcess
from evidence.sight.request import INFO_NAME, TileRequest, tiles_path
from evidence.workspace import Workspace

MAX_WAITING = 8
"""Photos that may wait for their tiles at once; a further request is told to come again."""
REMEMBERED = 2000
"""Photos without tiles whose reason is remembered, so that they are not decoded for every look."""
TIMES_A_LOOK = 3.0
"""Writing the tiles of 250 megapixels takes up to three times as long as analysing them."""


class BusyError(Exception):
    """Too many photos are waiting for their tiles."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TilesInfo:
    """What a viewer must know of a photo's tiles."""

    width: int
    """Upright pixels of the original; 0 when there are no tiles."""
    height: int
    levels: tuple[int, ...]
    """The full size first, then each half of the one before."""
    message: str
    """Why there are no tiles; else empty."""


class TileStore:
    """The tiles of one archive, one ZIP file for each photo, and at most `tile_cache_mb` megabytes of them.

    Tiles are made in a process of their own, one photo at a time, so that a large or malicious file neither fills
    the board's memory nor ends it. Thumbnails do not wait for it. Safe for many threads.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._most_bytes = workspace.settings.board.tile_cache_mb * 1_000_000
        self._process = LookProcess(timeout_s=TIMES_A_LOOK * workspace.settings.intake.look_timeout_s)
        self._making = threading.Lock()
        self._places = threading.BoundedSemaphore(MAX_WAITING)
        self._failed: OrderedDict[Sha256, str] = OrderedDict()
        self._sizes: OrderedDict[Path, int] | None = None
        self._counting = threading.Lock()

    def info(self, sha: Sha256) -> TilesInfo:
        """The photo's tiles, made now if needed. The catalog has `sha`. Raises BusyError when too many wait."""
        found = self._read_info(sha)
        if found is not None:
            return found
        if sha in self._failed:
            return _none(self._failed[sha])
        if not self._places.acquire(blocking=False):
            raise BusyError
        try:
            with self._making:
                return self._read_info(sha) or self._make(sha)
        finally:
            self._places.release()

    def tile(self, sha: Sha256, level: int, column: int, row: int) -> bytes | None:
        """One tile (JPEG); None when it was never made or was removed to make room."""
        return self._read(sha, f"{level}/{column}_{row}.jpg")

    def close(self) -> None:
        """End the process that decodes."""
        self._process.close()

    def _make(self, sha: Sha256) -> TilesInfo:
        record = self._workspace.catalog.photos.records([sha])[0]
        original = find_original(self._workspace, sha)
        if record.kind not in PICTURE_KINDS:
            return _none("This file is not a photo.")
        if original is None:
            return _none("The original of this photo is not in the archive's folder.")
        made = self._process.tiles(
            TileRequest(
                path=original,
                sha256=sha,
                kind=record.kind,
                orientation=record.facts.orientation,
                thumb_dir=self._workspace.thumbs,
                memory_mb=self._workspace.settings.intake.picture_memory_mb,
            )
        )
        if made.message:
            self._failed[sha] = made.message
            while len(self._failed) > REMEMBERED:
                self._failed.popitem(last=False)
            return _none(made.message)
        self._make_room(tiles_path(self._workspace.thumbs, sha), made.bytes)
        return self._read_info(sha) or _none("The tiles were removed while they were made.")

    def _read_info(self, sha: Sha256) -> TilesInfo | None:
        text = self._read(sha, INFO_NAME)
        if text is None:
            return None
        known = json.loads(text)
        with contextlib.suppress(OSError):
            os.utime(tiles_path(self._workspace.thumbs, sha))  # the file last looked at is removed last
        with self._counting:
            if self._sizes and tiles_path(self._workspace.thumbs, sha) in self._sizes:
                self._sizes.move_to_end(tiles_path(self._workspace.thumbs, sha))
        return TilesInfo(
            width=known["width"], height=known["height"], levels=tuple(known["levels"]), message=""
        )

    def _read(self, sha: Sha256, name: str) -> bytes | None:
        place = tiles_path(self._workspace.thumbs, sha)
        try:
            with zipfile.ZipFile(place) as file:
                return file.read(name)
        except (FileNotFoundError, KeyError):
            return None
        except (OSError, zipfile.BadZipFile):  # half a file after a power cut: made again
            with contextlib.suppress(OSError):
                place.unlink()
            return None

    def _make_room(self, newest: Path, size: int) -> None:
        """Remove the tiles that nobody looked at for longest, until all fit; the newest stay."""
        with self._counting:
            if self._sizes is None:
                self._sizes = _on_disk(self._workspace.thumbs)
            self._sizes.pop(newest, None)
            total = sum(self._sizes.values()) + size
            while self._sizes and total > self._most_bytes:
                oldest, freed = self._sizes.popitem(last=False)
                with contextlib.suppress(OSError):
                    oldest.unlink(missing_ok=True)
                total -= freed
            self._sizes[newest] = size


def _none(message: str) -> TilesInfo:
    return TilesInfo(width=0, height=0, levels=(), message=message)


def _on_disk(thumbs: Path) -> OrderedDict[Path, int]:
    """Size of each file of tiles, the one that nobody looked at for longest first."""
    found = []
    for place in thumbs.glob("??/*_tiles.zip"):
        with contextlib.suppress(OSError):
            status = place.stat()
            found.append((status.st_mtime, place, status.st_size))
    return OrderedDict((place, size) for _, place, size in sorted(found))
