"""Take a purge back, as long as the copies are in quarantine."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from evidence.errors import PurgeRefusedError, counted
from evidence.model import ClaimId
from evidence.retention.persons import person_name
from evidence.retention.purge.approval import load_known_plan
from evidence.retention.purge.plan_files import FrozenPlan
from evidence.retention.purge.plans import PlannedClaim
from evidence.retention.purge.progress import Progress, PurgeStep
from evidence.retention.purge.repository import Repository, log_step


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenBack:
    """What was brought back."""

    claims: tuple[ClaimId, ...]
    stays: Mapping[str, int]
    """How many of their files stay under each other claim or the unassigned tray, see `Repository.restore`."""


def undo_plan(repository: Repository, folder: Path, *, by: str) -> TakenBack:
    """Bring back every claim of the plan that is in quarantine.

    A plan that was not run yet is withdrawn. Raises PurgeRefusedError when copies were deleted already, and then for
    a claim whose copies were not.
    """
    frozen, person = load_known_plan(repository, folder), person_name(by)
    progress = Progress(folder)
    begun = [one.claim for one in frozen.plan.claims if is_removing(progress, one.claim)]
    if begun:
        raise PurgeRefusedError(
            f"The copies of claim {begun[0]} are deleted already, or being deleted.",
            "Only claims in quarantine can be brought back; `evidence purge show PLAN` lists them.",
        )
    back, stays = [], Counter[str]()
    for planned in frozen.plan.claims:
        if progress.at(planned.claim, PurgeStep.UNDONE) is None:
            with repository.working_on(planned.claim):
                stays.update(bring_back(repository, frozen, progress, planned, person))
            back.append(planned.claim)
    return TakenBack(claims=tuple(back), stays=dict(sorted(stays.items())))


def stays_text(stays: Mapping[str, int]) -> str:
    """One sentence about the files that stay under other claims; empty for none."""
    many = sum(stays.values())
    if not many:
        return ""
    verb = "stays" if many == 1 else "stay"
    return f"{counted(many, 'file')} came in again meanwhile and {verb} under {' and '.join(sorted(stays))}."


def is_removing(progress: Progress, claim: ClaimId) -> bool:
    """True when the claim's copies are deleted, or are being deleted."""
    steps = (PurgeStep.REMOVING, PurgeStep.CLEARED, PurgeStep.DONE)
    older = progress.at(claim, PurgeStep.STARTED) and not progress.is_quarantine(claim)
    return bool(older) or any(progress.at(claim, step) for step in steps)


def bring_back(
    repository: Repository, frozen: FrozenPlan, progress: Progress, planned: PlannedClaim, person: str
) -> Mapping[str, int]:
    """Restore a claim from quarantine; a call that was killed is finished by the next one.

    Returns how many of its files stay under other claims, see `Repository.restore`.
    """
    claim = planned.claim
    noted = progress.note(claim, PurgeStep.UNDOING, repository.now(), by=person)
    started = progress.at(claim, PurgeStep.STARTED)
    stays = repository.restore(claim, frozen.digest) if started else {}
    details = (
        {"stays": "; ".join(f"{where}: {many}" for where, many in sorted(stays.items()))} if stays else {}
    )
    key = f"purge_undone:{frozen.digest}:{claim}"
    log_step(repository, key, "purge_undone", str(noted["by"]), claim, plan=frozen.digest, **details)
    if started:
        repository.end_quarantine(claim, frozen.digest)
    progress.note(claim, PurgeStep.UNDONE, repository.now())
    return stays
