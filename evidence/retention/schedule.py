"""How long a claim is kept: pure date arithmetic, with its reason in words.

The rules are data (`rules.py`). This room decides nothing about copies or people: it says for one claim
and one day whether the claim is kept, held or due. Doubt keeps: a claim that is open, that no rule
names, or whose clock cannot be started is kept without an end.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum

from evidence.model import ClaimId
from evidence.retention.rules import CountsFrom, RetentionRules, Rule


class TurnKind(StrEnum):
    """What may happen to the standing of a claim."""

    CLOSED = "closed"
    REOPENED = "reopened"


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One closing or reopening, on a calendar day of the office."""

    kind: TurnKind
    on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """A hold in force: nothing of the claim may be purged until a person lifts it."""

    hold: str
    """Its own name, for lifting it."""
    why: str
    by: str
    placed: datetime
    """Aware, UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimFacts:
    """All that retention needs to know of a claim."""

    claim: ClaimId
    jurisdiction: str = ""
    peril: str = ""
    history: tuple[Turn, ...] = ()
    """Closings and reopenings, in the order in which they were recorded."""
    events: Mapping[str, date] = field(default_factory=dict)
    """Other days that a rule may start from or wait for, by the event's name."""
    holds: tuple[Hold, ...] = ()
    """Holds in force, lifted ones left out."""
    agreed_years: int | None = None
    """A period agreed for this claim instead of the rule's; never under the rule's minimum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """The period has not run out, or has no end yet."""

    until: date | None
    """The last day on which it must be kept; None where no end can be computed."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One or more holds are in force, whatever the period says."""

    reasons: tuple[str, ...]

    @property
    def reason(self) -> str:
        """All reasons in one line."""
        return "; ".join(self.reasons)


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """The period has run out and no hold is in force."""

    since: date
    """The first day on which it could be purged."""
    reason: str


Verdict = Keep | Held | Due


def judge(facts: ClaimFacts, rules: RetentionRules, *, today: date) -> Verdict:
    """Keep, hold or due for one claim on the office's calendar day `today`.

    Never due while a hold is in force or the claim is open; once due it stays due while nothing changes.
    """
    if facts.holds:
        return Held(
            reasons=tuple(
                f"held by {h.by} since {h.placed:%Y-%m-%d}: {h.why} ({h.hold})" for h in facts.holds
            )
        )
    closed = last_closing(facts.history)
    if closed is None:
        return Keep(until=None, reason=_why_open(facts.history))
    named, preface = _governing(facts, rules)
    if not named:
        return Keep(until=None, reason=f"{preface}; without a rule it is kept")
    terms = [_term(rule, facts, closed) for rule in named]
    longest = max(terms, key=lambda term: (term.until or date.max, term.reason))
    reason = "; ".join(filter(None, [preface, longest.reason]))
    if longest.until is None or today <= longest.until:
        return Keep(until=longest.until, reason=reason)
    return Due(since=longest.until + timedelta(days=1), reason=reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Every claim asked about, each in one of three lists, with its verdict."""

    due: tuple[tuple[ClaimId, Due], ...]
    held: tuple[tuple[ClaimId, Held], ...]
    kept: tuple[tuple[ClaimId, Keep], ...]


def standing(claims: Iterable[ClaimFacts], rules: RetentionRules, *, today: date) -> Standing:
    """`judge` for many claims; each list in the order of its dates, then of the claims' numbers."""
    verdicts = [(facts.claim, judge(facts, rules, today=today)) for facts in claims]
    due = [(claim, v) for claim, v in verdicts if isinstance(v, Due)]
    held = [(claim, v) for claim, v in verdicts if isinstance(v, Held)]
    kept = [(claim, v) for claim, v in verdicts if isinstance(v, Keep)]
    return Standing(
        due=tuple(sorted(due, key=lambda pair: (pair[1].since, pair[0]))),
        held=tuple(sorted(held, key=lambda pair: pair[0])),
        kept=tuple(sorted(kept, key=lambda pair: (pair[1].until or date.max, pair[0]))),
    )


def last_closing(history: Sequence[Turn]) -> date | None:
    """The day the claim's present closing counts from, or None while it is open.

    A reopened claim starts anew at its next closing (our choice; the statutes read do not speak of
    reopening). Closing again without reopening corrects the day; a closing dated before the reopening
    that it follows counts from the reopening.
    """
    if not history or history[-1].kind is TurnKind.REOPENED:
        return None
    reopened = [turn.on for turn in history if turn.kind is TurnKind.REOPENED]
    return max([history[-1].on, *reopened[-1:]])


def anniversary(day: date, years: int) -> date:
    """The same day `years` later; 29 February in a common year counts as 1 March, the longer reading."""
    year = day.year + years
    if year > date.max.year:
        return date.max
    if (day.month, day.day) == (2, 29) and not calendar.isleap(year):
        return date(year, 3, 1)
    return day.replace(year=year)


def last_day_kept(event: date, rule: Rule, years: int) -> date:
    """The last day that `years` from `event` reach under the rule's way of counting."""
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
    """How long one rule keeps the claim, and why; no end while an event it waits for has not come."""
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
        came, word = facts.events.get(rule.also_until), rule.also_until.replace("_", " ")
        if came is None:
            return _Term(None, f"{reason}, and until the {word}, which has not come")
        reason += f", or until the {word} of {came} if that is later"
        until = max(until, came)
    return _Term(until, f"{reason}: through {until}" + (f"; {rule.note}" if rule.note else ""))


def _governing(facts: ClaimFacts, rules: RetentionRules) -> tuple[list[Rule], str]:
    """The rules that name the claim, or else the fallback; and what must be said about that choice."""
    named = [
        rule for rule in rules.rules if not rule.fallback and rule.names(facts.jurisdiction, facts.peril)
    ]
    if named:
        return named, ""
    where = (
        f"jurisdiction {facts.jurisdiction!r}"
        if facts.jurisdiction.strip()
        else "a claim without jurisdiction"
    )
    fallback = [rule for rule in rules.rules if rule.fallback and rule.names(facts.jurisdiction, facts.peril)]
    if fallback:
        return fallback, f"no rule of its own for {where}, the default applies"
    return [], f"no rule for {where}"


def _why_open(history: Sequence[Turn]) -> str:
    if history:
        return f"open: reopened {history[-1].on} and not closed since"
    return "open: never closed"


def _years(count: int) -> str:
    return f"{count} year" if count == 1 else f"{count} years"


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
