"""What happens when a card goes in, step by step: copy, describe, split, tag, bag, back up, judge the card."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from evidence.analysis.refresh import refresh_beside_others
from evidence.analysis.used_before import used_before
from evidence.archive.copies import CardVerdict
from evidence.cards.volumes import CardSource, open_source
from evidence.catalog.intakes import IntakeRow
from evidence.errors import LockedError
from evidence.filing.backup import BackupReport, back_up
from evidence.filing.bags import file_away, recover_bags, require_known_bags
from evidence.filing.card_safety import CardNow, Judging, judge_and_store
from evidence.filing.station_debts import settle_debts
from evidence.filing.station_heads import exchange_heads
from evidence.intake.copy_card import copy_card, refuse_overlap
from evidence.intake.entering import Entering
from evidence.intake.running import running
from evidence.model import (
    ClaimId,
    Copied,
    Finding,
    IntakeId,
    Outcome,
    Refusal,
    Sha256,
)
from evidence.progress import Progress, quiet
from evidence.sight.cluster import Cluster
from evidence.workspace import Workspace

_MOST_DIGITS = 0xFFFF
"""The largest number at the end of an intake's name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnClaim:
    """The photos of one claim on one card."""

    claim: ClaimId
    insured: str
    photos: int
    to_confirm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimUsedBefore:
    """Photos of one claim, on one card, that may have served another claim before, and that nobody answered yet."""

    claim: ClaimId
    photos: tuple[str, ...]
    """File names, in shooting order."""
    others: tuple[ClaimId, ...]
    """The claims that had them, or nearly the same pictures, before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeReport:
    """The result of one card. `files` = `kept` + `already_kept` + `refused`, always."""

    intake: IntakeId
    files: int
    kept: int
    already_kept: int
    refused: tuple[Refusal, ...]
    claims: tuple[OnClaim, ...]
    unassigned: int
    used_before: tuple[ClaimUsedBefore, ...]
    """Claims of which photos on this card may have served another claim before."""
    findings: tuple[Finding, ...]
    backup: BackupReport
    card: CardVerdict
    seen_at: datetime
    """When the card was listed, aware, UTC."""


def take_in(
    workspace: Workspace,
    path: Path,
    *,
    executor: Executor | None = None,
    cluster: Cluster | None = None,
    progress: Progress = quiet,
) -> IntakeReport:
    """Take in a card or folder, from copying its files to the verdict on the card.

    Photos are analysed on `cluster`, on `executor`, or on processes of this computer when there is neither.

    Nothing is written to the source. After a kill at any instant, the next run finishes the work. The archive is
    locked only for short steps, so that people and other intakes work on it meanwhile. Raises BadInputError for a
    source that cannot be used, DestinationError when the archive cannot be written.
    """
    source = open_source(path)
    refuse_overlap(workspace, source)
    run = _begin(workspace, source)
    with workspace.taking_in(), running(workspace, run.intake):
        with Entering(
            workspace, source, run, executor=executor, cluster=cluster, progress=progress
        ) as entering:
            copied, refused = copy_card(workspace, source, run, entering, progress=progress)
            digests, findings = entering.finish()
        progress("Splitting by claim", 0, 1)
        findings += refresh_beside_others(workspace, digests).findings
        progress("Splitting by claim", 1, 1)
        findings += file_away(workspace, progress=progress).findings
        backup = back_up(workspace, progress=progress)
        findings += file_away(workspace).findings  # what people changed during the backup
        _end(workspace, run, refused, copied)
        findings += tuple(exchange_heads(workspace))
    return _report(workspace, run.intake, source, copied, refused, tuple(dict.fromkeys(findings)), backup)


def _begin(workspace: Workspace, source: CardSource) -> IntakeRow:
    """Finish what a killed program left, and record that the run begins."""
    settle_debts(workspace, wait=False)  # what stops it is said by the backup at the end
    recover_bags(workspace)
    with workspace.locked():
        require_known_bags(workspace)
        now = workspace.now()
        run = IntakeRow(
            intake=new_intake_id(now, workspace.catalog.photos.last_intake_at(now)),
            source=str(source.root),
            label=source.label,
            actor=workspace.actor,
            started_at=now,
            finished_at=None,
            refused=(),
            card_id=source.card_id,
        )
        workspace.catalog.photos.put_intake(run)
        workspace.record("intake_started", run.intake, source=run.source, label=run.label, volume=run.card_id)
    return run


def _end(workspace: Workspace, run: IntakeRow, refused: Sequence[Refusal], copied: Sequence[Copied]) -> None:
    workspace.catalog.photos.put_intake(replace(run, finished_at=workspace.now(), refused=tuple(refused)))
    new = sum(one.outcome is Outcome.KEPT for one in copied)
    workspace.record(
        "intake_finished",
        run.intake,
        kept=new,
        already_kept=len(copied) - new,
        refused=len(refused),
        card=run.label,
    )


def new_intake_id(now: datetime, last: IntakeId | None = None) -> IntakeId:
    """The start of the run in UTC and four hex digits: sorts by time and is unique.

    `last` is the last intake of the same second, if there is one: the new one sorts after it. Raises LockedError when
    no name is left in that second.
    """
    least = int(last.rpartition("-")[2], 16) + 1 if last else 0
    if least > _MOST_DIGITS:
        raise LockedError("Another intake began in this second.", "Run this again.")
    # Half of what is left, so that several intakes of one second find names.
    most = least + (_MOST_DIGITS - least) // 2
    return IntakeId(f"{now:%Y%m%d-%H%M%S}-{least + secrets.randbelow(most - least + 1):04x}")


def _report(
    workspace: Workspace,
    intake: IntakeId,
    source: CardSource,
    copied: Sequence[Copied],
    refused: Sequence[Refusal],
    findings: tuple[Finding, ...],
    backup: BackupReport,
) -> IntakeReport:
    digests = list(dict.fromkeys(one.sha256 for one in copied))
    records = workspace.catalog.photos.records(digests)
    per_claim: dict[ClaimId, list[bool]] = {}
    for record in records:
        if record.claim:
            per_claim.setdefault(record.claim, []).append(record.to_confirm)
    rows = workspace.catalog.claims.of(per_claim)
    card = judge_card(workspace, intake, source)
    return IntakeReport(
        intake=intake,
        files=len(copied) + len(refused),
        kept=sum(one.outcome is Outcome.KEPT for one in copied),
        already_kept=sum(one.outcome is Outcome.ALREADY_KEPT for one in copied),
        refused=tuple(refused),
        claims=tuple(
            OnClaim(
                claim=claim,
                insured=rows[claim].claim.insured,
                photos=len(marks),
                to_confirm=sum(marks),
            )
            for claim, marks in sorted(per_claim.items())
        ),
        unassigned=sum(record.claim is None for record in records),
        used_before=tuple(_used_before(workspace, sorted(per_claim), {one.sha256 for one in copied})),
        findings=findings,
        backup=backup,
        card=card.verdict,
        seen_at=card.seen_at,
    )


def _used_before(
    workspace: Workspace, claims: Sequence[ClaimId], on_card: Collection[Sha256]
) -> Iterator[ClaimUsedBefore]:
    """For each claim its photos on the card that may have served another claim; none of those that are answered."""
    for claim in claims:
        found = used_before(workspace, claim, workspace.catalog.photos.of_claim(claim))
        waiting = [one for one in found if one.photo in on_card and one.answer is None]
        if waiting:
            yield ClaimUsedBefore(
                claim=claim,
                photos=tuple(one.name for one in waiting),
                others=tuple(sorted({other.claim for one in waiting for other in one.others})),
            )
    workspace.hash_index.save()


def judge_card(workspace: Workspace, intake: IntakeId, source: CardSource) -> CardNow:
    """Decide whether the card may be erased (rule 4), and store it: its run stands for the card from now on."""
    run = workspace.catalog.photos.intake(intake)
    assert run is not None, "the run was stored at its start"
    workspace.catalog.photos.supersede(run)
    return judge_and_store(workspace, run, Judging(workspace), source=source)
