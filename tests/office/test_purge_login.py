"""Where people are registered, planning, approving and running need the password of two registered people."""

from __future__ import annotations

import io

import pytest
from support_cli import CONFIRMED, cli
from support_intake import CLAIMS, at_home
from support_retention import reload_assignments

from evidence.model import Duty
from evidence.office import people

PHRASES = {"Ada Clerk": "a long phrase of Ada", "Ben Witness": "a long phrase of Ben"}


@pytest.fixture
def registered(houses):
    """TC-1001 is due, and two people are registered."""
    reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01"))
    cli("close", "TC-1001", "--on", "2016-01-04", archive=houses)
    with at_home(houses) as workspace:
        for name, phrase in PHRASES.items():
            people.add_person(workspace, name, Duty.OFFICE, phrase)
    return houses


@pytest.fixture
def typed(registered, monkeypatch):
    """A purge command with a password on standard input."""

    def run(command, *arguments, actor, phrase=None):
        monkeypatch.setattr("sys.stdin", io.StringIO(f"{phrase or PHRASES[actor]}\n"))
        given = [*arguments, "--password-stdin", "--json"]
        return cli("purge", command, *given, archive=registered, actor=actor)

    return run


def test_two_people_who_log_in_purge_and_the_certificate_says_so(registered, typed):
    plan = typed("plan", *CONFIRMED, actor="Ada Clerk")
    assert plan.status == 0, plan.err
    assert plan.data["on_trust"] is False
    name = plan.data["plan"]
    assert typed("approve", name, actor="Ada Clerk").status == 26
    assert typed("approve", name, actor="Ben Witness").status == 0
    ran = typed("run", name, "--yes", *CONFIRMED, actor="Ada Clerk")
    assert ran.status == 0, ran.err
    text = next((registered / "purges").rglob("certificate-*.txt")).read_text(encoding="utf-8")
    assert "ON TRUST" not in text
    assert "Approved by Ben Witness" in text
    assert text.count("(logged in)") == 3


def test_only_people_of_the_office_plan_approve_and_run_a_purge(registered, typed):
    with at_home(registered) as workspace:
        people.add_person(workspace, "Rita Reviewer", Duty.REVIEWER, "a long phrase of Rita")
    plan = typed("plan", *CONFIRMED, actor="Ada Clerk").data["plan"]
    for command in (("plan", *CONFIRMED), ("approve", plan), ("run", plan, "--yes", *CONFIRMED)):
        ran = typed(*command, actor="Rita Reviewer", phrase="a long phrase of Rita")
        assert (ran.status, "has the duty reviewer and may not" in ran.err) == (26, True), command
    assert cli("purge", "show", plan, "--json", archive=registered).data["state"] == "planned"


def test_without_a_login_nothing_is_planned_approved_or_run(registered, typed):
    plan = typed("plan", *CONFIRMED, actor="Ada Clerk").data["plan"]
    for command in (("plan",), ("approve", plan), ("run", plan, "--yes"), ("undo", plan)):
        ran = cli("purge", *command, archive=registered, actor="Ben Witness")
        assert (ran.status, "password" in ran.err) == (2, True), command
        unnamed = cli("purge", *command, archive=registered)
        assert (unnamed.status, "--actor NAME" in unnamed.err) == (2, True), command


@pytest.mark.parametrize(
    ("actor", "phrase"), [("Ben Witness", "not the phrase of Ben"), ("Bem Witness", "x")]
)
def test_a_wrong_password_or_name_is_refused_and_logged(registered, typed, actor, phrase):
    ran = typed("plan", actor=actor, phrase=phrase)
    assert ran.status == 26
    with at_home(registered) as workspace:
        assert [one.subject for one in workspace.custody.entries()][-1] == actor


def test_without_registered_people_the_second_person_is_on_trust_and_the_command_says_so(houses):
    reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01"))
    cli("close", "TC-1001", "--on", "2016-01-04", archive=houses)
    plan = cli("purge", "plan", *CONFIRMED, archive=houses, actor="Ada Clerk")
    assert plan.status == 0, plan.err
    assert "on trust" in plan.out
    assert "check with counsel" in plan.out
    for name in ("Ada\u034f Clerk", "Ada\ufe0f Clerk", "\u0410da Clerk"):
        named = next((houses / "purges").iterdir()).name
        assert cli("purge", "approve", named, archive=houses, actor=name).status in (2, 26)


def test_a_run_without_a_terminal_needs_yes(houses):
    reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01"))
    cli("close", "TC-1001", "--on", "2016-01-04", archive=houses)
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=houses, actor="Ada Clerk").data["plan"]
    cli("purge", "approve", plan, archive=houses, actor="Ben Witness")
    ran = cli("purge", "run", plan, *CONFIRMED, archive=houses, actor="Ada Clerk")
    assert ran.status == 2
    assert "add --yes" in ran.err
    assert "Ada Moss" in ran.out, "what would be purged is shown"
    shown = cli("purge", "show", plan, "--json", archive=houses).data
    assert (shown["state"], shown["claims"][0]["insured"], shown["claims"][0]["files"]) == (
        "approved",
        "Ada Moss",
        5,
    )
