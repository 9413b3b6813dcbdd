"""The office's desk: who may use it, what each page says, and what its forms do."""

from __future__ import annotations

import json
import pkgutil
import re
import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from importlib import import_module

import pytest
from fastapi.testclient import TestClient
from support_board import PASSWORD, put_claim, put_photos
from support_cli import cli
from support_desk import EMPTY, PLANNER, desk_app, office

from evidence.archive import custody_checkpoint
from evidence.archive.custody import Draft
from evidence.archive.custody_texts import FreeText
from evidence.board import desk
from evidence.board.app import make_app
from evidence.board.context import DESK_TABS
from evidence.board.desk import log_view
from evidence.board.desk.log_view import LogFilter, log_page
from evidence.board.desk.purges import PlanState, plans
from evidence.board.desk.retention_view import ShownVerdicts, chart_of, retention_page
from evidence.board.desk.today import today_of
from evidence.catalog.users import User
from evidence.disk.objects import object_path
from evidence.filing.custody_heads import signed_head
from evidence.model import ClaimId, ClaimState, Duty
from evidence.office.purging import approve_purge, run_purge
from evidence.workspace import Workspace

__all__ = ["desk_app", "office"]  # fixtures


@pytest.fixture
def app(desk_app):
    return desk_app


@pytest.fixture
def olive(logged_in):
    """Somebody of the office, logged in by a link."""
    return logged_in("Olive", Duty.OFFICE)


@pytest.fixture
def by_password(app, office, hashed):
    """Logs somebody in with a password."""

    def log_in(name):
        office.catalog.users.put(User(name=name, duty=Duty.OFFICE, password=hashed), at=office.now())
        client = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
        form = re.search(r'name="token" value="([^"]+)"', client.get("/login").text)[1]
        assert (
            client.post("/login", data={"name": name, "password": PASSWORD, "token": form}).status_code == 303
        )
        client.token = next(
            one.token for one in app.state.board.sessions._sessions.values() if one.name == name
        )
        return client

    return log_in


def desk_routes():
    """Method and path of each route in the desk's modules, found by looking at all of them."""
    names = [one.name for one in pkgutil.iter_modules(desk.__path__)]
    routers = [getattr(import_module(f"{desk.__name__}.{name}"), "router", None) for name in names]
    return sorted(
        (method, route.path)
        for router in filter(None, routers)
        for route in router.routes
        for method in route.methods
    )


def send(client, method, path, **data):
    if method == "GET":
        return client.get(path, params=data)
    return client.post(path, data={"token": client.token, **data})


def page(client, path):
    answer = client.get(path)
    assert answer.status_code == 200, path
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


FORMS = {
    "/desk/purge": {"plan": "nothing"},
    "/do/desk/close": {"claim": "OD-2005", "on": "2020-01-01"},
    "/do/desk/reopen": {"claim": "OD-2001", "on": "2026-01-01"},
    "/do/desk/remove": {"claim": EMPTY},
    "/do/desk/approve": {"plan": "nothing", "seen": "yes"},
    "/do/desk/hold": {"claim": "OD-2001", "reason": "x"},
    "/do/desk/ask-to-lift": {"hold": "1", "reason": "x"},
    "/do/desk/lift": {"hold": "2"},
    "/do/desk/proof": {"entry": "1"},
}


@pytest.mark.parametrize("duty", [Duty.ADJUSTER, Duty.REVIEWER])
def test_other_duties_may_use_no_route_of_the_desk(logged_in, app, office, duty):
    client, before = logged_in("Tess", duty), office.custody.head().seq
    routes = desk_routes()
    assert len(routes) >= 19
    for method, path in routes:
        assert send(client, method, path, **FORMS.get(path, {})).status_code == 403, path
    assert office.custody.head().seq == before
    assert "/desk" not in client.get("/").text


def test_nobody_uses_the_desk_without_a_session_and_no_form_without_its_token(app, olive):
    stranger = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
    stranger.token = olive.token
    for method, path in desk_routes():
        assert send(stranger, method, path, **FORMS.get(path, {})).status_code == 303
        if method == "POST":
            answer = olive.post(path, data={"token": "another", **FORMS.get(path, {})})
            assert answer.status_code == 403, path


def test_the_office_may_use_every_route(app, olive):
    for method, path in desk_routes():
        assert send(olive, method, path, **FORMS.get(path, {})).status_code != 403, path


def test_every_page_has_its_tab_and_counsels_caution(app, olive, office):
    paths = {path for method, path in desk_routes() if method == "GET"}
    assert {path for path, _ in DESK_TABS} == paths - {"/desk/purge"}
    for path in (*(path for path, _ in DESK_TABS), plans(office)[0].path):
        text = page(olive, path)
        assert "check with counsel" in text.casefold(), path
        if "purg" in text.casefold().replace("purges", "", 1):
            assert "counsel" in text


def test_every_command_that_a_page_shows_is_one_of_the_program(app, olive, office):
    from typer.main import get_command

    from evidence.cli.main import app as program

    top = get_command(program).commands
    shown = set()
    for path in (*(path for path, _ in DESK_TABS), plans(office)[0].path):
        shown |= set(re.findall(r"<code>evidence ([^<]+)</code>", olive.get(path).text))
    assert len(shown) > 15
    for typed in shown:
        words = typed.split()
        command, rest = top[words[0]], words[1:]
        if hasattr(command, "commands"):
            command, rest = command.commands[words[1]], words[2:]
        options = {option for one in command.params for option in one.opts}
        assert {one for one in rest if one.startswith("--")} <= options, typed


# --- today -------------------------------------------------------------------------------


def words_of(tasks):
    return " ".join(f"{one.words} {one.more} {one.command}" for one in tasks)


def test_today_says_what_is_due_and_what_waits_for_whom(office):
    found = today_of(office)
    waiting = words_of(found.waiting)
    assert "1 claim is due" in waiting
    assert f"waits for the approval of somebody else than {PLANNER}" in waiting
    assert f"{PLANNER} asks to lift hold 2" in waiting
    assert "1 claim is signed off and not closed" in waiting
    assert "Nobody is registered" in waiting
    assert "No backup disk is named." in words_of(found.trouble)
    assert "No copy is known to be bad." in found.in_order


def test_today_names_bad_copies_absent_disks_and_cards_that_are_not_safe(bagged, tmp_path, other_disk):
    assert "card is not safe to erase" in words_of(today_of(bagged).trouble)
    red = other_disk / "red"
    assert cli("target", "add", "red", red, archive=bagged.root).status == 0
    assert cli("backup", archive=bagged.root).status == 0
    photo = next(red.rglob("*.JPG"))
    photo.chmod(0o600)
    photo.write_bytes(b"x" * photo.stat().st_size)
    assert cli("verify", archive=bagged.root).status == 1
    with Workspace(bagged.root) as here:
        found = words_of(today_of(here).trouble)
        assert "1 copy is bad: 1 at red. A bad copy does not count." in found
        assert "evidence repair" in found
    assert cli("repair", archive=bagged.root).status == 0
    assert cli("verify", archive=bagged.root).status == 0
    red.rename(other_disk / "away")
    with Workspace(bagged.root) as here:
        found = today_of(here)
        assert "red is not connected." in words_of(found.trouble)
        assert "No copy is known to be bad." in found.in_order


def test_today_names_copies_that_nobody_read_back_for_a_year_and_disks_without_a_drill(bagged, other_disk):
    assert cli("target", "add", "red", other_disk / "red", "--off-computer", archive=bagged.root).status == 0
    assert cli("backup", archive=bagged.root).status == 0
    with Workspace(bagged.root) as here:
        found = today_of(here)
        assert "Every copy was read back within a year." in found.in_order
        assert "red: there was no drill yet." in words_of(found.waiting)
    later = Workspace(bagged.root).now() + timedelta(days=400)
    with Workspace(bagged.root, now=lambda: later) as here:
        found = words_of(today_of(here).trouble)
        assert "archive has copies that were last read back on" in found
        assert "evidence verify --for 30m" in found
        assert "The date may be wrong" in found, "400 days without an entry in the log"
    (other_disk / "red").rename(other_disk / "away")
    with Workspace(bagged.root, now=lambda: later) as here:
        found = words_of(today_of(here).trouble)
        assert "red has copies that were last read back 400 days ago." in found
        assert "red is not connected." not in found, "a disk that is kept away is not in trouble for that"


# --- claims ------------------------------------------------------------------------------


def test_claims_are_closed_reopened_and_removed(olive, office):
    closed = {"claim": "OD-2005", "on": "2026-06-30"}
    assert send(olive, "POST", "/do/desk/close", **closed).headers["location"] == "/desk/claims"
    assert "Claim OD-2005 is closed on 2026-06-30" in page(olive, "/desk/claims?show=closed")
    assert office.catalog.claims.get(ClaimId("OD-2005")).closed_on == date(2026, 6, 30)
    send(olive, "POST", "/do/desk/reopen", claim="OD-2005", on="2026-07-01")
    assert office.catalog.claims.get(ClaimId("OD-2005")).state is ClaimState.OPEN
    send(olive, "POST", "/do/desk/remove", claim="OD-2005")
    assert "cannot be removed: it has 3 photos" in page(olive, "/desk/claims")
    send(olive, "POST", "/do/desk/remove", claim=EMPTY)
    assert "OD-2006 is removed" in page(olive, "/desk/claims")
    assert office.catalog.claims.get(ClaimId(EMPTY)) is None
    acts = [one for one in office.custody.entries() if one.action in {"claim_closed", "assignment_removed"}]
    assert {one.actor for one in acts[-2:]} == {"Olive"}


@pytest.mark.parametrize(("on", "words"), [("31.12.2026", "not a date"), ("2999-01-01", "in the future")])
def test_a_wrong_day_closes_nothing(olive, office, on, words):
    send(olive, "POST", "/do/desk/close", claim="OD-2005", on=on)
    assert words in page(olive, "/desk/claims")
    assert office.catalog.claims.get(ClaimId("OD-2005")).state is ClaimState.OPEN


def test_the_list_of_claims_is_filtered_and_searched(olive):
    assert "Perpetua" not in page(olive, "/desk/claims?show=signed")
    assert "Ignatius" in page(olive, "/desk/claims?show=signed")
    found = page(olive, "/desk/claims?q=cooper's")
    assert "Ardenne" in found
    assert "Perpetua" not in found


# --- retention ---------------------------------------------------------------------------


def test_retention_shows_each_verdict_with_its_rule_and_counts_every_claim_once(olive, office):
    found = retention_page(office, search="", show=ShownVerdicts.ALL, page=1)
    assert found.counts == {
        ShownVerdicts.ALL: 6,
        ShownVerdicts.DUE: 1,
        ShownVerdicts.HELD: 2,
        ShownVerdicts.KEPT: 1,
        ShownVerdicts.ENDLESS: 2,
    }
    assert sum(load.claims for _, load in found.loads) == 6
    due = next(one for one in found.verdicts if one.show is ShownVerdicts.DUE)
    assert (due.number, due.words, due.rule) == ("OD-2001", "due since 3 Mar 2025", "customary")
    assert "2018-03-02 + 7 years = 2025-03-02" in due.reason
    assert "common practice, no source" in due.authority
    text = page(olive, "/desk/retention?show=held")
    assert "suit filed" in text
    assert "Perpetua" not in text


def test_the_page_counts_what_the_command_counts(olive, office):
    told = cli("retention", "--forecast", "--json", archive=office.root).data
    shown = re.findall(
        r'<tr><th scope="row">([^<]+)</th><td[^>]*>(\d+)</td><td[^>]*>(\d+)</td>',
        olive.get("/desk/retention").text,
    )
    expected = [(str(one["year"]), str(one["claims"]), str(one["photos"])) for one in told["years"]]
    for label, key in (("later", "later"), ("held", "held"), ("no end yet", "without_end")):
        expected.append((label, str(told[key]["claims"]), str(told[key]["photos"])))
    assert shown == expected


def test_the_bars_of_the_chart_are_as_long_as_their_numbers():
    chart = chart_of([("2026", "now", 4), ("2027", "when", 1), ("held", "never", 0)])
    longest, short, none = (one.width for one in chart.bars)
    assert longest == pytest.approx(4 * short, abs=0.2)
    assert none == 0
    assert chart.left + longest < chart.width
    assert chart.words.endswith("2026: 4, 2027: 1.")
    assert chart_of([("2026", "now", 0)]).words == "No claims yet."


# --- holds -------------------------------------------------------------------------------


def test_a_hold_is_placed_and_lifted_by_two_people_one_of_whom_logs_in_with_a_password(
    olive, office, by_password
):
    storm = {"insured": "Lund", "reason": "counsel's letter", "kind": "complaint", "until": "2999-01-01"}
    send(olive, "POST", "/do/desk/hold", **storm)
    text = page(olive, "/desk/holds")
    assert "Hold 3 is in force: insured Lund." in text
    assert "1 Jan 2999" in text
    assert office.catalog.holds.get(3).placed_by == "Olive"
    send(olive, "POST", "/do/desk/ask-to-lift", hold="3", reason="settled")
    assert "Olive asks to lift it: settled" in page(olive, "/desk/holds")
    send(olive, "POST", "/do/desk/lift", hold="3")
    assert "logged in with their own password" in page(olive, "/desk/holds")
    pearl = by_password("Pearl")
    send(pearl, "POST", "/do/desk/lift", hold="3")
    assert "Hold 3 is lifted." in page(pearl, "/desk/holds")
    assert office.catalog.holds.get(3).lifted_by == "Pearl"
    assert "settled" in page(pearl, "/desk/holds?ended=true")


def test_who_asked_to_lift_a_hold_cannot_agree_to_it(office, by_password):
    pearl = by_password("Pearl")
    send(pearl, "POST", "/do/desk/ask-to-lift", hold="1", reason="settled")
    send(pearl, "POST", "/do/desk/lift", hold="1")
    assert "Pearl asked for the lifting of hold 1 and cannot confirm it" in page(pearl, "/desk/holds")
    assert office.catalog.holds.get(1).active


def test_a_hold_without_anything_to_cover_is_refused(olive, office):
    send(olive, "POST", "/do/desk/hold", reason="x")
    assert "A hold needs something to cover." in page(olive, "/desk/holds")
    assert len(office.catalog.holds.all()) == 2


# --- purges ------------------------------------------------------------------------------


def test_a_purge_plan_is_approved_by_another_person_with_a_password(olive, office, by_password):
    (plan,) = plans(office)
    form = {"plan": plan.name, "seen": "yes"}
    assert "You came in by a link" in page(olive, plan.path)
    send(olive, "POST", "/do/desk/approve", **form)
    assert "own password" in page(olive, plan.path)
    assert plans(office)[0].state is PlanState.TO_APPROVE
    pearl = by_password("Pearl")
    text = page(pearl, plan.path)
    assert "Perpetua Lund" in text
    assert "2018-03-02 + 7 years" in text
    send(pearl, "POST", "/do/desk/approve", plan=plan.name)
    assert "did not confirm that you read it" in page(pearl, plan.path)
    send(pearl, "POST", "/do/desk/approve", **form)
    (after,) = plans(office)
    assert (after.state, after.approved_by) == (PlanState.APPROVED, "Pearl")
    assert f"evidence purge run {plan.name}" in page(pearl, plan.path)
    assert "is ready to be run" in words_of(today_of(office).waiting)


def test_a_plan_in_quarantine_says_until_when_it_can_be_brought_back_and_then_waits_for_its_second_run(
    office, by_password
):
    pearl = by_password("Pearl")
    (plan,) = plans(office)
    send(pearl, "POST", "/do/desk/approve", plan=plan.name, seen="yes")
    run_purge(office.acting_as("Pearl", logged_in=True), plan.name)
    (aside,) = plans(office)
    assert aside.state is PlanState.QUARANTINE
    assert timedelta(days=13) < aside.until - office.now() < timedelta(days=15)
    text = page(pearl, plan.path)
    assert f"evidence purge undo {plan.name}" in text
    assert "until then everything can be brought back" in text
    assert "in quarantine" in page(pearl, "/desk/claims?q=OD-2001")
    assert plan.name not in words_of(today_of(office).waiting), "nothing to do before its day"
    later = office.now() + timedelta(days=15)
    with Workspace(office.root, actor="Pearl", now=lambda: later) as here:
        assert f"evidence purge run {plan.name}" in words_of(today_of(here).waiting)
        run_purge(here.acting_as("Pearl", logged_in=True), plan.name)
        (ended,) = plans(here)
        assert (ended.state, ended.command, ended.undo_command) == (PlanState.DONE, "", "")
        assert plan.name not in words_of(today_of(here).waiting)


def test_an_approval_that_has_expired_asks_for_a_new_plan(office, by_password):
    pearl = by_password("Pearl")
    (plan,) = plans(office)
    send(pearl, "POST", "/do/desk/approve", plan=plan.name, seen="yes")
    later = office.now() + timedelta(days=40)
    with Workspace(office.root, now=lambda: later) as here:
        (expired,) = plans(here)
        assert (expired.state, expired.command) == (PlanState.EXPIRED, "evidence purge plan")


def test_nobody_approves_their_own_plan(office, by_password):
    ann = by_password(PLANNER)
    (plan,) = plans(office)
    assert "You made this plan. Another person has to approve it." in page(ann, plan.path)
    send(ann, "POST", "/do/desk/approve", plan=plan.name, seen="yes")
    assert plans(office)[0].state is PlanState.TO_APPROVE


def test_a_plan_that_was_altered_is_shown_as_not_readable(olive, office):
    (plan,) = plans(office)
    file = office.plans / plan.name / "plan.json"
    file.chmod(0o600)
    file.write_bytes(file.read_bytes().replace(PLANNER.encode(), b"Bo Example."))
    assert plans(office)[0].state is PlanState.UNREADABLE
    assert "this plan was altered" in page(olive, plan.path)
    file.write_bytes(b"{}")
    assert "altered or is damaged" in page(olive, plan.path)


# --- the log -----------------------------------------------------------------------------


def test_the_log_is_filtered_by_claim_person_action_and_day(olive, office):
    def shown(**chosen):
        return [one.action for one in log_page(office, LogFilter(**chosen)).entries]

    assert shown(about="OD-2003") == ["bag_built", "claim_closed"]
    assert shown(about="od-2003", what="claim_closed") == ["claim_closed"]
    assert set(shown(who=PLANNER)) == {"hold_lift_asked", "retention_rules_noted", "purge_planned"}
    tomorrow = (office.now().astimezone().date() + timedelta(days=1)).isoformat()
    assert shown(since=tomorrow) == []
    assert len(shown(until=tomorrow)) == office.custody.head().seq
    assert "suit filed" in page(olive, "/desk/log?what=hold_placed")


def test_a_long_log_has_pages_and_each_entry_is_on_one(office):
    for n in range(230):
        office.record("tried", f"thing {n}")
    first = log_page(office, LogFilter(what="tried"))
    second = log_page(office, LogFilter(what="tried"), before=first.before)
    third = log_page(office, LogFilter(what="tried"), before=second.before)
    seen = [one.subject for each in (first, second, third) for one in each.entries]
    assert seen == [f"thing {n}" for n in reversed(range(230))]
    assert first.looked_at is None, "the page is full"
    assert third.before == 0


def test_one_page_of_the_log_looks_at_so_many_entries_only_and_says_which(office, olive, monkeypatch):
    for n in range(60):
        office.record("tried", f"thing {n}")
    length = office.custody.head().seq
    monkeypatch.setattr("evidence.board.desk.log_view.MOST_LOOKED", 40)
    first = log_page(office, LogFilter(what="claim_closed"))
    assert first.entries == ()
    assert first.looked_at == (length - 39, length)
    assert f"Looked at the entries {length - 39} to {length}. None of them matches." in page(
        olive, "/desk/log?what=claim closed"
    )
    rest = log_page(office, LogFilter(what="claim_closed"), before=first.before)
    assert {one.action for one in rest.entries} == {"claim_closed"}


@pytest.fixture(scope="module")
def long_log(furnished_archive, tmp_path_factory):
    """The archive with 2,200 entries more, which nobody has read; not to be changed."""
    day = datetime(2031, 5, 1, 12, tzinfo=UTC)
    drafts = [Draft(actor="Ada", action="tried", subject=f"thing {n}", at=day) for n in range(2200)]
    drafts[300] = Draft(actor="Zoë", action="rare", subject="case-77", details={"n": 3}, at=day)
    drafts[1400] = replace(drafts[1400], details={"why": FreeText("A text of one")})
    drafts[1500] = replace(drafts[1500], at=day + timedelta(days=2))
    root = tmp_path_factory.mktemp("long") / "office"
    shutil.copytree(furnished_archive, root)
    with Workspace(root, actor="office clerk") as opened:
        opened.custody.append_all(drafts)
    return root


@pytest.mark.parametrize(
    "chosen",
    [
        {"about": "CASE-77"},
        {"about": "a Text of one"},
        {"about": "3"},
        {"about": "(text removed)"},
        {"who": "Zoë"},
        {"what": "rare"},
        {"what": "tried", "who": "Zoë", "about": "nothing of this name"},
        {"since": "2031-05-01", "until": "2031-05-01"},
        {"until": "2026-01-01"},
    ],
    ids=str,
)
def test_what_a_filter_shows_of_a_long_log_equals_reading_every_entry(long_log, tmp_path, chosen):
    """Blocks of the index are skipped; free texts, numbers and days are in no index of words."""
    shutil.copytree(long_log, tmp_path / "office")
    with Workspace(tmp_path / "office", actor="office clerk") as office:
        wanted = LogFilter(**chosen)
        expected = [entry.seq for entry in office.custody.newest() if log_view._matches(entry, wanted)]
        for _ in range(2):
            seen, before = [], 0
            while True:
                shown = log_page(office, wanted, before=before)
                seen += [entry.seq for entry in shown.entries]
                before = shown.before
                if not before:
                    break
            assert seen == expected
        assert len(office.custody.index.blocks()) == 2


def test_a_filter_reads_no_block_that_cannot_match(office, monkeypatch):
    day = datetime(2026, 5, 1, 12, tzinfo=UTC)
    office.custody.append_all(
        [Draft(actor="Ada", action="tried", subject=f"thing {n}", at=day) for n in range(3200)]
    )
    office.custody.index.blocks()
    looked = []
    matches = log_view._matches
    monkeypatch.setattr(
        log_view, "_matches", lambda entry, chosen: looked.append(entry.seq) or matches(entry, chosen)
    )
    assert [one.subject for one in log_page(office, LogFilter(about="thing 1500")).entries] == ["thing 1500"]
    assert len(looked) < 2 * 1024 + 300


def test_a_proof_of_an_entry_is_a_file_that_the_command_accepts(olive, office, tmp_path):
    answer = send(olive, "POST", "/do/desk/proof", entry="3")
    assert answer.headers["content-disposition"] == 'attachment; filename="custody-proof-3.json"'
    file = tmp_path / "proof.json"
    file.write_bytes(answer.content)
    told = cli("custody", "--check-proof", file, "--json").data
    assert told["valid"] is True
    assert told["entry"]["seq"] == 3
    file.write_text(json.dumps(answer.json()).replace("OD-200", "OD-300"))
    assert cli("custody", "--check-proof", file, "--json").data["valid"] is False


def test_no_proof_is_made_of_a_log_that_was_altered_or_of_an_entry_that_is_not_there(olive, office):
    assert send(olive, "POST", "/do/desk/proof", entry="9999").status_code == 303
    assert "9999" in page(olive, "/desk/log")
    send(olive, "POST", "/do/desk/check-log")
    assert "The log is intact" in page(olive, "/desk/log")
    path = office.custody.path
    path.write_bytes(path.read_bytes().replace(b"2018-03-02", b"2017-03-02"))
    assert send(olive, "POST", "/do/desk/proof", entry="3").status_code == 303
    assert "NOT intact" in page(olive, "/desk/log")
    send(olive, "POST", "/do/desk/check-log")
    assert "NOT intact" in page(olive, "/desk/log")


def test_new_entries_of_the_log_are_verified_alone_once_a_head_was_proved(olive, office, monkeypatch):
    monkeypatch.setattr(custody_checkpoint, "LEAST", 1)
    signed_head(office)
    send(olive, "POST", "/do/desk/check-log", only="new")
    assert "The log is intact" in page(olive, "/desk/log"), "nothing was proved before: all of it is read"
    office.record("tried", "new thing")
    send(olive, "POST", "/do/desk/check-log", only="new")
    shown = page(olive, "/desk/log")
    assert "Earlier ones were not read" in shown
    path = office.custody.path
    path.write_bytes(path.read_bytes().replace(b"new thing", b"old thing"))
    send(olive, "POST", "/do/desk/check-log", only="new")
    assert "NOT intact" in page(olive, "/desk/log")


# --- disks, drills, people ---------------------------------------------------------------


def test_targets_drills_and_people_show_what_the_commands_show(bagged, other_disk, hashed, logged_in, clock):
    assert cli("target", "add", "red", other_disk / "red", "--off-computer", archive=bagged.root).status == 0
    assert cli("backup", archive=bagged.root).status == 0
    assert cli("drill", "--photos", "3", archive=bagged.root).status == 0
    with Workspace(bagged.root, actor="Olive") as here:
        here.catalog.users.put(User(name="Rhea", duty=Duty.REVIEWER, password=hashed), at=here.now())
        client = TestClient(make_app(here, background=False), base_url="http://127.0.0.1:8765")
        board = client.app.state.board
        _, cookie = board.sessions.start("Olive", Duty.OFFICE, password="")
        client.cookies.set(board.sessions.cookie, cookie)
        told = cli("target", "list", "--json", archive=bagged.root).data
        text = page(client, "/desk/targets")
        for place in told["places"]:
            assert place["name"] in text
            assert f"{place['held']['copies']}" in text
            assert place["medium"] in text
        assert f"at least {told['rule']['copies']} of 3 copies" in text
        assert "drill at red ✓" not in text
        drills = page(client, "/desk/drills")
        assert "The last drill was good" in drills
        assert "3 files restored, 0 findings" in drills
        assert "1 person may log in" in page(client, "/desk/people")
        assert "Rhea" in page(client, "/desk/people")


def test_a_lost_or_damaged_original_is_not_needed_to_open_any_page(olive, office):
    sha = put_photos(office, "OD-2005", 1, name="LOST")[0]
    object_path(office.store, sha, ".jpg").unlink()
    for path, _ in DESK_TABS:
        page(olive, path)


def test_a_claim_with_hostile_text_is_shown_as_text(olive, office):
    put_claim(office, "EV-1", insured="<script>alert(1)</script>", address='"><img src=x>')
    for path in ("/desk/claims", "/desk/retention", "/desk/log?about=<script>"):
        text = olive.get(path).text
        assert "<script>alert" not in text
        assert "<img src=x>" not in text


def test_a_plan_that_is_approved_on_the_command_line_is_shown_so(office):
    (plan,) = plans(office)
    approve_purge(office.acting_as("Bo Example", logged_in=True), plan.name)
    assert plans(office)[0].approved_by == "Bo Example"
