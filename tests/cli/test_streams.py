"""Standard streams that are closed, full, or of an encoding that lacks characters, and a window without width."""

from __future__ import annotations

import io
import json
import os
import shlex
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Collection
from pathlib import Path

import pytest
from support_cli import cli, make_archive

from evidence.cli.main import run

NAME = "Дом 🏠"
"""Letters and a symbol that neither ASCII nor Windows-1252 has."""


@pytest.fixture
def archive(tmp_path):
    made = make_archive(tmp_path)
    listed = tmp_path / "claims.csv"
    listed.write_text(f"claim,insured\nTC-1,{NAME}\n", encoding="utf-8")
    assert cli("assignments", listed, archive=made).status == 0
    return made


def forked(
    archive: Path, words: str, closed: Collection[int] = (), **environment: str
) -> subprocess.CompletedProcess[bytes]:
    """A command in a forked process, whose modules are loaded, with these streams closed.

    `sys` has None for a closed stream, as Python's start leaves it.
    """
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if child == 0:
            status = 70
            try:
                for stream, number in ((out, 1), (err, 2)):
                    os.dup2(stream.fileno(), number)
                for number, name in enumerate(("stdin", "stdout", "stderr")):
                    mode = "w" if number else "r"
                    setattr(sys, name, None if number in closed else open(number, mode, encoding="utf-8"))  # noqa: SIM115, PTH123
                for number in closed:
                    os.close(number)
                os.environ |= {"EVIDENCE_ARCHIVE": str(archive), **environment}
                status = cli_status(words.split())
            except BaseException:
                os.write(err.fileno(), traceback.format_exc().encode())
            finally:
                os._exit(status)
        _, ended = os.waitpid(child, 0)
        out.seek(0)
        err.seek(0)
        return subprocess.CompletedProcess(words, os.waitstatus_to_exitcode(ended), out.read(), err.read())


def cli_status(arguments: list[str]) -> int:
    """Run a command with the streams as they are."""
    try:
        run(arguments)
    except SystemExit as end:
        status = int(end.code or 0)
    sys.stdout.flush()
    return status


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
    if words == "claims":
        ran = shell(archive, f"{words} {closed}")
    else:
        numbers = {"<": 0, ">": 1, "2": 2}
        ran = forked(archive, words, {numbers[one[0]] for one in closed.split()})
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
def test_a_character_that_the_output_lacks_is_escaped(archive, encoding, monkeypatch):
    if encoding == "cp1252":
        ran = shell(archive, "claims", PYTHONIOENCODING=encoding)
        assert ran.returncode == 0, ran.stderr
        listed = ran.stdout.decode(encoding)
    else:
        listed = printed(archive, "claims", encoding, monkeypatch)
    shown = NAME if encoding == "utf-8" else NAME.encode("ascii", "backslashreplace").decode()
    assert shown in listed
    data = json.loads(printed(archive, "claims --json", encoding, monkeypatch))
    assert [one["insured"] for one in data] == [NAME]


def printed(archive, words, encoding, monkeypatch):
    """What the command prints in this process on a standard output of that encoding, as Python makes it."""
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setenv("EVIDENCE_ARCHIVE", str(archive))
    assert cli_status(words.split()) == 0
    monkeypatch.undo()
    return out.buffer.getvalue().decode(encoding)


@pytest.mark.parametrize("columns", ["0", "1", "7", "nonsense"])
def test_a_window_without_width_shows_everything(archive, columns, monkeypatch):
    alone = shell if columns == "0" or not hasattr(os, "fork") else forked
    ran = alone(archive, "claims", COLUMNS=columns)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout
    monkeypatch.setenv("COLUMNS", columns)
    for words in ("claims", "target list", "rules list"):
        here = cli(*words.split(), archive=archive)
        assert here.status == 0, here.err
        assert here.out
        assert words != "claims" or here.out.encode() == ran.stdout, "a process of its own prints the same"


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
