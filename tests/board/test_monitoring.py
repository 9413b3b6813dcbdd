"""Metrics, health and the log as JSON, over real HTTP and a board of its own process; none of them holds personal data."""

from __future__ import annotations

import contextlib
import http.client
import json
import logging
import os
import re
import subprocess
import sys
import threading
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import update
from support_board import PASSWORD, new_archive, put_claim, put_photos
from support_cli import cli
from support_intake import with_target

from evidence.board.monitoring import health as health_module
from evidence.board.monitoring.health import HealthChecks
from evidence.board.monitoring.limited import LimitedChecks
from evidence.board.monitoring.metrics import KEPT_S, ArchiveMetrics
from evidence.board.monitoring.port import Monitoring, monitoring_config, serving
from evidence.board.server import bind
from evidence.catalog import tables as t
from evidence.catalog.intakes import IntakeRow
from evidence.catalog.keeping import CopyRow
from evidence.catalog.users import User
from evidence.cli.json_logs import JsonLines, is_on
from evidence.errors import CatalogError
from evidence.filing.custody_heads import signed_head
from evidence.model import ClaimId, ClaimState, Duty, IntakeId

NAMES = ("Quillon Example", "12 Hidden Lane", "HX-4711", "Dana Secret", "TEST")
"""Parts of the archive's data that no metric, health page or line of the log may hold."""


def fetched(url):
    """Status, headers and text of a page."""
    where = urlsplit(url)
    connection = http.client.HTTPConnection(where.hostname, where.port, timeout=20)
    try:
        connection.request("GET", where.path)
        answer = connection.getresponse()
        return answer.status, dict(answer.getheaders()), answer.read().decode()
    finally:
        connection.close()


def samples(url):
    """The metrics, as the Prometheus library's own parser reads them: by name and labels."""
    status, headers, text = fetched(f"{url}/metrics")
    assert status == 200
    assert headers["content-type"].startswith("text/plain")
    assert not [name for name in NAMES if name in text]
    return {
        (one.name, *sorted(one.labels.items())): one.value
        for family in text_string_to_metric_families(text)
        for one in family.samples
    }


@contextlib.contextmanager
def monitored(workspace):
    monitoring = Monitoring(workspace)
    config = monitoring_config(monitoring, host="127.0.0.1", port=0)
    listening = bind(config)
    with serving(monitoring, config, listening):
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"


@pytest.fixture
def office(tmp_path):
    """An archive with claims, photos, a target and a person."""
    (tmp_path / "shelf").mkdir()
    made = new_archive(tmp_path)
    made.close()
    with_target(made.root, tmp_path / "shelf", name="shelf")
    from evidence.workspace import Workspace

    with Workspace(made.root, actor="Dana Secret") as here:
        put_claim(here, "HX-4711", insured="Quillon Example", address="12 Hidden Lane")
        put_claim(here, "HX-4712")
        here.catalog.claims.set_state(ClaimId("HX-4712"), ClaimState.CLOSED, closed_on=here.now().date())
        put_photos(here, "HX-4711", 5)
        put_photos(here, "HX-4711", 2, name="MORE", to_confirm=True)
        put_photos(here, None, 3, name="LOOSE")
        yield here


def test_the_metrics_are_the_archives_numbers(office):
    digests = office.catalog.photos.digests_of(ClaimId("HX-4711"))
    read = datetime(2026, 5, 1, tzinfo=UTC)
    office.catalog.keeping.put_copies(
        [
            CopyRow(
                sha256=sha,
                place="shelf",
                claim=ClaimId("HX-4711"),
                place_id="disk",
                off_computer=True,
                verified_at=read,
            )
            for sha in digests
        ]
    )
    signed_head(office)
    with monitored(office) as url:
        found = samples(url)
    assert found["evidence_copies", ("state", "good"), ("target", "shelf")] == 7
    assert found["evidence_last_read_back_timestamp_seconds", ("target", "shelf")] == read.timestamp()
    assert found["evidence_photos", ("state", "settled")] == 5
    assert found["evidence_photos", ("state", "to_confirm")] == 2
    assert found["evidence_photos", ("state", "unassigned")] == 3
    assert found["evidence_claims", ("state", "open")] == 1
    assert found["evidence_claims", ("state", "closed")] == 1
    assert {key[1][1] for key in found if key[0] == "evidence_intakes"} == {"safe", "not_safe", "unfinished"}
    assert found["evidence_custody_entries",] == office.custody.head().seq
    assert 0 < found["evidence_custody_signed_entries",] <= office.custody.head().seq
    assert abs(found["evidence_custody_signed_timestamp_seconds",] - office.now().timestamp()) < 600
    assert found["evidence_free_bytes",] > 0
    assert found["evidence_target_connected", ("target", "archive")] == 1
    assert {value for key, value in found.items() if key[0] == "evidence_part_readable"} == {1}


def test_intakes_are_counted_by_result_and_what_waits_for_analysis(office):
    runs = [IntakeId("20260514-090000-test"), IntakeId("20260514-090000-more")]
    for number, intake in enumerate(runs):
        office.catalog.photos.put_intake(
            IntakeRow(
                intake=intake,
                source="/media/Quillon Example",
                label="Dana Secret",
                actor="Dana Secret",
                started_at=datetime(2026, 5, 14, number, tzinfo=UTC),
                finished_at=None,
                refused=(),
            )
        )
    sha = office.catalog.photos.digests_of(ClaimId("HX-4711"))[0]
    with office.catalog._database.transaction() as db:
        db.execute(t.described.delete().where(t.described.c.sha256 == sha))
    with monitored(office) as url:
        found = samples(url)
        assert found["evidence_intakes", ("result", "unfinished")] == len(runs)
        assert found["evidence_files_waiting_for_analysis",] == 1
    with office.catalog._database.transaction() as db:
        db.execute(update(t.intake).values(finished_at="2026-05-14T10:00:00.000000Z", told_safe=True))
    with monitored(office) as url:
        found = samples(url)
        assert found["evidence_intakes", ("result", "safe")] == len(runs)
        assert found["evidence_files_waiting_for_analysis",] == 0


def test_a_part_that_cannot_be_read_leaves_the_others(office, monkeypatch):
    def broken():
        raise CatalogError("The catalog of Quillon Example is gone.", "12 Hidden Lane")

    monkeypatch.setattr(office.catalog.gauges, "claims", broken)
    with monitored(office) as url:
        found = samples(url)
    assert found["evidence_part_readable", ("part", "catalog")] == 0
    assert found["evidence_part_readable", ("part", "log")] == 1
    assert not [key for key in found if key[0] == "evidence_photos"]


def test_the_numbers_are_kept_for_some_seconds_and_read_again_after_that(office):
    now = [0.0]
    metrics = ArchiveMetrics(office, clock=lambda: now[0])
    first = metrics.collect()
    put_claim(office, "HX-4713")
    assert metrics.collect() is first
    now[0] = KEPT_S
    assert metrics.collect() is not first
    metrics.close()


# --- health ------------------------------------------------------------------------------


def test_health_is_good_while_catalog_and_archive_are_and_names_each_target(office):
    with monitored(office) as url:
        status, _, text = fetched(f"{url}/health/alive")
        assert (status, json.loads(text)["alive"]) == (200, True)
        status, _, text = fetched(f"{url}/health/ready")
        assert (status, json.loads(text)["ready"]) == (200, True)
        assert json.loads(text)["checks"] == {"catalog": "ok", "archive": "ok"}
        assert set(json.loads(text)["targets"]) == {"shelf"}
        (office.root.parent / "shelf").rmdir()
        status, _, text = fetched(f"{url}/health/ready")
        assert (status, json.loads(text)["targets"]) == (200, {"shelf": "not connected"})
        assert fetched(f"{url}/")[0] == 404
        assert fetched(f"{url}/claims")[0] == 404
    assert not list(office.root.glob(".health*"))


@pytest.mark.parametrize("part", ["_catalog", "_archive"])
def test_a_board_whose_catalog_or_disk_fails_is_not_ready_and_stays_alive(office, monkeypatch, part):
    def broken(_workspace):
        raise CatalogError("Quillon Example", "12 Hidden Lane")

    monkeypatch.setattr(health_module, part, broken)
    with monitored(office) as url:
        status, _, text = fetched(f"{url}/health/ready")
        assert (status, json.loads(text)["checks"][part[1:]]) == (503, "CatalogError")
        assert "Quillon" not in text
        assert fetched(f"{url}/health/alive")[0] == 200


def test_a_target_that_hangs_delays_the_answer_for_a_moment_only_and_hangs_once(office, monkeypatch):
    release, begun = threading.Event(), []

    def hanging(_workspace, _named):
        begun.append(1)
        release.wait(30)

    monkeypatch.setattr(health_module, "view_target", hanging)
    checks = HealthChecks(office, wait_s=0.2)
    for _ in range(3):
        found = checks.ready()
        assert (found.ready, found.targets) == (True, {"shelf": "no answer in time"})
    assert len(begun) == 1
    release.set()
    checks.close()


def test_a_check_is_begun_again_once_it_has_ended():
    checks, begun = LimitedChecks(wait_s=5), []
    for _ in range(2):
        assert checks.run({"a": lambda: begun.append(1) or 7}) == {"a": 7}
    assert len(begun) == 2
    assert isinstance(checks.run({"b": lambda: 1 / 0})["b"], ZeroDivisionError)
    checks.close()


# --- the board as a process --------------------------------------------------------------


@pytest.fixture
def running(office, hashed):
    """The board as `evidence board` starts it, with metrics and the log as JSON."""
    office.catalog.users.put(User(name="Dana Secret", duty=Duty.OFFICE, password=hashed), at=office.now())
    command = [sys.executable, "-c", "from evidence.cli.main import run; run()", "board", "--port", "0"]
    command += ["--metrics", "0", "--log-json", "--archive", str(office.root)]
    environment = {**os.environ, "PYTHONPATH": str(Path.cwd())}
    with subprocess.Popen(
        command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    ) as board:
        lines = []
        while not any('"board_listens"' in line for line in lines):
            lines.append(board.stderr.readline())
            assert lines[-1], lines
        metrics = json.loads(next(line for line in lines if '"metrics_listen"' in line))
        port = json.loads(next(line for line in lines if '"board_listens"' in line))["port"]
        try:
            yield f"http://127.0.0.1:{port}", f"http://127.0.0.1:{metrics['port']}", board
        finally:
            board.terminate()
            board.communicate(timeout=60)


def log_in(url, password):
    where = urlsplit(url)
    connection = http.client.HTTPConnection(where.hostname, where.port, timeout=20)
    connection.request("GET", "/login")
    answer = connection.getresponse()
    page, cookie = answer.read().decode(), answer.getheader("set-cookie").split(";")[0]
    token = re.search(r'name="token" value="([^"]+)"', page)[1]
    body = urlencode({"name": "Dana Secret", "password": password, "token": token})
    headers = {
        "content-type": "application/x-www-form-urlencoded",
        "cookie": cookie,
        "origin": url,
        "sec-fetch-site": "same-origin",
    }
    connection.request("POST", "/login", body, headers)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer.status


def test_requests_and_refused_logins_are_counted_by_route_and_logged_without_names(running):
    url, metrics, board = running
    assert log_in(url, "wrong horse") == 401
    assert log_in(url, PASSWORD) == 303
    assert fetched(f"{url}/photo/{'a' * 64}")[0] == 303
    assert fetched(f"{url}/12-Hidden-Lane")[0] == 404
    found = samples(metrics)
    assert found["evidence_logins_refused_total", ("why", "wrong")] == 1
    assert found["evidence_logins_refused_total", ("why", "too_many")] == 0
    counted = Counter()
    for key, value in found.items():
        if key[0] == "evidence_request_seconds_count":
            counted[dict(key[1:])["route"]] += value
    assert counted["/login"] == 4
    assert counted["other"] == 1
    assert counted["/photo/{sha}"] == 1
    assert fetched(f"{metrics}/health/ready")[0] == 200
    board.terminate()
    out, err = board.communicate(timeout=60)
    assert out == "", "no login link is printed"
    lines = [json.loads(line) for line in err.splitlines()]
    asked = [one for one in lines if one["event"] == "request"]
    assert [(one["method"], one["route"], one["status"]) for one in asked][:2] == [
        ("GET", "/login", 200),
        ("POST", "/login", 401),
    ]
    assert all({"at", "level", "logger", "event"} <= one.keys() for one in lines)
    assert not [name for name in NAMES if name in err]


def test_without_the_option_no_port_is_opened_and_the_library_is_not_loaded(office):
    script = (
        "import sys\nfrom pathlib import Path\nfrom evidence.workspace import Workspace\n"
        "from evidence.board.app import make_app\n"
        f"make_app(Workspace(Path({str(office.root)!r})), background=False)\n"
        "print([one for one in sys.modules if one.startswith('prometheus')])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )
    assert ran.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--metrics", "0", "--metrics-bind", "everywhere"), "is not an address"),
        (("--log-json",), "evidence people add"),
        (("--metrics", "70000"), "65535"),
    ],
)
def test_options_that_cannot_be_meant_end_with_status_2(tmp_path, options, words):
    here = new_archive(tmp_path)
    ran = cli("board", "--port", "0", *options, archive=here.root)
    assert ran.status == 2
    assert words in ran.err
    assert not is_on()


def test_a_port_that_is_taken_is_named(tmp_path):
    import socket

    here = new_archive(tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        ran = cli("board", "--port", "0", "--metrics", taken.getsockname()[1], archive=here.root)
    assert ran.status == 23
    assert "--metrics" in ran.err


# --- the log -----------------------------------------------------------------------------


def logged(message, *args, name="evidence.x", error=None):
    info = (type(error), error, error.__traceback__) if error else None
    record = logging.LogRecord(name, logging.WARNING, "f", 1, message, args, info)
    return json.loads(JsonLines().format(record))


def test_a_line_holds_numbers_and_the_programs_own_words_alone():
    line = logged(
        "card_gone path=%s was_ready=%s files=%d ratio=%.1f", "/media/Quillon Example", True, 3, 0.5
    )
    assert {name: line[name] for name in ("event", "was_ready", "files", "ratio")} == {
        "event": "card_gone",
        "was_ready": True,
        "files": 3,
        "ratio": 0.5,
    }
    assert "Quillon" not in json.dumps(line)
    assert logged("bags_not_updated: %s", "12 Hidden Lane").keys() == {"at", "level", "logger", "event"}
    assert logged("Card of Quillon Example")["event"] == "message"
    assert logged("anything of Quillon", name="uvicorn.error")["event"] == "library_message"
    line = logged("request route=%s claim=%s", "/claims/{number}", "HX-4711")
    assert line["route"] == "/claims/{number}"
    assert "claim" not in line


def test_an_error_is_named_by_its_kind_and_place():
    with pytest.raises(ValueError, match="Quillon") as raised:
        int("Quillon Example")
    line = logged("failed", error=raised.value)
    assert line["error"] == "ValueError"
    assert line["where"].startswith("test_monitoring.py:")
    assert "Quillon" not in json.dumps(line)
