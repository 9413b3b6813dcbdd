"""Freeze a plan: which claims are due today, and every known copy of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from evidence.errors import PurgeRefusedError
from evidence.model import ClaimId
from evidence.retention.disposition import Due, disposition_of
from evidence.retention.persons import person_name
from evidence.retention.purge.addresses import owed_line, removal_rank
from evidence.retention.purge.plan_files import FrozenPlan, freeze
from evidence.retention.purge.plans import Plan, PlannedClaim
from evidence.retention.purge.repository import Repository, log_step, serves_another
from evidence.retention.schedule import RetentionSchedule


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
    frozen = freeze(plan, plans_folder)
    names = ", ".join(c.claim for c in chosen)
    log_step(
        repository,
        f"purge_planned:{frozen.digest}",
        "purge_planned",
        person,
        plan=frozen.digest,
        claims=names,
    )
    return frozen


def _planned(repository: Repository, claim: ClaimId, due: Due) -> PlannedClaim:
    copies = sorted(set(repository.known_copies(claim)), key=removal_rank)
    spared = [copy for copy in copies if serves_another(repository, copy, claim)]
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
