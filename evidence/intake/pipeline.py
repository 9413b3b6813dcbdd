"""The whole story of a card: copied and proved, looked at, split, tagged, bagged, backed up, judged."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from evidence.analysis.refresh import refresh_days
from evidence.archive.copies import CardVerdict, CopyPlace, OnCard, SafetyPolicy, card_verdict
from evidence.cards import ledger
from evidence.cards.copying import copy_in, sweep_parts
from evidence.cards.exif import read_facts
from evidence.cards.files import walk_card
from evidence.cards.volumes import CardSource, open_source
from evidence.catalog.photos import IntakeRow
from evidence.errors import BadInputError, CardReadError
from evidence.filing import bags as filing
from evidence.filing.bags import BackupReport
from evidence.model import (
    PICTURE_KINDS,
    CameraFacts,
    ClaimId,
    Copied,
    Finding,
    IntakeId,
    Look,
    Outcome,
    Refusal,
    Sha256,
)
from evidence.progress import Progress, quiet
from evidence.sight.look import LookOptions, LookRequest, look_all
from evidence.workspace import Workspace

LOOK_BATCH = 24
"""Looks written down together: a killed run repeats at most so many, some seconds of work."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OnClaim:
    """What one card brought for one claim."""

    claim: ClaimId
    insured: str
    photos: int
    to_confirm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeReport:
    """What became of a card. `files` = `kept` + `already_kept` + `refused`, always."""

    intake: IntakeId
    files: int
    kept: int
    already_kept: int
    refused: tuple[Refusal, ...]
    claims: tuple[OnClaim, ...]
    unassigned: int
    findings: tuple[Finding, ...]
    backup: BackupReport
    card: CardVerdict


def take_in(
    workspace: Workspace, path: Path, *, executor: Executor | None = None, progress: Progress = quiet
) -> IntakeReport:
    """Take a card or folder in, from its files to the verdict on the card.

    Photos are looked at on `executor`, or on processes of this computer when there is none.

    Nothing is written to the source. Killed at any instant, the next run finishes the work. Raises
    BadInputError for a source that cannot be used, DestinationError when the archive cannot be written.
    """
    source = open_source(path)
    _refuse_overlap(workspace, source)
    with workspace.locked():
        filing.recover(workspace)
        filing.require_known_bags(workspace)
        run = _begin(workspace, source)
        copied, refused = copy_card(workspace, source, run, progress=progress)
        digests = _written_down(workspace, run, copied)
        digests += [sha for sha in workspace.catalog.photos.unfiled() if sha not in set(digests)]
        describe(workspace, digests, executor=executor, progress=progress)
        progress("Splitting by claim", 0, 1)
        refreshed = refresh_days(workspace, digests)
        progress("Splitting by claim", 1, 1)
        filing.file_away(workspace, progress=progress)
        backup = filing.back_up(workspace, progress=progress)
        _end(workspace, run, refused, copied)
        return _report(workspace, run.intake, copied, refused, refreshed.findings, backup)


# --- the card ----------------------------------------------------------------------------


def copy_card(
    workspace: Workspace, source: CardSource, run: IntakeRow, *, progress: Progress = quiet
) -> tuple[list[Copied], list[Refusal]]:
    """Bring every file of the card into the intake area and prove it; what cannot be kept is listed.

    Together the two lists account for every file on the card. A file that cannot be read does not stop
    the others; a destination that cannot be written stops the run.
    """
    sweep_parts(workspace.store)
    walk = walk_card(source.root, litter=workspace.settings.intake.litter)
    sizes = workspace.catalog.photos.sizes()
    copied: list[Copied] = []
    refused = list(walk.refused)
    entries: list[ledger.Entry] = []
    with ledger.Ledger(workspace.ledgers / f"{run.intake}.jsonl") as journal:

        def note(entry: ledger.Entry) -> None:
            journal.record(entry)
            entries.append(entry)

        note(ledger.started(source, walk, intake=run.intake, actor=run.actor, at=_stamp(run.started_at)))
        for refusal in walk.refused:
            note(ledger.refused(refusal))
        for number, found in enumerate(walk.found):
            progress("Copying off the card", number, len(walk.found))
            try:
                one = copy_in(
                    source,
                    found,
                    workspace.store,
                    known=lambda sha: filing.original_file(workspace, sha) is not None,
                    same_size=sizes.__contains__,
                )
            except CardReadError as trouble:
                refusal = Refusal(path=found.card_path, code="unreadable", reason=str(trouble))
                refused.append(refusal)
                note(ledger.refused(refusal, size=found.size))
                continue
            copied.append(one)
            note(ledger.copied(one))
        progress("Copying off the card", len(walk.found), len(walk.found))
        account = ledger.account(walk, entries)
        note(ledger.finished(account, at=_stamp(workspace.now())))
    if not account.adds_up:
        raise CardReadError(
            f"The list of {source.label} does not add up: {(*account.missing, *account.doubled)[:3]}.",
            "Leave the card untouched and run the intake again.",
        )
    return copied, refused


def _stamp(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


def _begin(workspace: Workspace, source: CardSource) -> IntakeRow:
    now = workspace.now()
    run = IntakeRow(
        intake=new_intake_id(now),
        source=str(source.root),
        label=source.label,
        actor=workspace.actor,
        started_at=now,
        finished_at=None,
        refused=(),
    )
    workspace.catalog.photos.put_intake(run)
    workspace.record("intake_started", run.intake, source=run.source, label=run.label)
    return run


def _written_down(workspace: Workspace, run: IntakeRow, copied: Sequence[Copied]) -> list[Sha256]:
    """Enter the kept files in the catalog; returns their digests, each once, in the card's order."""
    rows = [(one.found, one.sha256, Path(one.found.card_path).suffix.lower()) for one in copied]
    workspace.catalog.photos.add_originals(run.intake, rows)
    return list(dict.fromkeys(one.sha256 for one in copied))


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


def new_intake_id(now: datetime) -> IntakeId:
    """The run's start, UTC, and four letters: sorts as it happened, and two never meet."""
    return IntakeId(f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}")


def _refuse_overlap(workspace: Workspace, source: CardSource) -> None:
    card, archive = source.root, workspace.root.resolve()
    if card == archive or card in archive.parents or archive in card.parents:
        raise BadInputError(
            f"The source {source.root} and the archive lie inside one another.",
            "Take in the card itself, or move the archive out of it.",
        )
    for target in workspace.settings.target:
        place = target.path.absolute()
        if card == place or place in card.parents:
            raise BadInputError(
                f"The source {source.root} is the backup target '{target.name}'.", "Take in the card itself."
            )


# --- looking -----------------------------------------------------------------------------


def describe(
    workspace: Workspace,
    digests: Sequence[Sha256],
    *,
    executor: Executor | None = None,
    progress: Progress = quiet,
) -> None:
    """Read the camera's facts and look at the pixels of what was not looked at yet.

    A photo that breaks its look is flagged and filed all the same. Results are kept in small batches,
    so that a killed run does not look twice.
    """
    waiting = [one for one in workspace.catalog.photos.originals(digests).values() if not one.described]
    if not waiting:
        return
    intake = workspace.settings.intake
    options = LookOptions(read_writing=intake.read_writing, scene_kinds=intake.scene_kinds)
    files = {one.sha256: filing.require_original(workspace, one.sha256) for one in waiting}
    facts = {one.sha256: read_facts(files[one.sha256], one.kind) for one in waiting}
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
    looks = look_all(requests, workers=intake.workers, executor=executor, timeout_s=intake.look_timeout_s)
    for done, (sha, look) in enumerate(looks, start=1):
        batch.append((sha, facts[sha], look))
        progress("Looking at the photos", done, len(requests))
        if len(batch) >= LOOK_BATCH:
            workspace.catalog.photos.describe(batch)
            batch = []
    workspace.catalog.photos.describe(batch)


# --- the verdict -------------------------------------------------------------------------


def _report(
    workspace: Workspace,
    intake: IntakeId,
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
    rows = {row.claim.claim: row.claim for row in workspace.catalog.claims.all()}
    return IntakeReport(
        intake=intake,
        files=len(copied) + len(refused),
        kept=sum(one.outcome is Outcome.KEPT for one in copied),
        already_kept=sum(one.outcome is Outcome.ALREADY_KEPT for one in copied),
        refused=tuple(refused),
        claims=tuple(
            OnClaim(
                claim=claim,
                insured=rows[claim].insured,
                photos=len(marks),
                to_confirm=sum(marks),
            )
            for claim, marks in sorted(per_claim.items())
        ),
        unassigned=sum(record.claim is None for record in records),
        findings=findings,
        backup=backup,
        card=judge_card(workspace, copied, refused),
    )


def judge_card(workspace: Workspace, copied: Sequence[Copied], refused: Sequence[Refusal]) -> CardVerdict:
    """Whether the card may be erased (rule 4), from where each of its files was read back and matched."""
    copies = workspace.catalog.keeping.copies(list({one.sha256 for one in copied}))
    safety = workspace.settings.safety
    files = [
        *(OnCard(path=one.found.card_path, sha256=one.sha256) for one in copied),
        *(OnCard(path=refusal.path, refusal=refusal) for refusal in refused),
    ]
    places = {
        sha: [
            CopyPlace(
                place_id=row.place_id,
                name=row.place,
                off_computer=row.off_computer,
                verified_at=row.verified_at,
                found_bad_at=row.found_bad_at,
            )
            for row in rows
        ]
        for sha, rows in copies.items()
    }
    return card_verdict(files, places, SafetyPolicy(places=safety.places, off_computer=safety.off_computer))
