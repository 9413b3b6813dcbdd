"""Purge plans as people see them: claims, people, what cannot be reached, and how far each has come."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from evidence.errors import EvidenceError
from evidence.filing.station_debts import owed_parts, part_words
from evidence.model import ClaimId
from evidence.office.purging import plan_folder
from evidence.retention.purge.addresses import owed_line, place_lines
from evidence.retention.purge.approval import Approval, read_approval
from evidence.retention.purge.plan_files import FrozenPlan, load_plan, plan_folders
from evidence.retention.purge.plans import PlannedClaim
from evidence.retention.purge.progress import Progress, PurgeStep, time_of
from evidence.workspace import Workspace

PURGED, TAKEN_BACK = "purged", "taken back"
"""States of a claim of which nothing is left to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedClaimView:
    """One claim of a plan. Insured and dates are empty once it is purged."""

    claim: ClaimId
    state: str
    """`planned`, `in quarantine`, `being deleted`, `purged` or `taken back`."""
    until: datetime | None
    """Through when it can be brought back, aware, UTC; only in quarantine."""
    since: date
    """The first day on which it could be purged."""
    reason: str
    insured: str
    taken: tuple[str, ...]
    files: int
    octets: int
    places: tuple[str, ...]
    owed: tuple[str, ...]
    """Disks that the purge cannot reach, and archives of stations that left."""
    stations: tuple[str, ...]
    """Stations that are still to remove their part of the purged claim, as sentences without an end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanView:
    """One plan."""

    plan: str
    digest: str
    state: str
    """The state of its claims, or `approved` or `planned`."""
    made: datetime
    planned_by: str
    planned_with_login: bool
    approved_by: str | None
    approved_with_login: bool
    approval_ends: date | None
    rules: str
    """Digest of the retention rules."""
    claims: tuple[PlannedClaimView, ...]


def view_plan(workspace: Workspace, plan: str) -> PlanView:
    """One plan by its name or first letters. Raises BadInputError, PurgeRefusedError."""
    folder = plan_folder(workspace, plan)
    frozen = load_plan(folder)
    parts: dict[ClaimId, list[str]] = {one.claim: [] for one in frozen.plan.claims}
    for part in owed_parts(workspace):
        parts.get(part.claim, []).append(part_words(part))
    return _view(frozen, read_approval(frozen), Progress(folder), parts)


def view_plans(workspace: Workspace) -> list[PlanView]:
    """Every plan that can be read, oldest first."""
    found = []
    for folder in plan_folders(workspace.plans):
        try:
            found.append(view_plan(workspace, folder.name))
        except EvidenceError:
            continue  # an older plan that was thinned, or a damaged one: `show` says why
    return found


def _view(
    frozen: FrozenPlan,
    approval: Approval | None,
    progress: Progress,
    parts: Mapping[ClaimId, Sequence[str]],
) -> PlanView:
    plan = frozen.plan
    claims = tuple(_claim(frozen, one, progress, parts[one.claim]) for one in plan.claims)
    states = list(dict.fromkeys(one.state for one in claims))
    state = ", ".join(states)
    if state == "planned" and approval:
        state = "approved"
    ends = None
    if approval and plan.approval_days:
        ends = (approval.at + timedelta(days=plan.approval_days)).date()
    return PlanView(
        plan=frozen.folder.name,
        digest=frozen.digest,
        state=state,
        made=plan.made,
        planned_by=plan.by,
        planned_with_login=plan.logged_in,
        approved_by=approval.by if approval else None,
        approved_with_login=bool(approval and approval.logged_in),
        approval_ends=ends,
        rules=plan.rules,
        claims=claims,
    )


def _claim(
    frozen: FrozenPlan, planned: PlannedClaim, progress: Progress, parts: Sequence[str]
) -> PlannedClaimView:
    state, until = "planned", None
    aside = progress.at(planned.claim, PurgeStep.ASIDE)
    if progress.at(planned.claim, PurgeStep.DONE):
        state = PURGED
    elif progress.at(planned.claim, PurgeStep.UNDOING):
        state = TAKEN_BACK
    elif progress.at(planned.claim, PurgeStep.REMOVING) or progress.at(planned.claim, PurgeStep.CLEARED):
        state = "being deleted"
    elif aside:
        state = "in quarantine"
        until = time_of(aside) + timedelta(days=frozen.plan.quarantine_days)
    elif progress.at(planned.claim, PurgeStep.STARTED):
        state = "being moved" if progress.is_quarantine(planned.claim) else "being deleted"
    return PlannedClaimView(
        claim=planned.claim,
        state=state,
        until=until,
        since=planned.since,
        reason=planned.reason,
        insured=planned.insured,
        taken=planned.taken,
        files=planned.files or len(planned.photos),
        octets=planned.octets,
        places=planned.places or place_lines(planned.copies),
        owed=tuple(map(owed_line, planned.owed)),
        stations=tuple(parts),
    )
