"""What must still hold in the moment before a copy of a claim is removed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from evidence.errors import counted
from evidence.model import ClaimId
from evidence.retention.disposition import Due, Held, disposition_of
from evidence.retention.purge.addresses import CopyAddress, Stray, place_text, removal_rank
from evidence.retention.purge.plans import PlannedClaim
from evidence.retention.purge.progress import PurgeStep
from evidence.retention.purge.purge_run import PurgeRun
from evidence.retention.purge.repository import serves_another


class PurgeStoppedError(Exception):
    """Nothing (more) of the claim may be removed."""

    def __init__(self, reason: str, left: Sequence[CopyAddress] = ()) -> None:
        self.left = tuple(left)
        super().__init__(reason)


def check_disposition(run: PurgeRun, claim: ClaimId) -> None:
    """Raise PurgeStoppedError when the claim is held, or not due today."""
    facts, today = run.repository.facts(claim), run.repository.today()
    disposition = disposition_of(facts, run.schedule, today=today)
    if isinstance(disposition, Held):
        raise PurgeStoppedError(disposition.reason)
    if not isinstance(disposition, Due):
        raise PurgeStoppedError(f"not due: {disposition.reason}")


def require_fresh_approval(run: PurgeRun) -> None:
    """Raise PurgeStoppedError when the approval has expired."""
    days = run.frozen.plan.approval_days
    if days and run.repository.now() > run.approval.at + timedelta(days=days):
        raise PurgeStoppedError(
            f"the approval of {run.approval.at.date()} has expired after {days} days; make a new plan"
        )


def check_last_moment(run: PurgeRun, planned: PlannedClaim) -> tuple[CopyAddress, ...]:
    """The copies to remove now. Raises PurgeStoppedError when the claim no longer matches the plan."""
    check_disposition(run, planned.claim)
    begun = run.progress.at(planned.claim, PurgeStep.STARTED) is not None
    if not begun and run.has_other_rules:
        raise PurgeStoppedError("the retention rules changed after the plan was made; make a new plan")
    _check_files(run, planned, begun=begun)
    return _check_copies(run, planned)


def require_no_strays(copies: Sequence[CopyAddress]) -> None:
    """Raise PurgeStoppedError when one of the copies lies outside the claim's bag: quarantine cannot take it."""
    strays = [copy for copy in copies if isinstance(copy, Stray)]
    if strays:
        raise PurgeStoppedError(
            f"{place_text(strays[0])} holds one of the claim's photos outside its bag; run `evidence backup`, or "
            "remove that file by hand if it is still there, then make a new plan",
            strays,
        )


def _check_files(run: PurgeRun, planned: PlannedClaim, *, begun: bool) -> None:
    photos = set(run.repository.photos(planned.claim))
    if more := photos - set(planned.photos):
        raise PurgeStoppedError(
            f"{counted(len(more), 'file')} came to the claim after the plan was made; make a new plan"
        )
    if not begun and (fewer := set(planned.photos) - photos):
        raise PurgeStoppedError(
            f"{counted(len(fewer), 'file')} left the claim after the plan was made; make a new plan"
        )


def _check_copies(run: PurgeRun, planned: PlannedClaim) -> tuple[CopyAddress, ...]:
    repository, claim = run.repository, planned.claim
    known = repository.known_copies(claim)
    present = tuple(copy for copy in known if not serves_another(repository, copy, claim))
    if unplanned := set(present) - {*planned.copies, *planned.spared}:
        first = place_text(min(unplanned, key=removal_rank))
        raise PurgeStoppedError(f"{first} is not in the plan; make a new plan")
    if set(repository.owed_copies(claim)) - set(planned.owed):
        raise PurgeStoppedError(
            "a target with copies was lost or replaced after the plan was made; make a new plan"
        )
    away = {one.target for one in planned.owed if one.state == "away"}
    for one in repository.away_copies(claim):
        if one.target not in away:
            raise PurgeStoppedError(
                f"the backup target {one.target} was there when the plan was made and is away now; connect it, "
                "or make a new plan, which lists it as owed"
            )
    return present
