"""Purge claims: plan, approve, run and take back, on an archive."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from evidence.disk.objects import sweep_parts
from evidence.errors import BadInputError, EvidenceError, counted
from evidence.filing.backup import make_ready, open_targets, push_log
from evidence.filing.bags import file_away, recover_bags
from evidence.filing.releases import owes, remove_purged, require_current
from evidence.filing.station_debts import owed_parts, settle_debts
from evidence.model import ClaimId, Finding
from evidence.office.date_check import require_right_date
from evidence.office.people import require_login, require_office
from evidence.office.purge_repository import ArchiveRepository
from evidence.office.rules import note_rules, schedule_of
from evidence.retention.purge.addresses import (
    OwedCopies,
)
from evidence.retention.purge.approval import approve
from evidence.retention.purge.plan_files import plan_folders
from evidence.retention.purge.planning import PlanTerms, make_plan
from evidence.retention.purge.progress import PROGRESS
from evidence.retention.purge.run import PurgeReport, run_plan
from evidence.retention.purge.taking_back import TakenBack, undo_plan
from evidence.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPurge:
    """A frozen plan, ready for a second person's approval."""

    plan: str
    """Name of the plan's folder."""
    digest: str
    claims: tuple[ClaimId, ...]
    owed: tuple[OwedCopies, ...]
    """Lost or replaced disks that may hold copies of these claims; the purge cannot reach them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedPurges:
    """What was removed here of claims that were purged at other stations."""

    removed: tuple[ClaimId, ...]
    findings: tuple[Finding, ...]
    """What stays for now, and why."""


def plan_purge(
    workspace: Workspace, claims: Sequence[ClaimId] | None = None, *, confirmed: date | None = None
) -> PlannedPurge:
    """Freeze a plan for these claims, or for all that are due; raises PurgeRefusedError when none may be purged.

    `confirmed` is today's date as a person confirms it, see `date_check`.
    """
    require_office(workspace, "plan a purge")
    terms = workspace.settings.purge
    require_right_date(workspace, confirmed=confirmed)
    schedule = schedule_of(workspace)
    note_rules(workspace, schedule)
    with workspace.filing(), workspace.alone():
        _finish_interrupted_work(workspace)
        frozen = make_plan(
            ArchiveRepository(workspace),
            schedule,
            by=workspace.actor,
            plans_folder=workspace.plans,
            claims=claims,
            logged_in=workspace.logged_in,
            terms=PlanTerms(quarantine_days=terms.quarantine_days, approval_days=terms.approval_days),
        )
    return PlannedPurge(
        plan=frozen.folder.name,
        digest=frozen.digest,
        claims=tuple(one.claim for one in frozen.plan.claims),
        owed=tuple(owed for one in frozen.plan.claims for owed in one.owed),
    )


def approve_purge(workspace: Workspace, plan: str) -> str:
    """Approve another person's plan; returns the digest that the approval is bound to."""
    require_office(workspace, "approve a purge")
    with workspace.locked():
        folder = plan_folder(workspace, plan)
        repository = ArchiveRepository(workspace)
        return approve(repository, folder, by=workspace.actor, logged_in=workspace.logged_in).digest


def run_purge(workspace: Workspace, plan: str, *, confirmed: date | None = None) -> PurgeReport:
    """Move every copy that an approved plan names into quarantine; after its days, delete all of it.

    Then search for more, and remove what names the claims. Running a plan again finishes what was left over. For
    `confirmed` see `date_check`.
    """
    require_office(workspace, "run a purge")
    folder = plan_folder(workspace, plan)
    require_right_date(workspace, confirmed=confirmed)
    schedule = schedule_of(workspace)
    note_rules(workspace, schedule)
    with workspace.filing(), workspace.alone():
        if not (folder / PROGRESS).exists():  # once the run has begun, bags are missing on purpose
            _finish_interrupted_work(workspace)
        repository = ArchiveRepository(workspace)
        report = run_plan(
            repository,
            schedule,
            folder,
            by=workspace.actor,
            logged_in=workspace.logged_in,
        )
        # The bag of a claim that was brought back may hold photos that are under another claim now.
        if any(not one.begun for one in report.refused):
            file_away(workspace)
        _follow(workspace)  # with a signed head, so that no later change of the log can hide the purge
        remaining = list(dict.fromkeys(repository.remaining))
        if report.purged and (owed := workspace.catalog.overwrite_deleted()):
            remaining.append(owed)
        if report.purged and (due := workspace.catalog.records.due_elsewhere()):
            files = counted(due, "record file")
            remaining.append(f"{files} at other stations, to be written by the next command there.")
        return replace(report, remaining=tuple(remaining))


def undo_purge(workspace: Workspace, plan: str) -> TakenBack:
    """Bring back every claim of the plan from quarantine, or withdraw a plan that was not run."""
    require_login(workspace)
    with workspace.filing(), workspace.alone():
        back = undo_plan(ArchiveRepository(workspace), plan_folder(workspace, plan), by=workspace.actor)
        file_away(workspace)
        _follow(workspace)
        return back


def _follow(workspace: Workspace) -> None:
    """Bring the record files and the archive's own files up to date, here and at the targets that are there.

    The record files there name the claim until they follow; an absent target gets them at its next backup. The log's
    head follows its entries: without a head over it, a last entry that a disk wrote wrongly looks like a later one.
    """
    ready = []
    for target in open_targets(workspace):
        with contextlib.suppress(EvidenceError):
            make_ready(workspace, target)
            ready.append(target)
    push_log(workspace, ready)


def _finish_interrupted_work(workspace: Workspace) -> None:
    """Bring the bags up to date: after a killed run, a bag may hold a photo that now belongs to another claim."""
    settle_debts(workspace)
    recover_bags(workspace)
    sweep_parts(workspace.store)
    file_away(workspace)


def finish_purges(workspace: Workspace) -> FinishedPurges:
    """Remove this station's part of claims that were purged at other stations, here and at the disks that are there."""
    owed = [one for one in owed_parts(workspace) if one.here]
    findings = settle_debts(workspace, overwrite=True)
    ready, unfinished = [], set()
    for target in open_targets(workspace):
        try:
            with workspace.filing():
                make_ready(workspace, target)
                require_current(workspace, target)
                left = remove_purged(workspace, target) if owes(workspace, target.name) else []
        except EvidenceError as trouble:
            findings.append(Finding(code="target_trouble", message=str(trouble), subject=target.name))
            continue
        findings += left
        unfinished |= {one.subject for one in left}
        ready.append(target)
    findings += push_log(workspace, ready, unfinished=unfinished)
    left_here = {one.claim for one in owed_parts(workspace) if one.here}
    return FinishedPurges(
        removed=tuple(one.claim for one in owed if one.claim not in left_here), findings=tuple(findings)
    )


def plan_folder(workspace: Workspace, plan: str) -> Path:
    """The folder of a plan, by its name or the first letters of it; raises BadInputError."""
    known = plan_folders(workspace.plans)
    found = [path for path in known if path.name.startswith(plan)]
    if len(found) != 1:
        raise BadInputError(
            f"There is no purge plan {plan}."
            if not found
            else f"{len(found)} purge plans begin with {plan}.",
            f"The plans are {', '.join(path.name for path in known) or 'none yet'}.",
        )
    return found[0]
