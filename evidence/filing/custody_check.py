"""The custody log shown and proved, against its own head and the heads that the bags noted."""

from __future__ import annotations

import json
from dataclasses import dataclass

from evidence.archive import bags
from evidence.archive.custody import Anchor, Entry
from evidence.errors import EvidenceError
from evidence.filing import bags as filing
from evidence.model import Finding
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyReport:
    """The log's length, whether it holds together (None when that was not asked), and the entries shown."""

    entries: int
    valid: bool | None
    findings: tuple[Finding, ...]
    shown: tuple[Entry, ...]


def custody_report(workspace: Workspace, *, check: bool, claim: str | None, last: int) -> CustodyReport:
    """The newest `last` entries (0 for all) about `claim` or about everything; proved when `check`."""
    if check:
        verdict = workspace.custody.verify(anchors=noted_heads(workspace))
        if not verdict.valid:
            return CustodyReport(entries=verdict.entries, valid=False, findings=verdict.findings, shown=())
        if not verdict.entries:
            gone = Finding(
                code="log_missing", message="The log is gone: the first entry of an archive is its making."
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


def noted_heads(workspace: Workspace) -> list[Anchor]:
    """The log's heads as the bags noted them when they were built: a shorter log than that was cut."""
    anchors = []
    for claim in workspace.catalog.keeping.bags():
        try:
            about = json.loads(bags.read_tags(filing.bag_place(workspace, claim))[filing.CLAIM_RECORD])
        except (EvidenceError, OSError, KeyError, ValueError):
            continue  # `evidence verify` speaks of a bag in trouble
        noted = about.get("custody")
        if noted:
            anchors.append(Anchor(seq=noted["seq"], sha256=noted["sha256"]))
    return anchors
