"""Destroying a claim's photos everywhere, by a frozen plan and two people, and showing that it was done.

Three deeds, each by a person: `make_plan` freezes what is due, `approve` is another person's word for that very
plan, `run_plan` looks once more and then removes. A run that was killed is finished by the next one; a claim that
no longer matches its plan is left alone and said so. What happens is file deletion, not media sanitization.
"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from evidence.errors import EvidenceError, PurgeRefusedError
from evidence.model import ClaimId
from evidence.paper.certificate import Person, PurgeCertificate, certificate_text
from evidence.retention import plans
from evidence.retention.desk import CopyKind, KnownCopy, PurgeDesk, PurgeEntry, Tombstone
from evidence.retention.plans import Approval, FrozenPlan, Plan, PlannedClaim, Progress, Step
from evidence.retention.rules import RetentionRules
from evidence.retention.schedule import Due, Held, judge


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A claim of the plan that was left alone, or left half done, and why."""

    claim: ClaimId
    reason: str
    begun: bool
    """True when some of its copies are gone already."""
    left: tuple[KnownCopy, ...] = ()
    """What the last look still found, where it came to a look."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Purged:
    """A claim of which no copy is left, and its certificate."""

    claim: ClaimId
    certificate: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeReport:
    """What one run of a plan came to; every claim of the plan is in one of the two."""

    purged: tuple[Purged, ...]
    refused: tuple[Refused, ...]


def make_plan(
    desk: PurgeDesk, rules: RetentionRules, *, by: str, shelf: Path, claims: Sequence[ClaimId] | None = None
) -> FrozenPlan:
    """Freeze a plan for `claims`, or for every claim that is due today, in a folder under `shelf`.

    Raises PurgeRefusedError when a named claim is not due, or none is.
    """
    person = _named(by)
    today = desk.today()
    chosen: list[PlannedClaim] = []
    for claim in sorted(set(desk.claims() if claims is None else claims)):
        verdict = judge(desk.facts(claim), rules, today=today)
        if isinstance(verdict, Due):
            chosen.append(_planned(desk, claim, verdict))
        elif claims is not None:
            raise PurgeRefusedError(
                f"Claim {claim} is not due: {verdict.reason}.", "Leave it out of the plan."
            )
    if not chosen:
        raise PurgeRefusedError(
            "No claim is due for purging.", "See `evidence retention` for what is kept and why."
        )
    plan = Plan(made=desk.now().replace(microsecond=0), by=person, claims=tuple(chosen))
    frozen = plans.freeze(plan, shelf)
    names = ", ".join(c.claim for c in chosen)
    _record(desk, f"purge_planned:{frozen.digest}", "purge_planned", person, plan=frozen.digest, claims=names)
    return frozen


def approve(desk: PurgeDesk, folder: Path, *, by: str) -> Approval:
    """A second person's approval of the plan in `folder`, bound to its digest.

    Raises PurgeRefusedError when the plan was altered or is by the same person, whatever the spelling's case
    and spaces.
    """
    frozen, person = _as_planned(desk, folder), _named(by)
    if _same_person(person, frozen.plan.by):
        raise PurgeRefusedError(
            f"{person} made this plan and cannot approve it.", "Ask another person to approve it."
        )
    known = plans.read_approval(frozen)
    if known is not None:
        _check_approval(desk, frozen, known)
        return known
    approval = Approval(digest=frozen.digest, by=person, at=desk.now().replace(microsecond=0))
    _record(desk, _approval_key(approval), "purge_approved", person, plan=frozen.digest)
    plans.write_approval(frozen, approval)
    return approval


def run_plan(desk: PurgeDesk, rules: RetentionRules, folder: Path, *, by: str) -> PurgeReport:
    """Purge the claims of an approved plan, looking at each once more at the last moment.

    A claim that is held, reopened, no longer due, or holds other photos or copies than planned is refused and left
    as it is; the others go on. Running again finishes what was broken off. Raises PurgeRefusedError when the plan
    was altered, or lacks a second person's approval.
    """
    frozen, person = _as_planned(desk, folder), _named(by)
    approval = plans.read_approval(frozen)
    if approval is None:
        raise PurgeRefusedError(
            "This plan is not approved.", "Have a second person run `evidence purge approve`."
        )
    _check_approval(desk, frozen, approval)
    run = _Run(desk, rules, frozen, approval, person, Progress(folder))
    purged: list[Purged] = []
    refused: list[Refused] = []
    for planned in frozen.plan.claims:
        outcome = run.purge(planned)
        (purged if isinstance(outcome, Purged) else refused).append(outcome)  # type: ignore[arg-type]
    return PurgeReport(purged=tuple(purged), refused=tuple(refused))


class _StopError(Exception):
    """The claim must not be touched (any further)."""

    def __init__(self, reason: str, left: Sequence[KnownCopy] = ()) -> None:
        self.left = tuple(left)
        super().__init__(reason)


@dataclass(frozen=True, slots=True)
class _Run:
    desk: PurgeDesk
    rules: RetentionRules
    frozen: FrozenPlan
    approval: Approval
    by: str
    progress: Progress

    def purge(self, planned: PlannedClaim) -> Purged | Refused:
        """One claim, from wherever the last run left it."""
        try:
            if not self.progress.at(planned.claim, Step.CLEARED):
                self._clear(planned)
            return self._conclude(planned)
        except (_StopError, EvidenceError) as stop:
            begun = self.progress.at(planned.claim, Step.STARTED) is not None
            left = stop.left if isinstance(stop, _StopError) else ()
            self._tell_stopped(planned, str(stop), begun=begun)
            return Refused(claim=planned.claim, reason=str(stop), begun=begun, left=left)

    def _clear(self, planned: PlannedClaim) -> None:
        """Remove every copy and look for each; noted as cleared only when nothing is found."""
        claim = planned.claim
        copies = self._check_last_moment(planned)
        started = self.progress.note(claim, Step.STARTED, self.desk.now(), by=self.by)
        self._record(f"purge_started:{self.frozen.digest}:{claim}", "purge_started", started["by"], claim)
        for copy in sorted(copies, key=_order):
            self._check_verdict(claim)
            if not self._serves_another(copy, claim):
                self.desk.remove(copy)
        left = [c for c in self.desk.look_for(claim, planned.photos) if not self._serves_another(c, claim)]
        if left:
            raise _StopError(f"{len(left)} copies are still there after removal, first {left[0].place}", left)
        spared = [_in_words(c) for c in (*planned.copies, *planned.spared) if self._serves_another(c, claim)]
        self.progress.note(claim, Step.CLEARED, self.desk.now(), by=self.by, spared=spared)

    def _check_last_moment(self, planned: PlannedClaim) -> tuple[KnownCopy, ...]:
        """The copies to remove now; stops when the world no longer matches the plan."""
        claim = planned.claim
        self._check_verdict(claim)
        begun = self.progress.at(claim, Step.STARTED) is not None
        photos = set(self.desk.photos(claim))
        if more := photos - set(planned.photos):
            raise _StopError(
                f"{_files(len(more))} came to the claim since the plan was made; make a new plan"
            )
        if not begun and (fewer := set(planned.photos) - photos):
            raise _StopError(f"{_files(len(fewer))} left the claim since the plan was made; make a new plan")
        present = self._copies(claim)
        if strange := set(present) - {*planned.copies, *planned.spared}:
            raise _StopError(f"{min(strange, key=_order).place} is not in the plan; make a new plan")
        return present

    def _check_verdict(self, claim: ClaimId) -> None:
        verdict = judge(self.desk.facts(claim), self.rules, today=self.desk.today())
        if isinstance(verdict, Held):
            raise _StopError(verdict.reason)
        if not isinstance(verdict, Due):
            raise _StopError(f"not due: {verdict.reason}")

    def _copies(self, claim: ClaimId) -> tuple[KnownCopy, ...]:
        return tuple(c for c in self.desk.copies(claim) if not self._serves_another(c, claim))

    def _serves_another(self, copy: KnownCopy, claim: ClaimId) -> bool:
        return _serves_another(self.desk, copy, claim)

    def _conclude(self, planned: PlannedClaim) -> Purged:
        """Certificate, tombstone and custody entry, each the same however often this is run."""
        claim = planned.claim
        cleared = self.progress.at(claim, Step.CLEARED)
        assert cleared is not None
        text = self._certificate(planned, cleared)
        by = str(cleared["by"])
        self.desk.bury(
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
        self._record(
            f"purged:{self.frozen.digest}:{claim}",
            "purged",
            by,
            claim,
            certificate=hashlib.sha256(text.encode()).hexdigest(),
            photos=str(len(planned.photos)),
            authority=planned.reason,
            planned_by=self.frozen.plan.by,
            approved_by=self.approval.by,
        )
        self.progress.note(claim, Step.DONE, self.desk.now())
        return Purged(claim=claim, certificate=self._certificate_path(claim))

    def _certificate_path(self, claim: ClaimId) -> Path:
        """Named by a digest, for a claim's number may hold what a file name cannot."""
        return self.frozen.folder / f"certificate-{hashlib.sha256(claim.encode()).hexdigest()[:12]}.txt"

    def _certificate(self, planned: PlannedClaim, cleared: Mapping[str, Any]) -> str:
        """The certificate's text, on disk; one that was written before a crash stays as it is."""
        path = self._certificate_path(planned.claim)
        if path.exists():
            return path.read_bytes().decode()
        spared = list(cleared["spared"])
        places = [_in_words(copy) for copy in sorted({*planned.copies, *planned.spared}, key=_order)]
        at = plans.time_of(cleared)
        certificate = PurgeCertificate(
            claim=planned.claim,
            due_since=planned.since,
            authority=planned.reason,
            plan_digest=self.frozen.digest,
            photos=planned.photos,
            removed=[place for place in places if place not in spared],
            spared=spared,
            people=[
                Person(did="Planned", name=self.frozen.plan.by, at=self.frozen.plan.made),
                Person(did="Approved", name=self.approval.by, at=self.approval.at),
                Person(did="Deleted and verified", name=str(cleared["by"]), at=at),
            ],
            verified=at,
            tool=_tool(),
        )
        text = certificate_text(certificate)
        plans.write_once(path, text.encode())
        return text

    def _tell_stopped(self, planned: PlannedClaim, reason: str, *, begun: bool) -> None:
        """A stop goes into the custody log too, once for each reason."""
        what = hashlib.sha256(reason.encode()).hexdigest()[:12]
        key = f"purge_stopped:{self.frozen.digest}:{planned.claim}:{what}"
        self._record(key, "purge_stopped", self.by, planned.claim, reason=reason, begun=str(begun).lower())

    def _record(self, key: str, event: str, actor: str, claim: ClaimId, **details: str) -> None:
        _record(self.desk, key, event, actor, claim, plan=self.frozen.digest, **details)


def _planned(desk: PurgeDesk, claim: ClaimId, due: Due) -> PlannedClaim:
    copies = sorted(set(desk.copies(claim)), key=_order)
    spared = [copy for copy in copies if _serves_another(desk, copy, claim)]
    return PlannedClaim(
        claim=claim,
        since=due.since,
        reason=due.reason,
        photos=tuple(sorted(set(desk.photos(claim)))),
        copies=tuple(copy for copy in copies if copy not in spared),
        spared=tuple(spared),
    )


def _serves_another(desk: PurgeDesk, copy: KnownCopy, claim: ClaimId) -> bool:
    """True for a copy filed by digest alone that another claim with the same file still needs."""
    if not copy.by_digest or copy.sha256 is None:
        return False
    return any(other != claim for other in desk.also_in(copy.sha256))


def _as_planned(desk: PurgeDesk, folder: Path) -> FrozenPlan:
    """The plan in `folder`, which must be one that the custody log knows."""
    frozen = plans.thaw(folder)
    if not desk.recorded(f"purge_planned:{frozen.digest}"):
        raise PurgeRefusedError("This plan was altered, or made elsewhere.", "Make a new plan.")
    return frozen


def _check_approval(desk: PurgeDesk, frozen: FrozenPlan, approval: Approval) -> None:
    """Refuse an approval that the custody log does not know, or that is by the planner."""
    if _same_person(approval.by, frozen.plan.by) or not desk.recorded(_approval_key(approval)):
        raise PurgeRefusedError("This approval was not given by a second person.", "Make a new plan.")


def _approval_key(approval: Approval) -> str:
    return f"purge_approved:{approval.digest}:{_folded(approval.by)}"


def _record(
    desk: PurgeDesk, key: str, event: str, actor: str, claim: ClaimId | None = None, **details: str
) -> None:
    desk.record(PurgeEntry(key=key, event=event, actor=actor, at=desk.now(), claim=claim, details=details))


def _in_words(copy: KnownCopy) -> str:
    return f"{copy.kind}: {copy.place}"


def _order(copy: KnownCopy) -> tuple[int, str]:
    return list(CopyKind).index(copy.kind), copy.place


def _named(by: str) -> str:
    person = " ".join(by.split())
    if not person:
        raise PurgeRefusedError("A purge needs the name of the person who does it.", "Give --actor NAME.")
    if not person.isprintable():
        raise PurgeRefusedError(f"{person!r} is not a name that can be written down.", "Give --actor NAME.")
    return person


def _same_person(one: str, other: str) -> bool:
    return _folded(one) == _folded(other)


def _folded(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def _files(count: int) -> str:
    return "1 file" if count == 1 else f"{count} files"


def _tool() -> str:
    name = "photo-evidence-archive"
    try:
        return f"{name} {metadata.version(name)}"
    except metadata.PackageNotFoundError:
        return f"{name} (run from its source)"
