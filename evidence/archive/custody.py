"""The custody log: what was done to which photo, when, by whom; only ever added to.

One line an entry, canonical JSON (RFC 8785), each carrying the SHA-256 of the line before it.
A head file beside the log repeats the number and the digest of the last line, so that the
last entries cannot be dropped unseen. Whoever can rewrite the log can rewrite the head too:
against that, heads and Merkle roots (RFC 9162) are noted elsewhere, in bags and on paper, and
handed to `verify` as anchors.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import rfc8785
from filelock import FileLock, Timeout

from evidence.archive.custody_lines import (
    GENESIS,
    Anchor,
    Draft,
    Entry,
    chain,
    line_digest,
    make_line,
    parse_line,
)
from evidence.archive.custody_proof import NOTES, CustodyCheck, Walk
from evidence.archive.merkle import merkle_root
from evidence.disk.durable import make_folder, sync_folder
from evidence.disk.faults import writing
from evidence.errors import CustodyError, LockedError
from evidence.model import Sha256

__all__ = ["GENESIS", "Anchor", "CustodyCheck", "CustodyLog", "Draft", "Entry"]

_PATIENCE = 60.0
"""Seconds to wait for another process; an append takes milliseconds."""


class CustodyLog:
    """The log in one file. Any number of processes on one computer may append at once."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.head_path = path.with_name(path.name + ".head")
        self.torn_path = path.with_name(path.name + ".torn")

    # --- adding --------------------------------------------------------------------------

    def append(
        self, actor: str, action: str, subject: str, details: Mapping[str, Any], at: datetime
    ) -> Entry:
        """Add one entry; when this returns it is on the disk. `at` is aware.

        Raises BadInputError (an entry that cannot be written), CustodyError (the log does not
        hold together at its end), DestinationError, LockedError.
        """
        draft = Draft(actor=actor, action=action, subject=subject, details=details, at=at)
        return self.append_all([draft])[0]

    def append_all(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        """Add entries in order with one flush to the disk. Each stands by itself if the process dies between."""
        for draft in drafts:
            make_line(draft, 0, GENESIS)  # refuse what cannot be written before anything is
        with writing(self.path):
            make_folder(self.path.parent)
        try:
            with self._lock():
                return self._append_locked(drafts)
        except Timeout as error:
            raise LockedError(
                "The custody log is held by another process.", "Wait for it to end, then run it again."
            ) from error

    def _lock(self) -> FileLock:
        """A fresh lock each time: one that a forked process inherited would not exclude its parent."""
        return FileLock(self.path.with_name(self.path.name + ".lock"), timeout=_PATIENCE)

    def _append_locked(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        with writing(self.path):
            descriptor = os.open(
                self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o644
            )
            try:
                head, torn = self._settle_end(descriptor)
                if torn and drafts:
                    drafts = [_about_torn(torn, drafts[0].at), *drafts]
                lines, entries = chain(drafts, head)
                _write_all(descriptor, b"".join(line + b"\n" for line in lines))
                os.fsync(descriptor)
                size = os.fstat(descriptor).st_size
            finally:
                os.close(descriptor)
            if entries:
                self._write_head(entries[-1].seq, entries[-1].sha256, size)
        return entries[1:] if torn and drafts else entries

    def _settle_end(self, descriptor: int) -> tuple[Anchor, bytes]:
        """The true end of the log, and the torn line that a killed process left, which is set aside."""
        size = os.fstat(descriptor).st_size
        stored = self._read_head()
        if stored is None:
            if size:
                raise CustodyError(
                    f"The custody log {self.path.name} has lost its head file.",
                    "Bring it back from a backup.",
                )
            self._write_head(0, GENESIS, 0)
            sync_folder(self.path.parent)
            stored = (Anchor(seq=0, sha256=GENESIS), 0)
        head, covered = stored
        if size < covered:
            raise CustodyError(
                f"The custody log {self.path.name} is shorter than when it was last written.",
                "Entries are gone: bring the log back from a backup before anything else is done.",
            )
        tail = _read_from(self.path, covered)
        whole, _, torn = tail.rpartition(b"\n")
        if whole:
            head = self._adopt(whole.split(b"\n"), head)
        if torn:
            self._set_aside(torn)
            os.ftruncate(descriptor, size - len(torn))
            os.fsync(descriptor)
        return head, torn

    def _adopt(self, lines: Sequence[bytes], head: Anchor) -> Anchor:
        """Lines that were written whole before the head could follow."""
        for line in lines:
            entry, why = parse_line(line)
            if entry is None or entry.seq != head.seq + 1 or entry.prev != head.sha256:
                raise CustodyError(
                    f"The custody log {self.path.name} does not hold together after entry {head.seq}: "
                    f"{why or 'the next line does not follow from it'}.",
                    "Run `evidence custody --verify`, and bring the log back from a backup.",
                )
            head = Anchor(seq=entry.seq, sha256=entry.sha256)
        return head

    def _set_aside(self, torn: bytes) -> None:
        with self.torn_path.open("ab") as handle:
            handle.write(torn + b"\n")
            handle.flush()
            os.fsync(handle.fileno())
        sync_folder(self.torn_path.parent)

    def _write_head(self, seq: int, digest: Sha256, size: int) -> None:
        part = self.head_path.with_name(self.head_path.name + ".part")
        with part.open("wb") as handle:
            handle.write(rfc8785.dumps({"seq": seq, "sha256": digest, "size": size}) + b"\n")
            handle.flush()
            os.fsync(handle.fileno())
        part.replace(self.head_path)  # should the renaming be lost, the next append finds the lines itself

    def _stored_head(self) -> tuple[Anchor, int] | None:
        """`_read_head` for whoever does not hold the lock: on Windows an open file cannot be replaced."""
        if os.name != "nt":
            return self._read_head()
        with self._lock():
            return self._read_head()

    def _read_head(self) -> tuple[Anchor, int] | None:
        """The stored head, and the bytes of log it covers; None when there is none that can be read."""
        try:
            stored = json.loads(self.head_path.read_bytes())
            return Anchor(seq=int(stored["seq"]), sha256=Sha256(str(stored["sha256"]))), int(stored["size"])
        except (FileNotFoundError, ValueError, KeyError, TypeError):
            return None

    # --- reading -------------------------------------------------------------------------

    def head(self) -> Anchor:
        """The log's end, to be noted elsewhere. Raises CustodyError when the log has no readable head."""
        stored = self._stored_head()
        if stored is None:
            if self.path.exists() and self.path.stat().st_size:
                raise CustodyError(
                    f"The custody log {self.path.name} has lost its head file.",
                    "Bring it back from a backup.",
                )
            return Anchor(seq=0, sha256=GENESIS)
        return stored[0]

    def anchor(self) -> Anchor:
        """The log's end with the Merkle root over all its lines. Reads the whole log."""
        count, digest = 0, GENESIS
        lines = list(self._lines())
        if lines:
            count, digest = len(lines), line_digest(lines[-1])
        return Anchor(seq=count, sha256=digest, root=merkle_root(lines).hex())

    def root(self, size: int | None = None) -> str:
        """Merkle root over the first `size` lines, or all; 64 hexadecimal digits. Raises ValueError."""
        lines = list(self._lines())
        if size is not None and not 0 <= size <= len(lines):
            raise ValueError(f"the log has {len(lines)} lines, not {size}")
        return merkle_root(lines[:size]).hex()

    def entries(
        self,
        *,
        action: str | None = None,
        subject: str | None = None,
        actor: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> Iterator[Entry]:
        """The entries in order that match all that is given; `since` counts, `until` does not (both aware).

        Nothing is verified here. Raises CustodyError at a line that is no entry.
        """
        for number, line in enumerate(self._lines(), start=1):
            entry, why = parse_line(line)
            if entry is None:
                raise CustodyError(
                    f"Line {number} of the custody log is no entry: {why}.",
                    "Run `evidence custody --verify`, and bring the log back from a backup.",
                )
            if (
                (action is None or entry.action == action)
                and (subject is None or entry.subject == subject)
                and (actor is None or entry.actor == actor)
                and (since is None or entry.at >= since)
                and (until is None or entry.at < until)
            ):
                yield entry

    def about(self, *words: str) -> Iterator[Entry]:
        """The entries in order that hold any of these words as a whole JSON text: a digest, a claim, an intake.

        Nothing is verified here, and a line that is no entry is passed over.
        """
        wanted = [rfc8785.dumps(word) for word in words]
        for line in self._lines():
            if any(word in line for word in wanted):
                entry, _ = parse_line(line)
                if entry is not None:
                    yield entry

    def _lines(self) -> Iterator[bytes]:
        """Whole lines, without their line feed; a torn last one is left out."""
        if not self.path.exists():
            return
        with self.path.open("rb") as handle:
            for line in handle:
                if line.endswith(b"\n"):
                    yield line[:-1]

    # --- proving -------------------------------------------------------------------------

    def verify(self, *, anchors: Iterable[Anchor] = ()) -> CustodyCheck:
        """Read the whole log and say whether every entry stands where and as it was written.

        Found are altered, dropped, inserted, reordered and doubled entries, the last ones too
        as far as the head file and the `anchors` (heads and roots noted elsewhere) reach. The
        reading stops at the first entry that does not hold, and names it. Nothing is changed.
        Safe while others append.
        """
        anchors = tuple(anchors)
        stored = self._stored_head()
        walk = Walk(anchors)
        if stored is not None:
            walk.anchors.append(stored[0])
        walk.over(self.path)
        if stored is None and self._stored_head() is not None:
            return self.verify(anchors=anchors)  # the log came into being meanwhile
        if stored is None and walk.count:
            walk.wrong("head_missing", walk.count, "The log has lost its head file: its end is unproved.")
        elif stored is not None and not walk.broken:
            self._check_end(walk)
        return CustodyCheck(
            entries=walk.count,
            valid=not walk.broken,
            findings=tuple(sorted(walk.findings, key=lambda finding: finding.code in NOTES)),
        )

    def _check_end(self, walk: Walk) -> None:
        stored = self._stored_head()
        if stored is not None and stored[0].seq < walk.count:
            message = "The head file is behind the log, as after a killed append; the next append mends it."
            walk.note("head_behind", walk.count, message)

    def reseal(self, actor: str, reason: str, at: datetime) -> Entry:
        """Give a log without a sound head file a new head, if the chain itself holds; says so in an entry.

        Raises CustodyError when the chain is broken: that is for a person and a backup.
        """
        with self._lock(), writing(self.path):
            walk = Walk(())
            walk.over(self.path)
            if walk.broken:
                raise CustodyError(
                    f"The custody log cannot be resealed: {walk.findings[-1].message}",
                    "Bring the log back from a backup.",
                )
            before = self._read_head()
            self._write_head(walk.count, walk.prev, walk.size)
        details = {"reason": reason, "entries": walk.count, "head_before": before[0].seq if before else None}
        return self.append(actor, "log_resealed", self.path.name, details, at)


def _about_torn(torn: bytes, at: datetime) -> Draft:
    details = {"octets": len(torn), "sha256": line_digest(torn)}
    return Draft(
        actor="evidence", action="torn_line_set_aside", subject="custody log", at=at, details=details
    )


def _read_from(path: Path, offset: int) -> bytes:
    with path.open("rb") as handle:
        handle.seek(offset)
        return handle.read()


def _write_all(descriptor: int, content: bytes) -> None:
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(descriptor, rest) :]
