"""Close and reopen claims, place and lift holds, and show which claims are kept, held or due."""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Iterable
from datetime import date

from evidence.catalog.claims import ClaimRow, HoldRow
from evidence.catalog.decisions import Close, Closure, DecisionRow, Reopen
from evidence.errors import BadInputError, EvidenceError
from evidence.filing.bags import file_away
from evidence.lookup import require_claim
from evidence.model import ClaimId, ClaimState
from evidence.retention.disposition import DispositionReview, review
from evidence.retention.facts import ChangeKind, ClaimFacts, LegalHold, StateChange
from evidence.retention.rule_file import load_schedule
from evidence.retention.schedule import RetentionSchedule, override
from evidence.settings import default_text
from evidence.workspace import Workspace

log = logging.getLogger(__name__)

# --- closing and holds -------------------------------------------------------------------


def close_claim(workspace: Workspace, claim: ClaimId, *, on: date) -> None:
    """Record that the claim was closed on this calendar day, which starts its retention period.

    Raises BadInputError when it is closed already, for a day in the future, and for one before the date of loss: a
    mistyped year would end the period years too early.
    """
    with workspace.locked():
        row = require_claim(workspace, claim)
        if row.state is ClaimState.CLOSED:
            raise BadInputError(
                f"Claim {claim} is closed already, on {row.closed_on}.",
                "If that day is wrong, reopen the claim first.",
            )
        _refuse_future(workspace, on, "Close")
        if row.claim.loss_date and on < row.claim.loss_date:
            raise BadInputError(
                f"Claim {claim} cannot have been closed on {on}: the date of loss is {row.claim.loss_date}.",
                "Give the day it was closed.",
            )
        with workspace.catalog.transaction():
            _record_change(workspace, claim, Close(on=on))
            workspace.catalog.claims.set_state(claim, ClaimState.CLOSED, closed_on=on)
            workspace.record("claim_closed", claim, on=on.isoformat())
        file_away(workspace, wait=False)


def reopen_claim(workspace: Workspace, claim: ClaimId, *, on: date) -> None:
    """Record that the claim was reopened; its period starts again at the next closing.

    Raises BadInputError when it is not closed, for a day in the future, and for one before it was closed.
    """
    with workspace.locked():
        row = require_claim(workspace, claim)
        if row.state is not ClaimState.CLOSED:
            raise BadInputError(f"Claim {claim} is not closed.", "Only a closed claim can be reopened.")
        _refuse_future(workspace, on, "Reopen")
        if row.closed_on and on < row.closed_on:
            raise BadInputError(
                f"Claim {claim} cannot have been reopened on {on}: it was closed on {row.closed_on}.",
                "Give the day it was reopened.",
            )
        with workspace.catalog.transaction():
            _record_change(workspace, claim, Reopen(on=on))
            workspace.catalog.claims.set_state(claim, ClaimState.OPEN)
            workspace.record("claim_reopened", claim, on=on.isoformat())
        file_away(workspace, wait=False)


def _refuse_future(workspace: Workspace, on: date, verb: str) -> None:
    if on > workspace.now().astimezone().date():
        raise BadInputError(f"{on} is in the future.", f"{verb} a claim on the day it happened.")


def _record_change(workspace: Workspace, claim: ClaimId, change: Closure) -> None:
    workspace.catalog.claims.record(change, claim=claim, at=workspace.now(), actor=workspace.actor)
    workspace.catalog.keeping.mark_dirty([claim])


def place_hold(workspace: Workspace, claim: ClaimId, *, reason: str) -> int:
    """Place a hold: until it is lifted, nothing of the claim may be purged. Returns the hold's number.

    It takes effect at once, whatever else runs; the bag's record of it follows at the next filing.
    """
    if not reason.strip():
        raise BadInputError("A hold needs a reason.", "Add --reason, for instance --reason 'suit filed'.")
    with workspace.holding():  # not `locked`: a hold never waits for other work on the archive
        require_claim(workspace, claim)
        with workspace.catalog.transaction():
            number = workspace.catalog.claims.place_hold(
                claim, reason=reason, by=workspace.actor, at=workspace.now()
            )
            workspace.record("hold_placed", claim, hold=number, reason=reason)
            workspace.catalog.keeping.mark_dirty([claim])
    _build_outdated_bags(workspace)
    return number


def lift_hold(workspace: Workspace, number: int, *, why: str) -> None:
    """End a hold. Raises BadInputError when it is unknown or lifted already, or no reason is given."""
    if not why.strip():
        raise BadInputError("Lifting a hold needs a reason.", "Add --reason.")
    with workspace.holding():
        hold = next((one for one in workspace.catalog.claims.holds() if one.number == number), None)
        if hold is None or not hold.active:
            raise BadInputError(f"There is no hold {number} in force.", "`evidence hold list` shows them.")
        with workspace.catalog.transaction():
            workspace.catalog.claims.lift_hold(number, by=workspace.actor, why=why, at=workspace.now())
            workspace.record("hold_lifted", hold.claim, hold=number, reason=why)
            workspace.catalog.keeping.mark_dirty([hold.claim])
    _build_outdated_bags(workspace)


def _build_outdated_bags(workspace: Workspace) -> None:
    """Build the bags that a hold made outdated, unless another command works on the archive: then they follow later.

    The hold is in force already, so nothing that goes wrong with a bag is reported as its failure.
    """
    try:
        with workspace.locked(wait=False):
            file_away(workspace, wait=False)
    except EvidenceError as trouble:
        log.warning("bags_built_later: %s", trouble)


# --- retention ---------------------------------------------------------------------------


def schedule_of(workspace: Workspace) -> RetentionSchedule:
    """The shipped retention schedule, with the office's own rules in place of those with the same ids."""
    shipped = load_schedule(default_text("retention.toml"), "config/retention.toml")
    own = workspace.root / "config" / "retention.toml"
    if not own.is_file():
        return shipped
    return override(shipped, load_schedule(workspace.text("retention.toml"), str(own)))


def facts_of(workspace: Workspace, claim: ClaimId) -> ClaimFacts:
    """What decides the claim's disposition now. Raises BadInputError for an unknown or purged claim."""
    changes = workspace.catalog.claims.decisions(Closure, claim=claim)
    return _facts(
        require_claim(workspace, claim), changes, workspace.catalog.claims.holds(claim, active_only=True)
    )


def _facts(row: ClaimRow, changes: Iterable[DecisionRow[Closure]], holds: Iterable[HoldRow]) -> ClaimFacts:
    return ClaimFacts(
        claim=row.claim.claim,
        jurisdiction=row.claim.jurisdiction,
        peril=row.claim.peril,
        history=tuple(StateChange(kind=ChangeKind(one.decision.kind), on=one.decision.on) for one in changes),
        holds=tuple(
            LegalHold(name=f"hold {one.number}", why=one.reason, by=one.placed_by, placed=one.placed_at)
            for one in holds
        ),
    )


def review_dispositions(workspace: Workspace, *, as_of: date | None = None) -> DispositionReview:
    """Every claim that is not purged: due, held or kept, and why, on the day `as_of` or today."""
    changes: dict[ClaimId | None, list[DecisionRow[Closure]]] = defaultdict(list)
    holds: dict[ClaimId, list[HoldRow]] = defaultdict(list)
    for change in workspace.catalog.claims.decisions(Closure):
        changes[change.claim].append(change)
    for hold in workspace.catalog.claims.holds(active_only=True):
        holds[hold.claim].append(hold)
    rows = [row for row in workspace.catalog.claims.all() if row.state is not ClaimState.PURGED]
    facts = [_facts(row, changes[row.claim.claim], holds[row.claim.claim]) for row in rows]
    return review(facts, schedule_of(workspace), today=as_of or workspace.now().astimezone().date())
