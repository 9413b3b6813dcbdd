"""Whether a claim is kept, held or due for purging on a day, and why: date arithmetic only.

The rules are data (`schedule`). In doubt a claim is kept: while it is open, when no rule applies to it, and while
an event that a rule counts from is not recorded, it is kept without an end date.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from evidence.model import ClaimId
from evidence.retention.facts import (
    ClaimFacts,
    Clock,
    LegalHold,
    StateChange,
    clock_words,
    first_closing,
    last_closing,
    last_reopening,
)
from evidence.retention.periods import arithmetic, last_day
from evidence.retention.schedule import (
    FLOOR,
    FLOOR_AUTHORITY,
    AfterReopening,
    FloorException,
    RetentionSchedule,
    Rule,
)

FLOOR_RULE = "floor"
"""What a verdict names as its rule when the floor decided."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """The rule that decided, and how."""

    rule: str
    """Its id."""
    authority: str
    """Who asks for the period, and how well that is known."""
    arithmetic: str
    """The calculation in words."""
    first_day: date | None
    """The first day on which a purge would be lawful by the rules; None without an end date."""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The period has not ended, or has no end date yet."""

    until: date | None
    """The last day on which it must be kept; None without an end date."""
    reason: str
    rules: str = ""
    """Digest of the rules that were asked."""
    basis: Basis | None = None
    """None while the claim is open, or when no rule applies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One or more holds are in force; they count before any period."""

    reasons: tuple[str, ...]
    rules: str = ""
    """Digest of the rules that were asked."""
    basis: Basis | None = None
    """What the rules say for the time after the holds; None while the claim is open, or when no rule applies."""

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
    rules: str = ""
    """Digest of the rules that were asked."""
    basis: Basis | None = None


Disposition = Kept | Held | Due


def disposition_of(facts: ClaimFacts, schedule: RetentionSchedule, *, today: date) -> Disposition:
    """Whether the claim is kept, held or due on the office's calendar day `today`.

    Never due while a hold is in force or the claim is open. Once due, it stays due until its facts change. A hold or
    a rule more never makes it due earlier.
    """
    found = _by_rules(facts, schedule, today)
    if not facts.holds:
        return found
    return Held(reasons=tuple(map(_held, facts.holds)), rules=schedule.digest, basis=found.basis)


def _by_rules(facts: ClaimFacts, schedule: RetentionSchedule, today: date) -> Kept | Due:
    closed = last_closing(facts.history)
    if closed is None:
        return Kept(until=None, reason=_why_open(facts.history), rules=schedule.digest)
    rules = schedule.governing(facts)
    if not rules:
        return Kept(
            until=None,
            reason=f"no rule for {_where(facts)}; without a rule it is kept",
            rules=schedule.digest,
        )
    results = [_result(rule, schedule, facts, closed) for rule in rules]
    longest = max(results, key=lambda one: (one.until or date.max, one.rule.id))
    first = longest.until + timedelta(days=1) if longest.until and longest.until < date.max else None
    basis = Basis(
        rule=longest.decided_by,
        authority=longest.authority,
        arithmetic=longest.words,
        first_day=first,
        note=longest.rule.note,
    )
    reason = _reason(basis, longest, facts, len(rules))
    if first is None or today < first:
        return Kept(until=longest.until, reason=reason, rules=schedule.digest, basis=basis)
    return Due(since=first, reason=reason, rules=schedule.digest, basis=basis)


@dataclass(frozen=True, slots=True, kw_only=True)
class DispositionReview:
    """Claims in three lists, each with its disposition; every reviewed claim is in exactly one list."""

    due: tuple[tuple[ClaimId, Due], ...]
    held: tuple[tuple[ClaimId, Held], ...]
    kept: tuple[tuple[ClaimId, Kept], ...]
    rules: str = ""
    """Digest of the rules that were asked."""


def dispositions(
    claims: Iterable[ClaimFacts], schedule: RetentionSchedule, *, today: date
) -> list[tuple[ClaimId, Disposition]]:
    """The disposition of each of these claims, in their order."""
    return [(facts.claim, disposition_of(facts, schedule, today=today)) for facts in claims]


def review(claims: Iterable[ClaimFacts], schedule: RetentionSchedule, *, today: date) -> DispositionReview:
    """The disposition of many claims; each list sorted by date, then by claim number."""
    return sorted_review(dispositions(claims, schedule, today=today), schedule)


def sorted_review(
    found: Iterable[tuple[ClaimId, Disposition]], schedule: RetentionSchedule
) -> DispositionReview:
    """What `dispositions` found by this schedule as a review."""
    found = list(found)
    due = [(claim, v) for claim, v in found if isinstance(v, Due)]
    held = [(claim, v) for claim, v in found if isinstance(v, Held)]
    kept = [(claim, v) for claim, v in found if isinstance(v, Kept)]
    return DispositionReview(
        due=tuple(sorted(due, key=lambda pair: (pair[1].since, pair[0]))),
        held=tuple(sorted(held, key=lambda pair: pair[0])),
        kept=tuple(sorted(kept, key=lambda pair: (pair[1].until or date.max, pair[0]))),
        rules=schedule.digest,
    )


# --- one rule ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Result:
    """How long one rule keeps a claim, with the floor under it."""

    rule: Rule
    until: date | None
    words: str
    is_floor: bool = False

    @property
    def decided_by(self) -> str:
        return FLOOR_RULE if self.is_floor else self.rule.id

    @property
    def authority(self) -> str:
        return FLOOR_AUTHORITY if self.is_floor else self.rule.authority.words


def _result(rule: Rule, schedule: RetentionSchedule, facts: ClaimFacts, closed: date) -> _Result:
    floor = schedule.floor_of(rule)
    found = []
    for term in schedule.terms_of(rule):
        start, said = _start(term.clock, rule.reopening, facts, closed)
        if start is None:
            return _Result(rule, None, said)
        found.append((last_day(term.period, start), f"{said}: {arithmetic(term.period, start)}"))
    until, words = max(found)
    if len(rule.terms) > 1:
        words = f"{words}, the latest of {len(rule.terms)}"
    least = last_day(floor.period, closed)
    is_floor = least > until
    if is_floor:
        words = f"closed {closed}: {arithmetic(floor.period, closed)}, the floor; rule {rule.id!r} alone would end on {until}"
        until = least
    exception = schedule.exception_of(rule)
    if exception and until < last_day(FLOOR.period, closed):
        words = f"{words}, under the floor of {FLOOR.period.length} by an exception ({_exception(exception)})"
    return _Result(rule, until, words, is_floor=is_floor)


def _exception(exception: FloorException) -> str:
    why = " ".join(exception.why.split())
    return f"{exception.asked_by} and {exception.approved_by}, {exception.approved}: {why}"


def _start(clock: str, reopening: AfterReopening, facts: ClaimFacts, closed: date) -> tuple[date | None, str]:
    """The day from which a period counts and how it is said; no day while the event is not recorded."""
    restarts = reopening is AfterReopening.RESTART
    if clock == Clock.CLOSING:
        day = closed if restarts else first_closing(facts.history)
        return day, f"closed {day}" + ("" if day == closed else ", for the first time")
    day = _recorded(clock, facts)
    word = clock_words(clock)
    if day is None:
        return None, f"{word} is not recorded, so its period has no end yet"
    reopened = last_reopening(facts.history)
    if restarts and reopened is not None and day < reopened:
        return max(
            day, closed
        ), f"{word} {day}, before the reopening of {reopened}, so from the closing of {closed}"
    return day, f"{word} {day}"


def _recorded(clock: str, facts: ClaimFacts) -> date | None:
    if clock in facts.events:
        return facts.events[clock]
    return {Clock.LOSS.value: facts.loss, Clock.INSPECTION.value: facts.inspected}.get(clock)


# --- words -------------------------------------------------------------------------------


def _reason(basis: Basis, longest: _Result, facts: ClaimFacts, rules: int) -> str:
    end = f"kept through {longest.until}" if basis.first_day else "kept without an end"
    first = f", first purge day {basis.first_day}" if basis.first_day else ""
    others = f"the longest of {rules} rules" if rules > 1 else ""
    state = (
        "" if facts.jurisdiction.strip() else "the claim has no jurisdiction, so no state's rule was counted"
    )
    parts = [
        f"rule {basis.rule!r} ({basis.authority}): {basis.arithmetic}",
        f"{end}{first}",
        others,
        state,
        basis.note,
    ]
    return "; ".join(filter(None, parts))


def _held(hold: LegalHold) -> str:
    kind = f"{hold.kind}: " if hold.kind else ""
    until = f", until {hold.until}" if hold.until else ""
    return f"held by {hold.by} since {hold.placed:%Y-%m-%d}{until}: {kind}{hold.why} ({hold.name})"


def _where(facts: ClaimFacts) -> str:
    place = facts.jurisdiction.strip()
    return f"jurisdiction {place!r}" if place else "a claim without a jurisdiction"


def _why_open(history: Sequence[StateChange]) -> str:
    if history:
        return f"open: reopened {history[-1].on} and not closed since"
    return "open: never closed"
