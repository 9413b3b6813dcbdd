"""The archive's own files at each backup target, below `archive/`: settings, lists, logs, purges and record files.

With the bags they are all that `restore` needs. `archive/manifest-sha256.txt` lists the files but the custody log,
which proves itself (each of its lines holds the digest of the line before), and but ledgers and record files. Of those
there are several for each claim, so they have manifests of a month or of some hundred claims, below
`archive/manifests/`: a backup reads and writes only those of the files that changed.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evidence.archive.bagread import SHA256_MANIFEST, parse_manifest
from evidence.archive.custody_end import RESTORE
from evidence.archive.custody_key import ID_FILE, KEY_FILE
from evidence.archive.custody_reading import whole_lines
from evidence.archive.custody_texts import FOLDER as TEXTS
from evidence.archive.names import encode_path
from evidence.archive.target_marker import MARKER
from evidence.archive.targets import FolderTarget
from evidence.disk.durable import (
    discard_part,
    discard_replaced,
    make_folder,
    replace_file,
    sync_folder,
)
from evidence.disk.faults import writing
from evidence.disk.hashing import hash_file
from evidence.errors import ArchiveOlderError, CustodyError, DestinationError
from evidence.filing.custody_heads import head_at, require_head_extended
from evidence.filing.target_log import AT_TARGET, CUSTODY, TAIL, append_log, piece, read_log
from evidence.model import Sha256
from evidence.workspace import SETTINGS, Workspace

NEXT_MANIFEST = "manifest-next.txt"
"""The manifest while files are replaced: a file matches this one or the one before."""
_PARTS = ("config", "custody", "purges", "learnt")
_MANY = ("ledgers", "records")
"""Folders with files for each claim or intake."""
MANIFESTS = "manifests"
"""The folder of their manifests."""
_NEXT = ".next"
_BY_MONTH = re.compile(r"(?:ledgers|records/(?:intakes|days))/(\d{4})-?(\d{2})")
_OMITTED = (".lock", ".part", ".pending", ".torn", ".index", ".proved")
"""Endings of files that stay here: locks, leftovers, and what is made anew from the log."""
_PRIVATE = frozenset({KEY_FILE})
"""Names of files that must never leave this computer."""


@dataclass(frozen=True, slots=True)
class _KnownFile:
    """A file as it was when it was last copied to the target."""

    size: int
    changed_ns: int
    sha256: str


def push_archive_files(workspace: Workspace, target: FolderTarget, *, every: bool = False) -> int:
    """Make the target's copies of the archive's own files equal to them; returns how many were written.

    Only files that changed since the last push are read, or `every` one. Raises ArchiveOlderError, and writes nothing, when the
    target's custody log has entries that this archive's has not; DestinationError.
    """
    there = target.root / AT_TARGET
    require_newer_log(workspace, target)
    # An older image of the target has files that are not those that were copied last.
    anew, due = workspace.catalog.pushes.files_due(target.marker_id() or target.name)
    every = every or anew
    known = {} if every else _read_known(workspace, target)
    _bring_texts(workspace, there, known)
    present = {path.relative_to(workspace.root).as_posix(): path for path in _files(workspace.root, _PARTS)}
    listed: dict[str, _KnownFile] = {}
    changed: dict[str, bytes] = {}
    for name, path in present.items():
        stat, before = path.stat(), known.get(name)
        if before and (before.size, before.changed_ns) == (stat.st_size, stat.st_mtime_ns):
            listed[name] = before
            continue
        content = path.read_bytes()
        listed[name] = _KnownFile(stat.st_size, stat.st_mtime_ns, hashlib.sha256(content).hexdigest())
        if not before or before.sha256 != listed[name].sha256:
            changed[name] = content
    gone = sorted(name for name in {*known, *_texts_in(there)} - set(listed) if not name.startswith(_MANY))
    with writing(there):
        make_folder(there)
        discard_part(there / NEXT_MANIFEST)
        append_log(workspace.root / CUSTODY, there / CUSTODY)  # before its head: a head never runs ahead
        if changed or gone:
            digests = {name: one.sha256 for name, one in listed.items()}
            _replace_files(there, there / SHA256_MANIFEST, there / NEXT_MANIFEST, digests, changed, gone)
        written = _push_many(workspace, target, there, due, every=every)
    _write_known(workspace, target, listed)
    return len(changed) + written


def _bring_texts(workspace: Workspace, there: Path, known: Mapping[str, _KnownFile]) -> None:
    """Take in texts of the log that the target has and this archive lost: the push must not remove their last copy.

    Only side files are read that changed since the last push, by `known`, or that are lost here. Raises CustodyError,
    DestinationError.
    """
    for name in _texts_in(there):
        ours, before = workspace.root / name, known.get(name)
        with writing(ours):
            stat = ours.stat() if ours.is_file() else None
            if stat and before and (before.size, before.changed_ns) == (stat.st_size, stat.st_mtime_ns):
                continue
            content = ours.read_bytes() if stat else None
        if content is not None and content.startswith(_read_texts(there / name)):
            continue  # texts came since
        missing = workspace.custody.missing_texts()
        workspace.custody.bring_texts(missing, there / CUSTODY)
        if missing.digests:
            for one in _texts_in(there):
                _read_texts(there / one)
        return


def _read_texts(path: Path) -> bytes:
    """A side file at a target; raises DestinationError when it cannot be read: it may hold the only copy of a text."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise DestinationError(
            f"{path} cannot be read ({error.strerror}), and this archive's log may lack texts that it holds.",
            "Nothing was changed there. Run it again; if it stays so, the disk may be failing: run `evidence repair`.",
        ) from error


def _texts_in(there: Path) -> list[str]:
    """The side files of the log's texts at a target, by path below `archive/`; opens none."""
    folder = there / CUSTODY.parent / TEXTS
    return sorted(f"{CUSTODY.parent.as_posix()}/{TEXTS}/{one.name}" for one in folder.glob("*.jsonl"))


def _push_many(
    workspace: Workspace, target: FolderTarget, there: Path, due: Mapping[str, str], *, every: bool
) -> int:
    """Copy the ledgers and record files that are `due`, each with the mark of its change, manifest by manifest.

    Returns how many were written.
    """
    names: Iterable[str] = due
    if every:
        names = (path.relative_to(workspace.root).as_posix() for path in _files(workspace.root, _MANY))
    parts: dict[str, list[str]] = defaultdict(list)
    for name in names:
        parts[_part_of(name)].append(name)
    if every and (there / MANIFESTS).is_dir():
        for path in (there / MANIFESTS).glob("*.txt"):
            parts.setdefault(path.name.removesuffix(".txt").removesuffix(_NEXT), [])
    written = sum(_push_part(workspace.root, there, part, parts[part], every=every) for part in sorted(parts))
    workspace.catalog.pushes.files_pushed(target.marker_id() or target.name, due)
    return written


def _push_part(root: Path, there: Path, part: str, names: Iterable[str], *, every: bool) -> int:
    """Copy these files of one manifest; with `every` they are all that it lists. Returns how many were written."""
    manifest, following = (there / MANIFESTS / f"{part}{end}.txt" for end in ("", _NEXT))
    discard_part(following)
    read = _read_manifest(manifest)
    before = {name: str(digest) for name, digest in (read or {}).items()}
    interrupted = set(_read_manifest(following) or ())
    if (
        read is None and not every
    ):  # the manifest is new, lost or damaged: it must list the files that are not due too
        names, every = _names_in(root, part, names), True
    listed = {} if every else dict(before)
    changed: dict[str, bytes] = {}
    for name in names:
        listed.pop(name, None)
        if not (root / name).is_file():
            continue
        content = (root / name).read_bytes()
        listed[name] = hashlib.sha256(content).hexdigest()
        if before.get(name) != listed[name] or name in interrupted or not (there / name).is_file():
            changed[name] = content
    gone = sorted((set(before) | interrupted) - set(listed))
    if changed or gone:
        make_folder(manifest.parent)
        _replace_files(there, manifest, following, listed, changed, gone)
    return len(changed)


def manifests_at(there: Path) -> list[str]:
    """The manifests of the archive's files at a target, by path below `there`; opens none."""
    found = (path.name for path in sorted((there / MANIFESTS).glob("*.txt")))
    return [SHA256_MANIFEST, *(f"{MANIFESTS}/{name}" for name in found if not name.endswith(f"{_NEXT}.txt"))]


def listed_at(there: Path, manifest: str) -> dict[str, set[Sha256]] | None:
    """What a manifest at a target lists, each file with the digests that it may have; None when it cannot be read."""
    path = there / manifest
    following = (
        NEXT_MANIFEST if manifest == SHA256_MANIFEST else f"{manifest.removesuffix('.txt')}{_NEXT}.txt"
    )
    try:
        found = {name: {digest} for name, digest in parse_manifest(path.read_bytes()).items()}
    except (OSError, ValueError):
        return None
    with contextlib.suppress(OSError, ValueError):
        for name, digest in parse_manifest((there / following).read_bytes()).items():
            found.setdefault(name, set()).add(digest)
    return found


def manifest_of(name: str) -> str:
    """The manifest that lists a file of the archive at a target; both are paths below `archive/`."""
    many = name.startswith(tuple(f"{folder}/" for folder in _MANY))
    return f"{MANIFESTS}/{_part_of(name)}.txt" if many else SHA256_MANIFEST


def _part_of(name: str) -> str:
    """The manifest that lists a ledger or a record file, by month or by the first two letters of its name."""
    folder, _, own = name.rpartition("/")
    month = _BY_MONTH.match(name)
    return f"{folder.replace('/', '-')}-{month[1] + month[2] if month else own[:2]}"


def _names_in(root: Path, part: str, names: Iterable[str]) -> list[str]:
    """These names and every other file of one part, by path below the archive."""
    names = set(names)
    for folder in {name.rpartition("/")[0] for name in names}:
        names |= {path.relative_to(root).as_posix() for path in _files(root, [folder])}
    return sorted(name for name in names if _part_of(name) == part)


def _read_manifest(path: Path) -> dict[str, Sha256] | None:
    """What a manifest lists; None when it is missing or damaged, so that its files are copied again."""
    try:
        return parse_manifest(path.read_bytes())
    except (FileNotFoundError, ValueError):
        return None


def require_newer_log(workspace: Workspace, target: FolderTarget) -> None:
    """Raise ArchiveOlderError when the custody log at the target is not the beginning of this archive's."""
    ours, theirs = workspace.root / CUSTODY, target.root / AT_TARGET / CUSTODY
    if not theirs.is_file():
        return
    with writing(theirs):
        size = whole_lines(theirs)
        start = max(0, size - TAIL)
        same = ours.stat().st_size >= size and piece(ours, start, size) == piece(theirs, start, size)
    if not same and not _log_is_damaged(workspace, target, theirs):
        raise ArchiveOlderError(
            f"The custody log at the backup target {target.name} has entries that this archive's has not: "
            "this archive is older than the target, or another one.",
            "Nothing was changed there. Bring the later state back into a new folder with `evidence restore TARGET DIR`.",
        )


def _log_is_damaged(workspace: Workspace, target: FolderTarget, log: Path) -> bool:
    """True for a copy of a log that its own chain refutes: a later state of the archive would be whole.

    No later entry refutes the last one. So a copy is damaged too when the newest signed head at the target covers all
    its entries and this archive's log extends that head. Raises CustodyError when the archive's own log is damaged:
    the copy may then be the only good one.
    """
    if read_log(workspace.root / CUSTODY).broken:
        raise CustodyError(
            f"The custody log differs from its copy at the backup target {target.name} and is damaged itself, so "
            "nothing was changed there.",
            "`evidence custody --verify` says where. " + RESTORE,
        )
    reading = read_log(log)
    if reading.broken:
        return True
    require_head_extended(workspace, target)
    return reading.count <= head_at(workspace, target)


@dataclass(frozen=True, slots=True)
class ArchiveListing:
    """What a target holds of the archive's own files but the custody log, by path below `archive/`."""

    digests: Mapping[str, frozenset[Sha256]]
    """By the present manifests and those being written: a file has one of these digests."""
    unlisted: Mapping[str, Sequence[str]]
    """Files by the manifest that should list them and is missing or cannot be read: no digest proves these."""


def list_archive_files(there: Path) -> ArchiveListing:
    """Read the manifests of the archive's files at a target. One that cannot be read does not stop the others."""
    digests: dict[str, set[Sha256]] = defaultdict(set)
    read = set()
    for path in (there / SHA256_MANIFEST, there / NEXT_MANIFEST, *sorted((there / MANIFESTS).glob("*.txt"))):
        with contextlib.suppress(OSError, ValueError):
            for name, digest in parse_manifest(path.read_bytes()).items():
                digests[name].add(digest)
            read.add(path.relative_to(there).as_posix())
    unlisted: dict[str, list[str]] = defaultdict(list)
    for part in (_PARTS, _MANY):
        for path in _files(there, part):
            name = path.relative_to(there).as_posix()
            manifest = manifest_of(name)
            if name not in digests and manifest not in read:
                unlisted[manifest].append(name)
    return ArchiveListing({name: frozenset(some) for name, some in digests.items()}, unlisted)


def _files(root: Path, parts: Sequence[str]) -> Iterator[Path]:
    """The archive's own files in these folders, but its custody log; settings and id with `_PARTS`."""
    for name in (SETTINGS, ID_FILE) if parts is _PARTS else ():
        if (root / name).is_file():
            yield root / name
    for part in parts:
        for folder, names, files in os.walk(root / part):
            names.sort()
            for name in sorted(files):
                path = Path(folder, name)
                if (
                    not name.endswith(_OMITTED)
                    and name not in _PRIVATE
                    and path != root / CUSTODY
                    and not path.is_symlink()
                ):
                    yield path


def _replace_files(
    there: Path,
    manifest: Path,
    following: Path,
    listed: Mapping[str, str],
    changed: Mapping[str, bytes],
    gone: list[str],
) -> None:
    """Replace and remove files while their next manifest lists the new state; then it takes the manifest's place."""
    lines = "".join(f"{listed[name]}  {encode_path(name)}\n" for name in sorted(listed)).encode()
    replace_file(following, lines)
    folders = {there}
    for name, content in changed.items():
        path = there / name
        make_folder(path.parent)
        replace_file(path, content)
        folders.add(path.parent)
        if hash_file(path, uncached=True) != listed[name]:
            raise DestinationError(
                f"{path} does not hold what was written.", "Check the target's disk, then run it again."
            )
    for name in gone:
        discard_replaced(there / name)
        folders.add((there / name).parent)
    for folder in folders:
        if folder.is_dir():
            sync_folder(folder)
    following.replace(manifest)
    sync_folder(manifest.parent)


# --- what was copied before --------------------------------------------------------------


def was_pushed(workspace: Workspace, target: FolderTarget) -> bool:
    """True when the archive's own files were copied to the disk that is there now, or it has some."""
    try:
        data: Any = json.loads(_known_path(workspace, target).read_bytes())
        return bool(data["marker"] == _marker(target)) or (target.root / AT_TARGET).is_dir()
    except (OSError, ValueError, KeyError, TypeError):
        return (target.root / AT_TARGET).is_dir()


def _known_path(workspace: Workspace, target: FolderTarget) -> Path:
    return workspace.root / "targets" / f"{target.name}.files.json"


def _marker(target: FolderTarget) -> str:
    """The target's marker: another disk under the same name has another one."""
    return (target.root / MARKER).read_text(encoding="utf-8")


def _read_known(workspace: Workspace, target: FolderTarget) -> dict[str, _KnownFile]:
    """The files as they were at the last push; none when it was to another disk, or the list is lost."""
    try:
        data: Any = json.loads(_known_path(workspace, target).read_bytes())
        if data["marker"] != _marker(target) or not (target.root / AT_TARGET / SHA256_MANIFEST).is_file():
            return {}
        return {name: _KnownFile(*values) for name, values in data["files"].items()}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _write_known(workspace: Workspace, target: FolderTarget, listed: Mapping[str, _KnownFile]) -> None:
    path = _known_path(workspace, target)
    files = {name: [one.size, one.changed_ns, one.sha256] for name, one in listed.items()}
    with writing(path):
        make_folder(path.parent)
        log = (target.root / AT_TARGET / CUSTODY).stat().st_size
        replace_file(path, json.dumps({"marker": _marker(target), "log": log, "files": files}).encode())


def log_went_back(workspace: Workspace, target: FolderTarget) -> bool:
    """True when the copy of the log at a target is shorter than the last push left it: the disk was put back.

    It shows that for an archive without a key too, of which no head is signed. Raises DestinationError.
    """
    log = target.root / AT_TARGET / CUSTODY
    try:
        data: Any = json.loads(_known_path(workspace, target).read_bytes())
        left = int(data["log"]) if data["marker"] == _marker(target) else 0
    except (OSError, ValueError, KeyError, TypeError):
        return False
    with writing(log):
        return left > (log.stat().st_size if log.is_file() else 0)
