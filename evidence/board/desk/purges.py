"""Purge plans as the desk shows them: what each waits for, and what to type next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from shlex import quote
from urllib.parse import urlencode

from evidence.errors import EvidenceError, PurgeRefusedError
from evidence.office.purge_views import PURGED, TAKEN_BACK, PlannedClaimView, PlanView, view_plan
from evidence.retention.purge.plan_files import plan_folders
from evidence.workspace import Workspace


class PlanState(StrEnum):
    """What a plan waits for; the value completes 'the plan is'."""

    TO_APPROVE = "waiting for approval"
    APPROVED = "ready to be run"
    EXPIRED = "approved too long ago"
    QUARANTINE = "in quarantine"
    BEGUN = "not run to its end"
    DONE = "ended"
    UNREADABLE = "not readable"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPlan:
    """One plan."""

    name: str
    """Of its folder."""
    made: datetime
    """Aware, UTC."""
    state: PlanState
    view: PlanView | None = None
    """None when it cannot be read."""
    trouble: str = ""
    """Why it cannot be read."""

    @property
    def path(self) -> str:
        """The address of its page."""
        return f"/desk/purge?{urlencode({'plan': self.name})}"

    @property
    def claims(self) -> tuple[PlannedClaimView, ...]:
        """Its claims."""
        return self.view.claims if self.view else ()

    @property
    def by(self) -> str:
        """Who made it; empty when that cannot be read."""
        return self.view.planned_by if self.view else ""

    @property
    def approved_by(self) -> str:
        """Who approved it; empty for nobody."""
        return (self.view.approved_by if self.view else "") or ""

    @property
    def command(self) -> str:
        """What to type next; empty when nothing is left to do."""
        if self.state in {PlanState.APPROVED, PlanState.BEGUN, PlanState.QUARANTINE}:
            return f"evidence purge run {quote(self.name)}"
        return "evidence purge plan" if self.state is PlanState.EXPIRED else ""

    @property
    def undo_command(self) -> str:
        """What brings everything back, or withdraws the plan; empty when that is no longer possible."""
        undoable = {PlanState.TO_APPROVE, PlanState.APPROVED, PlanState.EXPIRED, PlanState.QUARANTINE}
        return f"evidence purge undo {quote(self.name)}" if self.state in undoable else ""

    @property
    def until(self) -> datetime | None:
        """Through when a claim in quarantine can be brought back, the first of them; aware, UTC."""
        return min((one.until for one in self.claims if one.until), default=None)


def plans(workspace: Workspace) -> list[ShownPlan]:
    """Every plan, the newest first."""
    return [shown_plan(workspace, folder) for folder in reversed(plan_folders(workspace.plans))]


def shown_plan(workspace: Workspace, folder: Path) -> ShownPlan:
    """One plan by its folder; a plan that cannot be read is shown as such."""
    try:
        view = view_plan(workspace, folder.name)
        if not folder.name.endswith(view.digest[:12]):
            raise PurgeRefusedError(f"{folder.name}: this plan was altered.", "Make a new plan.")
    except EvidenceError as trouble:
        made = datetime.fromtimestamp(folder.stat().st_mtime).astimezone()
        return ShownPlan(name=folder.name, made=made, state=PlanState.UNREADABLE, trouble=str(trouble))
    today = workspace.today()
    return ShownPlan(name=folder.name, made=view.made, state=_state(view, today), view=view)


def _state(view: PlanView, today: date) -> PlanState:
    states = {one.state for one in view.claims}
    if states <= {PURGED, TAKEN_BACK}:
        return PlanState.DONE
    if "in quarantine" in states:
        return PlanState.QUARANTINE
    if states != {"planned"}:
        return PlanState.BEGUN
    if not view.approved_by:
        return PlanState.TO_APPROVE
    expired = view.approval_ends is not None and today > view.approval_ends
    return PlanState.EXPIRED if expired else PlanState.APPROVED
