"""The custody log: what was done to which photo, when, by whom; only ever added to.

One line an entry, canonical JSON (RFC 8785), each carrying the SHA-256 of the line before it.
A head file beside the log repeats the number and the digest of the last line, so that the
last entries cannot be dropped unseen. Whoever can rewrite the log can rewrite the head too:
against that, heads and Merkle roots (RFC 9162) are noted elsewhere, in bags and on paper, and
handed to `verify` as anchors.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import rfc8785
from filelock import FileLock, Timeout

from evidence.archive.merkle import Frontier, merkle_root
from evidence.cards.durable import make_folder, sync_folder, writing
from evidence.errors import BadInputError, CustodyError, LockedError
from evidence.model import Finding, Sha256

GENESIS = Sha256("0" * 64)
"""What the first entry has for the digest of the line before it."""

_FIELDS = frozenset({"seq", "at", "actor", "action", "subject", "details", "prev"})
_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
_PATIENCE = 60.0
"""Seconds to wait for another process; an append takes milliseconds."""

_QUICK = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode

_TORN = "The last line is torn, as after a killed append; the next append sets it aside."

_NOTES = frozenset({"torn_line", "head_behind", "clock_went_back"})
"""Findings that a killed process or a wrong clock explains; they do not make the log invalid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """An entry to be."""

    actor: str
    action: str
    subject: str
    at: datetime
    """Aware."""
    details: Mapping[str, Any] = field(default_factory=dict)
    """JSON values; whole numbers within 2^53."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A line of the log."""

    seq: int
    """From 1, without gaps."""
    at: datetime
    """Aware, UTC, to the microsecond."""
    actor: str
    action: str
    subject: str
    details: Mapping[str, Any]
    prev: Sha256
    """SHA-256 of the line before, without its line feed."""
    sha256: Sha256
    """SHA-256 of this line, without its line feed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """What the log's end was at some time, noted where the log's keeper cannot change it."""

    seq: int
    """Number of the last entry then; 0 for an empty log."""
    sha256: Sha256
    """Its line's digest; `GENESIS` for an empty log."""
    root: str = ""
    """Merkle root over the lines 1 to `seq`, 64 hexadecimal digits; empty when it was not noted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyCheck:
    """What reading the whole log found."""

    entries: int
    """Lines read up to the first one that does not hold."""
    valid: bool
    findings: tuple[Finding, ...]
    """The subject is the number of the line, as it stands in the file, from 1."""


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
            _line(draft, 0, GENESIS)  # refuse what cannot be written before anything is
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
                lines, entries = _chain(drafts, head)
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
                    "Bring it back from a backup, or check the log against noted heads and reseal it.",
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
            entry, why = _parse(line)
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
            count, digest = len(lines), _digest(lines[-1])
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
            entry, why = _parse(line)
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
        walk = _Walk(anchors)
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
            findings=tuple(sorted(walk.findings, key=lambda finding: finding.code in _NOTES)),
        )

    def _check_end(self, walk: _Walk) -> None:
        stored = self._stored_head()
        if stored is not None and stored[0].seq < walk.count:
            message = "The head file is behind the log, as after a killed append; the next append mends it."
            walk.note("head_behind", walk.count, message)

    def reseal(self, actor: str, reason: str, at: datetime) -> Entry:
        """Give a log without a sound head file a new head, if the chain itself holds; says so in an entry.

        Raises CustodyError when the chain is broken: that is for a person and a backup.
        """
        with self._lock(), writing(self.path):
            walk = _Walk(())
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


# --- lines -------------------------------------------------------------------------------


def _line(draft: Draft, seq: int, prev: Sha256) -> bytes:
    """The canonical line of an entry, without its line feed. Raises BadInputError."""
    if draft.at.tzinfo is None:
        raise BadInputError(
            "A custody entry needs a time with its offset from UTC.", "Give the time zone too."
        )
    if not draft.actor.strip() or not draft.action.strip():
        raise BadInputError("A custody entry needs an actor and an action.", "Say who does it with --actor.")
    at = draft.at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    value: dict[str, Any] = {
        "seq": seq,
        "at": at,
        "actor": draft.actor,
        "action": draft.action,
        "subject": draft.subject,
        "details": dict(draft.details),
        "prev": prev,
    }
    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise BadInputError(
            f"A custody entry ({draft.action}) holds what JSON cannot carry: {error}.",
            "Write it as text or as a smaller number.",
        ) from error


def _chain(drafts: Sequence[Draft], head: Anchor) -> tuple[list[bytes], tuple[Entry, ...]]:
    lines: list[bytes] = []
    entries: list[Entry] = []
    for draft in drafts:
        line = _line(draft, head.seq + 1, head.sha256)
        entry, why = _parse(line)
        assert entry is not None, why
        head = Anchor(seq=entry.seq, sha256=entry.sha256)
        lines.append(line)
        entries.append(entry)
    return lines, tuple(entries)


def _about_torn(torn: bytes, at: datetime) -> Draft:
    details = {"octets": len(torn), "sha256": _digest(torn)}
    return Draft(
        actor="evidence", action="torn_line_set_aside", subject="custody log", at=at, details=details
    )


def _parse(line: bytes) -> tuple[Entry | None, str]:
    """The entry in a line, or what is wrong with the line."""
    try:
        value = json.loads(line)
    except ValueError:
        return None, "it is not JSON"
    if not isinstance(value, dict) or value.keys() != _FIELDS:
        return None, "it has not the fields of an entry"
    texts = [value[name] for name in ("at", "actor", "action", "subject", "prev")]
    if type(value["seq"]) is not int or not isinstance(value["details"], dict):
        return None, "its number or its details are of the wrong kind"
    if not all(isinstance(text, str) for text in texts) or not _AT.fullmatch(value["at"]):
        return None, "its time, or another text, is not in the form it must have"
    if not _is_canonical(line, value):
        return None, "it is not in canonical form (RFC 8785)"
    try:
        at = datetime.fromisoformat(value["at"])
    except ValueError:
        return None, "its time is no time"
    entry = Entry(
        seq=value["seq"],
        at=at,
        actor=value["actor"],
        action=value["action"],
        subject=value["subject"],
        details=value["details"],
        prev=Sha256(value["prev"]),
        sha256=_digest(line),
    )
    return entry, ""


def _is_canonical(line: bytes, value: Mapping[str, Any]) -> bool:
    """True for RFC 8785 form. The C encoder agrees with it on most lines and is ten times as fast."""
    try:
        return _QUICK(value).encode() == line or rfc8785.dumps(dict(value)) == line
    except (rfc8785.CanonicalizationError, UnicodeEncodeError):
        return False


def _digest(line: bytes) -> Sha256:
    return Sha256(hashlib.sha256(line).hexdigest())


def _read_from(path: Path, offset: int) -> bytes:
    with path.open("rb") as handle:
        handle.seek(offset)
        return handle.read()


def _write_all(descriptor: int, content: bytes) -> None:
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


# --- the proof ---------------------------------------------------------------------------


class _Walk:
    """One reading of a log, from its first line to its last or to the first that does not hold."""

    def __init__(self, anchors: Iterable[Anchor]) -> None:
        self.anchors = list(anchors)
        self.findings: list[Finding] = []
        self.broken = False
        """Something was found that no accident explains."""
        self.count = 0
        self.size = 0
        self.prev = GENESIS
        self._latest: datetime | None = None
        self._tree = Frontier()

    def wrong(self, code: str, number: int, message: str) -> None:
        """Enter a finding that makes the log invalid."""
        self.note(code, number, message)
        self.broken = True

    def note(self, code: str, number: int, message: str) -> None:
        """Enter a finding that a killed process or a wrong clock explains."""
        self.findings.append(Finding(code=code, message=message, subject=str(number)))

    def over(self, path: Path) -> None:
        """Read the log at `path`; a log that is not there is empty."""
        at: dict[int, list[Anchor]] = {}
        for anchor in self.anchors:
            at.setdefault(anchor.seq, []).append(anchor)
        rooted = any(anchor.root for anchor in self.anchors)
        if path.exists():
            with path.open("rb") as handle:
                for line in handle:
                    if not line.endswith(b"\n"):
                        self.note("torn_line", self.count + 1, _TORN)
                        break
                    if not self._take(line[:-1], handle):
                        return
                    self.size += len(line)
                    if rooted:
                        self._tree.add(line[:-1])
                    for anchor in at.get(self.count, ()):
                        self._compare(anchor)
                    if self.broken:
                        return
        beyond = max((anchor.seq for anchor in self.anchors), default=0)
        if beyond > self.count:
            self.wrong(
                "entries_missing",
                self.count + 1,
                f"The log ends at entry {self.count}, and it once had {beyond}: entries were dropped.",
            )

    def _take(self, line: bytes, rest: Iterator[bytes]) -> bool:
        """Check one line against the one before it; False when it does not hold."""
        number = self.count + 1
        entry, why = _parse(line)
        if entry is None:
            self.wrong("not_an_entry", number, f"Entry {number} was altered: {why}.")
        elif entry.seq != number:
            self.wrong(
                "wrong_number",
                number,
                f"Where entry {number} should stand is entry {entry.seq}: entries were dropped, doubled or moved.",
            )
        elif entry.prev != self.prev:
            culprit = self._who_was_altered(entry, rest)
            self.wrong("broken_chain", culprit, f"Entry {culprit} is not the one that was written.")
        else:
            if self._latest and entry.at < self._latest:
                self.note(
                    "clock_went_back", number, f"Entry {number} bears an earlier time than the one before it."
                )
            self._latest = entry.at
            self.count, self.prev = number, entry.sha256
            return True
        return False

    def _who_was_altered(self, entry: Entry, rest: Iterator[bytes]) -> int:
        """Which of two lines that do not fit changed: the later one, if its successor disowns it too."""
        following, _ = _parse(next(rest, b"").rstrip(b"\n"))
        if following is not None:
            disowned = following.prev != entry.sha256
        else:
            disowned = any(a.seq == entry.seq and a.sha256 != entry.sha256 for a in self.anchors)
        return entry.seq if disowned or self.count == 0 else self.count

    def _compare(self, anchor: Anchor) -> None:
        if anchor.sha256 != self.prev:
            self.wrong(
                "not_as_noted", self.count, f"Entry {self.count} is not the one whose digest was noted."
            )
        elif anchor.root and anchor.root != self._tree.root().hex():
            self.wrong(
                "not_as_noted", self.count, f"The Merkle root over {self.count} entries is not as noted."
            )
