"""Retention rules as values: to what each applies, how long it keeps, who requires it; and the floor under all of them."""

from __future__ import annotations

import calendar
import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from functools import cache, cached_property

import rfc8785

from evidence.codec import to_json
from evidence.errors import counted
from evidence.retention.facts import ClaimFacts, Clock, clock_words
from evidence.retention.periods import CountsFrom, Period


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """A period and the event that starts it."""

    period: Period
    clock: str = Clock.CLOSING.value


FLOOR = Term(period=Period(years=5))
"""No claim is purged earlier than this after its last closing, unless two people agreed to an exception."""
FLOOR_AUTHORITY = "common practice, no source"


class AuthorityStatus(StrEnum):
    """How it is known what an authority requires."""

    READ = "read"
    """The text itself was read."""
    SECONDARY = "secondary"
    """A page that restates the text was read."""
    MEMORY = "memory"
    """From memory, not confirmed."""
    PRACTICE = "practice"
    """Common practice, no source."""
    OWN = "own"
    """The office's own rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Authority:
    """Who asks for a period, and how well that is known."""

    section: str
    """For instance `RSA 400-B:5, I`."""
    status: AuthorityStatus = AuthorityStatus.OWN
    source: str = ""
    """Where it was read."""
    checked: date | None = None

    @property
    def words(self) -> str:
        """For people: `RSA 400-B:5, I; read, checked 2026-11-20`."""
        return _authority_words(self)


@cache
def _authority_words(authority: Authority) -> str:
    status = {
        AuthorityStatus.PRACTICE: "",
        AuthorityStatus.OWN: "",
        AuthorityStatus.MEMORY: "from memory",
    }.get(authority.status, authority.status.value)
    checked = f"checked {authority.checked}" if authority.checked and status else ""
    return "; ".join(filter(None, [authority.section, ", ".join(filter(None, [status, checked]))]))


class AfterReopening(StrEnum):
    """What a reopening does to a rule's period."""

    RESTART = "restart"
    """It starts again at the next closing, also where it counts from an event before the reopening."""
    CONTINUE = "continue"
    """It counts from the first closing, or from the event, as if the claim had not been reopened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliesTo:
    """The claims of a rule. An empty list covers all; words are compared without case and outer spaces."""

    jurisdictions: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    perils: tuple[str, ...] = ()
    carriers: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    """Kinds of record."""
    held_by: tuple[str, ...] = ()
    """Who keeps the archive."""

    def covers(self, facts: ClaimFacts, holders: tuple[str, ...]) -> bool:
        """True for a claim that the lists name. No `holders`: it is not known who keeps the archive, so all count."""
        return (
            _listed(facts.jurisdiction, self.jurisdictions)
            and _listed(facts.line, self.lines)
            and _listed(facts.peril, self.perils)
            and _listed(facts.carrier, self.carriers)
            and _listed(facts.kind, self.kinds)
            and (not holders or any(_listed(one, self.held_by) for one in holders))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One retention rule. `config/retention.toml` explains every field."""

    id: str
    terms: tuple[Term, ...]
    """The later of their last days counts."""
    at_least: tuple[Term, ...] = ()
    """Terms that count too, and that an office's own rule of the same id cannot shorten."""
    applies: AppliesTo = field(default_factory=AppliesTo)
    reopening: AfterReopening = AfterReopening.RESTART
    authority: Authority = field(default_factory=lambda: Authority(section="no source given"))
    note: str = ""
    minimum_of: str = ""
    """The id of the shipped rule whose minimum this is, for a rule that an office replaced by its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorException:
    """A rule may keep less than the floor and the shipped minimum: one person asked, another approved."""

    rule: str
    """The rule's id."""
    years: int
    """The floor for this rule, in years from the last closing."""
    why: str
    asked_by: str
    approved_by: str
    approved: date


@dataclass(frozen=True, kw_only=True)  # without slots, for `cached_property`
class RetentionSchedule:
    """A checked set of rules with unique ids, and the exceptions from the floor in force."""

    rules: tuple[Rule, ...]
    held_by: tuple[str, ...] = ()
    """Who keeps the archive, for instance `insurer`; empty when the office has not said."""
    exceptions: tuple[FloorException, ...] = ()

    @cached_property  # every verdict names it, and hashing the rules takes as long as applying them
    def digest(self) -> str:
        """SHA-256 over the rules and exceptions as canonical JSON (RFC 8785); comments in the files do not count."""
        return hashlib.sha256(rfc8785.dumps(to_json(self))).hexdigest()

    @cached_property
    def _exceptions(self) -> dict[str, FloorException]:
        """The lowest exception for each rule that has one, by its id."""
        lower = [one for one in self.exceptions if one.years < FLOOR.period.years]
        return {one.rule: one for one in sorted(lower, key=lambda one: -one.years)}

    def exception_of(self, rule: Rule) -> FloorException | None:
        """The exception that lowers the floor for this rule, the lowest of several, or None."""
        return self._exceptions.get(rule.id)

    def floor_of(self, rule: Rule) -> Term:
        """The floor for this rule."""
        exception = self.exception_of(rule)
        return replace(FLOOR, period=Period(years=exception.years)) if exception else FLOOR

    @cached_property
    def _terms(self) -> dict[str, tuple[Term, ...]]:
        return {rule.id: tuple(dict.fromkeys((*rule.terms, *rule.at_least))) for rule in self.rules}

    def terms_of(self, rule: Rule) -> tuple[Term, ...]:
        """Everything that a rule of this schedule asks for, each once."""
        return self._terms[rule.id]

    @cached_property
    def _governing(self) -> dict[tuple[str, ...], tuple[Rule, ...]]:
        """What `governing` found for the words of claims; thousands of claims share a few."""
        return {}

    def governing(self, facts: ClaimFacts) -> tuple[Rule, ...]:
        """Every rule that applies to the claim; not the shipped minimum of a rule with an exception."""
        words = (facts.jurisdiction, facts.line, facts.peril, facts.carrier, facts.kind)
        found = self._governing.get(words)
        if found is None:
            excepted = {one.rule for one in self.exceptions}
            found = tuple(
                rule
                for rule in self.rules
                if rule.applies.covers(facts, self.held_by) and rule.minimum_of not in excepted
            )
            self._governing[words] = found
        return found

    def with_exceptions(self, exceptions: Iterable[FloorException]) -> RetentionSchedule:
        """The same rules with these exceptions from the floor."""
        return replace(self, exceptions=tuple(exceptions))


def override(shipped: RetentionSchedule, own: RetentionSchedule) -> RetentionSchedule:
    """The shipped rules; a rule of the office's own replaces the one with the same id, the others are added.

    An own rule may keep longer or shorter, or apply to other claims: what the shipped rule keeps at least stays as a
    rule of its own, for the claims to which the shipped rule applies.
    """
    added = {rule.id: rule for rule in own.rules}
    merged = []
    for rule in shipped.rules:
        by_office = added.pop(rule.id, None)
        if by_office is None or by_office == rule:
            merged.append(rule)
        else:
            merged += [by_office, _minimum(rule)]
    return RetentionSchedule(
        rules=(*merged, *added.values()),
        held_by=own.held_by or shipped.held_by,
        exceptions=(*shipped.exceptions, *own.exceptions),
    )


def _minimum(rule: Rule) -> Rule:
    return replace(
        rule, id=f"{rule.id} (shipped minimum)", terms=rule.at_least, at_least=(), minimum_of=rule.id
    )


def rule_words(rule: Rule) -> str:
    """How long the rule keeps, for people: `5 years from settled, or until exam report filed if later`."""
    first, *others = map(_term_words, rule.terms)
    return ", or ".join([first, *others]) + (" if later" if others else "")


def _term_words(term: Term) -> str:
    clock, period = clock_words(term.clock), term.period
    match period.counts_from:
        case CountsFrom.DAY if period == Period():
            return f"until {clock}"
        case CountsFrom.DAY:
            return f"{period.length} from {clock}"
        case CountsFrom.END_OF_MONTH:
            return f"{period.length} from the end of the month of {clock}"
        case CountsFrom.END_OF_YEAR if period.year_ends == 12:
            return f"calendar year of {clock} + {counted(period.years, 'year')}"
        case CountsFrom.END_OF_YEAR:
            ends = calendar.month_name[period.year_ends]
            return f"year of {clock} (ending in {ends}) + {counted(period.years, 'year')}"


def rule_digests(schedule: RetentionSchedule) -> dict[str, str]:
    """For each rule's id the SHA-256 of the rule, to tell which rules changed."""
    return {rule.id: hashlib.sha256(rfc8785.dumps(to_json(rule))).hexdigest() for rule in schedule.rules}


def _listed(word: str, words: tuple[str, ...]) -> bool:
    return not words or word.strip().casefold() in {w.strip().casefold() for w in words}
