"""The journal of an intake: one line a step, on the disk before the next step begins."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from evidence.cards.files import Walk
from evidence.cards.volumes import CardSource
from evidence.disk.durable import make_folder, sync_descriptor, sync_folder
from evidence.disk.faults import writing
from evidence.errors import CustodyError, DestinationError
from evidence.model import Copied, Outcome, Refusal

Entry = Mapping[str, object]

STARTED = "started"
FINISHED = "finished"
_OUTCOMES = frozenset(outcome.value for outcome in Outcome)


class Ledger:
    """A journal open for writing. Entries are JSON objects, one a line; none is ever changed.

    Opening it drops the torn end that a killed run may have left: a line that was not whole
    was never acknowledged. Use it as a context manager, one writer at a time.
    """

    def __init__(self, path: Path) -> None:
        """Raises DestinationError when the journal cannot be opened for writing."""
        self._path = path
        with writing(path):
            make_folder(path.parent)
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
            try:
                self._end = self._mend()
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
        """Let go of the file; every recorded entry is on the disk already."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def record(self, entry: Entry) -> None:
        """Append one entry; when this returns it is on the disk.

        Raises DestinationError, and the journal then ends where it ended before.
        """
        line = json.dumps(entry, ensure_ascii=True, sort_keys=True, allow_nan=False).encode("ascii") + b"\n"
        with writing(self._path):
            try:
                os.lseek(self._descriptor, self._end, os.SEEK_SET)
                rest = memoryview(line)
                while rest:
                    rest = rest[os.write(self._descriptor, rest) :]
                sync_descriptor(self._descriptor)
            except OSError:
                os.ftruncate(self._descriptor, self._end)
                raise
        self._end += len(line)

    def _mend(self) -> int:
        """Where the next entry goes: after the last whole line, what follows it cut off."""
        with os.fdopen(os.dup(self._descriptor), "rb") as handle:
            content = handle.read()
        end = content.rfind(b"\n") + 1
        if _whole(content[end:]) is not None:  # only its newline is missing
            os.lseek(self._descriptor, 0, os.SEEK_END)
            os.write(self._descriptor, b"\n")
            end = len(content) + 1
        elif end < len(content):
            os.ftruncate(self._descriptor, end)
        sync_descriptor(self._descriptor)
        return end


def read_ledger(path: Path) -> tuple[dict[str, object], ...]:
    """The entries of a journal, oldest first; none when there is no journal yet.

    A torn last line, which a killed run leaves, is left out. Raises CustodyError for a line
    before it that is no entry: a journal is never rewritten, so something else did that.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise DestinationError(
            f"{path} could not be read: {(error.strerror or str(error)).lower()}.",
            "Check that the archive's disk is connected and sound, then run it again.",
        ) from error
    *lines, tail = content.split(b"\n")
    entries = []
    for number, line in enumerate(lines, start=1):
        entry = _whole(line)
        if entry is None:
            raise CustodyError(
                f"{path.name}, line {number}, is damaged.",
                "Keep the damaged file, bring the ledger back from a backup, and run the intake of that card again.",
            )
        entries.append(entry)
    last = _whole(tail)
    return (*entries, last) if last is not None else tuple(entries)


def _whole(line: bytes) -> dict[str, object] | None:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return entry if isinstance(entry, dict) else None


# --- what an intake writes ---------------------------------------------------------------


def started(source: CardSource, walk: Walk, *, intake: str, actor: str, at: str) -> Entry:
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


def copied(result: Copied) -> Entry:
    """The entry for a file that was kept, or was kept already."""
    found = result.found
    return {
        "event": result.outcome.value,
        "path": found.card_path,
        "size": found.size,
        "sha256": result.sha256,
        "modified": found.modified.isoformat() if found.modified else None,
    }


def refused(refusal: Refusal, *, size: int | None = None) -> Entry:
    """The entry for a file that was not kept."""
    return {
        "event": Outcome.REFUSED.value,
        "path": refusal.path,
        "size": size,
        "code": refusal.code,
        "reason": refusal.reason,
        "blocks_erase": refusal.blocks_erase,
    }


def finished(account: Account, *, at: str) -> Entry:
    """The last entry of a run that came to its end. `at` is RFC 3339, UTC."""
    return {
        "event": FINISHED,
        "at": at,
        "kept": len(account.kept),
        "already_kept": len(account.already_kept),
        "refused": len(account.refused),
        "adds_up": account.adds_up,
    }


# --- does it add up ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Every path of a card with its outcome (rule 3), and every way in which the list fails to add up."""

    kept: tuple[str, ...]
    already_kept: tuple[str, ...]
    refused: tuple[str, ...]
    missing: tuple[str, ...]
    """On the card, and no entry says what became of it."""
    doubled: tuple[str, ...]
    """Two entries of the same run speak of it."""
    unknown: tuple[str, ...]
    """An entry speaks of it, and the card does not hold it."""
    contradicted: tuple[str, ...]
    """Said to be kept with another size than the card lists, without a digest, or though it was refused."""

    @property
    def adds_up(self) -> bool:
        """True when every path of the card has exactly one outcome."""
        return not (self.missing or self.doubled or self.unknown or self.contradicted)


def account(walk: Walk, entries: Iterable[Entry]) -> Account:
    """Set the journal against the card. Pure.

    An entry whose `event` is `kept`, `already_kept` or `refused` speaks of one `path`; the
    first two with `size` and `sha256`, the last with a `reason`. Other entries are passed by.
    A later run of the same intake (after its own `started`) may speak again of a path, and
    then its word counts: a file that could not be read at first may be kept at last.
    """
    said: dict[str, Entry] = {}
    doubled: set[str] = set()
    this_run: set[str] = set()
    for entry in entries:
        if entry.get("event") == STARTED:
            this_run = set()
        if entry.get("event") not in _OUTCOMES:
            continue
        path = str(entry.get("path"))
        if path in this_run:
            doubled.add(path)
        this_run.add(path)
        said[path] = entry
    sizes = {found.card_path: found.size for found in walk.found}
    turned_away = Counter(refusal.path for refusal in walk.refused)
    listed = Counter(found.card_path for found in walk.found) + turned_away
    doubled.update(path for path, times in listed.items() if times > 1)
    contradicted = [
        path for path, entry in said.items() if path in listed and not _agrees(entry, sizes.get(path))
    ]

    def having(outcome: Outcome) -> tuple[str, ...]:
        return tuple(p for p, e in said.items() if e.get("event") == outcome.value and p in listed)

    return Account(
        kept=having(Outcome.KEPT),
        already_kept=having(Outcome.ALREADY_KEPT),
        refused=having(Outcome.REFUSED),
        missing=tuple(path for path in listed if path not in said),
        doubled=tuple(sorted(doubled)),
        unknown=tuple(path for path in said if path not in listed),
        contradicted=tuple(contradicted),
    )


def _agrees(entry: Entry, size: int | None) -> bool:
    """True when an entry can be true of a file of that size; None stands for one that the walk refused."""
    if entry.get("event") == Outcome.REFUSED.value:
        return bool(entry.get("reason"))
    digest = entry.get("sha256")
    return size is not None and entry.get("size") == size and isinstance(digest, str) and len(digest) == 64
