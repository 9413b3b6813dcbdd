"""Close and reopen claims, and show which claims are kept, held or due, now and in the coming years."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date

from evidence.catalog.decisions import Close, Closure, Reopen
from evidence.catalog.photos import ClaimTotals
from evidence.errors import BadInputError
from evidence.filing.bags import file_away_soon
from evidence.lookup import require_claim
from evidence.model import Claim, ClaimId, ClaimState
from evidence.office.events import events_by_claim, stated_events
from evidence.office.holds import HoldsInForce
from evidence.office.rules import schedule_of
from evidence.retention.disposition import DispositionReview, dispositions, review, sorted_review
from evidence.retention.facts import ChangeKind, ClaimFacts, StateChange
from evidence.retention.forecast import YEARS, ClaimLoad, Forecast, forecast, forecast_by
from evidence.workspace import Workspace

# --- closing -------------------------------------------------------------------


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
        file_away_soon(workspace)


def note_on_closing(workspace: Workspace, claim: ClaimId, *, on: date) -> str:
    """What a person should check about this day of closing; empty when there is nothing.

    A mistyped year can end the period years too early. It is no error: a camera's clock may be wrong.
    """
    inspected = facts_of(workspace, claim).inspected
    if inspected is None or on >= inspected:
        return ""
    return (
        f"Note: the last photo of claim {claim} was taken on {inspected}, after that day. Check the year: the period "
        "counts from the closing. If it is wrong, reopen the claim and close it again."
    )


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
        file_away_soon(workspace)


def _refuse_future(workspace: Workspace, on: date, verb: str) -> None:
    if on > workspace.today():
        raise BadInputError(f"{on} is in the future.", f"{verb} a claim on the day it happened.")


def _record_change(workspace: Workspace, claim: ClaimId, change: Closure) -> None:
    workspace.catalog.claims.record(change, claim=claim, at=workspace.now(), actor=workspace.actor)
    workspace.catalog.keeping.mark_dirty([claim])


# --- retention ---------------------------------------------------------------------------


def facts_of(workspace: Workspace, claim: ClaimId) -> ClaimFacts:
    """What decides the claim's disposition now. Raises BadInputError for an unknown or purged claim."""
    row, today = require_claim(workspace, claim, quarantined=True), workspace.today()
    return _facts(
        row.claim,
        [one.decision for one in workspace.catalog.claims.decisions(Closure, claim=claim)],
        stated_events(workspace, claim),
        HoldsInForce(workspace.catalog.holds.all(active_only=True), today=today),
        workspace.catalog.photos.totals(claim).get(claim),
    )


def _facts(
    claim: Claim,
    changes: Iterable[Closure],
    events: Mapping[str, date],
    holds: HoldsInForce,
    totals: ClaimTotals | None,
) -> ClaimFacts:
    return ClaimFacts(
        claim=claim.claim,
        jurisdiction=claim.jurisdiction,
        line=claim.line,
        peril=claim.peril,
        carrier=claim.carrier,
        loss=claim.loss_date,
        inspected=totals.last_day if totals else None,
        history=tuple(StateChange(kind=ChangeKind(one.kind), on=one.on) for one in changes),
        events=events,
        holds=holds.of(claim),
    )


def claim_loads(workspace: Workspace, *, as_of: date | None = None) -> list[ClaimLoad]:
    """The facts of every claim that is not purged, on the day `as_of` or today, and what it takes up."""
    catalog, today = workspace.catalog, as_of or workspace.today()
    changes = catalog.claims.in_force_by_claim(Closure)
    events, totals = events_by_claim(workspace), catalog.photos.totals()
    holds = HoldsInForce(catalog.holds.all(active_only=True), today=today)
    loads = []
    for one in catalog.claims.kept():
        claim, takes = one.claim, totals.get(one.claim)
        facts = _facts(one, changes.get(claim, ()), events.get(claim, {}), holds, takes)
        loads.append(
            ClaimLoad(facts=facts, photos=takes.files if takes else 0, size=takes.size if takes else 0)
        )
    return loads


def review_dispositions(workspace: Workspace, *, as_of: date | None = None) -> DispositionReview:
    """Every claim that is not purged: due, held or kept, and why, on the day `as_of` or today."""
    schedule = schedule_of(workspace)
    loads = claim_loads(workspace, as_of=as_of)
    return review((one.facts for one in loads), schedule, today=as_of or workspace.today())


def forecast_purges(workspace: Workspace, *, years: int = YEARS) -> Forecast:
    """How many claims, photos and bytes become due in each of the next years."""
    return forecast(claim_loads(workspace), schedule_of(workspace), today=workspace.today(), years=years)


def review_and_forecast(workspace: Workspace) -> tuple[DispositionReview, Forecast]:
    """Both for today; every claim is read and judged once."""
    schedule, loads, today = schedule_of(workspace), claim_loads(workspace), workspace.today()
    found = dispositions((one.facts for one in loads), schedule, today=today)
    return sorted_review(found, schedule), forecast_by(found, loads, today=today)
