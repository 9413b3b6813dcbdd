"""Who comes in, by what, and what the door keeps out."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from support_board import PASSWORD
from support_cli import cli

from evidence.board.context import redirect_inside
from evidence.board.middleware import MAX_BYTES
from evidence.board.sessions import LINK_MINUTES, MAX_FAILURES
from evidence.errors import BadInputError
from evidence.model import Duty
from evidence.office.people import add_person, drop_person

LOCAL = "http://127.0.0.1:8765"


def stranger(app, **kwargs):
    return TestClient(app, base_url=LOCAL, follow_redirects=False, **kwargs)


def form_token(page):
    return re.search(r'name="token" value="([^"]+)"', page.text)[1]


def come_in(client, name, password, back="/"):
    token = form_token(client.get("/login"))
    return client.post("/login", data={"name": name, "password": password, "token": token, "back": back})


def test_nothing_is_shown_to_whoever_is_not_logged_in(app, claim):
    client = stranger(app)
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


def test_name_and_password_let_a_person_in_and_the_log_says_so(app, workspace, people):
    client = stranger(app)
    answer = come_in(client, "Rhea", PASSWORD, back="/claim?number=BD-1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/claim?number=BD-1")
    assert "Rhea" in client.get("/").text
    entry = [one for one in workspace.custody.entries() if one.action == "entered_the_board"][-1]
    assert (entry.actor, entry.details["by"]) == ("Rhea", "password")


def test_the_session_cookie_is_signed_httponly_samesite_and_secure_over_https(workspace, people):
    from evidence.board.app import make_app

    for secure, base in ((False, LOCAL), (True, "https://board.example.org")):
        app = make_app(workspace, background=False, secure=secure, names=["board.example.org"])
        client = TestClient(app, base_url=base, follow_redirects=False)
        answer = come_in(client, "Rhea", PASSWORD)
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


def test_a_wrong_password_and_an_unknown_name_are_told_apart_by_nothing(app, people):
    wrong = come_in(stranger(app), "Rhea", "not the password at all")
    unknown = come_in(stranger(app), "Nobody", "not the password at all")
    assert wrong.status_code == unknown.status_code == 401
    said = [re.search(r'role="alert">([^<]+)', page.text)[1] for page in (wrong, unknown)]
    assert said[0] == said[1]


def test_after_some_wrong_passwords_even_the_right_one_must_wait(app, people, clock):
    client = stranger(app)
    for _ in range(MAX_FAILURES):
        assert come_in(client, "Rhea", "wrong wrong wrong").status_code == 401
    answer = come_in(client, "Rhea", PASSWORD)
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) > 0
    clock.now += int(answer.headers["retry-after"]) + 1
    assert come_in(client, "Rhea", PASSWORD).status_code == 303


def test_a_link_lets_in_once_and_only_soon(app, clock):
    sessions = app.state.board.sessions
    secret = sessions.create_link("Tess", Duty.REVIEWER)
    first, second = stranger(app), stranger(app)
    token = form_token(first.get(f"/link/{secret}"))
    other = form_token(second.get(f"/link/{secret}"))  # looking at it does not use it up
    assert first.post("/link", data={"secret": secret, "token": token}).headers["location"] == "/"
    assert first.get("/").status_code == 200
    assert second.post("/link", data={"secret": secret, "token": other}).status_code == 403
    late = sessions.create_link("Tess", Duty.REVIEWER)
    clock.now += LINK_MINUTES * 60 + 1
    assert stranger(app).get(f"/link/{late}").status_code == 403
    assert sessions.redeem_link(late) is None


def test_a_visit_ends_by_leaving_by_time_by_a_new_password_and_by_being_taken_off(
    app, workspace, people, visit, clock
):
    left = visit()
    old = dict(left.cookies)
    left.post("/logout", data={"token": left.token})
    assert stranger(app, cookies=old).get("/").status_code == 303
    late = visit()
    clock.now += workspace.settings.board.session_hours * 3600 + 1
    assert late.get("/").status_code == 303
    changes = {
        "Rhea": lambda: add_person(workspace, "Rhea", Duty.REVIEWER, "another phrase entirely new"),
        "Adam": lambda: drop_person(workspace, "Adam"),
    }
    for name, change in changes.items():
        client = stranger(app)
        come_in(client, name, PASSWORD)
        assert client.get("/").status_code == 200
        change()
        assert client.get("/").status_code == 303


def test_passwords_are_kept_only_as_argon2id(workspace, people):
    # RFC 9106, the PHC string: algorithm, version 19 (0x13), memory, passes, lanes.
    for person in workspace.catalog.users.all():
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
        "open to the network in the clear",
        "no address",
        "no such certificate",
        "certificate without its key",
    ],
)
def test_the_board_does_not_start_where_it_would_be_unsafe(workspace, options):
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


# --- the guard ---------------------------------------------------------------------------


def test_every_answer_carries_the_safety_headers(app, visit, claim):
    client = visit()
    for path in (
        "/",
        "/login",
        "/claim?number=BD-1",
        "/no/such/page",
        "/static/board.css",
        f"/thumb/{claim[0]}/320",
        "/claim?number=nope",
    ):
        headers = client.get(path).headers
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["frame-ancestors"] == "'none'"
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"]
        assert "server" not in headers
    assert client.get("/").headers["cache-control"] == "no-store"
    assert "immutable" in client.get("/static/board.css").headers["cache-control"]


def test_no_page_holds_a_script_or_style_of_its_own(visit, claim, people):
    client = visit()
    for path in (
        "/",
        "/claim?number=BD-1",
        "/photos?number=BD-1",
        f"/photo/{claim[0]}",
        "/day?number=BD-1",
        "/duplicates?number=BD-1",
        "/missing?number=BD-1",
        "/history?number=BD-1",
        f"/compare?one={claim[0]}&other={claim[1]}",
        "/login",
    ):
        text = client.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)", text), path
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", text), path
        assert not re.search(r'(src|href|action)="(https?:)?//', text), path


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "", "localhost.evil", "10.0.0.9:8765"]
)
def test_a_foreign_host_name_is_refused(app, host):
    assert stranger(app).get("/login", headers={"host": host}).status_code == 400


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:8765", "localhost:1", "LOCALHOST", "[::1]:8765", "[::1]"]
)
def test_this_computers_own_names_are_let_through(app, host):
    assert stranger(app).get("/login", headers={"host": host}).status_code == 200


def test_a_body_that_is_too_large_is_refused_whether_it_says_so_or_not(visit):
    client = visit()
    headers = {"x-board-token": client.token, "content-type": "application/json"}
    assert client.post("/do/tag", content=b"x" * (MAX_BYTES + 1), headers=headers).status_code == 413

    def pieces():
        for _ in range(MAX_BYTES // 65536 + 2):
            yield b"x" * 65536

    assert client.post("/do/tag", content=pieces(), headers=headers).status_code == 413


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "null"},
    ],
    ids=str,
)
def test_what_another_sites_page_sends_is_refused(visit, headers):
    client = visit()
    assert client.post("/logout", data={"token": client.token}, headers=headers).status_code == 403


def test_every_post_needs_the_token_of_this_visit(app, visit, claim):
    posts = [
        route.path
        for part in app.routes
        for route in (
            [part]
            if isinstance(part, APIRoute)
            else getattr(getattr(part, "original_router", None), "routes", [])
        )
        if isinstance(route, APIRoute) and "POST" in route.methods
    ]
    assert len(posts) > 10
    client, other = visit(), visit("Rhea")
    for path in posts:
        for token in ("", "x" * 43, other.token):
            form = client.post(
                path,
                data={
                    "token": token,
                    "claim": "BD-1",
                    "seen": "0",
                    "number": "1",
                    "requirement": "elevation",
                    "why": "x",
                    "photo": claim[0],
                    "to": claim[1],
                    "segment": "x",
                },
            )
            assert form.status_code == 403, (path, form.status_code)
            script = client.post(
                path,
                json={"photos": {claim[0]: "0" * 12}, "claim": "BD-1", "number": 1},
                headers={"x-board-token": token},
            )
            assert script.status_code == 403, (path, script.status_code)


@pytest.mark.parametrize(
    "path",
    [
        "/photo/..%2f..%2fetc%2fpasswd",
        "/thumb/../../evidence.toml/320",
        "/original/%2e%2e%2fevidence.toml",
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/state.py",
        "/thumb/" + "a" * 64 + "/320",
        "/original/" + "0" * 64,
        "/photo/" + "A" * 64,
        "/compare?one=../x&other=../y",
    ],
)
def test_a_path_leads_only_to_photos_of_the_catalog(visit, claim, path):
    answer = visit().get(path)
    assert answer.status_code in {400, 404}
    assert "[intake]" not in answer.text
    assert "def " not in answer.text


def test_after_coming_in_one_stays_on_the_board(app, people):
    assert come_in(stranger(app), "Rhea", PASSWORD, back="//evil.example").headers["location"] == "/"
    for back in ("https://evil.example", "/\\evil.example", "evil", "/\n/evil", "///evil"):
        assert redirect_inside(back).headers["location"] == "/", back
    assert redirect_inside("/claim?number=BD-1").headers["location"] == "/claim?number=BD-1"


# --- rights ------------------------------------------------------------------------------

DOES = {
    "/do/tag": {"adjuster", "reviewer"},
    "/do/place": {"adjuster", "reviewer", "office"},
    "/do/sign": {"reviewer"},
    "/do/send-back": {"reviewer"},
    "/do/waive": {"reviewer"},
    "/do/take-back": {"reviewer", "office"},
    "/do/cut": {"adjuster", "reviewer", "office"},
}


@pytest.mark.parametrize("duty", list(Duty))
def test_each_duty_may_do_what_is_theirs_and_nothing_else(visit, workspace, claim, duty):
    client = visit("Somebody", duty)
    photos = {"photos": {claim[0]: "0" * 12}}
    scripts = {"/do/tag": photos | {"tags": {"face": "left"}}, "/do/place": photos | {"claim": "BD-1"}}
    form = {"token": client.token, "claim": "BD-1", "seen": "99", "number": "BD-1", "requirement": "nothing"}
    form |= {"photo": "0" * 64, "note": "x"}
    for path, duties in DOES.items():
        before = workspace.custody.head().seq
        if path in scripts:
            answer = client.post(path, json=scripts[path], headers={"x-board-token": client.token})
        else:
            answer = client.post(path, data=form)
        assert (answer.status_code != 403) == (duty.value in duties), path
        assert workspace.custody.head().seq == before, "nothing of this may have worked"
