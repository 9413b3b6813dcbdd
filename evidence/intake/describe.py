"""Describes new photos: the camera's facts, and what the analysis of the pixels finds."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from typing import Self

from evidence.cards.exif import read_facts
from evidence.catalog.originals import Original
from evidence.disk.durable import make_folder
from evidence.errors import BagError, CardReadError
from evidence.filing.originals import require_original
from evidence.intake.copy_speed import ANALYSING
from evidence.model import PICTURE_KINDS, CameraFacts, Finding, Look, Sha256
from evidence.progress import Progress, quiet
from evidence.sight.batch import Looking
from evidence.sight.cluster import Cluster
from evidence.sight.request import UNREAD, LookOptions, LookRequest
from evidence.workspace import Workspace

LOOK_BATCH = 24
"""Results saved together: a killed run repeats at most this many, some seconds of work."""
MOST_TRIES = 3
"""How often a photo is read that another intake moves into a bag meanwhile."""


class Describing:
    """Describes photos that are added one after the other, while the caller copies others.

    A photo whose analysis fails gets a flag and is filed anyway; one that could not be read is tried again. Results
    are saved in small batches, so that a run after a kill repeats at most one batch. Analysis runs on `cluster`,
    on `executor`, or on processes of this computer when there is neither. Use it as a context manager.
    """

    def __init__(
        self,
        workspace: Workspace,
        *,
        executor: Executor | None = None,
        cluster: Cluster | None = None,
        progress: Progress = quiet,
    ) -> None:
        intake = workspace.settings.intake
        self._workspace, self._progress = workspace, progress
        self._looking = Looking(
            workers=intake.workers, executor=executor, cluster=cluster, timeout_s=intake.look_timeout_s
        )
        self._options = LookOptions(
            read_writing=intake.read_writing,
            scene_kinds=intake.scene_kinds,
            memory_mb=intake.picture_memory_mb,
        )
        self._findings: dict[Sha256, Finding] = {}
        self._read: dict[Sha256, tuple[Original, LookRequest, CameraFacts]] = {}
        """What is analysed now."""
        self._batch: list[tuple[Sha256, CameraFacts, Look]] = []
        self._moved: list[Original] = []
        """Photos that were moved while they were read; each is described in the next round."""
        self._added = self._done = 0
        self.to_come = 0
        """Photos that will probably be added, for the progress."""

    def __enter__(self) -> Self:
        self._looking.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._looking.__exit__(*error)

    def start(self) -> None:
        """Start the processes that analyse photos, which takes seconds."""
        self._looking.start(self._options)

    @property
    def hungry(self) -> bool:
        """True when no photo waits for its analysis."""
        return self._looking.hungry

    def add(self, digests: Sequence[Sha256]) -> None:
        """Describe those of these photos that have not been described yet."""
        self._begin(_undescribed(self._workspace, digests))

    def save(self) -> None:
        """Save what was found since, in whole batches; waits for nothing."""
        self._take(self._looking.finished())

    def finish(self) -> list[Finding]:
        """Wait for the rest and save it; returns a finding for each original that is missing or cannot be read.

        Such an original stays undescribed, and the others are described. One more finding says if a cluster failed.
        """
        for _ in range(MOST_TRIES):
            self._take(self._looking.rest())
            again, self._moved = self._moved, []
            if not again:
                break
            self._added -= len(again)
            self._begin(again)
        self._take(self._looking.rest())
        self._workspace.catalog.photos.describe(self._batch)
        self._batch = []
        return [*self._findings.values(), *self._looking.trouble()]

    def _begin(self, waiting: Sequence[Original]) -> None:
        """Read the camera's facts of these photos and hand them on to the analysis."""
        thumbs = self._workspace.thumbs
        if waiting:
            with contextlib.suppress(OSError):  # then each photo's flag says that it has no thumbnail
                make_folder(thumbs)
        for one in waiting:
            sha = one.sha256
            self._findings.pop(sha, None)
            path = None
            try:
                path = require_original(self._workspace, sha)
                facts = read_facts(path, one.kind)
            except (BagError, CardReadError) as trouble:
                if path is not None and not path.exists():
                    self._moved.append(one)
                self._findings[sha] = Finding(code="original_damaged", message=str(trouble), subject=sha[:12])
                continue
            if one.kind not in PICTURE_KINDS:
                self._batch.append((sha, facts, Look()))
                continue
            request = LookRequest(
                path=path,
                sha256=sha,
                kind=one.kind,
                orientation=facts.orientation,
                thumb_dir=thumbs,
                options=self._options,
            )
            self._read[sha] = one, request, facts
            self._added += 1
            self._looking.add(request)

    def _take(self, looks: Iterable[tuple[Sha256, Look]]) -> None:
        """Keep what the analysis found, and save whole batches."""
        for sha, look in looks:
            one, request, facts = self._read.pop(sha)
            self._done += 1
            if not request.path.exists() and any(flag.code in UNREAD for flag in look.flags):
                self._moved.append(one)
                self._done -= 1
            else:
                self._batch.append((sha, facts, look))
            self._progress(ANALYSING, self._done, max(self._done, self._added + self.to_come))
            if len(self._batch) >= LOOK_BATCH:
                self._workspace.catalog.photos.describe(self._batch)
                self._batch = []


def _undescribed(workspace: Workspace, digests: Sequence[Sha256]) -> list[Original]:
    """The photos without a description, and those that could not be read when they were described."""
    found = workspace.catalog.photos.originals(digests)
    # What the analysis did not see while a disk failed, it may see now.
    described = [sha for sha, one in found.items() if one.described]
    again = workspace.catalog.photos.with_flags(described, UNREAD)
    return [one for one in found.values() if not one.described or one.sha256 in again]
