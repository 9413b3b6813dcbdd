"""A purge from plan to certificate on the desk's pages, by two people with their passwords."""

from __future__ import annotations

import re
import threading
from datetime import timedelta

import pytest
from fastapi.testclient import TestClient
from support_board import PASSWORD
from support_desk import desk_app, office

from evidence.board import jobs
from evidence.board.desk.purges import PlanState, plans
from evidence.board.jobs import Job, JobRunner
from evidence.catalog.users import User
from evidence.errors import LockedError
from evidence.model import ClaimId, ClaimState, Duty

DUE = ClaimId("OD-2001")


__all__ = ["desk_app", "office"]  # fixtures


@pytest.fixture
def app(desk_app):
    return desk_app


@pytest.fixture
def enter(app, office, hashed):
    """Logs somebody in with a password; with `duty` they are registered so."""

    def log_in(name, duty=Duty.OFFICE):
        office.catalog.users.put(User(name=name, duty=duty, password=hashed), at=office.now())
        client = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
        form = re.search(r'name="token" value="([^"]+)"', client.get("/login").text)[1]
        client.post("/login", data={"name": name, "password": PASSWORD, "token": form})
        client.token = next(
            one.token for one in app.state.board.sessions._sessions.values() if one.name == name
        )
        return client

    return log_in


def send(client, path, **form):
    """Send a form; returns the text of the page that follows."""
    answer = client.post(path, data={"token": client.token, **form})
    assert answer.status_code == 303, answer.text
    page = client.get(answer.headers["location"])
    assert page.status_code == 200, page.text
    return page.text


def newest(office):
    return plans(office)[0]


def a_minute_later(office):
    """Let the office's clock go on: plans of one second have no order."""
    soon = office.now() + timedelta(minutes=1)
    office.now = lambda: soon


def test_a_purge_goes_from_plan_to_certificate_on_the_pages_and_can_be_undone(office, enter):
    ann, bo = enter("Ann Example"), enter("Bo Example")
    assert "is withdrawn" not in send(ann, "/do/desk/undo-purge", plan=newest(office).name)
    assert newest(office).state is PlanState.DONE, "the plan that was there is undone"
    a_minute_later(office)
    text = send(ann, "/do/desk/plan")
    assert "The plan of 1 claim is made" in text
    assert "Perpetua Lund" in text
    plan = newest(office).name
    assert "Another person has to approve it" in text
    assert newest(office).approved_by == ""
    refused = send(ann, "/do/desk/approve", plan=plan, seen="yes")
    assert "another person" in refused.casefold()
    assert "The plan is approved by Bo Example" in send(bo, "/do/desk/approve", plan=plan, seen="yes")
    assert "did not confirm that you read it" in send(ann, "/do/desk/run", plan=plan)
    assert newest(office).state is PlanState.APPROVED
    assert "is in quarantine" in send(ann, "/do/desk/run", plan=plan, seen="yes")
    assert office.catalog.claims.get(DUE).state is ClaimState.QUARANTINED
    page = bo.get(f"/desk/purge?plan={plan}").text
    assert "Not before" in page
    assert "/do/desk/run" not in page, "no button before its day"
    assert "Undone: OD-2001" in send(bo, "/do/desk/undo-purge", plan=plan)
    assert office.catalog.claims.get(DUE).state is ClaimState.CLOSED

    a_minute_later(office)
    send(ann, "/do/desk/plan", claims="OD-2001")
    plan = newest(office).name
    send(bo, "/do/desk/approve", plan=plan, seen="yes")
    send(ann, "/do/desk/run", plan=plan, seen="yes")
    later = office.now() + timedelta(days=15)
    office.now = lambda: later
    assert "Delete what is in quarantine" in ann.get(f"/desk/purge?plan={plan}").text
    text = send(ann, "/do/desk/run", plan=plan, seen="yes")
    assert "Claim OD-2001 is purged; its certificate is" in text
    assert office.catalog.claims.get(DUE).state is ClaimState.PURGED
    assert "Bo Example" in next((office.plans / plan).glob("certificate-*.txt")).read_text(encoding="utf-8")


@pytest.mark.parametrize("path", ["/do/desk/plan", "/do/desk/run", "/do/desk/undo-purge"])
def test_somebody_who_came_in_by_a_link_or_is_not_of_the_office_changes_no_purge(
    office, logged_in, enter, path
):
    plan = newest(office)
    text = send(logged_in("Olive", Duty.OFFICE), path, plan=plan.name, seen="yes")
    assert "with their own password" in text
    rita = enter("Rita", Duty.REVIEWER)
    answer = rita.post(path, data={"token": rita.token, "plan": plan.name, "seen": "yes"})
    assert answer.status_code == 403
    assert newest(office) == plan


def test_a_date_in_doubt_is_confirmed_on_the_page(office, enter):
    ann = enter("Ann Example")
    send(ann, "/do/desk/undo-purge", plan=newest(office).name)
    later = office.now() + timedelta(days=45)
    office.now = lambda: later
    assert "The date may be wrong" in send(ann, "/do/desk/plan")
    page = ann.get("/desk/purges").text
    today = office.today().isoformat()
    assert f'name="confirm" value="{today}"' in page
    assert "is made" in send(ann, "/do/desk/plan", confirm=today)
    assert 'name="confirm"' not in ann.get("/desk/purges").text


def test_a_long_step_goes_on_when_the_page_is_sent_and_no_second_one_begins(office, enter, app, monkeypatch):
    ann = enter("Ann Example")
    monkeypatch.setattr(jobs, "PAGE_WAIT_S", 0.0)
    end = threading.Event()
    told = []
    job = Job(words="the plan x is run", by="Bo Example", since=office.now())
    runner = app.state.board.jobs
    assert runner.run(job, lambda: end.wait(30) and "It ended.", lambda *said: told.append(said)) is False
    page = ann.get("/desk/purges").text
    assert "A step is running" in page
    assert 'http-equiv="refresh"' in page
    assert "/do/desk/plan" not in page
    assert "step is running: the plan x is run" in send(ann, "/do/desk/undo-purge", plan=newest(office).name)
    end.set()
    runner.close()
    assert told == [("It ended.", "good")]
    assert runner.running is None


def test_a_step_that_fails_is_told_and_the_next_one_may_begin():
    runner, told = JobRunner(), []
    job = Job(words="x", by="Ann", since=None)

    def broken():
        raise RuntimeError("no disk")

    def refused():
        raise LockedError("Busy.", "Wait.")

    for work in (broken, refused):
        assert runner.run(job, work, lambda *said: told.append(said)) is True
    assert [kind for _, kind in told] == ["bad", "bad"]
    assert "can be run again" in told[0][0]
    assert told[1][0] == "Busy. Wait."
