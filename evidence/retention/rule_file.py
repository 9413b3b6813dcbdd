"""Reads retention rules from TOML, in the present form and in that of earlier programs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated

from annotated_types import Interval

from evidence.retention.facts import EARLIER_NAMES, Clock
from evidence.retention.periods import MAX_YEARS, CountsFrom, Period, parse_period
from evidence.retention.schedule import (
    AfterReopening,
    AppliesTo,
    Authority,
    AuthorityStatus,
    RetentionSchedule,
    Rule,
    Term,
)
from evidence.toml_files import Filled, KeyPath, TomlFile

Years = Annotated[int, Interval(ge=0, le=MAX_YEARS)]
Month = Annotated[int, Interval(ge=1, le=12)]
_EXAMPLES = "Write 'P5Y', 'year of closing plus 5' or 'current and 4 preceding calendar years'."


@dataclass(frozen=True, slots=True, kw_only=True)
class _TermTable:
    period: Filled
    clock: Filled | None = None
    counts_from: CountsFrom | None = None
    year_ends: Month | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _AuthorityTable:
    section: Filled
    status: AuthorityStatus = AuthorityStatus.OWN
    source: str = ""
    checked: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _RuleTable:
    id: Filled
    period: Filled | None = None
    clock: Filled | None = None
    counts_from: CountsFrom | None = None
    year_ends: Month | None = None
    later_of: tuple[_TermTable, ...] = ()
    minimum_years: Years | None = None
    jurisdictions: tuple[Filled, ...] = ()
    lines: tuple[Filled, ...] = ()
    perils: tuple[Filled, ...] = ()
    carriers: tuple[Filled, ...] = ()
    kinds: tuple[Filled, ...] = ()
    held_by: tuple[Filled, ...] = ()
    reopening: AfterReopening = AfterReopening.RESTART
    authority: _AuthorityTable | None = None
    note: str = ""
    # Keys of earlier programs.
    years: Years | None = None
    event: Filled | None = None
    also_until: str = ""
    source: str = ""
    fallback: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _ScheduleFile:
    rule: tuple[_RuleTable, ...] = ()
    held_by: tuple[Filled, ...] = ()


def load_schedule(text: str, origin: str) -> RetentionSchedule:
    """The rules in a TOML text; `origin` is its file name in messages.

    Raises BadInputError with the line for an unknown key (with the closest valid one), a missing key, a value of
    the wrong type or out of range, a period that cannot be read, and two rules with the same id.
    """
    file = TomlFile(text, origin)
    read = file.read(_ScheduleFile)
    seen: set[str] = set()
    rules = []
    for n, table in enumerate(read.rule):
        if table.id in seen:
            file.refuse(("rule", n, "id"), f"a second rule {table.id!r}", "Give it an id of its own.")
        seen.add(table.id)
        rules.append(_rule(file, ("rule", n), table))
    return RetentionSchedule(rules=tuple(rules), held_by=read.held_by)


def _rule(file: TomlFile, place: KeyPath, table: _RuleTable) -> Rule:
    terms = _terms(file, place, table)
    at_least = terms
    if table.minimum_years is not None:
        at_least = tuple(
            Term(
                period=Period(
                    years=table.minimum_years,
                    counts_from=one.period.counts_from,
                    year_ends=one.period.year_ends,
                ),
                clock=one.clock,
            )
            for one in terms[:1]
        )
    return Rule(
        id=table.id,
        terms=terms,
        at_least=at_least,
        applies=AppliesTo(
            jurisdictions=table.jurisdictions,
            lines=table.lines,
            perils=table.perils,
            carriers=table.carriers,
            kinds=table.kinds,
            held_by=table.held_by,
        ),
        reopening=table.reopening,
        authority=_authority(table),
        note=table.note,
    )


def _terms(file: TomlFile, place: KeyPath, table: _RuleTable) -> tuple[Term, ...]:
    forms = {"period": table.period, "years": table.years, "later_of": table.later_of or None}
    given = [name for name, value in forms.items() if value is not None]
    if len(given) != 1:
        what = f"{' and '.join(map(repr, given))} exclude each other" if given else "'period' is missing"
        file.refuse((*place, given[-1]) if given else place, what, f"Give one of 'period', 'years' (as before) or 'later_of'. {_EXAMPLES}")  # fmt: skip
    if table.clock and table.event:
        file.refuse((*place, "event"), "'event' and 'clock' exclude each other", "Remove 'event'.")
    terms: Sequence[Term]
    if table.later_of:
        if table.clock or table.event or table.counts_from or table.year_ends:
            file.refuse(
                (*place, "later_of"),
                "with 'later_of' each period has its own clock",
                "Move 'clock' and 'counts_from' into its tables.",
            )
        terms = [_term(file, (*place, "later_of", n), one) for n, one in enumerate(table.later_of)]
    elif table.period is not None:
        one = _TermTable(
            period=table.period,
            clock=table.clock or table.event,
            counts_from=table.counts_from,
            year_ends=table.year_ends,
        )
        terms = [_term(file, place, one)]
    else:
        period = Period(
            years=table.years or 0,
            counts_from=table.counts_from or CountsFrom.DAY,
            year_ends=table.year_ends or 12,
        )
        terms = [Term(period=period, clock=_clock(table.clock or table.event))]
    if table.also_until:
        terms = [*terms, Term(period=Period(), clock=_clock(table.also_until))]
    return tuple(terms)


def _term(file: TomlFile, place: KeyPath, table: _TermTable) -> Term:
    try:
        period, named = parse_period(table.period)
    except ValueError as trouble:
        raise file.error((*place, "period"), str(trouble), _EXAMPLES) from None
    if named and table.clock and _clock(named) != _clock(table.clock):
        file.refuse(
            (*place, "clock"), f"'period' says {named!r} and 'clock' {table.clock!r}", "Remove 'clock'."
        )
    counts_from = table.counts_from or period.counts_from
    if period.counts_from is CountsFrom.END_OF_YEAR and counts_from is not CountsFrom.END_OF_YEAR:
        file.refuse((*place, "counts_from"), "this period ends with a calendar year", "Remove 'counts_from'.")
    if (counts_from is CountsFrom.END_OF_YEAR and (period.months or period.days)) or (
        counts_from is CountsFrom.END_OF_MONTH and period.days
    ):
        file.refuse(
            (*place, "period"),
            f"{table.period!r} does not fit counts_from = {counts_from.value!r}",
            "Give whole years, or whole months for 'end_of_month'.",
        )
    period = Period(
        years=period.years,
        months=period.months,
        days=period.days,
        counts_from=counts_from,
        year_ends=table.year_ends or 12,
    )
    return Term(period=period, clock=_clock(named or table.clock))


def _clock(name: str | None) -> str:
    word = (name or Clock.CLOSING).strip().casefold().replace(" ", "_")
    return str(EARLIER_NAMES.get(word, word))


def _authority(table: _RuleTable) -> Authority:
    if table.authority is None:
        return Authority(section=table.source or "no source given")
    return Authority(
        section=table.authority.section,
        status=table.authority.status,
        source=table.authority.source,
        checked=table.authority.checked,
    )
