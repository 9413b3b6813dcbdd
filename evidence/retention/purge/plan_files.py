"""The files of a plan, which a person can read: the plan, and for each claim its details until the claim is purged."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path

from evidence.disk.durable import sync_folder
from evidence.disk.faults import writing
from evidence.errors import BadInputError, PurgeRefusedError
from evidence.model import ClaimId
from evidence.retention.purge.plan_json import canonical, details, read_plan, sealed, with_details
from evidence.retention.purge.plans import Plan, PlanFormat, PlannedClaim
from evidence.retention.purge.released import DECIDED_ELSEWHERE
from evidence.retention.purge.stored import write_once

PLAN = "plan.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenPlan:
    """A plan with its digest and the folder that holds its files."""

    plan: Plan
    digest: str
    folder: Path


def freeze(plan: Plan, plans_folder: Path) -> FrozenPlan:
    """Write the plan into its own folder below `plans_folder`, named by its time and digest."""
    plan = replace(plan, claims=tuple(map(sealed, plan.claims)))
    data = canonical(plan)
    digest = hashlib.sha256(data).hexdigest()
    folder = plans_folder / f"{plan.made:%Y%m%dT%H%M%SZ}-{digest[:12]}"
    for planned in plan.claims:
        write_once(details_path(folder, planned.claim), details(planned))
    write_once(folder / PLAN, data)
    return FrozenPlan(plan=plan, digest=digest, folder=folder)


def load_plan(folder: Path) -> FrozenPlan:
    """Read a plan. Raises BadInputError when there is none, PurgeRefusedError when its file was altered."""
    path = folder / PLAN
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInputError(
            f"{folder}: no purge plan can be read there ({error.strerror}).",
            "Make one with `evidence purge plan`.",
        ) from None
    try:
        plan = read_plan(json.loads(data))
        intact = canonical(plan) == data
        if plan.format is PlanFormat.DETAILS:
            plan = replace(plan, claims=tuple(_load_details(one, folder) for one in plan.claims))
    except (ValueError, KeyError, TypeError, AttributeError):
        intact = False
    if not intact:
        raise PurgeRefusedError(f"{path}: this plan file was altered or is damaged.", "Make a new plan.")
    return FrozenPlan(plan=plan, digest=hashlib.sha256(data).hexdigest(), folder=folder)


def _load_details(planned: PlannedClaim, folder: Path) -> PlannedClaim:
    """The claim with its details; once their file is gone, as it is."""
    try:
        data = details_path(folder, planned.claim).read_bytes()
    except FileNotFoundError:
        return planned
    return with_details(planned, data)


def plan_folders(plans_folder: Path) -> list[Path]:
    """The folder of every plan, oldest first."""
    if not plans_folder.is_dir():
        return []
    return sorted(path for path in plans_folder.iterdir() if path.is_dir() and path.name != DECIDED_ELSEWHERE)


def details_path(folder: Path, claim: ClaimId) -> Path:
    """The details file of a claim; its name holds no claim number, which a file name may not allow."""
    return folder / f"details-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.json"


def remove_details(plans_folder: Path, claim: ClaimId) -> None:
    """Remove a claim's details from every plan, also from one that was never run or begun by a killed program.

    Raises DestinationError.
    """
    name = details_path(plans_folder, claim).name
    with writing(plans_folder):
        for path in sorted(plans_folder.glob(f"*/{name}*")):  # with what a killed write left
            path.unlink(missing_ok=True)
            sync_folder(path.parent)


def retire_older_plan(frozen: FrozenPlan) -> None:
    """Remove the plan file of an older program, which names files and bags, once all its claims are purged."""
    if frozen.plan.format is not PlanFormat.DETAILS:
        with writing(frozen.folder):
            (frozen.folder / PLAN).unlink(missing_ok=True)
            sync_folder(frozen.folder)
