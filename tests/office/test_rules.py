"""Events, own rules, exceptions from the floor, and the computer's date, through the commands."""

from __future__ import annotations

import json
import os
import random
from datetime import UTC, datetime, timedelta

import pytest
from support_cli import cli
from support_intake import CLAIMS, actions, at_home, loaded_archive
from support_retention import reload_assignments

from evidence.archive.custody import Draft
from evidence.errors import BadInputError, PurgeRefusedError
from evidence.office import date_check, purging
from evidence.office.date_check import CONFIRMED, require_right_date
from evidence.office.retention import forecast_purges
from evidence.office.rules import floor_requests, note_rules, schedule_of
from evidence.retention.clock import clock_trouble


@pytest.fixture
def archive(tmp_path):
    """Three claims without photos, with a date of loss of 2015."""
    archive = loaded_archive(tmp_path)
    assert reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    return archive


def own_rules(archive, text):
    (archive / "config" / "retention.toml").write_text(text, encoding="utf-8")


def verdict(archive, claim="TC-1001", as_of="2026-06-01"):
    found = cli("retention", "--as-of", as_of, "--json", archive=archive).data
    return next(
        {**one, "state": state}
        for state in ("due", "held", "kept")
        for one in found[state]
        if one["claim"] == claim
    )


def entries(archive, action):
    lines = (archive / "custody" / "custody.jsonl").read_text(encoding="utf-8").splitlines()
    return [one for one in map(json.loads, lines) if one["action"] == action]


SETTLED = '[[rule]]\nid = "contract"\nlines = ["homeowners"]\nperiod = "P9Y"\nclock = "settled"\n'


def test_an_event_starts_the_period_of_a_rule_that_waits_for_it_and_the_latest_statement_counts(archive):
    own_rules(archive, SETTLED)
    rows = [f"{line},{'line' if n == 0 else 'Homeowners'}" for n, line in enumerate(CLAIMS.splitlines())]
    assert reload_assignments(archive, "\n".join(rows).replace("2026-05-01", "2015-01-01")).status == 0
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
    waiting = verdict(archive)
    assert (waiting["state"], waiting["until"], waiting["rule"]) == ("kept", None, "contract")
    assert "settled is not recorded" in waiting["reason"]
    stated = cli(
        "event", "TC-1001", "settled", "--on", "2015-06-01", "--why", "letter", "--json", archive=archive
    )
    assert stated.data == {"claim": "TC-1001", "event": "settled", "on": "2015-06-01", "before": None}
    assert verdict(archive)["first_day"] == "2024-06-02"
    assert cli("event", "TC-1001", "settled", "--on", "2015-08-01", archive=archive).status == 0
    assert verdict(archive)["arithmetic"] == "settled 2015-08-01: 2015-08-01 + 9 years = 2024-08-01"
    assert cli("event", "TC-1001", "settled", "--unknown", archive=archive).status == 0
    assert verdict(archive)["until"] is None
    assert [one["details"]["before"] for one in entries(archive, "event_stated")] == [
        None,
        "2015-06-01",
        "2015-08-01",
    ]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(["settled", "--on", "2999-01-01"], "future", id="future"),
        pytest.param(["settled", "--on", "2014-12-31"], "date of loss", id="before-the-loss"),
        pytest.param(["setled", "--on", "2015-12-31"], "'settled'", id="misspelt"),
        pytest.param(["closing", "--on", "2015-12-31"], "evidence close", id="closing"),
        pytest.param(["loss", "--on", "2015-12-31"], "list of claims", id="loss"),
        pytest.param(["settled"], "either --on", id="neither"),
        pytest.param(["settled", "--unknown"], "already", id="nothing-to-undo"),
    ],
)
def test_a_mistaken_event_changes_nothing(archive, arguments, words):
    log = (archive / "custody" / "custody.jsonl").read_bytes()
    ran = cli("event", "TC-1001", *arguments, archive=archive)
    assert (ran.status, words in ran.err) == (2, True), ran.err
    assert (archive / "custody" / "custody.jsonl").read_bytes() == log


def test_an_own_rule_without_years_makes_nothing_due_under_the_floor(archive):
    """As somebody tried: a new id and `years = 0` made a claim due the next day."""
    own_rules(
        archive,
        '[[rule]]\nid = "customary"\nyears = 0\nperils = ["none"]\n[[rule]]\nid = "mine"\nyears = 0\n',
    )
    assert cli("close", "TC-1001", "--on", "2026-05-01", archive=archive).status == 0
    assert verdict(archive, as_of="2031-05-01")["state"] == "kept"
    assert verdict(archive, as_of="2031-05-02")["state"] == "due"


def test_an_exception_from_the_floor_counts_when_another_person_confirms_it_and_until_it_ends(archive):
    own_rules(archive, '[[rule]]\nid = "customary"\nyears = 2\n')
    assert cli("close", "TC-1001", "--on", "2026-05-01", archive=archive).status == 0

    def except_(*arguments, actor):
        return cli("rules", "except", "customary", *arguments, archive=archive, actor=actor)

    assert except_("--confirm", actor="Bo").status == 2
    assert except_("--years", "5", "--reason", "x", actor="Ann").status == 2
    assert except_("--years", "3", "--reason", "contract 7", actor="Ann").status == 0
    assert verdict(archive)["until"] == "2031-05-01"
    assert "cannot confirm" in except_("--confirm", actor=" ANN ").err
    before = cli("rules", "list", "--json", archive=archive).data
    assert except_("--confirm", actor="Bo").status == 0
    assert verdict(archive)["until"] == "2029-05-01"
    after = cli("rules", "list", "--json", archive=archive).data
    assert before["digest"] != after["digest"]
    assert after["exceptions"][0] | {"asked": 0, "agreed": 0, "number": 0} == {
        "number": 0, "rule": "customary", "years": 3, "why": "contract 7", "asked_by": "Ann", "asked": 0,
        "agreed_by": "Bo", "agreed": 0, "ended_by": None, "in_force": True,
    }  # fmt: skip
    assert (
        cli("rules", "end", "customary", "--reason", "contract ended", archive=archive, actor="Bo").status
        == 0
    )
    assert verdict(archive)["until"] == "2031-05-01"
    assert cli("rules", "except", "custmary", "--years", "1", "--reason", "x", archive=archive).status == 2
    assert [one for one in actions(archive) if one.startswith("floor_")] == [
        "floor_exception_asked",
        "floor_exception_confirmed",
        "floor_exception_ended",
    ]


def test_an_exception_survives_a_rebuild_of_the_catalog(archive):
    cli("rules", "except", "customary", "--years", "3", "--reason", "contract", archive=archive, actor="Ann")
    cli("rules", "except", "customary", "--confirm", archive=archive, actor="Bo")
    digest = cli("rules", "list", "--json", archive=archive).data["digest"]
    assert cli("rebuild", archive=archive).status == 0
    assert cli("rules", "list", "--json", archive=archive).data["digest"] == digest
    with at_home(archive) as workspace:
        assert [one.in_force for one in floor_requests(workspace)] == [True]


def test_a_change_of_the_rules_is_noted_once_with_what_changed_and_who_used_it_first(archive):
    with at_home(archive) as workspace:
        assert not note_rules(workspace, schedule_of(workspace))
        assert not note_rules(workspace, schedule_of(workspace))
        before = schedule_of(workspace).digest
    own_rules(archive, '[[rule]]\nid = "customary"\nyears = 9\n[[rule]]\nid = "mine"\nyears = 1\n')
    with at_home(archive, actor="Bo") as workspace:
        assert note_rules(workspace, schedule_of(workspace))
        assert not note_rules(workspace, schedule_of(workspace))
        after = schedule_of(workspace).digest
    assert len(entries(archive, "retention_rules_noted")) == 1
    (entry,) = entries(archive, "retention_rules_changed")
    assert entry["actor"] == "Bo"
    assert (entry["details"]["before"], entry["details"]["digest"]) == (before, after)
    assert entry["details"]["added"] == ["customary (shipped minimum)", "mine"]
    assert entry["details"]["changed"] == ["customary"]


def test_the_list_of_what_is_due_notices_a_changed_file_and_records_nothing_without_one(archive):
    assert cli("retention", archive=archive).status == 0
    assert entries(archive, "retention_rules_noted") == []
    own_rules(archive, '[[rule]]\nid = "mine"\nyears = 9\n')
    for _ in range(2):
        assert cli("retention", archive=archive).status == 0
    assert len(entries(archive, "retention_rules_noted")) == 1
    own_rules(archive, '[[rule]]\nid = "mine"\nyears = 8\n')
    assert cli("retention", archive=archive).status == 0
    assert [one["details"]["changed"] for one in entries(archive, "retention_rules_changed")] == [["mine"]]


def test_the_forecast_counts_the_claims_of_the_archive(archive):
    assert cli("close", "TC-1001", "--on", "2020-01-04", archive=archive).status == 0
    with at_home(archive) as workspace:
        found = forecast_purges(workspace, years=3)
    assert [(year, one.claims) for year, one in found.years] == [(2026, 0), (2027, 1), (2028, 0)]
    assert found.without_end.claims == 2
    shown = cli("retention", "--forecast", "--json", archive=archive).data
    assert sum(one["claims"] for one in shown["years"]) == 1


# --- the computer's date -----------------------------------------------------------------


def at(archive, moment):
    return at_home(archive, now=moment)


def now():
    return datetime.now(UTC)


def test_a_clock_ahead_stops_planning_and_running_until_a_person_confirms_the_date(archive):
    ahead = now() + timedelta(days=14 * 365)
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
    plan = cli("purge", "plan", "--json", archive=archive, actor="Ann").data["plan"]
    assert cli("purge", "approve", plan, archive=archive, actor="Bo").status == 0
    with at(archive, ahead) as workspace:
        for work in (lambda: purging.plan_purge(workspace), lambda: purging.run_purge(workspace, plan)):
            with pytest.raises(PurgeRefusedError, match="The date may be wrong"):
                work()
        workspace.record("card_seen", "noise")  # a later entry of the same clock hides nothing
        with pytest.raises(PurgeRefusedError, match=f"--confirm-date {ahead.astimezone().date()}"):
            require_right_date(workspace)
        with pytest.raises(BadInputError, match="The computer's date is"):
            require_right_date(workspace, confirmed=now().date())
        require_right_date(workspace, confirmed=ahead.astimezone().date())
        require_right_date(workspace)
    assert [one["details"]["date"] for one in entries(archive, "date_confirmed")] == [
        ahead.astimezone().date().isoformat()
    ]
    with at(archive, now()) as workspace, pytest.raises(PurgeRefusedError, match="earlier entry"):
        require_right_date(workspace)


def test_a_file_from_the_future_shows_a_clock_that_was_set_back(archive):
    ahead = (now() + timedelta(days=9)).timestamp()
    with at(archive, now()) as workspace:
        require_right_date(workspace)
        ledger = archive / "ledgers" / "a-ledger.jsonl"
        ledger.write_text("{}\n")
        os.utime(ledger, (ahead, ahead))
        with pytest.raises(PurgeRefusedError, match="a file of the archive was written"):
            require_right_date(workspace)
        require_right_date(workspace, confirmed=now().astimezone().date())
        require_right_date(workspace)


@pytest.mark.parametrize("seed", range(6))
def test_the_date_by_the_index_is_that_by_every_line(archive, seed):
    """Random logs with jumps, steps back and confirmations, of which the index covers none, a part or all."""
    rng, at = random.Random(seed), now() - timedelta(days=40)
    drafts = []
    for number in range(rng.choice((900, 1024, 2 * 1024, 2500))):
        at += timedelta(seconds=rng.choice((1, 1, 900)))
        if rng.random() < 0.002:
            at += timedelta(days=rng.choice((-2, 31, 1)))
        confirms = rng.random() < 0.0015
        details = {"newest_file": at.isoformat() if rng.random() < 0.5 else None} if confirms else {}
        action = CONFIRMED if confirms else "tried"
        drafts.append(Draft(actor="Ada", action=action, subject=str(number), at=at, details=details))
    with at_home(archive) as workspace:
        workspace.custody.append_all(drafts)
        log = workspace.custody
        for most in (0, 1, 16):
            log.index.blocks(most_new=most)
            indexed = list(date_check._indexed(workspace))
            assert indexed == list(date_check._logged(log.lines()))
        assert clock_trouble(at, indexed) == clock_trouble(at, date_check._logged(log.lines()))


def test_a_purge_reads_the_log_itself_for_the_date(archive):
    """An index that hides a jump changes what a page shows, and no removal."""
    with at_home(archive) as workspace:
        start = now() - timedelta(days=90)
        times = [start + timedelta(seconds=n) + timedelta(days=80 if n > 500 else 0) for n in range(1500)]
        drafts = [Draft(actor="Ada", action="tried", subject="x", at=at) for at in times]
        workspace.custody.append_all(drafts)
        workspace.custody.index.make_anew()
        with pytest.raises(PurgeRefusedError):
            require_right_date(workspace, by_index=True)
        workspace.custody.index.contents = lambda blocks: iter(())
        with pytest.raises(PurgeRefusedError):
            require_right_date(workspace)


def test_the_command_takes_the_confirmed_date(archive):
    today = now().astimezone().date()
    refused = cli("purge", "plan", "--confirm-date", "2001-01-01", archive=archive)
    assert (refused.status, "not 2001-01-01" in refused.err) == (2, True)
    nothing = cli("purge", "plan", "--confirm-date", str(today), archive=archive)
    assert (nothing.status, "No claim is due" in nothing.err) == (26, True)
    assert len(entries(archive, "date_confirmed")) == 1
