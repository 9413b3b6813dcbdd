"""`evidence init --backup` makes the archive and its first target, on another disk."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from support_cli import cli

from evidence.workspace import Workspace


def test_an_archive_is_made_with_its_first_target_on_another_disk(tmp_path, other_disk):
    made = cli("init", tmp_path / "a", "--backup", other_disk / "b", "--off-computer")
    assert made.status == 0, made.err
    assert "on another disk than the archive" in made.out
    with Workspace(tmp_path / "a") as here:
        (target,) = here.settings.target
    assert (target.name, target.path, target.off_computer) == ("backup", other_disk / "b", True)


def test_what_the_program_cannot_know_is_said_and_the_shown_command_states_it(tmp_path, other_disk):
    made = cli("init", tmp_path / "a", "--backup", other_disk / "b")
    assert "cannot tell whether that disk is kept away" in made.out
    (command,) = [line for line in made.out.splitlines() if line.startswith("  evidence target replace")]
    assert cli(*command.split()[1:], archive=tmp_path / "a").status == 0
    with Workspace(tmp_path / "a") as here:
        assert here.settings.target[0].off_computer


@pytest.mark.parametrize("more", [[], ["--off-computer"]], ids=["here", "away"])
def test_a_folder_on_the_archives_own_disk_is_refused_and_nothing_is_made(tmp_path, more):
    refused = cli("init", tmp_path / "a", "--backup", tmp_path / "b", *more)
    assert refused.status == 2
    assert "same disk" in refused.err
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_is_not_there_is_refused_and_nothing_is_made(tmp_path):
    refused = cli("init", tmp_path / "a", "--backup", tmp_path / "nowhere" / "b")
    assert refused.status == 2
    assert "does not exist" in refused.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_on_a_terminal_the_disk_is_asked_for(tmp_path, other_disk):
    import pty

    master, slave = pty.openpty()
    code = "from evidence.cli.main import run; run()"
    started = subprocess.Popen(
        [sys.executable, "-c", code, "init", str(tmp_path / "a")], stdin=slave, stdout=slave, stderr=slave
    )
    os.close(slave)
    os.write(master, f"{other_disk / 'b'}\ny\n".encode())
    printed = b""
    while True:
        try:
            piece = os.read(master, 4096)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        printed += piece
    os.close(master)
    assert started.wait(60) == 0, printed
    assert b"Folder on a backup disk" in printed
    assert b"kept away from this computer?" in printed
    with Workspace(tmp_path / "a") as here:
        assert here.settings.target[0].path == other_disk / "b"
        assert here.settings.target[0].off_computer
