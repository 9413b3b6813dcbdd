"""Standard streams that are closed, full, or of an encoding that lacks characters, and a window without width."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from support_cli import cli, make_archive

NAME = "Дом 🏠"
"""Letters and a symbol that neither ASCII nor Windows-1252 has."""


@pytest.fixture
def archive(tmp_path):
    made = make_archive(tmp_path)
    listed = tmp_path / "claims.csv"
    listed.write_text(f"claim,insured\nTC-1,{NAME}\n", encoding="utf-8")
    assert cli("assignments", listed, archive=made).status == 0
    return made


def shell(archive: Path, words: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """One command as a shell starts it, with the redirections in `words`."""
    command = f"{shlex.quote(sys.executable)} -m evidence.cli.main {words}"
    named = {**os.environ, "EVIDENCE_ARCHIVE": str(archive), **environment}
    return subprocess.run(["sh", "-c", command], capture_output=True, env=named, check=False)


@pytest.mark.skipif(os.name != "posix", reason="a shell of POSIX closes the streams")
@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", ">&- 2>&- <&-"])
@pytest.mark.parametrize("words", ["claims", "cards --json", "hold list"])
def test_a_closed_stream_is_no_error_and_no_file_takes_its_place(archive, words, closed):
    before = (archive / "catalog.sqlite").read_bytes()[:100]
    ran = shell(archive, f"{words} {closed}")
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert (archive / "catalog.sqlite").read_bytes()[:16] == before[:16]
    assert cli("claims", archive=archive).status == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no full device")
@pytest.mark.parametrize(
    ("words", "status"),
    [
        ("cards --json >/dev/full", 23),
        ("claims >/dev/full", 23),
        ("nope 2>/dev/full", 2),
        ("nope --json >/dev/full 2>/dev/full", 2),
        ("2>/dev/full", 2),
    ],
)
def test_an_output_that_is_full_leaves_the_status_and_no_traceback(archive, words, status):
    ran = shell(archive, words)
    assert ran.returncode == status
    assert b"Traceback" not in ran.stderr
    assert b"Exception" not in ran.stderr


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_a_character_that_the_output_lacks_is_escaped(archive, encoding):
    ran = shell(archive, "claims", PYTHONIOENCODING=encoding)
    assert ran.returncode == 0, ran.stderr
    shown = NAME if encoding == "utf-8" else NAME.encode("ascii", "backslashreplace").decode()
    assert shown in ran.stdout.decode(encoding)
    ran = shell(archive, "claims --json", PYTHONIOENCODING=encoding)
    assert [one["insured"] for one in json.loads(ran.stdout.decode(encoding))] == [NAME]


@pytest.mark.parametrize("columns", ["0", "1", "7", "nonsense"])
def test_a_window_without_width_shows_everything(archive, columns):
    for words in ("claims", "target list", "rules list"):
        ran = shell(archive, words, COLUMNS=columns)
        assert ran.returncode == 0, ran.stderr
        assert ran.stdout


@pytest.mark.skipif(os.name != "posix", reason="another signal on other systems")
def test_a_command_that_is_stopped_says_that_it_can_be_run_again(archive):
    script = (
        "import signal\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell's background job ignores it
        "from evidence.cli.main import run\n"
        "from evidence.reports import views\n"
        "views.claim_views = lambda *_, **__: signal.raise_signal(signal.SIGINT)\n"
        f"run(['claims', '--archive', {str(archive)!r}])\n"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, check=False)
    assert ran.returncode == 130
    assert ran.stderr.splitlines()[-1] == b"evidence: stopped; run the same command again to finish."
