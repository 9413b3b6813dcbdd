"""Shows the custody log, and checks it against its own head and the heads that the bags recorded."""

from __future__ import annotations

import json
from dataclasses import dataclass

from evidence.archive.bagread import read_tags
from evidence.archive.custody import Anchor, Entry
from evidence.errors import EvidenceError
from evidence.filing.bags import CLAIM_RECORD, bag_folder
from evidence.model import Finding
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyReport:
    """The length of the log, whether it is valid (None when that was not asked), and the entries to show."""

    entries: int
    valid: bool | None
    findings: tuple[Finding, ...]
    shown: tuple[Entry, ...]


def custody_report(workspace: Workspace, *, check: bool, claim: str | None, last: int) -> CustodyReport:
    """The newest `last` entries (0 for all), of one claim or of everything; checked when `check`."""
    if check:
        verdict = workspace.custody.verify(anchors=recorded_heads(workspace))
        if not verdict.valid:
            return CustodyReport(entries=verdict.entries, valid=False, findings=verdict.findings, shown=())
        if not verdict.entries:
            gone = Finding(
                code="log_missing",
                message="The custody log is missing: making the archive wrote its first entry.",
            )
            return CustodyReport(entries=0, valid=False, findings=(gone,), shown=())
    every = list(workspace.custody.entries())
    chosen = every if claim is None else list(workspace.custody.about(claim))
    return CustodyReport(
        entries=len(every),
        valid=True if check else None,
        findings=verdict.findings if check else (),
        shown=tuple(chosen[-last:] if last else chosen),
    )


def recorded_heads(workspace: Workspace) -> list[Anchor]:
    """The heads of the log that the bags recorded when they were built; a log that is shorter was cut."""
    anchors = []
    for claim in workspace.catalog.keeping.bags():
        try:
            about = json.loads(read_tags(bag_folder(workspace, claim))[CLAIM_RECORD])
        except (EvidenceError, OSError, KeyError, ValueError):
            continue  # `evidence verify` reports a damaged bag
        noted = about.get("custody")
        if noted:
            anchors.append(Anchor(seq=noted["seq"], sha256=noted["sha256"]))
    return anchors
