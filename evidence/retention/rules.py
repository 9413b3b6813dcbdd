"""The retention rules as data: read from TOML, checked, and an office's own laid over the shipped ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Annotated

from annotated_types import Interval

from evidence.toml_files import Filled, TomlFile

MOST_YEARS = 150
"""A longer period is taken for a typing error (a year written where a number of years belongs)."""

Years = Annotated[int, Interval(ge=0, le=MOST_YEARS)]


class CountsFrom(StrEnum):
    """Where in the calendar a rule's years begin."""

    DAY = "day"
    END_OF_MONTH = "end_of_month"
    END_OF_YEAR = "end_of_year"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One retention rule. `config/retention.toml` explains every field."""

    id: Filled
    years: Years
    minimum_years: Years = 0
    """`load_rules` puts `years` here when the file states none."""
    jurisdictions: tuple[Filled, ...] = ()
    perils: tuple[Filled, ...] = ()
    fallback: bool = False
    event: str = "closing"
    counts_from: CountsFrom = CountsFrom.DAY
    year_ends: Annotated[int, Interval(ge=1, le=12)] = 12
    also_until: str = ""
    source: str = "no source given"
    note: str = ""

    def names(self, jurisdiction: str, peril: str) -> bool:
        """True when the rule is meant for such a claim; case and outer spaces do not matter."""
        return _listed(jurisdiction, self.jurisdictions) and _listed(peril, self.perils)


@dataclass(frozen=True, slots=True, kw_only=True)
class RetentionRules:
    """A checked set of rules; ids are unique."""

    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    rule: tuple[Rule, ...] = ()


def load_rules(text: str, origin: str) -> RetentionRules:
    """The rules in a TOML text that `origin` names for people.

    Raises BadInputError with the line for what is not a rule: an unknown key (and the nearest right one),
    a missing one, a value of the wrong kind or out of range, two rules of one id.
    """
    file = TomlFile(text, origin)
    rules = file.read(_File).rule
    seen: set[str] = set()
    for n, rule in enumerate(rules):
        if rule.id in seen:
            file.refuse(("rule", n, "id"), f"a second rule {rule.id!r}", "Give it an id of its own.")
        seen.add(rule.id)
    stated = [("minimum_years" in table) for table in file.data.get("rule", ())]
    return RetentionRules(
        rules=tuple(
            rule if own else replace(rule, minimum_years=rule.years)
            for rule, own in zip(rules, stated, strict=True)
        )
    )


def with_own(shipped: RetentionRules, own: RetentionRules) -> RetentionRules:
    """The office's own rules over the shipped ones, by id.

    An own rule may keep longer or shorter, but it never lowers the minimum of the rule that it replaces.
    """
    mine = {rule.id: rule for rule in own.rules}
    merged = []
    for rule in shipped.rules:
        over = mine.pop(rule.id, None)
        merged.append(
            rule if over is None else replace(over, minimum_years=max(rule.minimum_years, over.minimum_years))
        )
    return RetentionRules(rules=(*merged, *mine.values()))


def _listed(word: str, words: tuple[str, ...]) -> bool:
    return not words or word.strip().casefold() in {w.strip().casefold() for w in words}
