"""What keeps an archive from working: settings, catalog, disks, clock, permissions, versions, and what to do."""

from __future__ import annotations

import os
import re
import stat
import sys
import sysconfig
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from importlib import metadata
from pathlib import Path

from evidence.disk.durable import free_bytes
from evidence.disk.modes import KEY, KEY_FILES
from evidence.errors import EvidenceError
from evidence.filing.station_debts import by_station, owed_parts
from evidence.office.date_check import require_right_date
from evidence.office.target_list import TargetState, list_targets
from evidence.workspace import SETTINGS, Workspace

PROGRAM = "photo-evidence-archive"
"""The name of the installed package, whose metadata lists the libraries that it needs."""
LOW_SPACE = 10_000_000_000
"""Bytes: about the photos of one full day (600 of 12 megapixels, 4 to 8 MB each), twice."""


class Health(StrEnum):
    """What a check came to."""

    GOOD = "good"
    WARNING = "warning"
    BAD = "bad"


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthCheck:
    """One thing that was checked: what was found, and what to do when it is not good."""

    about: str
    outcome: Health
    found: str
    to_do: str = ""


def check_health(root: Path) -> tuple[HealthCheck, ...]:
    """Check an archive and this computer. A broken archive is a finding, never an error."""
    checks = list(_versions())
    try:
        with Workspace(root) as workspace:
            checks.append(HealthCheck(about="settings", outcome=Health.GOOD, found=f"{SETTINGS} is valid"))
            parts: tuple[Callable[[Workspace], Iterator[HealthCheck]], ...] = (
                _catalog,
                _purges,
                _disks,
                _clock,
                _permissions,
            )
            for part in parts:
                checks += _guarded(part, workspace)
    except EvidenceError as trouble:
        checks.append(_failed("archive", trouble))
    return tuple(checks)


def _failed(about: str, trouble: EvidenceError) -> HealthCheck:
    return HealthCheck(about=about, outcome=Health.BAD, found=trouble.message, to_do=trouble.hint)


def _guarded(
    part: Callable[[Workspace], Iterator[HealthCheck]], workspace: Workspace
) -> Iterator[HealthCheck]:
    """The checks of one part; what ends it is a finding, and the other parts follow."""
    try:
        yield from part(workspace)
    except EvidenceError as trouble:
        yield _failed(part.__name__.strip("_"), trouble)
    except OSError as trouble:
        yield HealthCheck(
            about=part.__name__.strip("_"),
            outcome=Health.BAD,
            found=f"it cannot be read: {trouble.strerror or trouble}",
            to_do="Check that the disk is connected and sound.",
        )


def _versions() -> Iterator[HealthCheck]:
    """The interpreter, and every library that the program needs at run time."""
    yield HealthCheck(
        about="Python", outcome=Health.GOOD, found=f"{sys.version.split()[0]} ({sysconfig.get_platform()})"
    )
    try:
        wanted = metadata.requires(PROGRAM) or []
        version = metadata.version(PROGRAM)
    except metadata.PackageNotFoundError:
        yield HealthCheck(
            about="program",
            outcome=Health.WARNING,
            found="it is not installed as a package",
            to_do="Run `pip install .`",
        )
        return
    names = [re.split(r"[\s\[<>=!~;(]", one, maxsplit=1)[0] for one in wanted if "extra ==" not in one]
    lacking = [name for name in names if not _is_installed(name)]
    if lacking:
        yield HealthCheck(
            about="libraries",
            outcome=Health.BAD,
            found=f"not installed: {', '.join(lacking)}",
            to_do="Run `pip install .` again in the program's folder.",
        )
    else:
        yield HealthCheck(
            about="program", outcome=Health.GOOD, found=f"version {version}, {len(names)} libraries installed"
        )


def _is_installed(name: str) -> bool:
    try:
        metadata.version(name)
    except metadata.PackageNotFoundError:
        return False
    return True


def _catalog(workspace: Workspace) -> Iterator[HealthCheck]:
    cards = workspace.catalog.photos.cards()
    claims = len(workspace.catalog.claims.numbers())
    yield HealthCheck(
        about="catalog", outcome=Health.GOOD, found=f"it opens; cards: {cards}, claims: {claims}"
    )
    waiting = len(workspace.catalog.keeping.dirty())
    if waiting:
        yield HealthCheck(
            about="bags",
            outcome=Health.WARNING,
            found=f"out of date: {waiting}",
            to_do="Run `evidence backup`; it brings them up to date.",
        )


def _purges(workspace: Workspace) -> Iterator[HealthCheck]:
    """What stations are still to remove of claims that were purged at another one."""
    for one in by_station(owed_parts(workspace)):
        to_do = "Run `evidence purge finish`." if one.here else "Run `evidence purge finish` there."
        yield HealthCheck(
            about="purges",
            outcome=Health.WARNING,
            found=one.words,
            to_do="Nothing, until the hold ends." if one.held else to_do,
        )


def _disks(workspace: Workspace) -> Iterator[HealthCheck]:
    free = free_bytes(workspace.root)
    yield HealthCheck(
        about="archive's disk",
        outcome=Health.WARNING if free < LOW_SPACE else Health.GOOD,
        found=f"{free // 10**9} GB free",
        to_do="Make room, or move the archive to a larger disk." if free < LOW_SPACE else "",
    )
    listed = list_targets(workspace)
    named = {one.name for one in workspace.settings.target}
    for one in listed.places:
        if one.name not in named:
            continue
        ready = one.state is TargetState.READY
        room = "" if one.free is None else f", {one.free // 10**9} GB free"
        yield HealthCheck(
            about=f"backup target {one.name}",
            outcome=Health.GOOD if ready else Health.WARNING,
            found=f"{one.state.value}{room}{f': {one.why}' if one.why else ''}",
            to_do="" if ready else f"Connect it at {one.path}, then run `evidence backup`.",
        )
    safety, off = workspace.settings.safety, sum(one.off_computer for one in workspace.settings.target)
    if len(named) + 1 < safety.places or off < safety.off_computer:
        yield HealthCheck(
            about="safety",
            outcome=Health.BAD,
            found=f"no card can become safe to erase: [safety] asks for {safety.places} places, {safety.off_computer} of "
            f"them off this computer, and the settings name {len(named) + 1}, {off} of them off this computer",
            to_do="Add a disk that you take away: `evidence target add NAME PATH --off-computer`.",
        )


def _clock(workspace: Workspace) -> Iterator[HealthCheck]:
    require_right_date(workspace, by_index=True)
    yield HealthCheck(
        about="clock",
        outcome=Health.GOOD,
        found=f"{workspace.now():%Y-%m-%d %H:%M} UTC, after everything logged",
    )


def _permissions(workspace: Workspace) -> Iterator[HealthCheck]:
    if not os.access(workspace.root, os.W_OK):
        yield HealthCheck(
            about="permissions",
            outcome=Health.BAD,
            found=f"{workspace.root} cannot be written",
            to_do="Ask its owner for the permission to write.",
        )
        return
    open_keys = [path for name in KEY_FILES for path in workspace.root.rglob(name) if _others_read(path)]
    if open_keys:
        yield HealthCheck(
            about="permissions",
            outcome=Health.BAD,
            found=f"other people of this computer can read {open_keys[0]}",
            to_do=f"Set its permissions to {KEY:o}.",
        )
        return
    yield HealthCheck(
        about="permissions", outcome=Health.GOOD, found="the archive can be written, the key is private"
    )


def _others_read(path: Path) -> bool:
    return os.name == "posix" and bool(stat.S_IMODE(path.stat().st_mode) & 0o077)
