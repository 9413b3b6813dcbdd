"""The record files: what the catalog holds and no bag does, as small JSON files below `records/`.

One file for each intake, each day's segments, each bag's copies, and each claim that has no up-to-date bag; one for
the office, with its people but not their passwords. `evidence rebuild` reads them together with the bags. A file's name holds no claim number, so a purge
leaves no name behind.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from evidence.catalog.records import Kind, OutdatedRecord, Row, RowsByTable
from evidence.disk.durable import discard_replaced, make_folder, replace_file, sync_folder
from evidence.disk.faults import writing
from evidence.errors import LockedError
from evidence.filing.records import MALFORMED
from evidence.model import ClaimId
from evidence.progress import Progress, quiet
from evidence.workspace import Workspace

FOLDER = "records"
FORMAT = 1
_BATCH = 500
"""Record files after which the catalog notes that they are written."""
_LOCK_TIMEOUT = 60.0
"""Seconds to wait for another process that writes them; it takes milliseconds."""
_PLAIN_KEYS = frozenset({Kind.INTAKE, Kind.DAY})
"""Kinds whose key contains no name of a person and is a plain file name."""
_IN_FOLDERS: Mapping[Kind, str] = {
    Kind.CLAIM: "claims",
    Kind.INTAKE: "intakes",
    Kind.DAY: "days",
    Kind.BAG: "bags",
    Kind.OFFICE: "office",
}
_GROUPED = ("place", "place_id", "off_computer", "verified_at", "found_bad_at")
"""Columns of table `copy` that most originals of a bag share."""


def keep_records(workspace: Workspace, *, progress: Progress = quiet) -> int:
    """Write every record file that is out of date; returns how many. Raises DestinationError, LockedError.

    It has a lock of its own, so that a command that does not hold the archive's may call it.
    """
    if not workspace.catalog.records.due():
        return 0
    try:
        with writing(workspace.root), FileLock(workspace.root / "records.lock", timeout=_LOCK_TIMEOUT):
            return _keep(workspace, progress)
    except Timeout:
        raise LockedError(
            "Another process is writing the record files.", "Wait until it ends, then run this again."
        ) from None


def _keep(workspace: Workspace, progress: Progress) -> int:
    """Batch by batch, so that a kill repeats one batch at most; the ledger of an intake is due at the targets with it."""
    records = workspace.catalog.records
    due = records.due()
    seq = workspace.custody.head().seq if due else 0
    done = 0
    for start in range(0, len(due), _BATCH):
        batch = due[start : start + _BATCH]
        paths = [record_path(workspace.root, one.kind, one.key) for one in batch]
        for one, path in zip(batch, paths, strict=True):
            rows = records.rows(one.kind, one.key)
            shared = workspace.shared and one.kind is Kind.CLAIM
            changes = workspace.catalog.keeping.changes(ClaimId(one.key)) if shared else 0
            _write(path, one, rows, seq, changes)
        for folder in {path.parent for path in paths}:
            if folder.is_dir():
                with writing(folder):
                    sync_folder(folder)
        paths += [workspace.ledgers / f"{one.key}.jsonl" for one in batch if one.kind is Kind.INTAKE]
        records.written(batch, [path.relative_to(workspace.root).as_posix() for path in paths])
        done += len(batch)
        if len(due) > _BATCH:
            progress("Writing the record files", done, len(due))
    return len(due)


def record_path(root: Path, kind: Kind, key: str) -> Path:
    """The path of a record file."""
    if kind in _PLAIN_KEYS:
        name = key or "undated"
    else:
        name = hashlib.sha256(key.encode()).hexdigest()[:32] if key else "unassigned"
    if kind is Kind.OFFICE:
        name = "office"
    return Path(root, FOLDER, _IN_FOLDERS[kind], f"{name}.json")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordFile:
    """What one record file holds."""

    path: Path
    kind: Kind
    key: str
    seq: int
    """The length of the custody log when it was written."""
    rows: RowsByTable
    """Empty when the file could not be read."""
    changes: int = 0
    """Of a claim whose bag may be at another station: how often that was marked as outdated."""


def read_records(root: Path) -> Iterator[RecordFile]:
    """Every record file of an archive."""
    for kind, folder in _IN_FOLDERS.items():
        for path in sorted((root / FOLDER / folder).glob("*.json")):
            try:
                data = json.loads(path.read_bytes())
                rows = _grouped_out(data["rows"]) if kind is Kind.BAG else data["rows"]
                yield RecordFile(
                    path=path,
                    kind=kind,
                    key=str(data["key"]),
                    seq=int(data["custody_seq"]),
                    rows=rows,
                    changes=int(data.get("changes", 0)),
                )
            except (OSError, *MALFORMED):
                yield RecordFile(path=path, kind=kind, key="", seq=0, rows={})


def _write(path: Path, due: OutdatedRecord, rows: RowsByTable, seq: int, changes: int) -> None:
    """Write or delete one record file; the caller syncs its folder."""
    with writing(path):
        if not any(rows.values()):
            if path.parent.is_dir():
                discard_replaced(path)
            return
        data = {
            "format": FORMAT,
            "kind": due.kind.value,
            "key": due.key,
            "custody_seq": seq,
            **({"changes": changes} if changes else {}),
            "rows": _shown(due.kind, rows),
        }
        content = (json.dumps(data, ensure_ascii=False, indent=0, sort_keys=True) + "\n").encode()
        make_folder(path.parent)
        replace_file(path, content)


def _shown(kind: Kind, rows: RowsByTable) -> dict[str, Any]:
    """The rows as the file gives them; of people without their passwords, which must be set again."""
    if kind is Kind.BAG:
        return _grouped_in(rows)
    people = [{**row, "password": ""} for row in rows.get("board_user", ())]
    return {**rows, "board_user": people} if people else dict(rows)


def _grouped_in(rows: RowsByTable) -> dict[str, Any]:
    """Copies with the same dates at the same place in one entry, so that a bag verified as a whole is a few lines."""
    groups: dict[tuple[Any, ...], list[str]] = {}
    for row in rows.get("copy", ()):
        groups.setdefault(tuple(row[name] for name in _GROUPED), []).append(row["sha256"])
    copies = [
        {**dict(zip(_GROUPED, values, strict=True)), "files": files} for values, files in groups.items()
    ]
    return {"bag": rows.get("bag", []), "copies": copies}


def _grouped_out(data: Mapping[str, Any]) -> RowsByTable:
    copies: list[Row] = [
        {**{name: group[name] for name in _GROUPED}, "sha256": sha}
        for group in data["copies"]
        for sha in group["files"]
    ]
    return {"bag": list(data["bag"]), "copy": copies}
