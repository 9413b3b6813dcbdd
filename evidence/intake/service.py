"""`evidence watch` as a background service of one user: a systemd user unit, a launchd agent or a Windows task."""

from __future__ import annotations

import hashlib
import os
import plistlib
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from evidence.disk.durable import replace_file
from evidence.disk.faults import writing
from evidence.errors import BadInputError, DestinationError

Run = Callable[[Sequence[str]], "subprocess.CompletedProcess[str]"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ServicePlan:
    """What an installation writes and runs."""

    name: str
    file: Path
    text: str
    install: tuple[tuple[str, ...], ...]
    """Commands to run after the file is written."""
    remove: tuple[tuple[str, ...], ...]
    """Commands to run before the file is removed."""


def service_plan(
    archive: Path,
    folders: Sequence[Path],
    *,
    log_json: bool = False,
    system: str = sys.platform,
    home: Path | None = None,
) -> ServicePlan:
    """The service that watches for this archive; one for each archive. Nothing is written or run.

    With `log_json` it writes its log as lines of JSON, without names.
    """
    home = home or Path.home()
    mark = hashlib.sha256(os.fsencode(archive.absolute())).hexdigest()[:8]
    name = f"evidence-watch-{mark}"
    command = [sys.executable, "-c", "from evidence.cli.main import run; run()", "watch"]
    command += [*(str(one.absolute()) for one in folders), "--archive", str(archive.absolute())]
    command += ["--log-json"] if log_json else []
    if system == "win32":
        file = home / "AppData" / "Local" / "photo-evidence-archive" / f"{name}.xml"
        return ServicePlan(
            name=name,
            file=file,
            text=windows_task(command),
            install=(
                ("schtasks", "/Create", "/TN", name, "/XML", str(file), "/F"),
                ("schtasks", "/Run", "/TN", name),
            ),
            remove=(("schtasks", "/End", "/TN", name), ("schtasks", "/Delete", "/TN", name, "/F")),
        )
    if system == "darwin":
        label = f"org.{name}"
        file = home / "Library" / "LaunchAgents" / f"{label}.plist"
        return ServicePlan(
            name=label,
            file=file,
            text=launchd_agent(label, command),
            install=(("launchctl", "load", "-w", str(file)),),
            remove=(("launchctl", "unload", "-w", str(file)),),
        )
    unit = f"{name}.service"
    return ServicePlan(
        name=unit,
        file=home / ".config" / "systemd" / "user" / unit,
        text=systemd_unit(command),
        install=(
            ("systemctl", "--user", "daemon-reload"),
            ("systemctl", "--user", "enable", "--now", unit),
        ),
        remove=(("systemctl", "--user", "disable", "--now", unit),),
    )


def systemd_unit(command: Sequence[str]) -> str:
    """A unit by systemd.service(5); a failed watch starts again after a minute."""
    words = " ".join(_systemd_word(one) for one in command)
    return (
        "[Unit]\nDescription=Photo evidence archive: take in camera cards\nStartLimitIntervalSec=0\n\n"
        f"[Service]\nType=simple\nExecStart={words}\nRestart=on-failure\nRestartSec=60\n"
        "SuccessExitStatus=130 143\nUMask=0027\n\n[Install]\nWantedBy=default.target\n"
    )


def _systemd_word(word: str) -> str:
    """A word in quotes, by the rules of systemd.service(5) for command lines and of systemd.syntax(7)."""
    if not word.isprintable():
        raise BadInputError(
            "A path for the service holds a character that is not printable.",
            "Rename the folder, then try again.",
        )
    safe = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{safe}"'


def launchd_agent(label: str, command: Sequence[str]) -> str:
    """A property list by launchd.plist(5)."""
    data = {
        "Label": label,
        "ProgramArguments": list(command),
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ThrottleInterval": 60,
        "Umask": 0o027,
    }
    return plistlib.dumps(data).decode()


def windows_task(command: Sequence[str]) -> str:
    """A task by the Task Scheduler schema, version 1.2: at logon, without end, started again after a failure."""
    arguments = escape(subprocess.list2cmdline(command[1:]))
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <Triggers><LogonTrigger><Enabled>true</Enabled></LogonTrigger></Triggers>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <RestartOnFailure><Interval>PT1M</Interval><Count>999</Count></RestartOnFailure>
  </Settings>
  <Actions><Exec><Command>{escape(command[0])}</Command><Arguments>{arguments}</Arguments></Exec></Actions>
</Task>
"""


def install(plan: ServicePlan, run: Run | None = None) -> None:
    """Write the service's file and start it. Raises DestinationError."""
    with writing(plan.file):
        plan.file.parent.mkdir(parents=True, exist_ok=True)
        replace_file(plan.file, plan.text.encode("utf-8"))
    for command in plan.install:
        _require(command, run or _run)


def remove(plan: ServicePlan, run: Run | None = None) -> bool:
    """Stop the service and remove its file; False when there was none. Raises DestinationError."""
    if not plan.file.exists():
        return False
    for command in plan.remove:
        _require(command, run or _run)
    with writing(plan.file):
        plan.file.unlink()
    return True


def _run(command: Sequence[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)  # noqa: S603 - fixed words


def _require(command: Sequence[str], run: Run) -> None:
    try:
        ran = run(command)
    except (OSError, subprocess.SubprocessError) as trouble:
        raise DestinationError(
            f"`{' '.join(command)}` could not be run: {type(trouble).__name__}.",
            "Run `evidence watch` in a terminal instead.",
        ) from trouble
    if ran.returncode:
        why = (ran.stderr or ran.stdout).strip().splitlines()
        raise DestinationError(
            f"`{' '.join(command)}` failed: {why[0] if why else ran.returncode}.",
            "Log in to a desktop session of your own and try again, or run `evidence watch` in a terminal.",
        )
