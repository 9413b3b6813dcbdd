"""Delete every copy of a claim's photos, by a frozen plan and two people, and certify it.

Three steps, each by a person: `make_plan` freezes what is due, `approve` is a second person's approval of that plan,
`run_plan` checks again and moves every copy into quarantine; after the plan's days a run deletes them, and until then
`undo_plan` takes all of it back. The next run finishes a run that was killed. A claim that no longer matches its plan
is left alone and reported. This is file deletion, not media sanitization.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib import metadata
from pathlib import Path
from typing import Any

from evidence.errors import EvidenceError, PurgeRefusedError, counted
from evidence.model import ClaimId
from evidence.paper.certificate import (
    Person,
    PurgeCertificate,
    certificate_pdf,
    certificate_text,
)
from evidence.retention import plans
from evidence.retention.addresses import (
    CopyAddress,
    OwedCopies,
    TargetBag,
    certificate_line,
    owed_line,
    place_lines,
    place_text,
    removal_rank,
    shared_photo,
)
from evidence.retention.disposition import Due, Held, disposition_of
from evidence.retention.persons import folded, person_name, same_person
from evidence.retention.plans import Approval, FrozenPlan, Plan, PlannedClaim, Progress, PurgeStep
from evidence.retention.repository import PurgeLogEntry, Repository, Tombstone
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
class Purged:
    """A claim of which no copy is left that can be reached, and its certificate."""

    claim: ClaimId
    certificate: Path
    owed: tuple[str, ...] = ()
    """Disks that are away, lost or replaced and may still hold copies, as text."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanTerms:
    """How long things take by the office's settings."""

    quarantine_days: int = 0
    """0: a run deletes at once."""
    approval_days: int = 0
    """0: an approval does not expire."""


def make_plan(
    repository: Repository,
    schedule: RetentionSchedule,
    *,
    by: str,
    plans_folder: Path,
    claims: Sequence[ClaimId] | None = None,
    logged_in: bool = False,
    terms: PlanTerms | None = None,
) -> FrozenPlan:
    """Freeze a plan for `claims`, or for every claim that is due today, in a new folder below `plans_folder`.

    Raises PurgeRefusedError when a named claim is not due, or none is.
    """
    person = person_name(by)
    today = repository.today()
    chosen: list[PlannedClaim] = []
    for claim in sorted(set(repository.claims() if claims is None else claims)):
        disposition = disposition_of(repository.facts(claim), schedule, today=today)
        if isinstance(disposition, Due):
            chosen.append(_planned(repository, claim, disposition))
        elif claims is not None:
            raise PurgeRefusedError(
                f"Claim {claim} is not due: {disposition.reason}.", "Leave it out of the plan."
            )
    if not chosen:
        raise PurgeRefusedError(
            "No claim is due for purging.", "`evidence retention` shows what is kept and why."
        )
    terms = terms or PlanTerms()
    plan = Plan(
        made=repository.now().replace(microsecond=0),
        by=person,
        claims=tuple(chosen),
        logged_in=logged_in,
        rules=schedule.digest,
        quarantine_days=terms.quarantine_days,
        approval_days=terms.approval_days,
    )
    frozen = plans.freeze(plan, plans_folder)
    names = ", ".join(c.claim for c in chosen)
    _log(
        repository,
        f"purge_planned:{frozen.digest}",
        "purge_planned",
        person,
        plan=frozen.digest,
        claims=names,
    )
    return frozen


def approve(repository: Repository, folder: Path, *, by: str, logged_in: bool = False) -> Approval:
    """A second person's approval of the plan in `folder`, bound to its digest.

    Raises PurgeRefusedError when the plan was altered or the same person made it; case and spaces of the names do
    not matter.
    """
    frozen, person = _load_known_plan(repository, folder), person_name(by)
    if _is_planner(frozen.plan, person, logged_in=logged_in):
        raise PurgeRefusedError(
            f"{person} made this plan and cannot approve it.", "Ask another person to approve it."
        )
    known = plans.read_approval(frozen)
    if known is not None:
        _check_approval(repository, frozen, known)
        return known
    approval = Approval(
        digest=frozen.digest, by=person, at=repository.now().replace(microsecond=0), logged_in=logged_in
    )
    _log(repository, _approval_key(approval), "purge_approved", person, plan=frozen.digest)
    plans.write_approval(frozen, approval)
    return approval


def run_plan(
    repository: Repository, schedule: RetentionSchedule, folder: Path, *, by: str, logged_in: bool = False
) -> PurgeReport:
    """Purge the claims of an approved plan, after a last check of each: into quarantine, and after its days for good.

    A claim that is held, reopened, no longer due, or has other photos or copies than planned is refused and left
    unchanged; the other claims are purged. Running again finishes an interrupted run. Raises PurgeRefusedError when
    the plan was altered, was made under other retention rules, or no second person approved it.
    """
    frozen, person = _load_known_plan(repository, folder), person_name(by)
    approval = plans.read_approval(frozen)
    if approval is None:
        raise PurgeRefusedError(
            "This plan is not approved.", "Ask a second person to run `evidence purge approve`."
        )
    _check_approval(repository, frozen, approval)
    progress = Progress(folder)
    begun = any(progress.at(one.claim, PurgeStep.STARTED) for one in frozen.plan.claims)
    if not begun and _has_other_rules(frozen, schedule):
        raise PurgeRefusedError(
            "The retention rules are others than when this plan was made.", "Make a new plan."
        )
    run = _PurgeRun(repository, schedule, frozen, approval, person, progress, logged_in)
    outcomes = [run.purge(planned) for planned in frozen.plan.claims]
    if all(run.progress.at(one.claim, PurgeStep.DONE) for one in frozen.plan.claims):
        plans.retire_older_plan(frozen)
    return PurgeReport(
        purged=tuple(one for one in outcomes if isinstance(one, Purged)),
        refused=tuple(one for one in outcomes if isinstance(one, Refused)),
        quarantined=tuple(one for one in outcomes if isinstance(one, Quarantined)),
    )


def undo_plan(repository: Repository, folder: Path, *, by: str) -> tuple[ClaimId, ...]:
    """Bring back every claim of the plan that is in quarantine; returns them.

    A plan that was not run yet is withdrawn. Raises PurgeRefusedError when copies were deleted already, and then for
    a claim whose copies were not.
    """
    frozen, person = _load_known_plan(repository, folder), person_name(by)
    progress = Progress(folder)
    begun = [one.claim for one in frozen.plan.claims if _is_removing(progress, one.claim)]
    if begun:
        raise PurgeRefusedError(
            f"The copies of claim {begun[0]} are deleted already, or being deleted.",
            "Only claims in quarantine can be brought back; `evidence purge show PLAN` lists them.",
        )
    back = []
    for planned in frozen.plan.claims:
        if progress.at(planned.claim, PurgeStep.UNDONE) is None:
            _bring_back(repository, frozen, progress, planned, person)
            back.append(planned.claim)
    return tuple(back)


def _is_removing(progress: Progress, claim: ClaimId) -> bool:
    steps = (PurgeStep.REMOVING, PurgeStep.CLEARED, PurgeStep.DONE)
    older = progress.at(claim, PurgeStep.STARTED) and not progress.is_quarantine(claim)
    return bool(older) or any(progress.at(claim, step) for step in steps)


def _bring_back(
    repository: Repository, frozen: FrozenPlan, progress: Progress, planned: PlannedClaim, person: str
) -> None:
    """Restore a claim from quarantine; a call that was killed is finished by the next one."""
    claim = planned.claim
    noted = progress.note(claim, PurgeStep.UNDOING, repository.now(), by=person)
    if progress.at(claim, PurgeStep.STARTED):
        repository.restore(claim, frozen.digest)
    key = f"purge_undone:{frozen.digest}:{claim}"
    _log(repository, key, "purge_undone", str(noted["by"]), claim, plan=frozen.digest)
    progress.note(claim, PurgeStep.UNDONE, repository.now())


class _StopError(Exception):
    """Nothing (more) of the claim may be removed."""

    def __init__(self, reason: str, left: Sequence[CopyAddress] = ()) -> None:
        self.left = tuple(left)
        super().__init__(reason)


@dataclass(frozen=True, slots=True)
class _PurgeRun:
    repository: Repository
    schedule: RetentionSchedule
    frozen: FrozenPlan
    approval: Approval
    by: str
    progress: Progress
    logged_in: bool = False

    def purge(self, planned: PlannedClaim) -> Purged | Refused | Quarantined:
        """Purge one claim, from where the last run stopped."""
        try:
            self._refuse_undone(planned)
            if self.frozen.plan.quarantine_days and not _is_removing(self.progress, planned.claim):
                until = self._quarantine(planned)
                if self.repository.now() < until:
                    return Quarantined(claim=planned.claim, until=until)
            if not self.progress.at(planned.claim, PurgeStep.CLEARED):
                self._clear(planned)
            return self._conclude(planned)
        except (_StopError, EvidenceError) as stop:
            begun = _is_removing(self.progress, planned.claim)
            left = stop.left if isinstance(stop, _StopError) else ()
            self._log_stopped(planned, str(stop), begun=begun)
            return Refused(claim=planned.claim, reason=str(stop), begun=begun, left=left)

    def _refuse_undone(self, planned: PlannedClaim) -> None:
        undoing = self.progress.at(planned.claim, PurgeStep.UNDOING)
        if undoing is None:
            return
        if self.progress.at(planned.claim, PurgeStep.UNDONE) is None:
            _bring_back(self.repository, self.frozen, self.progress, planned, str(undoing["by"]))
        raise _StopError(f"{undoing['by']} took this purge back; make a new plan")

    def _quarantine(self, planned: PlannedClaim) -> datetime:
        """Move every copy into quarantine, once; returns when they may be deleted.

        A claim that is held or no longer due is brought back.
        """
        claim, plan = planned.claim, self.frozen.digest
        try:
            if self.progress.at(claim, PurgeStep.STARTED):
                self._check_disposition(claim)
            else:
                self._check_last_moment(planned)
                self._require_fresh_approval()
                self.progress.note(
                    claim, PurgeStep.STARTED, self.repository.now(), by=self.by, quarantine="yes"
                )
            self._log(f"purge_started:{plan}:{claim}", "purge_started", self.by, claim)
            if not self.progress.at(claim, PurgeStep.ASIDE):
                self._set_all_aside(planned)
            self._check_disposition(claim)
        except _StopError as stop:
            if self.progress.at(claim, PurgeStep.STARTED):
                _bring_back(self.repository, self.frozen, self.progress, planned, self.by)
                raise _StopError(f"{stop}; every copy was brought back") from None
            raise
        aside = self.progress.note(claim, PurgeStep.ASIDE, self.repository.now(), by=self.by)
        return plans.time_of(aside) + timedelta(days=self.frozen.plan.quarantine_days)

    def _set_all_aside(self, planned: PlannedClaim) -> None:
        claim, plan = planned.claim, self.frozen.digest
        with self.repository.removing():
            self._check_disposition(claim)
            self.repository.begin_quarantine(claim, plan)
        for copy in sorted(planned.copies, key=removal_rank):
            with self.repository.removing():
                self._check_disposition(claim)
                if not self._serves_another(copy, claim):
                    self.repository.set_aside(claim, plan, copy)

    def _require_fresh_approval(self) -> None:
        days = self.frozen.plan.approval_days
        if days and self.repository.now() > self.approval.at + timedelta(days=days):
            raise _StopError(
                f"the approval of {self.approval.at.date()} has expired after {days} days; make a new plan"
            )

    def _remove_quarantine(self, planned: PlannedClaim) -> tuple[OwedCopies, ...]:
        """Delete the copies in quarantine; returns the targets that are away with theirs."""
        claim, plan = planned.claim, self.frozen.digest
        targets = sorted({copy.target for copy in planned.copies if isinstance(copy, TargetBag)})
        with self.repository.removing():
            self._check_disposition(claim)
            self.progress.note(claim, PurgeStep.REMOVING, self.repository.now(), by=self.by)
        with self.repository.removing():
            self._check_disposition(claim)
            away = self.repository.remove_aside(claim, plan, targets)
        return tuple(
            OwedCopies(
                target=name,
                place=name,
                state="away",
                since=self.repository.today().isoformat(),
                reason="not connected when the copies in quarantine were deleted",
                by="",
                files=planned.files,
            )
            for name in away
        )

    def _clear(self, planned: PlannedClaim) -> None:
        """Remove every copy and search again; the claim counts as cleared only when nothing is found."""
        claim = planned.claim
        owed: tuple[OwedCopies, ...] = ()
        if self.progress.is_quarantine(claim):
            owed = self._remove_quarantine(planned)
        else:
            self._remove_at_once(planned)
        left = [
            c
            for c in self.repository.find_copies(claim, planned.photos)
            if not self._serves_another(c, claim)
        ]
        if left:
            raise _StopError(
                f"{counted(len(left), 'copy', 'copies')} still there after removal, first {place_text(left[0])}",
                left,
            )
        known = {*planned.copies, *planned.spared}
        spared = {copy for copy in known if self._serves_another(copy, claim)}
        self.progress.note(
            claim,
            PurgeStep.CLEARED,
            self.repository.now(),
            by=self.by,
            removed=list(place_lines(known - spared)),
            stays=list(place_lines(spared)),
            owed=[owed_line(one) for one in (*planned.owed, *owed)],
            owed_targets=sorted({one.target for one in (*planned.owed, *owed)}),
            logged_in="yes" if self.logged_in else "",
        )

    def _remove_at_once(self, planned: PlannedClaim) -> None:
        """Remove every copy without quarantine, in the order of `removal_rank`."""
        claim = planned.claim
        if not self.progress.at(claim, PurgeStep.STARTED):
            self._require_fresh_approval()
        copies = self._check_last_moment(planned)
        started = self.progress.note(claim, PurgeStep.STARTED, self.repository.now(), by=self.by)
        self._log(f"purge_started:{self.frozen.digest}:{claim}", "purge_started", started["by"], claim)
        for copy in sorted(copies, key=removal_rank):
            with self.repository.removing():
                self._check_disposition(claim)
                if not self._serves_another(copy, claim):
                    self.repository.remove(copy)

    def _check_last_moment(self, planned: PlannedClaim) -> tuple[CopyAddress, ...]:
        """The copies to remove now; stops when the claim no longer matches the plan."""
        claim = planned.claim
        self._check_disposition(claim)
        begun = self.progress.at(claim, PurgeStep.STARTED) is not None
        if not begun and _has_other_rules(self.frozen, self.schedule):
            raise _StopError("the retention rules changed after the plan was made; make a new plan")
        photos = set(self.repository.photos(claim))
        if more := photos - set(planned.photos):
            raise _StopError(
                f"{counted(len(more), 'file')} came to the claim after the plan was made; make a new plan"
            )
        if not begun and (fewer := set(planned.photos) - photos):
            raise _StopError(
                f"{counted(len(fewer), 'file')} left the claim after the plan was made; make a new plan"
            )
        present = self._copies(claim)
        away = {one.target for one in planned.owed if one.state == "away"}
        if unplanned := set(present) - {*planned.copies, *planned.spared}:
            first = place_text(min(unplanned, key=removal_rank))
            raise _StopError(f"{first} is not in the plan; make a new plan")
        if set(self.repository.owed_copies(claim)) - set(planned.owed):
            raise _StopError(
                "a target with copies was lost or replaced after the plan was made; make a new plan"
            )
        for one in self.repository.away_copies(claim):
            if one.target not in away:
                raise _StopError(
                    f"the backup target {one.target} was there when the plan was made and is away now; connect it, "
                    "or make a new plan, which lists it as owed"
                )
        return present

    def _check_disposition(self, claim: ClaimId) -> None:
        facts, today = self.repository.facts(claim), self.repository.today()
        disposition = disposition_of(facts, self.schedule, today=today)
        if isinstance(disposition, Held):
            raise _StopError(disposition.reason)
        if not isinstance(disposition, Due):
            raise _StopError(f"not due: {disposition.reason}")

    def _copies(self, claim: ClaimId) -> tuple[CopyAddress, ...]:
        return tuple(c for c in self.repository.known_copies(claim) if not self._serves_another(c, claim))

    def _serves_another(self, copy: CopyAddress, claim: ClaimId) -> bool:
        return _serves_another(self.repository, copy, claim)

    def _conclude(self, planned: PlannedClaim) -> Purged:
        """Write certificate, tombstone and custody entry; running it again writes nothing new."""
        claim = planned.claim
        cleared = self.progress.at(claim, PurgeStep.CLEARED)
        assert cleared is not None
        text = self._certificate(planned, cleared)
        by, owed = str(cleared["by"]), [str(one) for one in cleared.get("owed", map(owed_line, planned.owed))]
        self._log(
            f"purged:{self.frozen.digest}:{claim}",
            "purged",
            by,
            claim,
            certificate=hashlib.sha256(text.encode()).hexdigest(),
            photos=str(planned.files or len(planned.photos)),
            manifest=planned.manifest or plans.manifest_digest(planned.photos),
            authority=planned.reason,
            planned_by=self.frozen.plan.by,
            approved_by=self.approval.by,
            **(
                {"owed": "; ".join(owed), "owed_targets": ", ".join(cleared.get("owed_targets", ()))}
                if owed
                else {}
            ),
        )
        self.repository.record_tombstone(
            Tombstone(
                claim=claim,
                purged=plans.time_of(cleared),
                photos=planned.photos,
                private=planned.private,
                plan=self.frozen.digest,
                planned_by=self.frozen.plan.by,
                approved_by=self.approval.by,
                run_by=by,
                authority=planned.reason,
            )
        )
        plans.keep_released(self.frozen.folder, claim, planned.photos)
        plans.remove_details(self.frozen.folder, claim)
        self.progress.note(claim, PurgeStep.DONE, self.repository.now())
        return Purged(claim=claim, certificate=self._certificate_path(claim), owed=tuple(owed))

    def _certificate_path(self, claim: ClaimId) -> Path:
        """Named by a digest, because a claim number may hold characters that a file name cannot."""
        return self.frozen.folder / f"certificate-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.txt"

    def _certificate(self, planned: PlannedClaim, cleared: Mapping[str, Any]) -> str:
        """The certificate's text, on disk; a certificate that was written before a crash is kept."""
        path = self._certificate_path(planned.claim)
        if path.exists():
            return path.read_bytes().decode()
        at, plan = plans.time_of(cleared), self.frozen.plan
        known = {*planned.copies, *planned.spared}
        if "removed" in cleared:
            removed, stays = list(cleared["removed"]), list(cleared["stays"])
        else:  # a run that an older program cleared
            older = {certificate_line(copy): copy for copy in known}
            spared = {older[line] for line in cleared["spared"] if line in older}
            removed, stays = list(place_lines(known - spared)), list(place_lines(spared))
        aside = self.progress.at(planned.claim, PurgeStep.ASIDE)
        certificate = PurgeCertificate(
            claim=planned.claim,
            due_since=planned.since,
            authority=planned.reason,
            plan_digest=self.frozen.digest,
            files=planned.files or len(planned.photos),
            octets=planned.octets,
            manifest=planned.manifest or plans.manifest_digest(planned.photos),
            removed=removed,
            spared=stays,
            owed=list(cleared.get("owed", map(owed_line, planned.owed))),
            people=[
                Person(action="Planned", name=plan.by, at=plan.made, logged_in=plan.logged_in),
                Person(
                    action="Approved",
                    name=self.approval.by,
                    at=self.approval.at,
                    logged_in=self.approval.logged_in,
                ),
                Person(
                    action="Deleted and verified",
                    name=str(cleared["by"]),
                    at=at,
                    logged_in=bool(cleared.get("logged_in")),
                ),
            ],
            quarantined=plans.time_of(aside) if aside else None,
            verified=at,
            log_head=self.repository.log_head(),
            tool=_tool(),
        )
        text = certificate_text(certificate)
        plans.write_anew(path.with_suffix(".pdf"), certificate_pdf(certificate))
        plans.write_once(path, text.encode())
        return text

    def _log_stopped(self, planned: PlannedClaim, reason: str, *, begun: bool) -> None:
        """Log that the purge of the claim stopped, once for each reason."""
        what = hashlib.sha256(reason.encode()).hexdigest()[:12]
        key = f"purge_stopped:{self.frozen.digest}:{planned.claim}:{what}"
        self._log(key, "purge_stopped", self.by, planned.claim, reason=reason, begun=str(begun).lower())

    def _log(self, key: str, event: str, actor: str, claim: ClaimId, **details: str) -> None:
        _log(self.repository, key, event, actor, claim, plan=self.frozen.digest, **details)


def _planned(repository: Repository, claim: ClaimId, due: Due) -> PlannedClaim:
    copies = sorted(set(repository.known_copies(claim)), key=removal_rank)
    spared = [copy for copy in copies if _serves_another(repository, copy, claim)]
    traces = repository.traces(claim)
    return PlannedClaim(
        insured=traces.insured,
        taken=traces.taken,
        octets=traces.octets,
        private=traces.private,
        claim=claim,
        since=due.since,
        reason=due.reason,
        photos=tuple(sorted(set(repository.photos(claim)))),
        copies=tuple(copy for copy in copies if copy not in spared),
        spared=tuple(spared),
        owed=tuple(sorted([*repository.owed_copies(claim), *repository.away_copies(claim)], key=owed_line)),
    )


def _has_other_rules(frozen: FrozenPlan, schedule: RetentionSchedule) -> bool:
    """True for a plan that was made under other rules; a plan of an older program names none."""
    return frozen.plan.rules not in {"", schedule.digest}


def _serves_another(repository: Repository, copy: CopyAddress, claim: ClaimId) -> bool:
    """True for a copy that another claim with the same photo shares."""
    photo = shared_photo(copy)
    return photo is not None and any(other != claim for other in repository.claims_holding(photo))


def _load_known_plan(repository: Repository, folder: Path) -> FrozenPlan:
    """The plan in `folder`. Raises PurgeRefusedError when the custody log has no entry for it."""
    frozen = plans.load_plan(folder)
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


def _log(
    repository: Repository, key: str, event: str, actor: str, claim: ClaimId | None = None, **details: str
) -> None:
    repository.log(
        PurgeLogEntry(key=key, event=event, actor=actor, at=repository.now(), claim=claim, details=details)
    )


def _tool() -> str:
    name = "photo-evidence-archive"
    try:
        return f"{name} {metadata.version(name)}"
    except metadata.PackageNotFoundError:
        return f"{name} (run from its source)"
