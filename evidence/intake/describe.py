"""Describes new photos: the camera's facts, and what the analysis of the pixels finds."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

from evidence.cards.exif import read_facts
from evidence.catalog.originals import Original
from evidence.disk.durable import make_folder
from evidence.errors import BagError, CardReadError
from evidence.filing.originals import require_original
from evidence.intake.copy_speed import ANALYSING
from evidence.model import PICTURE_KINDS, CameraFacts, Finding, Look, Sha256
from evidence.progress import Progress, quiet
from evidence.sight.batch import look_all
from evidence.sight.request import LookOptions, LookRequest
from evidence.workspace import Workspace

LOOK_BATCH = 24
"""Results saved together: a killed run repeats at most this many, some seconds of work."""
MOST_TRIES = 3
"""How often a photo is read that another intake moves into a bag meanwhile."""
UNREAD = frozenset({"unreadable", "look_failed", "no_thumbnail"})
"""Flags of a look that a failing disk may have caused."""


def describe(
    workspace: Workspace,
    digests: Sequence[Sha256],
    *,
    executor: Executor | None = None,
    progress: Progress = quiet,
) -> list[Finding]:
    """Read the camera's facts and analyse the pixels of every photo that has not been described yet.

    A photo whose analysis fails gets a flag and is filed anyway; one that could not be read is tried again. Results
    are saved in small batches, so that a run after a kill repeats at most one batch. Analysis runs on `executor`, or
    on processes of this computer when there is none. Returns a finding for each original that is missing or cannot
    be read; it stays undescribed, and the others are described.
    """
    done = _Describing(workspace, executor, progress)
    waiting = _undescribed(workspace, digests)
    for _ in range(MOST_TRIES):
        if waiting:
            done.describe(waiting)
        waiting = [one for one in waiting if one.sha256 in done.moved]
    return list(done.findings.values())


@dataclass(slots=True)
class _Describing:
    """Describes photos, and keeps those that another process moved into a bag before they were read."""

    workspace: Workspace
    executor: Executor | None
    progress: Progress
    findings: dict[Sha256, Finding] = field(default_factory=dict)
    moved: set[Sha256] = field(default_factory=set)
    """Photos that were moved while they were read in the last round; each is described in the next one."""

    def describe(self, waiting: Sequence[Original]) -> None:
        """Describe these photos, and save what was found in batches."""
        self.moved = set()
        for one in waiting:
            self.findings.pop(one.sha256, None)
        files, facts = self._read_facts(waiting)
        read = [one for one in waiting if one.sha256 in facts]
        batch = [(one.sha256, facts[one.sha256], Look()) for one in read if one.kind not in PICTURE_KINDS]
        for sha, look in self._looks([one for one in read if one.kind in PICTURE_KINDS], files, facts):
            if not files[sha].exists() and any(flag.code in UNREAD for flag in look.flags):
                self.moved.add(sha)
                continue
            batch.append((sha, facts[sha], look))
            if len(batch) >= LOOK_BATCH:
                self.workspace.catalog.photos.describe(batch)
                batch = []
        self.workspace.catalog.photos.describe(batch)

    def _read_facts(
        self, waiting: Sequence[Original]
    ) -> tuple[dict[Sha256, Path], dict[Sha256, CameraFacts]]:
        """The file and the camera's facts of each original that can be read; a finding for each other one."""
        files: dict[Sha256, Path] = {}
        facts: dict[Sha256, CameraFacts] = {}
        for one in waiting:
            sha = one.sha256
            try:
                files[sha] = require_original(self.workspace, sha)
                facts[sha] = read_facts(files[sha], one.kind)
            except (BagError, CardReadError) as trouble:
                if sha in files and not files[sha].exists():
                    self.moved.add(sha)
                self.findings[sha] = Finding(code="original_damaged", message=str(trouble), subject=sha[:12])
        return files, facts

    def _looks(
        self,
        pictures: Sequence[Original],
        files: Mapping[Sha256, Path],
        facts: Mapping[Sha256, CameraFacts],
    ) -> Iterator[tuple[Sha256, Look]]:
        """What the analysis finds in each picture, as each is done."""
        if not pictures:
            return
        intake, thumbs = self.workspace.settings.intake, self.workspace.thumbs
        options = LookOptions(
            read_writing=intake.read_writing,
            scene_kinds=intake.scene_kinds,
            memory_mb=intake.picture_memory_mb,
        )
        requests = [
            LookRequest(
                path=files[one.sha256],
                sha256=one.sha256,
                kind=one.kind,
                orientation=facts[one.sha256].orientation,
                thumb_dir=thumbs,
                options=options,
            )
            for one in pictures
        ]
        with contextlib.suppress(OSError):  # then each photo's flag says that it has no thumbnail
            make_folder(thumbs)
        looks = look_all(
            requests, workers=intake.workers, executor=self.executor, timeout_s=intake.look_timeout_s
        )
        for done, found in enumerate(looks, start=1):
            self.progress(ANALYSING, done, len(requests))
            yield found


def _undescribed(workspace: Workspace, digests: Sequence[Sha256]) -> list[Original]:
    """The photos without a description, and those that could not be read when they were described."""
    again = _unread(workspace, digests)
    return [
        one
        for one in workspace.catalog.photos.originals(digests).values()
        if not one.described or one.sha256 in again
    ]


def _unread(workspace: Workspace, digests: Sequence[Sha256]) -> set[Sha256]:
    """Photos that were described while a disk failed: what the analysis did not see then, it may see now."""
    records = workspace.catalog.photos.records(digests)
    return {one.sha256 for one in records if any(flag.code in UNREAD for flag in one.look.flags)}
