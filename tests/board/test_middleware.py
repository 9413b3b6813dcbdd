"""What every request must pass, whoever sends it: host name, origin, size, token; and the headers of every response."""

from __future__ import annotations

import re

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from evidence.board.app import make_app
from evidence.board.middleware import MAX_BYTES
from evidence.errors import BadInputError


def new_client(app):
    return TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)


def test_every_response_carries_the_security_headers(app, logged_in, claim):
    client = logged_in()
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


def test_no_page_contains_an_inline_script_or_style(logged_in, claim, people):
    client = logged_in()
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
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "",
        "localhost.evil",
        "10.0.0.9:8765",
        "evil@127.0.0.1",
        "127.0.0.1:80@evil.example",
        "127.0.0.1, evil.example",
        "[::1].evil.example",
        "::1",
    ],
)
def test_another_host_name_is_refused(app, host):
    """DNS rebinding: a page whose name was pointed to this computer does not reach the board.

    An invalid or missing Host gets 400 (RFC 9112, 3.2).
    """
    answer = new_client(app).get("/login", headers={"host": host})
    assert (answer.status_code, answer.text) == (400, "Invalid host header")
    assert "content-security-policy" in answer.headers


def test_a_name_given_at_the_start_is_accepted_and_a_wildcard_is_not(workspace):
    app = make_app(workspace, background=False, names=["board.example.org"])
    for host, status in (
        ("Board.Example.org:8443", 200),
        ("example.org", 400),
        ("www.board.example.org", 400),
    ):
        assert new_client(app).get("/login", headers={"host": host}).status_code == status, host
    for wildcard in ("*", "*.example.org"):
        with pytest.raises(BadInputError, match=r"must not contain '\*'"):
            make_app(workspace, background=False, names=[wildcard])


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:8765", "localhost:1", "LOCALHOST", "[::1]:8765", "[::1]"]
)
def test_names_of_this_computer_are_accepted(app, host):
    assert new_client(app).get("/login", headers={"host": host}).status_code == 200


def test_a_body_that_is_too_large_is_refused_with_and_without_a_length_header(logged_in):
    client = logged_in()
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
def test_a_request_from_another_site_is_refused(logged_in, headers):
    client = logged_in()
    assert client.post("/logout", data={"token": client.token}, headers=headers).status_code == 403


def test_every_post_needs_the_token_of_this_session(app, logged_in, claim):
    posts = [route.path for route in app.routes if isinstance(route, APIRoute) and "POST" in route.methods]
    assert len(posts) > 10
    client, other = logged_in(), logged_in("Rhea")
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
def test_a_path_leads_only_to_photos_in_the_catalog(logged_in, claim, path):
    answer = logged_in().get(path)
    assert answer.status_code in {400, 404}
    assert "[intake]" not in answer.text
    assert "def " not in answer.text
