"""The board's server under visitors who never finish their requests: everybody else is served, and the log stays short."""

from __future__ import annotations

import contextlib
import http.client
import logging
import os
import re
import select
import socket
import ssl
import subprocess
import sys
import time

import pytest
from support_board import new_archive, put_claim, served
from support_tls import self_signed

from evidence.board import server as serving
from evidence.board.server import LINES_A_MINUTE, FewLines

HALF_SENT = 1200


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(serving, "HEAD_SECONDS", 0.3)
    monkeypatch.setattr(serving, "BODY_SECONDS", 0.3)


def connected(board):
    host, port = board.url.removeprefix("http://").split(":")
    return socket.create_connection((host, int(port)), timeout=20)


def closed(connection):
    """Wait until the server closes the connection; returns what it sent."""
    found = b""
    with contextlib.suppress(ConnectionResetError):
        while piece := connection.recv(4096):
            found += piece
    return found


@pytest.mark.parametrize(
    "sent",
    [
        b"",
        b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx-one: 1\r\n",
        b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 400\r\ncontent-type: application/x-www-form-urlencoded\r\n\r\nname=",
        b"GET /login HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\nGET / HTTP/1.1\r\n",
    ],
    ids=["nothing", "half a head", "half a body", "half a second request"],
)
def test_a_request_that_never_ends_is_closed(workspace, quick, sent):
    with served(workspace) as board, connected(board) as connection:
        connection.sendall(sent)
        closed(connection)  # fails by its time-out of 20 seconds


def test_a_tls_handshake_that_never_ends_is_closed(workspace, quick, tmp_path):
    cert, key = self_signed(tmp_path)
    with served(workspace, cert=cert, key=key) as board:
        with connected(board) as connection:
            closed(connection)  # fails by its time-out of 20 seconds
        context = ssl.create_default_context(cafile=str(cert))
        with connected(board) as plain, context.wrap_socket(plain, server_hostname="localhost") as secure:
            secure.sendall(b"GET /login HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n")
            assert secure.recv(30).startswith(b"HTTP/1.1 200")


def test_a_slow_request_within_the_limit_is_answered(workspace):
    with served(workspace) as board, connected(board) as connection:
        for piece in (b"GET /login HTTP/1.1\r\n", b"host: 127.0.0.1\r\n", b"connection: close\r\n\r\n"):
            connection.sendall(piece)
            select.select([], [], [], 0.05)
        assert closed(connection).startswith(b"HTTP/1.1 200")


def test_beyond_the_most_connections_the_longest_waiting_one_makes_room(workspace, monkeypatch):
    monkeypatch.setattr(serving, "MAX_CONNECTIONS", 3)
    with served(workspace) as board, contextlib.ExitStack() as stack:
        waiting = []
        for n in range(4):
            waiting.append(stack.enter_context(connected(board)))
            waiting[-1].sendall(b"GET / HTTP/1.1\r\n")
            if n < 3:
                time.sleep(0)  # the order of connecting is the order of the server's clock
        assert closed(waiting[0]) == b""
        waiting[3].sendall(b"host: 127.0.0.1\r\n\r\n")
        assert waiting[3].recv(30).startswith(b"HTTP/1.1 303")


def test_the_log_lets_through_a_few_lines_a_minute_and_counts_the_rest():
    now = [0.0]
    few = FewLines(clock=lambda: now[0])

    def passed(n):
        record = logging.LogRecord("x", logging.WARNING, "f", 1, "line %s", (n,), None)
        return record.getMessage() if few.filter(record) else None

    assert [passed(n) is not None for n in range(LINES_A_MINUTE + 5)] == [True] * LINES_A_MINUTE + [False] * 5
    now[0] = 61.0
    assert passed(99) == "line 99 (5 more lines left out)"
    problem = OSError(24, "Too many open files")
    record = logging.LogRecord(
        "asyncio", logging.ERROR, "f", 1, "accept failed\nsocket: 3", (), (OSError, problem, None)
    )
    assert few.filter(record)
    assert (record.getMessage(), record.exc_info) == ("accept failed: [Errno 24] Too many open files", None)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="the limit on open files is that of POSIX systems")
def test_1200_half_sent_requests_neither_stop_the_board_nor_fill_its_log(tmp_path):
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard < 2 * HALF_SENT:
        pytest.skip("this process may not open enough connections")
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard if hard > 0 else soft, hard))
    with new_archive(tmp_path) as made:
        put_claim(made, "SV-1")
        root = made.root
    log = tmp_path / "board.log"
    start = "import resource; resource.setrlimit(resource.RLIMIT_NOFILE, (1024, resource.getrlimit(resource.RLIMIT_NOFILE)[1])); from evidence.cli.main import run; run()"
    with log.open("wb") as errors:
        running = subprocess.Popen(
            [sys.executable, "-c", start, "board", "--port", "0", "--archive", str(root)],
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        )
    try:
        link = running.stdout.readline().strip()
        host, port, secret = re.fullmatch(r"http://([^:]+):(\d+)/link/(.+)", link).groups()
        with contextlib.ExitStack() as stack:
            half = []
            for n in range(
                HALF_SENT
            ):  # the first attempt succeeds: the port listens when the link is printed
                one = stack.enter_context(socket.create_connection((host, int(port)), timeout=20))
                one.sendall(
                    b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx-slow: "
                    if n % 2
                    else b"POST /login HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 90\r\n\r\nna"
                )
                half.append(one)
                if n % 200 == 199:
                    visitor = http.client.HTTPConnection(host, int(port), timeout=20)
                    began = time.monotonic()
                    visitor.request("GET", f"/link/{secret}")
                    answer = visitor.getresponse()
                    assert answer.status == 200, n
                    assert b"Log in with this link" in answer.read()
                    assert time.monotonic() - began < 10
                    visitor.close()
        assert running.poll() is None
    finally:
        running.terminate()
        running.wait(30)
        running.stdout.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert log.stat().st_size < 100_000
    assert "Traceback" not in log.read_text(encoding="utf-8")
