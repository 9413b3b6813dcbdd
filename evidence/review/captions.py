"""Captions that a person writes for the report: one photo, one text, undone like any other correction."""

from __future__ import annotations

import hashlib

from evidence.analysis.refresh import Refreshed
from evidence.catalog.decisions import Caption
from evidence.errors import BadInputError
from evidence.model import PhotoRecord, Sha256
from evidence.review.recording import decide, require_open
from evidence.review.staleness import Change, ChangedError
from evidence.workspace import Workspace

MOST_CAPTION = 400
"""Characters: four lines beside a photo at two on a page."""


def write_caption(workspace: Workspace, sha: Sha256, text: str, *, seen: str | None = None) -> int:
    """Store the text that the report prints beside the photo; returns the decision's number, 0 if nothing changed.

    An empty text removes the caption. The bag is only marked as outdated. Raises BadInputError for an unknown photo,
    a claim that is signed or closed and a text that is too long; ChangedError when the caption is no longer `seen`.
    """
    text = " ".join(text.split())
    if len(text) > MOST_CAPTION or not text.isprintable():
        raise BadInputError(
            "The caption is too long or not printable.", f"Use at most {MOST_CAPTION} printable characters."
        )
    with workspace.locked():
        record = _record(workspace, sha)
        require_open(workspace, {record.claim}, what="captions")
        if seen is not None and " ".join(seen.split()) != record.caption:
            now = f"It is now: {record.caption}" if record.caption else "It has no caption now."
            raise ChangedError(
                [Change(subject=sha, message=f"Somebody else changed the caption of {record.name}. {now}")]
            )
        if text == record.caption:
            return 0
        decision = Caption(replaced=record.caption, photo=sha, text=text)
        with workspace.catalog.transaction():
            number = decide(workspace, decision, record.claim)
            _store(workspace, record, text)
            workspace.record(
                "captioned", record.name, decision=number, photos=[sha], sha256=hashlib.sha256(text.encode()).hexdigest()
            )  # fmt: skip
        return number


def undo_caption(workspace: Workspace, decision: Caption) -> Refreshed:
    """Put back the text that this caption replaced, inside the caller's transaction."""
    records = workspace.catalog.photos.records([decision.photo])
    for record in records:  # none after a purge
        _store(workspace, record, decision.replaced)
    touched = frozenset(record.claim for record in records)
    return Refreshed(touched=touched, findings=())


def _record(workspace: Workspace, sha: Sha256) -> PhotoRecord:
    records = workspace.catalog.photos.records([sha])
    if not records:
        raise BadInputError(f"The archive keeps no photo {sha[:12]}.", "Load the page again.")
    return records[0]


def _store(workspace: Workspace, record: PhotoRecord, text: str) -> None:
    workspace.catalog.photos.set_caption(record.sha256, text)
    workspace.catalog.mark_changed([record.claim])
