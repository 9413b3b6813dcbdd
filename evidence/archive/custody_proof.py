"""Reads a whole custody log and finds the first entry that is not as it was written."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from evidence.archive.custody_head import EMPTY_LOG, StoredHead
from evidence.archive.custody_lines import Anchor, Entry, parse_line
from evidence.archive.custody_reading import line_before
from evidence.archive.merkle import Frontier
from evidence.model import Finding

NOTES = frozenset({"torn_line", "head_behind", "clock_went_back"})
"""Findings that a killed process or a wrong clock explains; the log is still valid."""

MOST_NAMED = 1000
"""Entries of a clock that went back which are named one by one."""

_TORN = "The last line is incomplete, as after a killed append; the next append moves it to another file."


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyCheck:
    """What reading the whole log found."""

    entries: int
    """Entries read before the first bad one."""
    valid: bool
    findings: tuple[Finding, ...]
    """The subject is the number of the line in the file, from 1."""
    passed: StoredHead | None = None
    """The head of the length that was asked for, when the reading passed it."""


class LogReading:
    """One pass over a log, from its first line or a proved head to its last line or the first bad one."""

    def __init__(
        self,
        anchors: Iterable[Anchor],
        watch: Callable[[Entry], None] | None = None,
        *,
        after: StoredHead | None = None,
        keep_at: int = 0,
    ) -> None:
        """`after` is a head whose frontier was compared with a signed root: reading begins behind it.

        `passed` is the head of `keep_at` entries, when the reading passed it.
        """
        self.anchors = list(anchors)
        self.findings: list[Finding] = []
        self.broken = False
        """True when a finding makes the log invalid."""
        self.passed: StoredHead | None = None
        start = after or EMPTY_LOG
        self.count = start.seq
        self.size = start.size
        self.prev = start.sha256
        self.tree = Frontier(start.seq, start.frontier or ())
        """The Merkle tree over the entries up to here."""
        self._keep_at = keep_at
        self._start = start
        self._watch = watch
        self._latest: datetime | None = None
        self._went_back = 0
        self._agreed = 0
        """Number of the last entry that matches a head recorded elsewhere."""

    def error(self, code: str, number: int, message: str) -> None:
        """Add a finding that makes the log invalid."""
        self.warn(code, number, message)
        self.broken = True

    def warn(self, code: str, number: int, message: str) -> None:
        """Add a finding that leaves the log valid."""
        self.findings.append(Finding(code=code, message=message, subject=str(number)))

    def read(self, path: Path) -> None:
        """Read the log at `path`; a missing file is an empty log."""
        if self._start.seq and not self._begin(path):
            return
        at: dict[int, list[Anchor]] = {}
        for anchor in self.anchors:
            at.setdefault(anchor.seq, []).append(anchor)
        if path.exists():
            with path.open("rb") as handle:
                handle.seek(self.size)
                for line in handle:
                    if not line.endswith(b"\n"):
                        self.warn("torn_line", self.count + 1, _TORN)
                        break
                    if not self._accept_line(line[:-1], handle):
                        return
                    self.size += len(line)
                    self.tree.add(line[:-1])
                    for anchor in at.get(self.count, ()):
                        self._compare(anchor)
                    if self.count == self._keep_at:
                        self.passed = self.head()
                    if self.broken:
                        return
        beyond = max(self.anchors, key=lambda anchor: anchor.seq, default=None)
        if beyond and beyond.seq > self.count:
            self.error(
                "entries_missing",
                self.count + 1,
                f"The log ends at entry {self.count}, but {_where(beyond)} recorded {beyond.seq} entries: "
                f"entries {self.count + 1} to {beyond.seq} are missing. Entries were dropped, or this log is older.",
            )

    def _begin(self, path: Path) -> bool:
        """Compare the last line before the beginning with the head there; its time is that of the entry before."""
        line = line_before(path, self.size)
        entry, _ = parse_line(line) if line is not None else (None, "")
        if entry is None or (entry.seq, entry.sha256) != (self.count, self.prev):
            message = (
                f"Entry {self.count}, the last one that was proved, is not as it was written or in its place."
            )
            self.error("broken_chain", self.count, message)
            return False
        self._latest = entry.at
        self._agreed = self.count
        if self.count == self._keep_at:
            self.passed = self._start
        return True

    def head(self) -> StoredHead:
        """The end of what was read."""
        return StoredHead(seq=self.count, sha256=self.prev, size=self.size, frontier=self.tree.hashes)

    def _accept_line(self, line: bytes, rest: Iterator[bytes]) -> bool:
        """Check one line against the one before it; False when it is bad."""
        number = self.count + 1
        entry, why = parse_line(line)
        if entry is None:
            self.error("not_an_entry", number, f"Entry {number} was altered: {why}.")
        elif entry.seq != number:
            self.error(
                "wrong_number",
                number,
                f"Entry {entry.seq} is in the place of entry {number}: entries were dropped, repeated or moved.",
            )
        elif entry.prev != self.prev:
            altered = self._altered_entry(entry, rest)
            self.error("broken_chain", altered, f"Entry {altered} is not as it was written.")
        else:
            if self._latest and entry.at < self._latest:
                self._note_clock(number)
            self._latest = entry.at
            if self._watch:
                self._watch(entry)
            self.count, self.prev = number, entry.sha256
            return True
        return False

    def _note_clock(self, number: int) -> None:
        """Note an entry that is earlier than the one before it; of very many only the first are named."""
        self._went_back += 1
        if self._went_back <= MOST_NAMED:
            message = f"Entry {number} has an earlier time than the entry before."
            self.warn("clock_went_back", number, message)
        elif self._went_back == MOST_NAMED + 1:
            message = f"More entries have an earlier time than the entry before, from entry {number} on."
            self.warn("clock_went_back", number, message)

    def _altered_entry(self, entry: Entry, rest: Iterator[bytes]) -> int:
        """The number of the altered one of two entries that do not fit.

        It is the later one when the entry after it, or an anchor, has another digest for it.
        """
        following, _ = parse_line(next(rest, b"").rstrip(b"\n"))
        if following is not None:
            differs = following.prev != entry.sha256
        else:
            differs = any(a.seq == entry.seq and a.sha256 != entry.sha256 for a in self.anchors)
        return entry.seq if differs or self.count == self._start.seq else self.count

    def _compare(self, anchor: Anchor) -> None:
        """Compare the log so far with a head that was recorded; a difference lies after the last one that agreed."""
        same = not anchor.sha256 or anchor.sha256 == self.prev
        if same and (not anchor.root or anchor.root == self.tree.root().hex()):
            self._agreed = self.count
            return
        first = self._agreed + 1
        entries = f"entry {first}" if first == self.count else f"one of the entries {first} to {self.count}"
        what = "the Merkle root" if same else "the digest"
        self.error(
            "not_as_noted",
            self.count,
            f"The log does not extend the head of {anchor.seq} entries that {_where(anchor)} recorded "
            f"({what} differs): {entries} is not as it was written.",
        )


def _where(anchor: Anchor) -> str:
    return anchor.where or "another place"
