"""The ledger of an intake: one line for each step, flushed to the disk before the next step begins."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from evidence.cards.files import CardListing
from evidence.cards.volumes import CardSource
from evidence.disk.durable import make_folder, replace_file, sync_descriptor, sync_folder, write_all
from evidence.disk.faults import writing
from evidence.model import Copied, Outcome, Refusal

LedgerEntry = Mapping[str, object]

STARTED = "started"
FINISHED = "finished"
PURGED = "purged_file"
"""In the line of a file that was purged: a salted digest in place of its path, size and time."""
_OUTCOMES = frozenset(outcome.value for outcome in Outcome)


class Ledger:
    """A ledger open for writing: JSON objects, one on each line, append-only.

    Opening it removes an incomplete last line, which a killed run may have left. Use it as a
    context manager, one writer at a time.
    """

    def __init__(self, path: Path) -> None:
        """Raises DestinationError when the ledger cannot be opened for writing."""
        self._path = path
        with writing(path):
            make_folder(path.parent)
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
            try:
                self._end = self._drop_torn_end()
                sync_folder(path.parent)
            except OSError:
                self.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _at: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; every recorded entry is on the disk already."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def record(self, entry: LedgerEntry) -> None:
        """Append one entry; when this returns it is on the disk.

        Raises DestinationError; the ledger is then as it was before.
        """
        line = json.dumps(entry, ensure_ascii=True, sort_keys=True, allow_nan=False).encode("ascii") + b"\n"
        with writing(self._path):
            try:
                os.lseek(self._descriptor, self._end, os.SEEK_SET)
                write_all(self._descriptor, line)
                sync_descriptor(self._descriptor)
            except OSError:
                os.ftruncate(self._descriptor, self._end)
                raise
        self._end += len(line)

    def _drop_torn_end(self) -> int:
        """Cut off what follows the last whole line; returns where the next entry goes."""
        with os.fdopen(os.dup(self._descriptor), "rb") as handle:
            content = handle.read()
        end = content.rfind(b"\n") + 1
        if _parse_line(content[end:]) is not None:  # only its newline is missing
            os.lseek(self._descriptor, 0, os.SEEK_END)
            os.write(self._descriptor, b"\n")
            end = len(content) + 1
        elif end < len(content):
            os.ftruncate(self._descriptor, end)
        sync_descriptor(self._descriptor)
        return end


def read_files(path: Path) -> dict[str, tuple[int | None, str | None]]:
    """Size and time stamp (ISO 8601) of every file in a ledger, by its path on the card; empty without a ledger.

    Lines that cannot be read are left out.
    """
    try:
        lines = path.read_bytes().splitlines()
    except OSError:
        return {}
    files: dict[str, tuple[int | None, str | None]] = {}
    for entry in filter(None, map(_parse_line, lines)):
        if entry.get("event") in _OUTCOMES and PURGED not in entry:
            size, modified = entry.get("size"), entry.get("modified")
            files[str(entry.get("path"))] = (
                size if isinstance(size, int) else None,
                modified if isinstance(modified, str) else None,
            )
    return files


class PurgedFiles:
    """Tells whether a file on a card is one whose line was thinned after a purge; it cannot name any."""

    def __init__(self, path: Path) -> None:
        self._salted: list[tuple[str, str]] = []
        try:
            lines = path.read_bytes().splitlines()
        except OSError:
            return
        for entry in filter(None, map(_parse_line, lines)):
            if PURGED in entry:
                self._salted.append((str(entry.get("salt")), str(entry[PURGED])))

    def __contains__(self, file: tuple[str, int | None, str | None]) -> bool:
        """The path on the card, size and time stamp of a file, as `read_files` gives them."""
        return any(_salted(salt, *file) == digest for salt, digest in self._salted)


def thin(path: Path, digests: Collection[str]) -> int:
    """Replace the lines of files with these SHA-256 digests by a salted digest; returns how many. Raises OSError.

    A line keeps what became of the file. Its path, size, time and digest go.
    """
    try:
        lines = path.read_bytes().splitlines()
    except FileNotFoundError:
        return 0
    thinned = 0
    for number, line in enumerate(lines):
        entry = _parse_line(line)
        if entry is None or entry.get("sha256") not in digests:
            continue
        salt, size, modified = secrets.token_hex(16), entry.get("size"), entry.get("modified")
        file = (
            str(entry.get("path")),
            size if isinstance(size, int) else None,
            modified if isinstance(modified, str) else None,
        )
        left = {"event": entry.get("event"), "salt": salt, PURGED: _salted(salt, *file)}
        lines[number] = json.dumps(left, sort_keys=True).encode("ascii")
        thinned += 1
    if thinned:
        replace_file(path, b"".join(line + b"\n" for line in lines))
        sync_folder(path.parent)
    return thinned


def _salted(salt: str, path: str, size: int | None, modified: str | None) -> str:
    told = json.dumps([path, size, modified])
    return hashlib.sha256(bytes.fromhex(salt) + told.encode()).hexdigest()


def _parse_line(line: bytes) -> dict[str, object] | None:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return entry if isinstance(entry, dict) else None


# --- entries of an intake --------------------------------------------------------------


def started(source: CardSource, walk: CardListing, *, intake: str, actor: str, at: str) -> LedgerEntry:
    """The first entry of a run. `at` is RFC 3339, UTC."""
    return {
        "event": STARTED,
        "intake": intake,
        "actor": actor,
        "at": at,
        "source": str(source.root),
        "label": source.label,
        "volume": source.volume_id,
        "files": len(walk.found) + len(walk.refused),
    }


def copied(result: Copied) -> LedgerEntry:
    """The entry for a file that was kept now or before."""
    found = result.found
    return {
        "event": result.outcome.value,
        "path": found.card_path,
        "size": found.size,
        "sha256": result.sha256,
        "modified": found.modified.isoformat() if found.modified else None,
    }


def refused(refusal: Refusal, *, size: int | None = None) -> LedgerEntry:
    """The entry for a file that was not kept."""
    return {
        "event": Outcome.REFUSED.value,
        "path": refusal.path,
        "size": size,
        "code": refusal.code,
        "reason": refusal.reason,
        "blocks_erase": refusal.blocks_erase,
    }


def finished(account: Account, *, at: str) -> LedgerEntry:
    """The last entry of a completed run. `at` is RFC 3339, UTC."""
    return {
        "event": FINISHED,
        "at": at,
        "kept": len(account.kept),
        "already_kept": len(account.already_kept),
        "refused": len(account.refused),
        "adds_up": account.adds_up,
    }


# --- accounting ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Every path of a card with its outcome, and every path for which the ledger and the card disagree."""

    kept: tuple[str, ...]
    already_kept: tuple[str, ...]
    refused: tuple[str, ...]
    missing: tuple[str, ...]
    """On the card, but without an entry."""
    repeated: tuple[str, ...]
    """With two entries in one run, or listed twice."""
    unknown: tuple[str, ...]
    """With an entry, but not on the card."""
    contradicted: tuple[str, ...]
    """With an entry that cannot be true: another size than listed, no digest, or kept though refused."""

    @property
    def adds_up(self) -> bool:
        """True when every path of the card has exactly one outcome."""
        return not (self.missing or self.repeated or self.unknown or self.contradicted)


def account(walk: CardListing, entries: Iterable[LedgerEntry]) -> Account:
    """Compare the entries of a ledger with the files of the card. Pure.

    Only entries with the event `kept`, `already_kept` or `refused` count. For a path with entries
    of several runs (each begins with `started`) the last one counts.
    """
    latest: dict[str, LedgerEntry] = {}
    repeated: set[str] = set()
    this_run: set[str] = set()
    for entry in entries:
        if entry.get("event") == STARTED:
            this_run = set()
        if entry.get("event") not in _OUTCOMES or PURGED in entry:
            continue
        path = str(entry.get("path"))
        if path in this_run:
            repeated.add(path)
        this_run.add(path)
        latest[path] = entry
    sizes = {found.card_path: found.size for found in walk.found}
    refusals = Counter(refusal.path for refusal in walk.refused)
    listed = Counter(found.card_path for found in walk.found) + refusals
    repeated.update(path for path, times in listed.items() if times > 1)
    contradicted = [
        path for path, entry in latest.items() if path in listed and not _agrees(entry, sizes.get(path))
    ]

    def paths_with(outcome: Outcome) -> tuple[str, ...]:
        return tuple(p for p, e in latest.items() if e.get("event") == outcome.value and p in listed)

    return Account(
        kept=paths_with(Outcome.KEPT),
        already_kept=paths_with(Outcome.ALREADY_KEPT),
        refused=paths_with(Outcome.REFUSED),
        missing=tuple(path for path in listed if path not in latest),
        repeated=tuple(sorted(repeated)),
        unknown=tuple(path for path in latest if path not in listed),
        contradicted=tuple(contradicted),
    )


def _agrees(entry: LedgerEntry, size: int | None) -> bool:
    """True when an entry can be true for a file of that size; None is the size of a refused file."""
    if entry.get("event") == Outcome.REFUSED.value:
        return bool(entry.get("reason"))
    digest = entry.get("sha256")
    return size is not None and entry.get("size") == size and isinstance(digest, str) and len(digest) == 64
