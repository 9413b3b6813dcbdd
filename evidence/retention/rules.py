"""The retention rules as data: read from TOML, checked, and an office's own laid over the shipped ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from typing import Any, NoReturn

from evidence.errors import BadInputError
from evidence.toml_lines import Lines, nearest, parse_toml

MOST_YEARS = 150
"""A longer period is taken for a typing error (a year written where a number of years belongs)."""


class CountsFrom(StrEnum):
    """Where in the calendar a rule's years begin."""

    DAY = "day"
    END_OF_MONTH = "end_of_month"
    END_OF_YEAR = "end_of_year"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One retention rule. `config/retention.toml` explains every field."""

    id: str
    years: int
    minimum_years: int
    jurisdictions: tuple[str, ...] = ()
    perils: tuple[str, ...] = ()
    fallback: bool = False
    event: str = "closing"
    counts_from: CountsFrom = CountsFrom.DAY
    year_ends: int = 12
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


def load_rules(text: str, origin: str) -> RetentionRules:
    """The rules in a TOML text that `origin` names for people.

    Raises BadInputError with the line for what is not a rule: an unknown key (and the nearest right one),
    a missing one, a value of the wrong kind or out of range, two rules of one id.
    """
    data, lines = parse_toml(text, origin)
    for key in data:
        if key != "rule":
            _refuse(
                origin,
                lines.key("", key),
                f"{key!r} is no part of the retention rules",
                nearest(key, ["rule"]),
            )
    tables = data.get("rule", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        _refuse(
            origin, lines.key("", "rule"), "'rule' is not a list of tables", "Begin each rule with [[rule]]."
        )
    rules = [_rule(table, _Place(origin, lines, f"rule#{n}")) for n, table in enumerate(tables)]
    seen: set[str] = set()
    for n, rule in enumerate(rules):
        if rule.id in seen:
            _refuse(
                origin,
                lines.key(f"rule#{n}", "id"),
                f"a second rule {rule.id!r}",
                "Give it an id of its own.",
            )
        seen.add(rule.id)
    return RetentionRules(rules=tuple(rules))


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


@dataclass(frozen=True, slots=True)
class _Place:
    origin: str
    lines: Lines
    table: str

    def refuse(self, key: str, what: str, hint: str) -> NoReturn:
        line = self.lines.key(self.table, key)
        _refuse(self.origin, line, what, hint)


_INTEGERS = {"years": (0, MOST_YEARS), "minimum_years": (0, MOST_YEARS), "year_ends": (1, 12)}
_WORD_LISTS = ("jurisdictions", "perils")


def _rule(table: Mapping[str, Any], place: _Place) -> Rule:
    known = {f.name for f in fields(Rule)}
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in known:
            place.refuse(key, f"a rule has no key {key!r}", nearest(key, known))
        values[key] = _value(key, value, place)
    for key in ("id", "years"):
        if key not in values:
            place.refuse(key, f"this rule has no {key!r}", f"Add {key!r} to it.")
    if not values["id"].strip():
        place.refuse("id", "this rule's id is empty", "Give it a short name.")
    return Rule(**{"minimum_years": values["years"], **values})


def _value(key: str, value: object, place: _Place) -> object:
    """`value` as the rule's field wants it; refuses one of the wrong kind."""
    if key in _INTEGERS:
        low, high = _INTEGERS[key]
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            place.refuse(key, f"{key} = {value!r} is not a whole number from {low} to {high}", "Correct it.")
        return value
    if key in _WORD_LISTS:
        if not isinstance(value, list) or not all(isinstance(word, str) and word.strip() for word in value):
            place.refuse(key, f"{key} is not a list of words", f'Write it as {key} = ["..."].')
        return tuple(value) if isinstance(value, list) else value
    if key == "fallback":
        if not isinstance(value, bool):
            place.refuse(key, f"fallback = {value!r} is neither true nor false", "Write true or false.")
        return value
    if not isinstance(value, str):
        place.refuse(key, f"{key} = {value!r} is not a text", "Put it in quotes.")
    if key == "counts_from":
        if value not in list(CountsFrom):
            place.refuse(key, f"counts_from = {value!r} is not known", nearest(str(value), list(CountsFrom)))
        return CountsFrom(str(value))
    return value


def _refuse(origin: str, line: int, what: str, hint: str) -> NoReturn:
    raise BadInputError(f"{origin}, line {line}: {what}.", hint)


def _listed(word: str, words: tuple[str, ...]) -> bool:
    return not words or word.strip().casefold() in {w.strip().casefold() for w in words}
