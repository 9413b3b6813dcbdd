"""Retention rules as an office writes them: what is accepted, how the rest is refused, and what an own rule can do."""

from __future__ import annotations

from datetime import date

import pytest
from support_rules import a_rule, closed, no_floor, term

from evidence.errors import BadInputError
from evidence.retention.disposition import disposition_of
from evidence.retention.rule_file import load_schedule
from evidence.retention.schedule import (
    AfterReopening,
    AuthorityStatus,
    RetentionSchedule,
    override,
    rule_digests,
    rule_words,
)
from evidence.settings import default_text

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

NEW = """\
held_by = ["insurer"]
[[rule]]
id = "a"
period = "P5Y6M"
clock = "settled"
lines = ["homeowners"]
carriers = ["Elbonia Mutual"]
reopening = "continue"
authority = { section = "s. 1", status = "read", source = "a page", checked = 2026-11-26 }
[[rule]]
id = "b"
later_of = [
  { period = "year of closing plus 6" },
  { period = "P0D", clock = "exam report filed" },
]
"""


def test_a_file_of_an_earlier_program_is_read_with_its_meaning():
    state, rest = load_schedule(GOOD, "own.toml").rules
    assert state.terms == state.at_least == (term(5, counts_from="end_of_year"),)
    assert rest.terms == (term(7),)
    assert state.authority.section == "RSA 400-B:5"
    assert state.applies.covers(closed(jurisdiction="new hampshire "), ())
    assert not state.applies.covers(closed(), ())


def test_earlier_names_of_events_and_an_event_to_wait_for_are_read():
    text = (
        '[[rule]]\nid = "x"\nyears = 5\nminimum_years = 3\nevent = "settlement"\nalso_until = "exam_report"\n'
    )
    (rule,) = load_schedule(text, "own.toml").rules
    assert rule.terms == (term(5, "settled"), term(0, "exam_report_filed"))
    assert rule.at_least == (term(3, "settled"),)


def test_a_file_of_the_present_form_is_read():
    schedule = load_schedule(NEW, "own.toml")
    a, b = schedule.rules
    assert schedule.held_by == ("insurer",)
    assert a.terms == (term(5, "settled", months=6),)
    assert (a.reopening, a.applies.lines, a.applies.carriers) == (
        AfterReopening.CONTINUE, ("homeowners",), ("Elbonia Mutual",),
    )  # fmt: skip
    assert a.authority.status is AuthorityStatus.READ
    assert a.authority.checked == date(2026, 11, 26)
    assert b.terms == (term(6, counts_from="end_of_year"), term(0, "exam_report_filed"))


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
        pytest.param("years = 7", "", 12, "'years'", id="no-period"),
        pytest.param("# a comment", "[rules]\n[x]", 1, "'rule'", id="misspelt-table"),
        pytest.param('id = "rest"', "id = rest", 13, "not valid TOML", id="not-toml"),
        pytest.param("years = 7", 'period = "7 years"', 15, "is not a period", id="no-period-known"),
        pytest.param("years = 7", 'years = 7\nperiod = "P7Y"', 15, "exclude", id="two-periods"),
        pytest.param("years = 7", 'period = "P7Y3M"\ncounts_from = "end_of_year"', 15, "whole years", id="months"),
        pytest.param("years = 7", 'period = "year of closing + 5"\nclock = "loss"', 16, "clock", id="two-clocks"),
        pytest.param("years = 7", 'period = "year of loss + 5"\ncounts_from = "day"', 16, "Remove", id="two-ends"),
        pytest.param("years = 7", 'clock = "loss"\nlater_of = [{ period = "P7Y" }]', 16, "own clock", id="clock"),
        pytest.param("years = 7", 'later_of = [{ period = "P7Y" }, { period = "x" }]', 15, "not a period", id="2nd"),
        pytest.param("years = 7", 'years = 7\nauthority = { section = "x", status = "red" }', 16, "'read'", id="st"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line(old, new, line, hint):
    assert old in GOOD
    with pytest.raises(BadInputError) as caught:
        load_schedule(GOOD.replace(old, new, 1), "own.toml")
    assert f"line {line}" in caught.value.message
    assert hint in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_shipped_rules_name_their_authority_and_say_how_well_it_is_known():
    rules = load_schedule(default_text("retention.toml"), "retention.toml").rules
    assert len(rules) == 20
    for rule in rules:
        assert rule.note
        assert rule.authority.section
        assert rule.authority.status is not AuthorityStatus.OWN
        if rule.id != "customary":
            assert rule.authority.checked
            assert "check with counsel before use" in rule.note
            assert rule.applies.jurisdictions
            assert rule.authority.status is not AuthorityStatus.MEMORY or "verify" in rule.note
            assert "checked 2026" in rule.authority.words


def test_what_a_rule_keeps_is_said_in_words():
    said = {one.id: rule_words(one) for one in load_schedule(default_text("retention.toml"), "shipped").rules}
    assert said["customary"] == "7 years from closing"
    assert said["us-nh-claim-file"] == "calendar year of closing + 5 years"
    assert said["us-nc-domestic"] == "5 years from settled, or until exam report filed if later"
    fiscal = a_rule("x", term(1, counts_from="end_of_year", year_ends=8), term(2, "loss", "end_of_month"))
    assert rule_words(fiscal) == (
        "year of closing (ending in August) + 1 year, or 2 years from the end of the month of date of loss if later"
    )


def test_the_digest_changes_with_a_rule_an_exception_or_the_holder_and_not_with_a_comment():
    one = load_schedule(GOOD, "own.toml")
    assert load_schedule(GOOD.replace("# a comment", "# another"), "own.toml").digest == one.digest
    other = load_schedule(GOOD.replace("years = 7", "years = 8"), "own.toml")
    assert other.digest != one.digest
    assert [name for name, digest in rule_digests(other).items() if rule_digests(one)[name] != digest] == [
        "rest"
    ]
    assert one.with_exceptions([no_floor("rest")]).digest != one.digest
    assert load_schedule('held_by = ["insurer"]\n' + GOOD, "own.toml").digest != one.digest


LONG_CLOSED = date(2010, 3, 15)


def first_day(schedule, facts=None):
    return disposition_of(facts or closed(LONG_CLOSED), schedule, today=date(2026, 1, 1)).basis.first_day


SHIPPED = load_schedule('[[rule]]\nid = "customary"\nyears = 7\nminimum_years = 6\n', "shipped")


@pytest.mark.parametrize(("years", "kept"), [(0, 6), (3, 6), (6, 6), (9, 9)])
def test_an_own_rule_replaces_the_shipped_one_but_never_goes_under_its_minimum(years, kept):
    own = load_schedule(f'[[rule]]\nid = "customary"\nyears = {years}\n', "own")
    assert first_day(override(SHIPPED, own)) == date(2010 + kept, 3, 16)


def test_an_own_rule_for_other_claims_does_not_remove_the_shipped_minimum():
    own = load_schedule('[[rule]]\nid = "customary"\nyears = 0\nperils = ["flood"]\n', "own")
    assert first_day(override(SHIPPED, own)) == date(2016, 3, 16)


@pytest.mark.parametrize("text", ["years = 0", 'period = "P0D"', 'period = "P1D"\nclock = "loss"'])
def test_a_new_rule_without_years_does_not_go_under_the_floor(text):
    """The floor is five years from closing: common practice, no source."""
    own = load_schedule(f'[[rule]]\nid = "mine"\n{text}\n', "own")
    facts = closed(LONG_CLOSED, loss=date(2009, 1, 1))
    assert first_day(own, facts) == date(2015, 3, 16)
    found = disposition_of(facts, own, today=date(2011, 1, 1))
    assert found.basis.rule == "floor"
    assert "common practice, no source" in found.reason


def test_only_an_exception_that_names_the_rule_lowers_the_floor_and_only_to_its_years():
    own = RetentionSchedule(rules=(a_rule("mine", term(0)), a_rule("other", term(0), perils=("flood",))))
    assert first_day(own.with_exceptions([no_floor("mine", 2)])) == date(2012, 3, 16)
    assert first_day(own.with_exceptions([no_floor("someone", 2)])) == date(2015, 3, 16)
    assert first_day(own.with_exceptions([no_floor("mine", 9)])) == date(2015, 3, 16)
    flood = closed(LONG_CLOSED, peril="flood")
    assert first_day(own.with_exceptions([no_floor("mine", 2)]), flood) == date(2015, 3, 16)


def test_a_verdict_under_the_floor_names_the_exception_and_both_people():
    own = RetentionSchedule(rules=(a_rule("mine", term(3)),)).with_exceptions([no_floor("mine", 2)])
    found = disposition_of(closed(LONG_CLOSED), own, today=date(2026, 1, 1))
    assert found.since == date(2013, 3, 16)
    assert "under the floor of 5 years by an exception (Ann and Bob, 2020-01-01: a test)" in found.reason
    longer = RetentionSchedule(rules=(a_rule("mine", term(6)),)).with_exceptions([no_floor("mine", 2)])
    assert "exception" not in disposition_of(closed(LONG_CLOSED), longer, today=date(2026, 1, 1)).reason


def test_an_exception_lowers_the_shipped_minimum_of_its_rule_too():
    own = load_schedule('[[rule]]\nid = "customary"\nyears = 2\n', "own")
    merged = override(SHIPPED, own).with_exceptions([no_floor("customary", 3)])
    assert first_day(merged) == date(2013, 3, 16)
