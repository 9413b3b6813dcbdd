"""Reads a whole custody log and finds the first entry that is not as it was written."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from evidence.archive.custody_lines import GENESIS, Anchor, Entry, parse_line
from evidence.archive.merkle import Frontier
from evidence.model import Finding

NOTES = frozenset({"torn_line", "head_behind", "clock_went_back"})
"""Findings that a killed process or a wrong clock explains; the log is still valid."""

_TORN = "The last line is incomplete, as after a killed append; the next append moves it to another file."


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyCheck:
    """What reading the whole log found."""

    entries: int
    """Entries read before the first bad one."""
    valid: bool
    findings: tuple[Finding, ...]
    """The subject is the number of the line in the file, from 1."""


class LogReading:
    """One pass over a log, from its first line to its last or to the first bad one."""

    def __init__(self, anchors: Iterable[Anchor], watch: Callable[[Entry], None] | None = None) -> None:
        self.anchors = list(anchors)
        self.findings: list[Finding] = []
        self.broken = False
        """True when a finding makes the log invalid."""
        self.count = 0
        self.size = 0
        self.prev = GENESIS
        self.tree = Frontier()
        """The Merkle tree over the entries read."""
        self._watch = watch
        self._latest: datetime | None = None
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
        at: dict[int, list[Anchor]] = {}
        for anchor in self.anchors:
            at.setdefault(anchor.seq, []).append(anchor)
        if path.exists():
            with path.open("rb") as handle:
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
                self.warn(
                    "clock_went_back", number, f"Entry {number} has an earlier time than the entry before."
                )
            self._latest = entry.at
            if self._watch:
                self._watch(entry)
            self.count, self.prev = number, entry.sha256
            return True
        return False

    def _altered_entry(self, entry: Entry, rest: Iterator[bytes]) -> int:
        """The number of the altered one of two entries that do not fit.

        It is the later one when the entry after it, or an anchor, has another digest for it.
        """
        following, _ = parse_line(next(rest, b"").rstrip(b"\n"))
        if following is not None:
            differs = following.prev != entry.sha256
        else:
            differs = any(a.seq == entry.seq and a.sha256 != entry.sha256 for a in self.anchors)
        return entry.seq if differs or self.count == 0 else self.count

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
