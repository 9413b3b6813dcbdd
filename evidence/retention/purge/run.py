"""Run an approved plan: every copy into quarantine, after the plan's days for good, then the certificate.

The next run finishes a run that was killed. A claim that no longer matches its plan is left alone and reported.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from evidence.errors import EvidenceError, PurgeRefusedError, counted
from evidence.model import ClaimId
from evidence.retention.persons import person_name
from evidence.retention.purge.addresses import (
    CopyAddress,
    OwedCopies,
    TargetBag,
    elsewhere,
    here,
    owed_line,
    place_lines,
    place_text,
    removal_rank,
    station_left,
)
from evidence.retention.purge.approval import load_known_plan, require_approval
from evidence.retention.purge.certifying import Purged, conclude
from evidence.retention.purge.last_check import (
    PurgeStoppedError,
    check_disposition,
    check_last_moment,
    require_fresh_approval,
    require_no_strays,
)
from evidence.retention.purge.plan_files import retire_older_plan
from evidence.retention.purge.plans import PlannedClaim
from evidence.retention.purge.progress import Progress, PurgeStep, time_of
from evidence.retention.purge.purge_run import PurgeRun
from evidence.retention.purge.repository import Repository, serves_another
from evidence.retention.purge.taking_back import bring_back, is_removing, stays_text
from evidence.retention.schedule import RetentionSchedule


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A claim of the plan that was not purged, or only in part, and why."""

    claim: ClaimId
    reason: str
    begun: bool
    """True when some of its copies may be gone already."""
    left: tuple[CopyAddress, ...] = ()
    """Copies that were still found after the removal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quarantined:
    """A claim whose copies are in quarantine: they can be brought back until a run after that moment deletes them."""

    claim: ClaimId
    until: datetime
    """Aware, UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeReport:
    """The result of one run of a plan; every claim of the plan is in one of the three lists."""

    purged: tuple[Purged, ...]
    refused: tuple[Refused, ...]
    quarantined: tuple[Quarantined, ...] = ()
    remaining: tuple[str, ...] = ()
    """What could not be removed yet, or never can, as text."""


def run_plan(
    repository: Repository, schedule: RetentionSchedule, folder: Path, *, by: str, logged_in: bool = False
) -> PurgeReport:
    """Purge the claims of an approved plan, after a last check of each: into quarantine, and after its days for good.

    A claim that is held, reopened, no longer due, or has other photos or copies than planned is refused and left
    unchanged; the other claims are purged. Running again finishes an interrupted run. Raises PurgeRefusedError when
    the plan was altered, was made under other retention rules, or no second person approved it.
    """
    frozen, person = load_known_plan(repository, folder), person_name(by)
    run = PurgeRun(
        repository=repository,
        schedule=schedule,
        frozen=frozen,
        approval=require_approval(repository, frozen),
        by=person,
        logged_in=logged_in,
        progress=Progress(folder),
    )
    begun = any(run.progress.at(one.claim, PurgeStep.STARTED) for one in frozen.plan.claims)
    if not begun and run.has_other_rules:
        raise PurgeRefusedError(
            "The retention rules are others than when this plan was made.", "Make a new plan."
        )
    outcomes = [_purge(run, planned) for planned in frozen.plan.claims]
    if all(run.progress.at(one.claim, PurgeStep.DONE) for one in frozen.plan.claims):
        retire_older_plan(frozen)
    return PurgeReport(
        purged=tuple(one for one in outcomes if isinstance(one, Purged)),
        refused=tuple(one for one in outcomes if isinstance(one, Refused)),
        quarantined=tuple(one for one in outcomes if isinstance(one, Quarantined)),
    )


def _purge(run: PurgeRun, planned: PlannedClaim) -> Purged | Refused | Quarantined:
    """Purge one claim, from where the last run stopped."""
    try:
        with run.repository.working_on(planned.claim):
            return _carried_out(run, planned)
    except (PurgeStoppedError, EvidenceError) as stop:
        begun = is_removing(run.progress, planned.claim)
        left = stop.left if isinstance(stop, PurgeStoppedError) else ()
        _log_stopped(run, planned, str(stop), begun=begun)
        return Refused(claim=planned.claim, reason=str(stop), begun=begun, left=left)


def _carried_out(run: PurgeRun, planned: PlannedClaim) -> Purged | Quarantined:
    _refuse_undone(run, planned)
    if run.frozen.plan.quarantine_days and not is_removing(run.progress, planned.claim):
        until = _quarantine(run, planned)
        if run.repository.now() < until:
            return Quarantined(claim=planned.claim, until=until)
    if not run.progress.at(planned.claim, PurgeStep.CLEARED):
        _clear(run, planned)
    return conclude(run, planned)


def _refuse_undone(run: PurgeRun, planned: PlannedClaim) -> None:
    undoing = run.progress.at(planned.claim, PurgeStep.UNDOING)
    if undoing is None:
        return
    if run.progress.at(planned.claim, PurgeStep.UNDONE) is None:
        bring_back(run.repository, run.frozen, run.progress, planned, str(undoing["by"]))
    raise PurgeStoppedError(f"{undoing['by']} took this purge back; make a new plan")


def _quarantine(run: PurgeRun, planned: PlannedClaim) -> datetime:
    """Move every copy into quarantine, once; returns when they may be deleted.

    A claim that is held or no longer due is brought back.
    """
    claim, plan = planned.claim, run.frozen.digest
    try:
        if run.progress.at(claim, PurgeStep.STARTED):
            check_disposition(run, claim)
        else:
            require_no_strays(check_last_moment(run, planned))
            require_fresh_approval(run)
            run.progress.note(claim, PurgeStep.STARTED, run.repository.now(), by=run.by, quarantine="yes")
        run.log(f"purge_started:{plan}:{claim}", "purge_started", run.by, claim)
        if not run.progress.at(claim, PurgeStep.ASIDE):
            _set_all_aside(run, planned)
        check_disposition(run, claim)
    except PurgeStoppedError as stop:
        if run.progress.at(claim, PurgeStep.STARTED):
            stays = stays_text(bring_back(run.repository, run.frozen, run.progress, planned, run.by))
            told = ". ".join(filter(None, [f"{stop}; every copy was brought back", stays.rstrip(".")]))
            raise PurgeStoppedError(told) from None
        raise
    aside = run.progress.note(claim, PurgeStep.ASIDE, run.repository.now(), by=run.by)
    return time_of(aside) + timedelta(days=run.frozen.plan.quarantine_days)


def _set_all_aside(run: PurgeRun, planned: PlannedClaim) -> None:
    claim, plan = planned.claim, run.frozen.digest
    with run.repository.removing():
        check_disposition(run, claim)
        run.repository.begin_quarantine(claim, plan)
    for copy in sorted(here(planned.copies), key=removal_rank):
        with run.repository.removing():
            check_disposition(run, claim)
            if not serves_another(run.repository, copy, claim):
                run.repository.set_aside(claim, plan, copy)


def _clear(run: PurgeRun, planned: PlannedClaim) -> None:
    """Remove every copy and search again; the claim counts as cleared only when nothing is found."""
    claim = planned.claim
    owed: tuple[OwedCopies, ...] = ()
    if run.progress.is_quarantine(claim):
        owed = _remove_quarantine(run, planned)
    else:
        _remove_at_once(run, planned)
    left = [
        c
        for c in run.repository.find_copies(claim, planned.photos)
        if not serves_another(run.repository, c, claim)
    ]
    if left:
        raise PurgeStoppedError(
            f"{counted(len(left), 'copy', 'copies')} still there after removal, first {place_text(left[0])}",
            left,
        )
    known = {*planned.copies, *planned.spared}
    spared = {copy for copy in known if serves_another(run.repository, copy, claim)}
    left_with = run.repository.left_with(elsewhere(known - spared))
    owed = (*owed, *left_with)
    stations = [
        copy
        for copy in elsewhere(known - spared)
        if station_left(copy.name) not in {one.target for one in left_with}
    ]
    run.progress.note(
        claim,
        PurgeStep.CLEARED,
        run.repository.now(),
        by=run.by,
        removed=list(place_lines(here(known - spared))),
        stays=[*place_lines(spared), *_bags_of_others(run, planned)],
        stations=list(place_lines(stations)),
        owed=[owed_line(one) for one in (*planned.owed, *owed)],
        owed_targets=sorted({one.target for one in (*planned.owed, *owed)}),
        logged_in="yes" if run.logged_in else "",
    )


def _bags_of_others(run: PurgeRun, planned: PlannedClaim) -> list[str]:
    """The certificate's line about files that other claims hold, too, as when a card brought them again meanwhile."""
    claim, holding = planned.claim, run.repository.claims_holding
    many = sum(any(other != claim for other in holding(sha)) for sha in planned.photos)
    return [f"bags of other claims or the unassigned tray: {counted(many, 'file')}"] if many else []


def _remove_quarantine(run: PurgeRun, planned: PlannedClaim) -> tuple[OwedCopies, ...]:
    """Delete the copies in quarantine; returns the targets that are away with theirs."""
    claim, plan = planned.claim, run.frozen.digest
    targets = sorted({copy.target for copy in planned.copies if isinstance(copy, TargetBag)})
    with run.repository.removing():
        check_disposition(run, claim)
        run.progress.note(claim, PurgeStep.REMOVING, run.repository.now(), by=run.by)
    with run.repository.removing():
        check_disposition(run, claim)
        away = run.repository.remove_aside(claim, plan, targets)
    return tuple(
        OwedCopies(
            target=name,
            place=name,
            state="away",
            since=run.repository.today().isoformat(),
            reason="not connected when the copies in quarantine were deleted",
            by="",
            files=planned.files,
        )
        for name in away
    )


def _remove_at_once(run: PurgeRun, planned: PlannedClaim) -> None:
    """Remove every copy without quarantine, in the order of `removal_rank`."""
    claim = planned.claim
    if not run.progress.at(claim, PurgeStep.STARTED):
        require_fresh_approval(run)
    copies = check_last_moment(run, planned)
    started = run.progress.note(claim, PurgeStep.STARTED, run.repository.now(), by=run.by)
    run.log(f"purge_started:{run.frozen.digest}:{claim}", "purge_started", started["by"], claim)
    for copy in sorted(here(copies), key=removal_rank):
        with run.repository.removing():
            check_disposition(run, claim)
            if not serves_another(run.repository, copy, claim):
                run.repository.remove(copy)


def _log_stopped(run: PurgeRun, planned: PlannedClaim, reason: str, *, begun: bool) -> None:
    """Log that the purge of the claim stopped, once for each reason."""
    what = hashlib.sha256(reason.encode()).hexdigest()[:12]
    key = f"purge_stopped:{run.frozen.digest}:{planned.claim}:{what}"
    run.log(key, "purge_stopped", run.by, planned.claim, reason=reason, begun=str(begun).lower())
