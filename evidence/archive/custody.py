"""The custody log, append-only: what was done to which photo, when, and by whom.

Each line is one entry in canonical JSON (RFC 8785) and holds the SHA-256 of the line before. A head
file beside the log repeats the number and digest of the last line, so that dropping the last
entries is detected. A person who can rewrite the log can rewrite the head too. Therefore heads and
Merkle roots (RFC 9162) are recorded elsewhere, in bags and on paper, and passed to `verify` as anchors.
Free text is beside the log (`custody_texts`), so that a purge can remove it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import groupby, islice
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from evidence.archive.custody_end import HEAD_LOST, RESTORE, head_path_of, recover_end
from evidence.archive.custody_head import StoredHead, head_bytes, read_head
from evidence.archive.custody_index import BlockContent, LogIndex
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
from evidence.archive.custody_proof import NOTES, CustodyCheck, LogReading
from evidence.archive.custody_reading import line_at, lines_backwards, offset_of
from evidence.archive.custody_search import lines_but, lines_with
from evidence.archive.custody_texts import (
    PER_FILE,
    REMOVED,
    REMOVED_MARK,
    TEXT_MARK,
    KeptText,
    MissingTexts,
    TextFiles,
    TextReader,
    digests_in,
    first_of_file,
    set_apart,
    texts_to_remove,
)
from evidence.archive.merkle import Frontier
from evidence.disk.durable import make_folder, replace_file, write_all
from evidence.disk.faults import writing
from evidence.disk.modes import FILE
from evidence.errors import CustodyError, LockedError
from evidence.model import Sha256

__all__ = ["GENESIS", "Anchor", "CustodyCheck", "CustodyLog", "Draft", "Entry"]

_LOCK_TIMEOUT = 60.0
"""Seconds to wait for another process; an append takes milliseconds."""


class CustodyLog:
    """The log in one file. Many processes of one computer may append at once."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.head_path = head_path_of(path)
        self.texts = TextFiles(path)
        self.index = LogIndex(path)
        self._lock_of: tuple[int, FileLock] | None = None

    # --- appending -----------------------------------------------------------------------

    def append(
        self, actor: str, action: str, subject: str, details: Mapping[str, Any], at: datetime
    ) -> Entry:
        """Append one entry; when this returns it is on the disk. `at` is aware.

        Raises BadInputError (the entry cannot be written), CustodyError (the end of the log is
        damaged), DestinationError, LockedError.
        """
        draft = Draft(actor=actor, action=action, subject=subject, details=details, at=at)
        return self.append_all([draft])[0]

    def append_all(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        """Append entries in order with one flush. After a kill a whole number of them is in the log."""
        for draft in drafts:
            make_line(draft, 0, GENESIS)  # refuse an invalid entry before anything is written
        with writing(self.path):
            make_folder(self.path.parent)
        try:
            with self._lock():
                return self._append_locked(drafts)
        except Timeout as error:
            raise LockedError(
                "Another process is writing the custody log.", "Wait for it to end, then run it again."
            ) from error

    def _lock(self) -> FileLock:
        """One lock for each process: a lock inherited by a forked process would not exclude its parent."""
        process = os.getpid()
        if self._lock_of is None or self._lock_of[0] != process:
            path = self.path.with_name(self.path.name + ".lock")
            self._lock_of = process, FileLock(path, timeout=_LOCK_TIMEOUT, mode=FILE)
        return self._lock_of[1]

    def _append_locked(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        with writing(self.path):
            descriptor = os.open(
                self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o640
            )
            try:
                head, tree, torn = recover_end(self.path, descriptor)
                if torn and drafts:
                    drafts = [_torn_line_draft(torn, drafts[0].at), *drafts]
                lines, entries = self._chain(drafts, head)
                before = os.fstat(descriptor).st_size
                try:
                    write_all(descriptor, b"".join(line + b"\n" for line in lines))
                    os.fsync(descriptor)
                except OSError:
                    os.ftruncate(descriptor, before)  # a full disk leaves no piece of a line
                    raise
                size = os.fstat(descriptor).st_size
            finally:
                os.close(descriptor)
            for line in lines:
                tree.add(line)
            if entries:
                self._write_head(entries[-1].seq, entries[-1].sha256, size, tree)
        return entries[1:] if torn and drafts else entries

    def _chain(self, drafts: Sequence[Draft], head: Anchor) -> tuple[list[bytes], tuple[Entry, ...]]:
        """`chain`, with the free texts written beside the log first: a kill leaves a text without an entry at most."""
        apart = [set_apart(draft) for draft in drafts]
        chained = chain([draft for draft, _ in apart], head)
        for seq, (_, texts) in enumerate(apart, start=head.seq + 1):
            self.texts.add(seq, texts)
        return chained

    def _write_head(self, seq: int, digest: Sha256, size: int, tree: Frontier) -> None:
        # If the rename is lost in a power failure, the next append reads the lines after the old head.
        head = StoredHead(seq=seq, sha256=digest, size=size, frontier=tree.hashes)
        replace_file(self.head_path, head_bytes(head))

    def _stored_head(self) -> StoredHead | None:
        """The head file without the lock held; on Windows it takes the lock, because an open file cannot be replaced."""
        if os.name != "nt":
            return read_head(self.head_path)
        with self._lock():
            return read_head(self.head_path)

    # --- reading -------------------------------------------------------------------------

    def head(self) -> Anchor:
        """The end of the log with its Merkle root, to be recorded elsewhere.

        Raises CustodyError when the head file is lost.
        """
        stored = self._stored_head()
        if stored is None:
            if self.path.exists() and self.path.stat().st_size:
                raise CustodyError(
                    f"The custody log {self.path.name} has lost its head file.",
                    HEAD_LOST,
                )
            return Anchor(seq=0, sha256=GENESIS)
        return stored.anchor(self.path)

    def stored_size(self) -> int:
        """Bytes of the log up to the entry that the head file names. Raises CustodyError when the head file is lost."""
        stored = self._stored_head()
        if stored is None:
            raise CustodyError(f"The custody log {self.path.name} has lost its head file.", HEAD_LOST)
        return stored.size

    def digest_of(self, seq: int) -> Sha256 | None:
        """Digest of entry `seq`, not verified; None when the log has no such entry. Reads few lines of a long log."""
        offset = offset_of(self.path, seq)
        return None if offset is None else line_digest(line_at(self.path, offset))

    def extends(self, noted: Anchor) -> bool:
        """True when entry `noted.seq` is there and has the digest that was recorded; not verified further."""
        return noted.seq == 0 or self.digest_of(noted.seq) == noted.sha256

    def entries(self) -> Iterator[Entry]:
        """The entries in order, not verified. Raises CustodyError at a line that is not an entry."""
        reader = TextReader(self.texts)
        for entry in self._stored_entries():
            yield reader.whole(entry)

    def _stored_entries(self) -> Iterator[Entry]:
        """The entries as the log holds them, with the digests of their free texts."""
        return (self._entry_of(line, number) for number, line in enumerate(self.lines(), start=1))

    def _entries_with_texts(self) -> Iterator[Entry]:
        """Those that have free texts or say which were removed, as the log holds them. Raises CustodyError."""
        for number, line in enumerate(self.lines(), start=1):
            if TEXT_MARK in line or REMOVED_MARK in line:
                yield self._entry_of(line, number)

    def _entry_of(self, line: bytes, number: int) -> Entry:
        entry, why = parse_line(line)
        if entry is None:
            raise CustodyError(
                f"Line {number} of the custody log is not an entry: {why}.",
                f"Run `evidence custody --verify`. {RESTORE}",
            )
        return entry

    def about(self, *words: str) -> Iterator[Entry]:
        """The entries in order that contain one of these words as a whole JSON string, not verified.

        A word is a digest, a claim or an intake. Lines that are not entries are skipped.
        """
        reader = TextReader(self.texts)
        for line in lines_with(self.path, self.index, words):
            entry, _ = parse_line(line)
            if entry is not None:
                yield reader.whole(entry)

    def newest(
        self,
        *words: str,
        before: int = 0,
        texts: bool = True,
        skip: Callable[[BlockContent], bool] | None = None,
    ) -> Iterator[Entry]:
        """The entries from the newest to the first, not verified; with `before` from the one before that number.

        With words only those that contain one of them as a whole JSON string, as in `about`; with `skip` none of the
        blocks of the index that it chooses; without `texts` free texts stay digests. Reads no more of the log than is
        taken. Lines that are not entries are skipped.
        """
        reader = TextReader(self.texts)
        end = offset_of(self.path, before) if before else None
        lines = lines_backwards(self.path, end)
        if words:
            lines = lines_with(self.path, self.index, words, end=end, newest=True)
        elif skip:
            lines = lines_but(self.path, self.index, skip, end)
        for line in lines:
            entry, _ = parse_line(line)
            if entry is not None:
                yield reader.whole(entry) if texts else entry

    def lines(self, start: int = 0, end: int | None = None) -> Iterator[bytes]:
        """Whole lines from byte `start` to `end`, without their line feed; a torn last line is left out."""
        if not self.path.exists():
            return
        with self.path.open("rb") as handle:
            handle.seek(start)
            for line in handle:
                start += len(line)
                if not line.endswith(b"\n") or (end is not None and start > end):
                    return
                yield line[:-1]

    # --- verifying -----------------------------------------------------------------------

    def verify(
        self,
        *,
        anchors: Iterable[Anchor] = (),
        watch: Callable[[Entry], None] | None = None,
        after: StoredHead | None = None,
        keep_at: int = 0,
    ) -> CustodyCheck:
        """Read the whole log and check that every entry is where and as it was written.

        Detects altered, dropped, inserted, reordered and repeated entries; at the end of the log,
        as far as the head file and the `anchors` (heads and roots recorded elsewhere) reach. Stops
        at the first bad entry and reports its number. Safe while others append. `watch` is called with each
        entry that follows from the one before it. Uses the same memory for a log of any length.

        With `after`, a head whose frontier leads to a signed root, only the entries behind it are read: then nothing is
        said of those before. `keep_at` is the length of the log whose head is returned in `passed`.
        """
        anchors = tuple(anchors)
        stored = self._stored_head()
        missing = MissingTexts(self.texts)

        def see(entry: Entry) -> None:
            missing.see(entry)
            if watch:
                watch(entry)

        reading = LogReading(anchors, see, after=after, keep_at=keep_at)
        if stored is not None:
            reading.anchors.append(stored.anchor(self.path, where="the head file beside the log"))
        reading.read(self.path)
        if stored is None and self._stored_head() is not None:
            return self.verify(
                anchors=anchors, watch=watch, after=after, keep_at=keep_at
            )  # the log was created meanwhile
        if stored is None and reading.count:
            reading.error(
                "head_missing", reading.count, "The log has lost its head file, so its end is not verified."
            )
        elif stored is not None and not reading.broken:
            self._check_end(reading)
        if not reading.broken and (found := missing.message()):
            reading.error("text_missing", *found)
        return CustodyCheck(
            entries=reading.count,
            valid=not reading.broken,
            findings=tuple(sorted(reading.findings, key=lambda finding: finding.code in NOTES)),
            passed=None if reading.broken else reading.passed,
        )

    def _check_end(self, reading: LogReading) -> None:
        stored = self._stored_head()
        if stored is not None and stored.seq < reading.count:
            message = "The head file is behind the log, as after a killed append; the next append fixes it."
            reading.warn("head_behind", reading.count, message)

    def remove_texts(
        self, is_private: Callable[[Entry, str], bool], *, actor: str, subject: str, at: datetime
    ) -> int:
        """Remove the free texts that `is_private` chooses, given an entry as stored and a text; returns how many entries.

        An entry names the entries that lost their text. Texts without an entry, which a kill left, go too. A removal
        that was killed is finished by the next call. Raises CustodyError, DestinationError, LockedError.
        """
        chosen = texts_to_remove(self._entries_with_texts(), self.texts, is_private)
        if chosen:
            self.append(actor, REMOVED, subject, {"entries": sorted(chosen)}, at)
        with self._lock(), writing(self.path):
            left = set(self.texts.firsts())
            for first, entries in groupby(self._entries_with_texts(), key=lambda one: first_of_file(one.seq)):
                self._remove_from_file(first, {one.seq: set(digests_in(one)) for one in entries}, chosen)
                left.discard(first)
            for first in left:
                self._remove_from_file(first, {}, chosen)
        return len(chosen)

    def _remove_from_file(
        self, first: int, named: Mapping[int, set[str]], chosen: Mapping[int, set[str]]
    ) -> None:
        """Remove the chosen texts of one side file, those that no entry names, and its damaged lines."""
        present = self.texts.of_file(first)
        gone = set[str]().union(*(chosen.get(seq, set()) for seq in named))
        known = set[str]().union(*named.values())
        if (
            known >= present.keys()
            and not gone & present.keys()
            and len(present) == self.texts.lines_in(first)
        ):
            return
        if not known >= present.keys():
            self._require_entries(first)  # an entry that was altered may name one of these texts
        self.texts.write_file(first, [one for digest, one in present.items() if digest in known - gone])

    def _require_entries(self, first: int) -> None:
        """Raise CustodyError when a line whose texts are in this side file is not an entry."""
        start = offset_of(self.path, first)
        if start is None:
            return
        with self.path.open("rb") as handle:
            handle.seek(start)
            for number, line in enumerate(islice(handle, PER_FILE), start=first):
                self._entry_of(line.removesuffix(b"\n"), number)

    def missing_texts(self) -> MissingTexts:
        """The texts that are not there although no entry says that they were removed. Raises CustodyError."""
        missing = MissingTexts(self.texts)
        for entry in self._entries_with_texts():
            missing.see(entry)
        return missing

    def bring_texts(self, missing: MissingTexts, other: Path) -> list[int]:
        """Take in missing texts that are beside another copy of this log; returns the entries that got one.

        `other` is the path of that copy, which need not exist. Each text proves itself: an entry of this log holds
        its digest. They are no longer in `missing` then. Raises DestinationError, LockedError.
        """
        theirs = TextReader(TextFiles(other))
        found: dict[int, list[KeptText]] = {}
        brought = []
        for seq, digests in sorted(missing.digests.items()):
            if kept := [text for one in sorted(digests) if (text := theirs.kept(seq, one))]:
                found.setdefault(first_of_file(seq), []).extend(kept)
                brought.append(seq)
        with self._lock(), writing(self.path):
            for first, kept in found.items():
                self.texts.add(first, kept)
        missing.forget({one.digest for kept in found.values() for one in kept})
        return brought

    def verify_chain(self) -> bool:
        """True when each entry continues the one before, whatever the head file says."""
        reading = LogReading(())
        reading.read(self.path)
        return not reading.broken

    def reseal(self, actor: str, reason: str, at: datetime) -> Entry:
        """Write a new head for a log whose head file is lost, and record that in an entry.

        Raises CustodyError when the chain of entries is broken.
        """
        with self._lock(), writing(self.path):
            reading = LogReading(())
            reading.read(self.path)
            if reading.broken:
                raise CustodyError(
                    f"The custody log cannot be resealed: {reading.findings[-1].message}",
                    RESTORE,
                )
            before = read_head(self.head_path)
            self._write_head(reading.count, reading.prev, reading.size, reading.tree)
        details = {
            "reason": reason,
            "entries": reading.count,
            "head_before": before.seq if before else None,
        }
        return self.append(actor, "log_resealed", self.path.name, details, at)


def _torn_line_draft(torn: bytes, at: datetime) -> Draft:
    details = {"octets": len(torn), "sha256": line_digest(torn)}
    return Draft(
        actor="evidence", action="torn_line_set_aside", subject="custody log", at=at, details=details
    )
