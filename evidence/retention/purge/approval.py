"""A second person's approval of one plan, bound to the plan's digest."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import rfc8785

from evidence.errors import PurgeRefusedError
from evidence.retention.persons import folded, person_name, same_person
from evidence.retention.purge.plan_files import FrozenPlan, load_plan
from evidence.retention.purge.plans import Plan
from evidence.retention.purge.repository import Repository, log_step
from evidence.retention.purge.stored import read_time, stamp, write_once

APPROVAL = "approval.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Approval:
    """A second person's approval of one plan."""

    digest: str
    """Of the plan."""
    by: str
    at: datetime
    """Aware, UTC, whole seconds."""
    logged_in: bool = False


def approve(repository: Repository, folder: Path, *, by: str, logged_in: bool = False) -> Approval:
    """A second person's approval of the plan in `folder`, bound to its digest.

    Raises PurgeRefusedError when the plan was altered or the same person made it; case and spaces of the names do
    not matter.
    """
    frozen, person = load_known_plan(repository, folder), person_name(by)
    if _is_planner(frozen.plan, person, logged_in=logged_in):
        raise PurgeRefusedError(
            f"{person} made this plan and cannot approve it.", "Ask another person to approve it."
        )
    known = read_approval(frozen)
    if known is not None:
        _check_approval(repository, frozen, known)
        return known
    approval = Approval(
        digest=frozen.digest, by=person, at=repository.now().replace(microsecond=0), logged_in=logged_in
    )
    log_step(repository, _approval_key(approval), "purge_approved", person, plan=frozen.digest)
    write_approval(frozen, approval)
    return approval


def require_approval(repository: Repository, frozen: FrozenPlan) -> Approval:
    """The approval of the plan. Raises PurgeRefusedError when no second person gave one that the custody log holds."""
    approval = read_approval(frozen)
    if approval is None:
        raise PurgeRefusedError(
            "This plan is not approved.", "Ask a second person to run `evidence purge approve`."
        )
    _check_approval(repository, frozen, approval)
    return approval


def write_approval(frozen: FrozenPlan, approval: Approval) -> None:
    """Write the approval beside its plan."""
    data: dict[str, Any] = {
        "format": "purge-approval-1",
        "plan": approval.digest,
        "by": approval.by,
        "at": stamp(approval.at),
        "logged_in": approval.logged_in,
    }
    write_once(frozen.folder / APPROVAL, rfc8785.dumps(data))


def read_approval(frozen: FrozenPlan) -> Approval | None:
    """The approval beside the plan, or None. Raises PurgeRefusedError when it is for another plan or damaged."""
    path = frozen.folder / APPROVAL
    if not path.exists():
        return None
    try:
        data = json.loads(path.read_bytes())
        approval = Approval(
            digest=data["plan"],
            by=data["by"],
            at=read_time(data["at"]),
            logged_in=bool(data.get("logged_in", False)),
        )
    except (ValueError, KeyError, TypeError):
        raise PurgeRefusedError(f"{path}: this approval cannot be read.", "Make a new plan.") from None
    if approval.digest != frozen.digest:
        raise PurgeRefusedError(
            f"{path}: this approves another plan.", "Have this plan approved, or make a new one."
        )
    return approval


def load_known_plan(repository: Repository, folder: Path) -> FrozenPlan:
    """The plan in `folder`. Raises PurgeRefusedError when the custody log has no entry for it."""
    frozen = load_plan(folder)
    if not repository.is_logged(f"purge_planned:{frozen.digest}"):
        raise PurgeRefusedError("This plan was altered, or made in another archive.", "Make a new plan.")
    return frozen


def _is_planner(plan: Plan, name: str, *, logged_in: bool) -> bool:
    """Two people who both logged in are compared by their registered rows, other names by how they look."""
    if plan.logged_in and logged_in:
        return plan.by == name
    return same_person(plan.by, name)


def _check_approval(repository: Repository, frozen: FrozenPlan, approval: Approval) -> None:
    """Raise PurgeRefusedError for an approval by the planner, or one without an entry in the custody log."""
    is_planner = _is_planner(frozen.plan, approval.by, logged_in=approval.logged_in)
    if is_planner or not repository.is_logged(_approval_key(approval)):
        raise PurgeRefusedError("This approval was not given by a second person.", "Make a new plan.")


def _approval_key(approval: Approval) -> str:
    return f"purge_approved:{approval.digest}:{folded(approval.by)}"
