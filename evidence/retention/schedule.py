"""The retention schedule: rules read from TOML and checked; an office's own rules replace the shipped ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Annotated

from annotated_types import Interval

from evidence.toml_files import Filled, TomlFile

MAX_YEARS = 150
"""A longer period is refused as a typing error, such as a calendar year in the place of a number of years."""

Years = Annotated[int, Interval(ge=0, le=MAX_YEARS)]


class CountsFrom(StrEnum):
    """From which day a rule's years count: the event, or the end of its month or year."""

    DAY = "day"
    END_OF_MONTH = "end_of_month"
    END_OF_YEAR = "end_of_year"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One retention rule. `config/retention.toml` explains every field."""

    id: Filled
    years: Years
    minimum_years: Years = 0
    """`load_schedule` puts `years` here when the file gives none."""
    jurisdictions: tuple[Filled, ...] = ()
    perils: tuple[Filled, ...] = ()
    fallback: bool = False
    event: str = "closing"
    counts_from: CountsFrom = CountsFrom.DAY
    year_ends: Annotated[int, Interval(ge=1, le=12)] = 12
    also_until: str = ""
    source: str = "no source given"
    note: str = ""

    def applies_to(self, jurisdiction: str, peril: str) -> bool:
        """True when the rule covers such a claim; case and outer spaces do not matter."""
        return _listed(jurisdiction, self.jurisdictions) and _listed(peril, self.perils)


@dataclass(frozen=True, slots=True, kw_only=True)
class RetentionSchedule:
    """A checked set of rules; ids are unique."""

    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _ScheduleFile:
    rule: tuple[Rule, ...] = ()


def load_schedule(text: str, origin: str) -> RetentionSchedule:
    """The rules in a TOML text; `origin` is its file name in messages.

    Raises BadInputError with the line for an unknown key (with the closest valid one), a missing key, a value of
    the wrong type or out of range, and two rules with the same id.
    """
    file = TomlFile(text, origin)
    rules = file.read(_ScheduleFile).rule
    seen: set[str] = set()
    for n, rule in enumerate(rules):
        if rule.id in seen:
            file.refuse(("rule", n, "id"), f"a second rule {rule.id!r}", "Give it an id of its own.")
        seen.add(rule.id)
    given = [("minimum_years" in table) for table in file.data.get("rule", ())]
    return RetentionSchedule(
        rules=tuple(
            rule if has_minimum else replace(rule, minimum_years=rule.years)
            for rule, has_minimum in zip(rules, given, strict=True)
        )
    )


def override(shipped: RetentionSchedule, own: RetentionSchedule) -> RetentionSchedule:
    """The shipped rules; a rule of the office's own replaces the one with the same id, the others are added.

    An own rule may keep longer or shorter, but it never lowers the minimum of the rule that it replaces.
    """
    added = {rule.id: rule for rule in own.rules}
    merged = []
    for rule in shipped.rules:
        by_office = added.pop(rule.id, None)
        if by_office is None:
            merged.append(rule)
        else:
            minimum = max(rule.minimum_years, by_office.minimum_years)
            merged.append(replace(by_office, minimum_years=minimum))
    return RetentionSchedule(rules=(*merged, *added.values()))


def _listed(word: str, words: tuple[str, ...]) -> bool:
    return not words or word.strip().casefold() in {w.strip().casefold() for w in words}
