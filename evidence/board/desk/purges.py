"""Purge plans as the desk shows them: what they hold, who made and approved them, and how far they have come."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from shlex import quote
from urllib.parse import urlencode

from evidence.errors import EvidenceError, PurgeRefusedError
from evidence.model import ClaimId
from evidence.retention.addresses import CopyAddress, Stray, TargetBag
from evidence.retention.plans import PlannedClaim, Progress, PurgeStep, load_plan, read_approval
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace


class PlanState(StrEnum):
    """How far a plan has come; the value completes 'the plan is'."""

    TO_APPROVE = "waiting for approval"
    APPROVED = "ready to be run"
    BEGUN = "not run to its end"
    DONE = "done"
    UNREADABLE = "not readable"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPlan:
    """One plan."""

    name: str
    """Of its folder."""
    made: datetime
    """Aware, UTC."""
    by: str
    claims: tuple[PlannedClaim, ...]
    done: frozenset[ClaimId]
    """Claims whose certificate is written."""
    approved_by: str
    approved_at: datetime | None
    """Aware, UTC."""
    state: PlanState
    trouble: str = ""
    """Why it cannot be read."""

    @property
    def path(self) -> str:
        """The address of its page."""
        return f"/desk/purge?{urlencode({'plan': self.name})}"

    @property
    def command(self) -> str:
        """What to type next; empty when nothing is left to do."""
        if self.state in {PlanState.APPROVED, PlanState.BEGUN}:
            return f"evidence purge run {quote(self.name)}"
        return ""

    @property
    def files(self) -> int:
        """Files of all claims."""
        return sum(self.files_of(one) for one in self.claims)

    @staticmethod
    def files_of(claim: PlannedClaim) -> int:
        """Files of one claim, once each."""
        return claim.files or len(set(claim.photos))

    @staticmethod
    def places_of(claim: PlannedClaim) -> tuple[str, ...]:
        """Where copies of one claim are that the purge removes, without names of bags."""
        return claim.places or tuple(sorted({_place(copy) for copy in claim.copies}))


def _place(copy: CopyAddress) -> str:
    return (copy.target if isinstance(copy, TargetBag | Stray) else "") or ARCHIVE_PLACE


def plans(workspace: Workspace) -> list[ShownPlan]:
    """Every plan, the newest first."""
    if not workspace.plans.is_dir():
        return []
    folders = sorted((path for path in workspace.plans.iterdir() if path.is_dir()), reverse=True)
    return [shown_plan(folder) for folder in folders]


def shown_plan(folder: Path) -> ShownPlan:
    """One plan by its folder; a plan that cannot be read is shown as such."""
    try:
        frozen = load_plan(folder)
        if not folder.name.endswith(frozen.digest[:12]):
            raise PurgeRefusedError(f"{folder.name}: this plan was altered.", "Make a new plan.")
        approval = read_approval(frozen)
    except EvidenceError as trouble:
        made = datetime.fromtimestamp(folder.stat().st_mtime).astimezone()
        return ShownPlan(
            name=folder.name,
            made=made,
            by="",
            claims=(),
            done=frozenset(),
            approved_by="",
            approved_at=None,
            state=PlanState.UNREADABLE,
            trouble=str(trouble),
        )
    progress = Progress(folder)
    claims = frozen.plan.claims
    done = frozenset(one.claim for one in claims if progress.at(one.claim, PurgeStep.DONE))
    begun = any(progress.at(one.claim, PurgeStep.STARTED) for one in claims)
    state = PlanState.APPROVED if approval else PlanState.TO_APPROVE
    if len(done) == len(claims):
        state = PlanState.DONE
    elif begun:
        state = PlanState.BEGUN
    return ShownPlan(
        name=folder.name,
        made=frozen.plan.made,
        by=frozen.plan.by,
        claims=claims,
        done=done,
        approved_by=approval.by if approval else "",
        approved_at=approval.at if approval else None,
        state=state,
    )
