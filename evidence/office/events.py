"""State on which day something happened to a claim from which a retention rule counts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from evidence.catalog.decisions import Event
from evidence.errors import BadInputError
from evidence.filing.bags import file_away_soon
from evidence.lookup import require_claim
from evidence.model import ClaimId
from evidence.office.rules import schedule_of
from evidence.retention.facts import Clock, clock_words
from evidence.toml_files import nearest
from evidence.workspace import Workspace

_NOT_STATED = {
    Clock.CLOSING.value: "Use `evidence close`.",
    Clock.LOSS.value: "The date of loss comes from the list of claims: correct it there and load it again.",
}


def state_event(
    workspace: Workspace, claim: ClaimId, event: str, on: date | None, *, why: str = ""
) -> date | None:
    """Record the day of an event, or None for 'did not happen, or not known'; returns the day stated before.

    The latest statement counts; all of them stay recorded. Raises BadInputError for an unknown event, a day in the
    future or before the date of loss, and a statement that changes nothing.
    """
    with workspace.locked():
        row = require_claim(workspace, claim)
        event = _known_event(workspace, event)
        _check_day(workspace, on, row.claim.loss_date, clock_words(event))
        stated = stated_events(workspace, claim).get(event)
        if on == stated:
            raise BadInputError(
                f"Claim {claim}: {clock_words(event)} is {on or 'not recorded'} already.", "Give another day."
            )
        with workspace.catalog.transaction():
            decision = Event(replaced=stated, event=event, on=on, why=why)
            workspace.catalog.claims.record(decision, claim=claim, at=workspace.now(), actor=workspace.actor)
            said = {"event": event, "on": on and on.isoformat(), "before": stated and stated.isoformat()}
            workspace.record("event_stated", claim, **said, **({"why": why} if why else {}))
            workspace.catalog.keeping.mark_dirty([claim])
        file_away_soon(workspace)
    return stated


def events_of(statements: Iterable[Event]) -> dict[str, date]:
    """The day of each event by its latest statement."""
    found = {one.event: one.on for one in statements}
    return {event: on for event, on in found.items() if on is not None}


def stated_events(workspace: Workspace, claim: ClaimId) -> dict[str, date]:
    """The stated events of the claim."""
    return events_of(one.decision for one in workspace.catalog.claims.decisions(Event, claim=claim))


def events_by_claim(workspace: Workspace) -> dict[ClaimId, dict[str, date]]:
    """The stated events of every claim that has some."""
    by_claim = workspace.catalog.claims.in_force_by_claim(Event)
    return {claim: events_of(statements) for claim, statements in by_claim.items()}


def _known_event(workspace: Workspace, event: str) -> str:
    word = event.strip().casefold().replace(" ", "_")
    if word in _NOT_STATED:
        raise BadInputError(f"'{word}' is not stated as an event.", _NOT_STATED[word])
    rules = schedule_of(workspace).rules
    clocks = {term.clock for rule in rules for term in (*rule.terms, *rule.at_least)}
    known = sorted({*Clock, *clocks} - set(_NOT_STATED))
    if word not in known:
        raise BadInputError(f"There is no event '{event}'.", nearest(word, known))
    return word


def _check_day(workspace: Workspace, on: date | None, loss: date | None, word: str) -> None:
    if on is None:
        return
    if on > workspace.today():
        raise BadInputError(f"{on} is in the future.", "State an event when it has happened.")
    if loss and on < loss:
        raise BadInputError(
            f"{word} cannot be on {on}: the date of loss is {loss}.", "Give the day on which it happened."
        )
