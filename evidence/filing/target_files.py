"""Reads back and repairs the archive's own files at a backup target, those read longest ago first."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from evidence.archive.bagread import SHA256_MANIFEST
from evidence.archive.custody_end import RESTORE
from evidence.archive.targets import FolderTarget
from evidence.disk.durable import make_folder, replace_file
from evidence.disk.faults import writing
from evidence.disk.hashing import digest_if_readable
from evidence.errors import CustodyError
from evidence.filing.archive_files import (
    list_archive_files,
    listed_at,
    manifest_of,
    manifests_at,
    push_archive_files,
    require_newer_log,
    was_pushed,
)
from evidence.filing.releases import require_current
from evidence.filing.target_log import AT_TARGET, CUSTODY, read_log
from evidence.model import Finding, Sha256
from evidence.settings import ARCHIVE_PLACE
from evidence.workspace import Workspace

LOG = CUSTODY.as_posix()


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How much one run may read; it reads the files of one manifest in any case."""

    seconds: float | None = None
    octets: int | None = None


NO_LIMITS = Limits()


@dataclass(slots=True)
class FilesRead:
    """What one run read, and what it found. The subject of a finding is a path below the target's folder."""

    checked: int = 0
    octets: int = 0
    bad: list[Finding] = field(default_factory=list)
    missing: list[Finding] = field(default_factory=list)

    def names(self) -> set[str]:
        """The bad and missing files, by path below `archive/`."""
        return {one.subject.removeprefix(f"{AT_TARGET}/") for one in (*self.bad, *self.missing)}


def read_archive_files(
    workspace: Workspace, target: FolderTarget, *, limits: Limits = NO_LIMITS
) -> FilesRead:
    """Compare the archive's own files at a target with their manifests there; the next run continues.

    What was found bad is noted for `evidence repair`. Raises DestinationError.
    """
    state = _read_state(workspace, target)
    groups = _groups(workspace, target, every=limits == NO_LIMITS)
    found = FilesRead()
    began = time.monotonic()
    for manifest in sorted(groups, key=lambda one: (state.read.get(one, ""), one)):
        over = (limits.seconds is not None and time.monotonic() - began >= limits.seconds) or (
            limits.octets is not None and found.octets >= limits.octets
        )
        if over and found.checked:
            break
        now = FilesRead()
        _read_group(target, manifest, now)
        state.read[manifest] = workspace.now().isoformat()
        state.bad = {one for one in state.bad if _group_of(one) != manifest} | now.names()
        found.checked += now.checked
        found.octets += now.octets
        found.bad += now.bad
        found.missing += now.missing
    state.read = {name: at for name, at in state.read.items() if name in groups}
    _write_state(workspace, target, state)
    return found


def bad_archive_files(workspace: Workspace, target: FolderTarget) -> set[str]:
    """The files that earlier runs found bad or missing at a target, by path below `archive/`."""
    return _read_state(workspace, target).bad


@dataclass(frozen=True, slots=True)
class FilesRepaired:
    """What a repair of the archive's own files at a target did, by path below the target's folder."""

    read: int = 0
    kept_at: Mapping[str, str] = field(default_factory=dict)
    """The repaired files, each with where the bad bytes are kept; empty when it was missing."""
    left: Collection[str] = ()
    """Files that are still bad or missing."""


def repair_archive_files(
    workspace: Workspace, target: FolderTarget, *, everything: bool, move_aside: Callable[[Path], str]
) -> FilesRepaired:
    """Copy the archive's own files anew that are bad or missing at a target: those noted, or `everything` read now.

    `move_aside` moves a bad file there to another folder and returns its new path, or '' when there is none. A target
    of which the custody log goes further than ours is left as it is. Raises EvidenceError.
    """
    checked, bad = 0, bad_archive_files(workspace, target)
    if everything:
        found = read_archive_files(workspace, target)
        checked, bad = found.checked, found.names()
    if not bad:
        return FilesRepaired(checked)
    require_current(workspace, target)
    require_newer_log(workspace, target)
    if read_log(workspace.root / CUSTODY).broken:
        raise CustodyError("The archive's own custody log is damaged, so nothing was copied.", RESTORE)
    kept_at = {}
    for name in sorted(bad):
        path = target.root / AT_TARGET / name
        if name == LOG or digest_if_readable(path) != digest_if_readable(workspace.root / name):
            kept_at[name] = move_aside(path)
    push_archive_files(workspace, target, every=True)
    left = read_archive_files(workspace, target).names()
    repaired = {f"{AT_TARGET}/{name}": kept_at.get(name, "") for name in sorted(bad - left)}
    for name, kept in repaired.items():
        workspace.record("found_bad", name, place=target.name, path=name, kept_at=kept)
        workspace.record("repaired", name, place=target.name, path=name, source=ARCHIVE_PLACE)
    return FilesRepaired(checked or len(bad), repaired, [f"{AT_TARGET}/{name}" for name in sorted(left)])


def _group_of(name: str) -> str:
    """What a file is read together with: the others of its manifest; a manifest and the log stand for themselves."""
    return name if name in {LOG, SHA256_MANIFEST} or name.startswith("manifests/") else manifest_of(name)


def _groups(workspace: Workspace, target: FolderTarget, *, every: bool) -> set[str]:
    """The manifests to read, with the log; with `every` also those that are lost while files of theirs are there."""
    there = target.root / AT_TARGET
    if not was_pushed(workspace, target):
        return set()
    return {LOG, *manifests_at(there), *(list_archive_files(there).unlisted if every else ())}


def _read_group(target: FolderTarget, manifest: str, found: FilesRead) -> None:
    """Read the files of one manifest, or the log."""
    there = target.root / AT_TARGET
    listed: Mapping[str, Collection[Sha256]] | None = {LOG: ()}
    if manifest != LOG:
        listed = listed_at(there, manifest)
    for name, digests in ({manifest: ()} if listed is None else listed).items():
        path, subject = there / name, f"{AT_TARGET}/{name}"
        found.checked += 1
        if not path.is_file() or path.is_symlink():
            found.missing.append(Finding(code="missing", message=f"{name} is missing.", subject=subject))
            continue
        found.octets += path.stat().st_size
        sound = not read_log(path).broken if name == LOG else digest_if_readable(path) in digests
        if not sound:
            message = f"{name} has changed: it is not what was copied there. Run `evidence repair`."
            found.bad.append(Finding(code="archive_file_bad", message=message, subject=subject))


# --- what was read before ----------------------------------------------------------------


@dataclass(slots=True)
class _FilesState:
    """When the files of each manifest were read, and which were bad; the file of it may be deleted."""

    disk: str
    read: dict[str, str] = field(default_factory=dict)
    """ISO 8601, UTC, by manifest."""
    bad: set[str] = field(default_factory=set)


def _state_path(workspace: Workspace, target: FolderTarget) -> Path:
    return workspace.root / "targets" / f"{target.name}.read.json"


def _read_state(workspace: Workspace, target: FolderTarget) -> _FilesState:
    disk = target.marker_id()
    try:
        data: Any = json.loads(_state_path(workspace, target).read_bytes())
        if data["disk"] == disk:
            return _FilesState(disk, {str(k): str(v) for k, v in data["read"].items()}, set(data["bad"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        pass  # never read, another disk, or an unreadable file: all are read again
    return _FilesState(disk)


def _write_state(workspace: Workspace, target: FolderTarget, state: _FilesState) -> None:
    path = _state_path(workspace, target)
    content = {"disk": state.disk, "read": state.read, "bad": sorted(state.bad)}
    with writing(path):
        make_folder(path.parent)
        replace_file(path, json.dumps(content).encode() + b"\n")
