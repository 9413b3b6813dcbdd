"""The watch in the background: the text of each system's service, checked with that system's own reader where it is here."""

from __future__ import annotations

import plistlib
import shutil
import subprocess
from pathlib import Path

import pytest
from defusedxml import ElementTree
from support_cli import cli
from support_intake import loaded_archive

from evidence.errors import DestinationError
from evidence.intake.service import install, remove, service_plan

ODD = Path('/tmp/Ada\'s 100% "new" $cards')


def plan(system, home):
    return service_plan(Path("/data/my archive"), [ODD], system=system, home=home)


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd on this computer")
def test_systemd_accepts_the_unit(tmp_path):
    unit = plan("linux", tmp_path)
    install(unit, lambda command: subprocess.CompletedProcess(command, 0, "", ""))
    ran = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit.file)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ran.returncode == 0, ran.stderr
    assert unit.name not in ran.stderr


def test_the_unit_quotes_what_systemd_would_expand(tmp_path):
    line = next(one for one in plan("linux", tmp_path).text.splitlines() if one.startswith("ExecStart="))
    assert '"/tmp/Ada\'s 100%% \\"new\\" $$cards"' in line
    assert line.endswith('"--archive" "/data/my archive"')


def test_a_service_may_write_its_log_as_json(tmp_path):
    written = service_plan(Path("/data/one"), [], log_json=True, system="linux", home=tmp_path)
    line = next(one for one in written.text.splitlines() if one.startswith("ExecStart="))
    assert line.endswith('"--archive" "/data/one" "--log-json"')


def test_the_launchd_agent_is_a_property_list_with_the_whole_command(tmp_path):
    agent = plan("darwin", tmp_path)
    data = plistlib.loads(agent.text.encode())
    assert data["ProgramArguments"][-3:] == [str(ODD), "--archive", "/data/my archive"]
    assert agent.file.name == f"{data['Label']}.plist"


def test_the_windows_task_is_xml_with_the_whole_command(tmp_path):
    task = plan("win32", tmp_path)
    tree = ElementTree.fromstring(task.text.encode())
    names = {"t": "http://schemas.microsoft.com/windows/2004/02/mit/task"}
    arguments = tree.findtext("t:Actions/t:Exec/t:Arguments", namespaces=names)
    assert arguments.endswith('--archive "/data/my archive"')
    assert tree.findtext("t:Settings/t:ExecutionTimeLimit", namespaces=names) == "PT0S"


def test_installing_writes_the_file_then_runs_and_removing_undoes_it(tmp_path):
    ran = []
    unit = plan("linux", tmp_path)

    def run(command):
        ran.append((command[2], unit.file.exists()))
        return subprocess.CompletedProcess(command, 0, "", "")

    install(unit, run)
    assert remove(unit, run) is True
    assert remove(unit, run) is False
    assert ran == [("daemon-reload", True), ("enable", True), ("disable", True)]
    assert not unit.file.exists()


def test_a_system_that_refuses_is_named(tmp_path):
    with pytest.raises(DestinationError, match="No medium found"):
        install(plan("linux", tmp_path), lambda c: subprocess.CompletedProcess(c, 1, "", "No medium found\n"))


def test_nothing_is_installed_without_a_yes(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    archive = loaded_archive(tmp_path)
    ran = cli("service", "install", archive=archive)
    assert ran.status == 2
    assert "This file is written" in ran.err
    assert "Add --yes" in ran.err
    told = cli("service", "status", "--json", archive=archive).data
    assert (told["installed"], told["watching"]) == (False, False)
    assert cli("service", "remove", "--json", archive=archive).data == {"removed": None}
