"""What decides how long a claim is kept: its closings, the dates of other events, its holds, and what it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum

from evidence.model import ClaimId

CLAIM_FILE = "claim_file"
"""The kind of record that the photos of a claim are."""


class Clock(StrEnum):
    """Events from which a rule can count. A rule may name others; then the office records those too."""

    LOSS = "loss"
    """The date of loss, from the assignments."""
    INSPECTION = "inspection"
    """The day of the last photo, unless a person stated another."""
    CLOSING = "closing"
    """By `evidence close`."""
    SETTLED = "settled"
    LAST_ACTIVITY = "last_activity"
    ADJUSTMENT_COMPLETED = "adjustment_completed"
    TRANSACTION_ENDED = "transaction_ended"
    EXAM_REPORT_FILED = "exam_report_filed"
    EXAM_COMPLETED = "exam_completed"
    NEXT_EXAM_COMPLETED = "next_exam_completed"


EARLIER_NAMES = {"settlement": Clock.SETTLED, "exam_report": Clock.EXAM_REPORT_FILED}
"""Names of events in rule files of earlier programs, and the present ones."""


def clock_words(clock: str) -> str:
    """The event for people: `exam report filed`."""
    return "date of loss" if clock == Clock.LOSS else clock.replace("_", " ")


class ChangeKind(StrEnum):
    """How a claim's state changes."""

    CLOSED = "closed"
    REOPENED = "reopened"


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    """One closing or reopening, on a calendar day of the office."""

    kind: ChangeKind
    on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class LegalHold:
    """A hold in force: nothing of the claim may be purged until it ends."""

    name: str
    """For people: `hold 3`."""
    why: str
    by: str
    placed: datetime
    """Aware, UTC."""
    kind: str = ""
    """For people: `litigation`."""
    until: date | None = None
    """Its last day; None until two people lift it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimFacts:
    """What decides a claim's disposition."""

    claim: ClaimId
    jurisdiction: str = ""
    line: str = ""
    """The line of business, for instance `homeowners`."""
    peril: str = ""
    carrier: str = ""
    kind: str = CLAIM_FILE
    """The kind of record."""
    loss: date | None = None
    inspected: date | None = None
    """The office's day of the last photo."""
    history: tuple[StateChange, ...] = ()
    """Closings and reopenings, in the order in which they were recorded."""
    events: Mapping[str, date] = field(default_factory=dict)
    """Dates that people stated, by the event's name; of several for one event the latest statement."""
    holds: tuple[LegalHold, ...] = ()
    """Holds in force only."""


def last_closing(history: Sequence[StateChange]) -> date | None:
    """The day from which a period counts that starts again at each closing, or None while the claim is open.

    Closing again without reopening corrects the day. A closing dated before the reopening that it follows counts
    from the reopening.
    """
    if not history or history[-1].kind is ChangeKind.REOPENED:
        return None
    return max([history[-1].on, *_reopenings(history)[-1:]])


def first_closing(history: Sequence[StateChange]) -> date | None:
    """The day of the first closing that was in force, or None while the claim is open."""
    if last_closing(history) is None:
        return None
    before = [n for n, change in enumerate(history) if change.kind is ChangeKind.REOPENED and n]
    return history[before[0] - 1].on if before else history[-1].on


def last_reopening(history: Sequence[StateChange]) -> date | None:
    """The day of the last reopening, or None."""
    return next(iter(_reopenings(history)[-1:]), None)


def _reopenings(history: Sequence[StateChange]) -> list[date]:
    return [change.on for change in history if change.kind is ChangeKind.REOPENED]
