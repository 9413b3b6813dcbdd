"""Thumbnails: those that the intake made, and new ones where they were deleted. Never the original."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path

from evidence.filing.originals import find_original
from evidence.model import MediaKind, Sha256
from evidence.sight.batch import LookProcess
from evidence.sight.request import THUMB_SIDES, LookOptions, LookRequest, thumb_path
from evidence.workspace import Workspace

MAX_BYTES = 300 * 1024 * 1024
"""Largest original that is decoded while a page waits; larger ones are left to the intake."""
REMEMBERED = 5000
"""Originals without a thumbnail that are remembered, so that they are not decoded for every page."""


class ThumbnailStore:
    """The thumbnails of one archive. Originals are decoded one at a time in a process of their own, so that a large or
    malicious one neither fills the board's memory nor ends it.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._decoding = threading.Lock()
        self._process = LookProcess(timeout_s=workspace.settings.intake.look_timeout_s)
        self._failed: OrderedDict[Sha256, None] = OrderedDict()

    def path(self, sha: Sha256, side: int) -> Path | None:
        """The upright JPEG whose longer side has `side` pixels, made now if needed; None when that fails.

        The catalog has `sha`; `side` is one of THUMB_SIDES.
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

    def close(self) -> None:
        """End the process that decodes."""
        self._process.close()

    def _make(self, sha: Sha256) -> None:
        record = self._workspace.catalog.photos.records([sha])[0]
        original = find_original(self._workspace, sha)
        if record.kind not in (MediaKind.PHOTO, MediaKind.RAW) or original is None:
            return
        if original.stat().st_size > MAX_BYTES:
            return
        self._process.look(
            LookRequest(
                path=original,
                sha256=sha,
                kind=record.kind,
                orientation=record.facts.orientation,
                thumb_dir=self._workspace.thumbs,
                options=LookOptions(
                    read_writing=False,
                    scene_kinds=False,
                    memory_mb=self._workspace.settings.intake.picture_memory_mb,
                ),
            )
        )


SIDES = frozenset(THUMB_SIDES)
