"""Reading a whole custody log and naming the first entry that does not stand as it was written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from evidence.archive.custody_lines import GENESIS, Anchor, Entry, parse_line
from evidence.archive.merkle import Frontier
from evidence.model import Finding

NOTES = frozenset({"torn_line", "head_behind", "clock_went_back"})
"""Findings that a killed process or a wrong clock explains; they do not make the log invalid."""

_TORN = "The last line is torn, as after a killed append; the next append sets it aside."


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyCheck:
    """What reading the whole log found."""

    entries: int
    """Lines read up to the first one that does not hold."""
    valid: bool
    findings: tuple[Finding, ...]
    """The subject is the number of the line, as it stands in the file, from 1."""


class Walk:
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
        entry, why = parse_line(line)
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
        following, _ = parse_line(next(rest, b"").rstrip(b"\n"))
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
