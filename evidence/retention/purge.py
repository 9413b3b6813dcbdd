"""Delete every copy of a claim's photos, by a frozen plan and two people, and certify it.

Three steps, each by a person: `make_plan` freezes what is due, `approve` is a second person's approval of that plan,
`run_plan` checks again and then deletes. The next run finishes a run that was killed. A claim that no longer matches
its plan is left alone and reported. This is file deletion, not media sanitization.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from evidence.errors import EvidenceError, PurgeRefusedError, counted
from evidence.model import ClaimId
from evidence.paper.certificate import Person, PurgeCertificate, certificate_text
from evidence.retention import plans
from evidence.retention.addresses import (
    CopyAddress,
    OwedCopies,
    certificate_line,
    owed_line,
    place_text,
    removal_rank,
    shared_photo,
)
from evidence.retention.disposition import Due, Held, disposition_of
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
    owed: tuple[OwedCopies, ...] = ()
    """Lost or replaced disks that may still hold copies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeReport:
    """The result of one run of a plan; every claim of the plan is in one of the two lists."""

    purged: tuple[Purged, ...]
    refused: tuple[Refused, ...]


def make_plan(
    repository: Repository,
    schedule: RetentionSchedule,
    *,
    by: str,
    plans_folder: Path,
    claims: Sequence[ClaimId] | None = None,
) -> FrozenPlan:
    """Freeze a plan for `claims`, or for every claim that is due today, in a new folder below `plans_folder`.

    Raises PurgeRefusedError when a named claim is not due, or none is.
    """
    person = _person_name(by)
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
    plan = Plan(
        made=repository.now().replace(microsecond=0), by=person, rules=schedule.digest, claims=tuple(chosen)
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


def approve(repository: Repository, folder: Path, *, by: str) -> Approval:
    """A second person's approval of the plan in `folder`, bound to its digest.

    Raises PurgeRefusedError when the plan was altered or the same person made it; case and spaces of the names do
    not matter.
    """
    frozen, person = _load_known_plan(repository, folder), _person_name(by)
    if same_person(person, frozen.plan.by):
        raise PurgeRefusedError(
            f"{person} made this plan and cannot approve it.", "Ask another person to approve it."
        )
    known = plans.read_approval(frozen)
    if known is not None:
        _check_approval(repository, frozen, known)
        return known
    approval = Approval(digest=frozen.digest, by=person, at=repository.now().replace(microsecond=0))
    _log(repository, _approval_key(approval), "purge_approved", person, plan=frozen.digest)
    plans.write_approval(frozen, approval)
    return approval


def run_plan(repository: Repository, schedule: RetentionSchedule, folder: Path, *, by: str) -> PurgeReport:
    """Purge the claims of an approved plan, after a last check of each.

    A claim that is held, reopened, no longer due, or has other photos or copies than planned is refused and left
    unchanged; the other claims are purged. Running again finishes an interrupted run. Raises PurgeRefusedError when
    the plan was altered, was made under other retention rules, or no second person approved it.
    """
    frozen, person = _load_known_plan(repository, folder), _person_name(by)
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
    run = _PurgeRun(repository, schedule, frozen, approval, person, progress)
    purged: list[Purged] = []
    refused: list[Refused] = []
    for planned in frozen.plan.claims:
        outcome = run.purge(planned)
        (purged if isinstance(outcome, Purged) else refused).append(outcome)  # type: ignore[arg-type]
    return PurgeReport(purged=tuple(purged), refused=tuple(refused))


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

    def purge(self, planned: PlannedClaim) -> Purged | Refused:
        """Purge one claim, from where the last run stopped."""
        try:
            if not self.progress.at(planned.claim, PurgeStep.CLEARED):
                self._clear(planned)
            return self._conclude(planned)
        except (_StopError, EvidenceError) as stop:
            begun = self.progress.at(planned.claim, PurgeStep.STARTED) is not None
            left = stop.left if isinstance(stop, _StopError) else ()
            self._log_stopped(planned, str(stop), begun=begun)
            return Refused(claim=planned.claim, reason=str(stop), begun=begun, left=left)

    def _clear(self, planned: PlannedClaim) -> None:
        """Remove every copy and search again; the claim counts as cleared only when nothing is found."""
        claim = planned.claim
        copies = self._check_last_moment(planned)
        started = self.progress.note(claim, PurgeStep.STARTED, self.repository.now(), by=self.by)
        self._log(f"purge_started:{self.frozen.digest}:{claim}", "purge_started", started["by"], claim)
        for copy in sorted(copies, key=removal_rank):
            with self.repository.removing():
                self._check_disposition(claim)
                if not self._serves_another(copy, claim):
                    self.repository.remove(copy)
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
        spared = [
            certificate_line(c) for c in (*planned.copies, *planned.spared) if self._serves_another(c, claim)
        ]
        self.progress.note(claim, PurgeStep.CLEARED, self.repository.now(), by=self.by, spared=spared)

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
        if unplanned := set(present) - {*planned.copies, *planned.spared}:
            first = place_text(min(unplanned, key=removal_rank))
            raise _StopError(f"{first} is not in the plan; make a new plan")
        if set(self.repository.owed_copies(claim)) - set(planned.owed):
            raise _StopError(
                "a target with copies was lost or replaced after the plan was made; make a new plan"
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
        by = str(cleared["by"])
        self.repository.record_tombstone(
            Tombstone(
                claim=claim,
                purged=plans.time_of(cleared),
                photos=planned.photos,
                plan=self.frozen.digest,
                planned_by=self.frozen.plan.by,
                approved_by=self.approval.by,
                run_by=by,
                authority=planned.reason,
            )
        )
        self._log(
            f"purged:{self.frozen.digest}:{claim}",
            "purged",
            by,
            claim,
            certificate=hashlib.sha256(text.encode()).hexdigest(),
            photos=str(len(planned.photos)),
            authority=planned.reason,
            planned_by=self.frozen.plan.by,
            approved_by=self.approval.by,
            **({"owed": "; ".join(map(owed_line, planned.owed))} if planned.owed else {}),
        )
        self.progress.note(claim, PurgeStep.DONE, self.repository.now())
        return Purged(claim=claim, certificate=self._certificate_path(claim), owed=planned.owed)

    def _certificate_path(self, claim: ClaimId) -> Path:
        """Named by a digest, because a claim number may hold characters that a file name cannot."""
        return self.frozen.folder / f"certificate-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.txt"

    def _certificate(self, planned: PlannedClaim, cleared: Mapping[str, Any]) -> str:
        """The certificate's text, on disk; a certificate that was written before a crash is kept."""
        path = self._certificate_path(planned.claim)
        if path.exists():
            return path.read_bytes().decode()
        spared = list(cleared["spared"])
        places = [
            certificate_line(copy) for copy in sorted({*planned.copies, *planned.spared}, key=removal_rank)
        ]
        at = plans.time_of(cleared)
        certificate = PurgeCertificate(
            claim=planned.claim,
            due_since=planned.since,
            authority=planned.reason,
            plan_digest=self.frozen.digest,
            photos=planned.photos,
            removed=[place for place in places if place not in spared],
            spared=spared,
            owed=[owed_line(one) for one in planned.owed],
            people=[
                Person(action="Planned", name=self.frozen.plan.by, at=self.frozen.plan.made),
                Person(action="Approved", name=self.approval.by, at=self.approval.at),
                Person(action="Deleted and verified", name=str(cleared["by"]), at=at),
            ],
            verified=at,
            log_head=self.repository.log_head(),
            tool=_tool(),
        )
        text = certificate_text(certificate)
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
    return PlannedClaim(
        claim=claim,
        since=due.since,
        reason=due.reason,
        photos=tuple(sorted(set(repository.photos(claim)))),
        copies=tuple(copy for copy in copies if copy not in spared),
        spared=tuple(spared),
        owed=tuple(sorted(repository.owed_copies(claim), key=owed_line)),
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


def _check_approval(repository: Repository, frozen: FrozenPlan, approval: Approval) -> None:
    """Raise PurgeRefusedError for an approval by the planner, or one without an entry in the custody log."""
    if same_person(approval.by, frozen.plan.by) or not repository.is_logged(_approval_key(approval)):
        raise PurgeRefusedError("This approval was not given by a second person.", "Make a new plan.")


def _approval_key(approval: Approval) -> str:
    return f"purge_approved:{approval.digest}:{_folded(approval.by)}"


def _log(
    repository: Repository, key: str, event: str, actor: str, claim: ClaimId | None = None, **details: str
) -> None:
    repository.log(
        PurgeLogEntry(key=key, event=event, actor=actor, at=repository.now(), claim=claim, details=details)
    )


def _person_name(by: str) -> str:
    person = " ".join(by.split())
    if not person:
        raise PurgeRefusedError("A purge needs the name of the person who does it.", "Give --actor NAME.")
    if not person.isprintable():
        raise PurgeRefusedError(
            f"The name {person!r} has characters that cannot be printed.", "Give --actor NAME."
        )
    return person


def same_person(one: str, other: str) -> bool:
    """True when two names are one person's: case, spaces and the form of letters do not matter."""
    return _folded(one) == _folded(other)


def _folded(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def _tool() -> str:
    name = "photo-evidence-archive"
    try:
        return f"{name} {metadata.version(name)}"
    except metadata.PackageNotFoundError:
        return f"{name} (run from its source)"
