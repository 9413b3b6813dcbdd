"""Thumbnails as the intake made them, or made again when they were thrown away. Never the original."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path

from evidence.filing.originals import find_original
from evidence.model import MediaKind, Sha256
from evidence.sight.look import look
from evidence.sight.request import THUMB_SIDES, LookOptions, LookRequest, thumb_path
from evidence.workspace import Workspace

MAX_BYTES = 300 * 1024 * 1024
"""Of an original that is decoded while somebody waits; larger ones wait for the intake's own processes."""
REMEMBERED = 5000
"""Originals that gave no thumbnail, so that a page does not decode them again and again."""


class ThumbnailStore:
    """Small pictures of one archive. One original is decoded at a time: a hostile one costs one thread."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._decoding = threading.Lock()
        self._failed: OrderedDict[Sha256, None] = OrderedDict()

    def path(self, sha: Sha256, side: int) -> Path | None:
        """The upright JPEG of that long side, made now if it must be; None when the original shows no picture.

        `sha` is known to the catalog, `side` one of THUMB_SIDES.
        """
        place = thumb_path(self._workspace.thumbs, sha, side)
        if place.is_file():
            return place
        if sha in self._failed:
            return None
        with self._decoding:
            if not place.is_file():
                self._make(sha)
        if place.is_file():
            return place
        self._failed[sha] = None
        while len(self._failed) > REMEMBERED:
            self._failed.popitem(last=False)
        return None

    def _make(self, sha: Sha256) -> None:
        record = self._workspace.catalog.photos.records([sha])[0]
        original = find_original(self._workspace, sha)
        if record.kind not in (MediaKind.PHOTO, MediaKind.RAW) or original is None:
            return
        if original.stat().st_size > MAX_BYTES:
            return
        look(
            LookRequest(
                path=original,
                sha256=sha,
                kind=record.kind,
                orientation=record.facts.orientation,
                thumb_dir=self._workspace.thumbs,
                options=LookOptions(read_writing=False, scene_kinds=False),
            )
        )


SIDES = frozenset(THUMB_SIDES)
