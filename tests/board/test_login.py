"""Logging in and out: passwords, links, sessions, and where the board refuses to start."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys

import pytest
from fastapi.testclient import TestClient
from support_board import PASSWORD
from support_cli import cli
from support_once import slow_hasher

from evidence.board.context import redirect_local
from evidence.board.sessions import LINK_MINUTES, MAX_FAILURES
from evidence.catalog.users import User
from evidence.errors import BadInputError
from evidence.model import Duty
from evidence.office import people as office_people
from evidence.office.people import add_person, drop_person

LOCAL = "http://127.0.0.1:8765"


def new_client(app, **kwargs):
    return TestClient(app, base_url=LOCAL, follow_redirects=False, **kwargs)


def form_token(page):
    return re.search(r'name="token" value="([^"]+)"', page.text)[1]


def log_in(client, name, password, back="/"):
    token = form_token(client.get("/login"))
    return client.post("/login", data={"name": name, "password": password, "token": token, "back": back})


def test_without_a_session_no_page_is_shown(app, claim):
    client = new_client(app)
    for path in (
        "/",
        "/claim?number=BD-1",
        "/photos?number=BD-1",
        f"/photo/{claim[0]}",
        f"/thumb/{claim[0]}/320",
        f"/original/{claim[0]}",
        "/day?number=BD-1",
        "/history?number=BD-1",
    ):
        answer = client.get(path)
        assert answer.status_code == 303, path
        assert answer.headers["location"].startswith("/login")
        assert "Ardenne" not in answer.text


def test_a_login_by_password_is_in_the_custody_log(app, workspace, people):
    client = new_client(app)
    answer = log_in(client, "Rhea", PASSWORD, back="/claim?number=BD-1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/claim?number=BD-1")
    assert "Rhea" in client.get("/").text
    entry = [one for one in workspace.custody.entries() if one.action == "entered_the_board"][-1]
    assert (entry.actor, entry.details["by"]) == ("Rhea", "password")


def test_the_session_cookie_is_signed_httponly_samesite_and_secure_over_https(workspace, people):
    from evidence.board.app import make_app

    for secure, base in ((False, LOCAL), (True, "https://board.example.org")):
        app = make_app(workspace, background=False, secure=secure, names=["board.example.org"])
        client = TestClient(app, base_url=base, follow_redirects=False)
        answer = log_in(client, "Rhea", PASSWORD)
        cookie = next(c for c in answer.headers.get_list("set-cookie") if "login" not in c)
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        assert ("Secure" in cookie) == secure
        assert cookie.startswith("__Host-") == secure
        assert ("strict-transport-security" in answer.headers) == secure
        name, value = cookie.split(";")[0].split("=", 1)
        forged = TestClient(
            app,
            base_url=base,
            follow_redirects=False,
            cookies={name: value.replace(value[-9], "A" if value[-9] != "A" else "B")},
        )
        assert forged.get("/").status_code == 303


def test_a_wrong_password_and_an_unknown_name_get_the_same_answer(app, people):
    wrong = log_in(new_client(app), "Rhea", "not the password at all")
    unknown = log_in(new_client(app), "Nobody", "not the password at all")
    assert wrong.status_code == unknown.status_code == 401
    messages = [re.search(r'role="alert">([^<]+)', page.text)[1] for page in (wrong, unknown)]
    assert messages[0] == messages[1]


def test_after_repeated_failures_the_right_password_must_wait_too(app, people, clock):
    client = new_client(app)
    for _ in range(MAX_FAILURES):
        assert log_in(client, "Rhea", "wrong wrong wrong").status_code == 401
    answer = log_in(client, "Rhea", PASSWORD)
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) > 0
    clock.now += int(answer.headers["retry-after"]) + 1
    assert log_in(client, "Rhea", PASSWORD).status_code == 303


def test_a_login_link_works_once_and_expires(app, clock):
    sessions = app.state.board.sessions
    secret = sessions.create_link("Tess", Duty.REVIEWER)
    first, second = new_client(app), new_client(app)
    token = form_token(first.get(f"/link/{secret}"))
    other = form_token(second.get(f"/link/{secret}"))  # looking at it does not use it up
    assert first.post("/link", data={"secret": secret, "token": token}).headers["location"] == "/"
    assert first.get("/").status_code == 200
    assert second.post("/link", data={"secret": secret, "token": other}).status_code == 403
    late = sessions.create_link("Tess", Duty.REVIEWER)
    clock.now += LINK_MINUTES * 60 + 1
    assert new_client(app).get(f"/link/{late}").status_code == 403
    assert sessions.redeem_link(late) is None


def test_a_session_ends_at_logout_after_its_hours_with_a_new_password_and_when_the_person_is_dropped(
    app, workspace, people, logged_in, clock
):
    left = logged_in()
    old = dict(left.cookies)
    left.post("/logout", data={"token": left.token})
    assert new_client(app, cookies=old).get("/").status_code == 303
    late = logged_in()
    clock.now += workspace.settings.board.session_hours * 3600 + 1
    assert late.get("/").status_code == 303
    changes = {
        "Rhea": lambda: add_person(workspace, "Rhea", Duty.REVIEWER, "another phrase entirely new"),
        "Adam": lambda: drop_person(workspace, "Adam"),
    }
    for name, change in changes.items():
        client = new_client(app)
        log_in(client, name, PASSWORD)
        assert client.get("/").status_code == 200
        change()
        assert client.get("/").status_code == 303


def by_link(app, name, duty):
    client = new_client(app)
    secret = app.state.board.sessions.create_link(name, duty)
    client.post("/link", data={"secret": secret, "token": form_token(client.get(f"/link/{secret}"))})
    assert client.get("/").status_code == 200
    return client


def test_a_session_by_link_ends_when_its_person_is_dropped_or_their_duty_changes(
    app, workspace, people, hashed
):
    changes = {
        "Rhea": lambda: drop_person(workspace, "Rhea"),
        "Adam": lambda: workspace.catalog.users.put(
            User(name="Adam", duty=Duty.OFFICE, password=hashed), at=workspace.now()
        ),
        "Nora": lambda: workspace.catalog.users.put(
            User(name="Nora", duty=Duty.ADJUSTER, password=hashed), at=workspace.now()
        ),
    }
    for name, duty in (("Rhea", Duty.REVIEWER), ("Adam", Duty.ADJUSTER), ("Nora", Duty.REVIEWER)):
        client = by_link(app, name, duty)
        changes[name]()
        assert client.get("/").status_code == 303, name
        assert client.get("/").status_code == 303, name
    stays = by_link(app, "Tess", Duty.REVIEWER)
    assert stays.get("/").status_code == 200, "somebody who is in no list keeps the duty of the link"


def test_a_link_gives_the_duty_that_the_person_has_when_it_is_used(app, workspace, people):
    client = by_link(app, "Adam", Duty.REVIEWER)
    assert "adjuster" in client.get("/").text
    assert "file reviewer" not in client.get("/").text


def test_passwords_are_stored_only_as_argon2id(workspace, monkeypatch):
    monkeypatch.setattr(office_people, "_password_hasher", slow_hasher)
    for name in ("Rhea", "Adam"):
        add_person(workspace, name, Duty.REVIEWER, PASSWORD)
    first, second = workspace.catalog.users.all()
    assert first.password != second.password, "each hash has a salt of its own"
    # RFC 9106, the PHC string: algorithm, version 19 (0x13), memory, passes, lanes.
    for person in (first, second):
        assert re.match(r"\$argon2id\$v=19\$m=\d+,t=\d+,p=\d+\$", person.password)
        memory = int(re.search(r"m=(\d+)", person.password)[1])
        assert memory >= 65536  # RFC 9106, 4: the second recommended option, 64 MiB
        assert PASSWORD not in person.password
    assert PASSWORD.encode() not in workspace.custody.path.read_bytes()


@pytest.mark.parametrize("password", ["short", "x" * 300, "aaaaaaaaaaaaaaaaaaaa"])
def test_a_poor_password_is_refused(workspace, password):
    with pytest.raises(BadInputError):
        add_person(workspace, "Rhea", Duty.REVIEWER, password)


def test_people_are_added_listed_and_dropped_on_the_command_line(workspace, tmp_path):
    file = tmp_path / "password.txt"
    file.write_text(PASSWORD + "\n", encoding="utf-8")
    added = cli(
        "people",
        "add",
        "Rhea",
        "--duty",
        "reviewer",
        "--password-file",
        file,
        "--json",
        archive=workspace.root,
    )
    assert added.data == {"name": "Rhea", "duty": "reviewer", "new": True}
    assert cli("people", "list", "--json", archive=workspace.root).data == [
        {"name": "Rhea", "duty": "reviewer"}
    ]
    assert cli("people", "drop", "Rhea", archive=workspace.root).status == 0
    assert cli("people", "drop", "Rhea", archive=workspace.root).status == 2


@pytest.mark.parametrize(
    "options",
    [
        ("--bind", "0.0.0.0"),
        ("--bind", "not an address"),
        ("--cert", "nowhere.pem", "--key", "nowhere.pem"),
        ("--cert", "a.pem"),
    ],
    ids=[
        "reachable from the network without encryption",
        "no address",
        "no such certificate",
        "certificate without its key",
    ],
)
def test_the_board_refuses_to_start_with_unsafe_options(workspace, options):
    ran = cli("board", *options, archive=workspace.root)
    assert ran.status == 2
    assert ran.out == ""


@pytest.mark.skipif(os.name != "posix", reason="Ctrl-C is sent as a signal")
def test_the_command_opens_a_board_on_this_computer_alone_and_ends_with_ctrl_c(workspace):
    import httpx

    command = [sys.executable, "-c", "from evidence.cli.main import run; run()", "board", "--port", "0"]
    command += ["--archive", str(workspace.root), "--actor", "Tess"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as board:
        link = board.stdout.readline().strip()
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/link/[\w-]{43}", link)
        with httpx.Client(follow_redirects=False) as client:
            page = client.get(link)
            secret = link.rpartition("/")[2]
            posted = client.post(
                httpx.URL(link).join("/link"), data={"secret": secret, "token": form_token(page)}
            )
            assert posted.headers["location"] == "/"
            assert "Tess" in client.get(httpx.URL(link).join("/")).text
            assert client.get(link).status_code == 403
        board.send_signal(signal.SIGINT)
        assert board.wait(60) == 0


def test_after_login_the_browser_stays_on_the_board(app, people):
    assert log_in(new_client(app), "Rhea", PASSWORD, back="//evil.example").headers["location"] == "/"
    for back in ("https://evil.example", "/\\evil.example", "evil", "/\n/evil", "///evil"):
        assert redirect_local(back).headers["location"] == "/", back
    assert redirect_local("/claim?number=BD-1").headers["location"] == "/claim?number=BD-1"
