"""Retention rules as an office writes them: what is accepted, and how the rest is refused."""

from __future__ import annotations

import pytest

from evidence.errors import BadInputError
from evidence.retention.schedule import load_schedule, override

GOOD = """\
# a comment
[[rule]]
id = "state"
jurisdictions = [
  "US-NH",
  "New Hampshire",
]
years = 5
counts_from = "end_of_year"
source = "RSA 400-B:5"

[[rule]]
id = "rest"
fallback = true
years = 7
"""


def test_a_rule_without_a_minimum_cannot_be_loosened():
    rules = load_schedule(GOOD, "own.toml").rules
    assert [rule.minimum_years for rule in rules] == [5, 7]
    assert rules[0].applies_to("new hampshire", "hail")
    assert not rules[0].applies_to("", "hail")


@pytest.mark.parametrize(
    ("old", "new", "line", "hint"),
    [
        pytest.param("years = 5", "yaers = 5", 8, "'years'", id="misspelt-key"),
        pytest.param("years = 5", "years = 2025", 8, "at most 150", id="a-year-for-years"),
        pytest.param("years = 5", 'years = "5"', 8, "whole number", id="text-for-number"),
        pytest.param("years = 5", "years = true", 8, "whole number", id="truth-for-number"),
        pytest.param('"end_of_year"', '"end_of_yaer"', 9, "'end_of_year'", id="misspelt-word"),
        pytest.param('id = "rest"', 'id = "state"', 13, "second rule 'state'", id="same-id"),
        pytest.param("fallback = true", "fallback = 1", 14, "true or false", id="number-for-truth"),
        pytest.param('id = "state"', 'id = " "', 3, "empty", id="empty-id"),
        pytest.param('  "US-NH",', "  7,", 5, "must be text", id="number-in-words"),
        pytest.param("years = 7", "", 12, "'years'", id="no-years"),
        pytest.param("# a comment", "[rules]\n[x]", 1, "'rule'", id="misspelt-table"),
        pytest.param('id = "rest"', "id = rest", 13, "not valid TOML", id="not-toml"),
    ],
)
def test_a_mistake_is_named_with_its_line(old, new, line, hint):
    assert old in GOOD
    with pytest.raises(BadInputError) as caught:
        load_schedule(GOOD.replace(old, new, 1), "own.toml")
    assert f"line {line}" in caught.value.message
    assert hint in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_own_rule_replaces_the_shipped_one_but_never_lowers_its_minimum():
    shipped = load_schedule('[[rule]]\nid = "customary"\nyears = 7\nminimum_years = 5\n', "shipped")
    own = load_schedule('[[rule]]\nid = "customary"\nyears = 3\n[[rule]]\nid = "mine"\nyears = 1\n', "own")
    merged = {rule.id: (rule.years, rule.minimum_years) for rule in override(shipped, own).rules}
    assert merged == {"customary": (3, 5), "mine": (1, 1)}
