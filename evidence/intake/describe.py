"""Describes new photos: the camera's facts, and what the analysis of the pixels finds."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from concurrent.futures import Executor
from pathlib import Path

from evidence.cards.exif import read_facts
from evidence.catalog.originals import Original
from evidence.disk.durable import make_folder
from evidence.errors import BagError, CardReadError
from evidence.filing.originals import require_original
from evidence.model import PICTURE_KINDS, CameraFacts, Finding, Look, Sha256
from evidence.progress import Progress, quiet
from evidence.sight.batch import look_all
from evidence.sight.request import LookOptions, LookRequest
from evidence.workspace import Workspace

LOOK_BATCH = 24
"""Results saved together: a killed run repeats at most this many, some seconds of work."""
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

    A photo whose analysis fails gets a flag and is filed anyway; one that could not be read is tried again. Results are saved in small batches, so
    that a run after a kill repeats at most one batch. Analysis runs on `executor`, or on processes of this
    computer when there is none. Returns a finding for each original that is missing or cannot be read; it stays
    undescribed, and the others are described.
    """
    again = _unread(workspace, digests)
    waiting = [
        one
        for one in workspace.catalog.photos.originals(digests).values()
        if not one.described or one.sha256 in again
    ]
    if not waiting:
        return []
    intake = workspace.settings.intake
    options = LookOptions(
        read_writing=intake.read_writing,
        scene_kinds=intake.scene_kinds,
        memory_mb=intake.picture_memory_mb,
    )
    files, facts, findings = _read_all_facts(workspace, waiting)
    waiting = [one for one in waiting if one.sha256 in facts]
    batch: list[tuple[Sha256, CameraFacts, Look]] = [
        (one.sha256, facts[one.sha256], Look()) for one in waiting if one.kind not in PICTURE_KINDS
    ]
    requests = [
        LookRequest(
            path=files[one.sha256],
            sha256=one.sha256,
            kind=one.kind,
            orientation=facts[one.sha256].orientation,
            thumb_dir=workspace.thumbs,
            options=options,
        )
        for one in waiting
        if one.kind in PICTURE_KINDS
    ]
    if requests:
        with contextlib.suppress(OSError):  # then each photo's flag says that it has no thumbnail
            make_folder(workspace.thumbs)
    looks = look_all(requests, workers=intake.workers, executor=executor, timeout_s=intake.look_timeout_s)
    for done, (sha, look) in enumerate(looks, start=1):
        batch.append((sha, facts[sha], look))
        progress("Looking at the photos", done, len(requests))
        if len(batch) >= LOOK_BATCH:
            workspace.catalog.photos.describe(batch)
            batch = []
    workspace.catalog.photos.describe(batch)
    return findings


def _read_all_facts(
    workspace: Workspace, originals: Sequence[Original]
) -> tuple[dict[Sha256, Path], dict[Sha256, CameraFacts], list[Finding]]:
    """The file and the camera's facts of each original that can be read, and a finding for each other one."""
    files: dict[Sha256, Path] = {}
    facts: dict[Sha256, CameraFacts] = {}
    findings = []
    for one in originals:
        try:
            files[one.sha256] = require_original(workspace, one.sha256)
            facts[one.sha256] = read_facts(files[one.sha256], one.kind)
        except (BagError, CardReadError) as trouble:
            findings.append(Finding(code="original_damaged", message=str(trouble), subject=one.sha256[:12]))
    return files, facts, findings


def _unread(workspace: Workspace, digests: Sequence[Sha256]) -> set[Sha256]:
    """Photos that were described while a disk failed: what the analysis did not see then, it may see now."""
    records = workspace.catalog.photos.records(digests)
    return {one.sha256 for one in records if any(flag.code in UNREAD for flag in one.look.flags)}
