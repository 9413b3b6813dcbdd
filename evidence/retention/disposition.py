"""Whether a claim is kept, held or due for purging on a day, and why: date arithmetic only.

The rules are data (`schedule`). In doubt a claim is kept: while it is open, when no rule applies to it, and while
an event that its rule waits for is not recorded, it is kept without an end date.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum

from evidence.errors import counted
from evidence.model import ClaimId
from evidence.retention.schedule import CountsFrom, RetentionSchedule, Rule


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
    """A hold in force: nothing of the claim may be purged until a person lifts it."""

    name: str
    """For people: `hold 3`."""
    why: str
    by: str
    placed: datetime
    """Aware, UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimFacts:
    """What decides a claim's disposition."""

    claim: ClaimId
    jurisdiction: str = ""
    peril: str = ""
    history: tuple[StateChange, ...] = ()
    """Closings and reopenings, in the order in which they were recorded."""
    events: Mapping[str, date] = field(default_factory=dict)
    """Dates of other events that a rule counts from or waits for, by the event's name."""
    holds: tuple[LegalHold, ...] = ()
    """Holds in force only."""
    agreed_years: int | None = None
    """A period agreed for this claim that replaces the rule's; the rule's minimum still applies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The period has not ended, or has no end date yet."""

    until: date | None
    """The last day on which it must be kept; None without an end date."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One or more holds are in force; they count before any period."""

    reasons: tuple[str, ...]

    @property
    def reason(self) -> str:
        """All reasons on one line."""
        return "; ".join(self.reasons)


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """The period has ended and no hold is in force."""

    since: date
    """The first day on which it could be purged."""
    reason: str


Disposition = Kept | Held | Due


def disposition_of(facts: ClaimFacts, schedule: RetentionSchedule, *, today: date) -> Disposition:
    """Whether the claim is kept, held or due on the office's calendar day `today`.

    Never due while a hold is in force or the claim is open. Once due, it stays due until its facts change.
    """
    if facts.holds:
        return Held(
            reasons=tuple(
                f"held by {h.by} since {h.placed:%Y-%m-%d}: {h.why} ({h.name})" for h in facts.holds
            )
        )
    closed = last_closing(facts.history)
    if closed is None:
        return Kept(until=None, reason=_why_open(facts.history))
    rules, preface = _governing(facts, schedule)
    if not rules:
        return Kept(until=None, reason=f"{preface}; without a rule it is kept")
    terms = [_term(rule, facts, closed) for rule in rules]
    longest = max(terms, key=lambda term: (term.until or date.max, term.reason))
    reason = "; ".join(filter(None, [preface, longest.reason]))
    if longest.until is None or today <= longest.until:
        return Kept(until=longest.until, reason=reason)
    return Due(since=longest.until + timedelta(days=1), reason=reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class DispositionReview:
    """Claims in three lists, each with its disposition; every reviewed claim is in exactly one list."""

    due: tuple[tuple[ClaimId, Due], ...]
    held: tuple[tuple[ClaimId, Held], ...]
    kept: tuple[tuple[ClaimId, Kept], ...]


def review(claims: Iterable[ClaimFacts], schedule: RetentionSchedule, *, today: date) -> DispositionReview:
    """The disposition of many claims; each list sorted by date, then by claim number."""
    found = [(facts.claim, disposition_of(facts, schedule, today=today)) for facts in claims]
    due = [(claim, v) for claim, v in found if isinstance(v, Due)]
    held = [(claim, v) for claim, v in found if isinstance(v, Held)]
    kept = [(claim, v) for claim, v in found if isinstance(v, Kept)]
    return DispositionReview(
        due=tuple(sorted(due, key=lambda pair: (pair[1].since, pair[0]))),
        held=tuple(sorted(held, key=lambda pair: pair[0])),
        kept=tuple(sorted(kept, key=lambda pair: (pair[1].until or date.max, pair[0]))),
    )


def last_closing(history: Sequence[StateChange]) -> date | None:
    """The day from which the period counts, or None while the claim is open.

    After a reopening the period starts again at the next closing (our choice: the statutes we read say nothing
    about reopening). Closing again without reopening corrects the day. A closing dated before the reopening that
    it follows counts from the reopening.
    """
    if not history or history[-1].kind is ChangeKind.REOPENED:
        return None
    reopened = [change.on for change in history if change.kind is ChangeKind.REOPENED]
    return max([history[-1].on, *reopened[-1:]])


def anniversary(day: date, years: int) -> date:
    """The same day `years` later; 29 February becomes 1 March in a common year, which keeps a day longer."""
    year = day.year + years
    if year > date.max.year:
        return date.max
    if (day.month, day.day) == (2, 29) and not calendar.isleap(year):
        return date(year, 3, 1)
    return day.replace(year=year)


def last_day_kept(event: date, rule: Rule, years: int) -> date:
    """The last day of a period of `years` from `event`, counted as the rule counts."""
    if rule.counts_from is CountsFrom.DAY:
        return anniversary(event, years)
    month = event.month if rule.counts_from is CountsFrom.END_OF_MONTH else rule.year_ends
    year = event.year + years + (event.month > month)
    if year > date.max.year:
        return date.max
    return date(year, month, calendar.monthrange(year, month)[1])


@dataclass(frozen=True, slots=True)
class _Term:
    until: date | None
    reason: str


def _term(rule: Rule, facts: ClaimFacts, closed: date) -> _Term:
    """How long one rule keeps the claim, and why; without an end date until the event it waits for is recorded."""
    start, said = closed, f"closed {closed}"
    if rule.event != "closing":
        start = facts.events.get(rule.event, closed)
        word = rule.event.replace("_", " ")
        said = f"{word} {start}" if rule.event in facts.events else f"{word} not recorded, closed {closed}"
    asked = facts.agreed_years if facts.agreed_years is not None else rule.years
    years = max(asked, rule.minimum_years)
    until = last_day_kept(start, rule, years)
    reason = f"{said}; rule {rule.id!r} keeps {_years(years)} {_counting(rule)} ({rule.source})"
    if asked < years:
        reason += f", not the {_years(asked)} asked for: never under {_years(rule.minimum_years)}"
    elif facts.agreed_years is not None:
        reason += ", as agreed for this claim"
    if rule.also_until:
        recorded, word = facts.events.get(rule.also_until), rule.also_until.replace("_", " ")
        if recorded is None:
            return _Term(None, f"{reason}, and until the {word}, which is not recorded yet")
        reason += f", or until the {word} of {recorded} if that is later"
        until = max(until, recorded)
    return _Term(until, f"{reason}: through {until}" + (f"; {rule.note}" if rule.note else ""))


def _governing(facts: ClaimFacts, schedule: RetentionSchedule) -> tuple[list[Rule], str]:
    """The rules that apply to the claim, else the fallback rules; and a note on that choice for the reason."""
    applying = [rule for rule in schedule.rules if rule.applies_to(facts.jurisdiction, facts.peril)]
    own = [rule for rule in applying if not rule.fallback]
    if own:
        return own, ""
    where = (
        f"jurisdiction {facts.jurisdiction!r}"
        if facts.jurisdiction.strip()
        else "a claim without a jurisdiction"
    )
    if applying:
        return applying, f"no rule of its own for {where}, the default applies"
    return [], f"no rule for {where}"


def _why_open(history: Sequence[StateChange]) -> str:
    if history:
        return f"open: reopened {history[-1].on} and not closed since"
    return "open: never closed"


def _years(count: int) -> str:
    return counted(count, "year")


def _counting(rule: Rule) -> str:
    event = "closing" if rule.event == "closing" else rule.event.replace("_", " ")
    match rule.counts_from:
        case CountsFrom.DAY:
            return f"from {event}"
        case CountsFrom.END_OF_MONTH:
            return f"from the end of the month of {event}"
        case CountsFrom.END_OF_YEAR:
            ends = "" if rule.year_ends == 12 else f" (ending in {calendar.month_name[rule.year_ends]})"
            return f"from the end of the year{ends} of {event}"
