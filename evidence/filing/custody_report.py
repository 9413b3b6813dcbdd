"""Shows the custody log, verifies the entries that are new since it was verified last, and proves one entry."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from evidence.archive.custody import Anchor, Entry
from evidence.archive.custody_checkpoint import Checkpoint, read_checkpoint, write_checkpoint
from evidence.archive.custody_inclusion import make_proof
from evidence.archive.custody_key import kept_id, key_entries, known_archive_id
from evidence.archive.heads import read_heads
from evidence.errors import CustodyError, EvidenceError
from evidence.filing.custody_check import NOTES, CustodyReport, KeptHeads, Pass, check_log
from evidence.filing.custody_heads import heads_folder, signed_head
from evidence.filing.station_heads import heads_noted_of_us
from evidence.model import Finding
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace

WHOLE_READ = "whole_log_read"
"""The code of the note that every entry was read although only the new ones were asked for."""


def custody_report(
    workspace: Workspace,
    *,
    check: bool = False,
    new: bool = False,
    about: Sequence[str] = (),
    last: int,
    noted: Sequence[Anchor] = (),
    progress: Progress = quiet,
) -> CustodyReport:
    """The newest `last` entries (0 for all) that hold one of these words, a claim or a digest; any without words.

    `check` verifies the whole log first, `new` the entries since it was verified last. `noted` are heads that a person
    read off a certificate or a report.
    """
    verdict = None
    if new:
        verdict = check_new_entries(workspace, noted, progress=progress)
    elif check:
        verdict = check_log(workspace, noted, progress=progress)
    if verdict and not verdict.valid:
        return verdict
    shown = _newest(workspace, about, last)
    found = verdict or CustodyReport(entries=_length(workspace), valid=None, findings=(), shown=())
    return replace(found, shown=shown)


def _newest(workspace: Workspace, words: Sequence[str], last: int) -> tuple[Entry, ...]:
    """The newest entries, oldest first. Reads no more of the log than is shown."""
    chosen: deque[Entry] = deque()
    for entry in workspace.custody.newest(*words):
        chosen.appendleft(entry)
        if len(chosen) == last:
            break
    return tuple(chosen)


def _length(workspace: Workspace) -> int:
    """Entries of the log; without its head file its lines are counted."""
    try:
        return workspace.custody.head().seq
    except CustodyError:
        return sum(1 for _ in workspace.custody.lines())


# --- new entries -------------------------------------------------------------------------


def check_new_entries(
    workspace: Workspace, noted: Sequence[Anchor] = (), *, progress: Progress = quiet
) -> CustodyReport:
    """Verify the entries behind the signed head up to which the log was verified last, and compare the later heads.

    Nothing is said of earlier entries: only `check_log` finds one that was altered in its place. Without such a head, or
    one that a key of this log signed, or for a noted head that is earlier, the whole log is read; a note says so.
    """
    log, before = workspace.custody, read_checkpoint(workspace.custody.path)
    if before is None or any(one.seq < before.end.seq for one in noted):
        return _whole(workspace, noted, progress)
    found = KeptHeads(workspace, above=before.end.seq)
    found.collect()
    signed = before.signed
    if signed.key not in found.keys or signed.head.archive != known_archive_id(workspace.root, log):
        return _whole(workspace, noted, progress)
    passed = Pass(progress=progress, total=_length(workspace))
    newest = found.newest(passed.total) or signed
    of_us = [one for one in heads_noted_of_us(workspace) if one.seq >= before.end.seq]
    verdict = log.verify(
        anchors=[*noted, *of_us, *found.anchors], watch=passed.see, after=before.end, keep_at=newest.head.size
    )
    passed.keys = key_entries(log)
    findings = [*verdict.findings, *found.findings]
    if verdict.valid:
        findings += [*passed.other_ids(kept_id(workspace.root)), *passed.added_keys()]
    findings.sort(key=lambda one: one.code in NOTES)
    valid = all(one.code in NOTES for one in findings)
    if valid and verdict.passed:
        reached = Checkpoint(signed=newest, end=verdict.passed, whole_at=before.whole_at)
        write_checkpoint(log.path, reached)
    return CustodyReport(
        entries=verdict.entries,
        valid=valid,
        findings=tuple(findings),
        shown=(),
        heads=len(found.anchors) + len(of_us),
        targets=tuple(found.targets),
        since=before.end.seq,
        whole_at=before.whole_at,
    )


def _whole(workspace: Workspace, noted: Sequence[Anchor], progress: Progress) -> CustodyReport:
    report = check_log(workspace, noted, progress=progress)
    note = Finding(
        code=WHOLE_READ,
        message="The whole log was verified: no head before it could be used to begin from. A head is signed by "
        "`evidence backup`.",
    )
    return replace(report, findings=(*report.findings, note))


# --- proofs ------------------------------------------------------------------------------


def prove(workspace: Workspace, entry: int, *, since: int | None = None) -> dict[str, Any]:
    """The inclusion proof of one entry against a head that is signed now, or the last signed one without a key.

    Raises BadInputError for an entry that is not there, CustodyError when no head can be had.
    """
    try:
        signed = signed_head(workspace)
    except EvidenceError:  # no key here, or an archive that cannot be written
        archive = known_archive_id(workspace.root, workspace.custody)
        own = read_heads(heads_folder(workspace), archive) if archive else ()
        if not own:
            raise
        signed = own[-1]
    return make_proof(workspace.custody, entry, signed, since=since)
