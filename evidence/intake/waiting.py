"""What could not be finished yet: why, in words, and when it is tried again. Reads no clock."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from pathlib import Path

from evidence.errors import (
    CardReadError,
    CatalogWriteError,
    CopyMismatchError,
    DestinationError,
    EvidenceError,
    LockedError,
)
from evidence.intake.pipeline import IntakeReport
from evidence.model import IntakeId
from evidence.plain_words import duration

FIRST_PAUSE_S = 10.0
LONGEST_PAUSE_S = 600.0
LONGEST_COPIES_PAUSE_S = 120.0
"""A target that was absent is looked for at least this often: looking costs next to nothing."""
MOST_REREADS = 6
"""How often files that a reader does not give are read again before a person must do something."""

MAY_PASS = (CardReadError, CopyMismatchError, DestinationError, LockedError, CatalogWriteError)
"""Failures whose cause may go away by itself or by a person's hand."""
_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}


@dataclass(slots=True, kw_only=True)
class Waiting:
    """A card to take in again, or the copies of a card to complete."""

    path: Path
    why: str
    """The cause, in words; a new cause is reported, the same one is not repeated."""
    due: float
    """When it is tried again, by the watch's clock."""
    longest: float = LONGEST_PAUSE_S
    intake: IntakeId | None = None
    """Set when only copies at backup targets are missing: then the card is not read again."""
    pause: float = FIRST_PAUSE_S
    tries: int = 0

    def put_off(self, now: float) -> None:
        """Wait twice as long as before, up to the longest pause."""
        self.tries += 1
        self.pause = min(self.pause * 2, self.longest)
        self.due = now + self.pause

    def soon(self, now: float) -> None:
        """Try at once, and start with short pauses again."""
        self.pause, self.due = FIRST_PAUSE_S, now

    @property
    def next_try(self) -> str:
        """When it is tried again, in words."""
        return f"Next try in {duration(self.pause)}."


def why_stopped(trouble: EvidenceError) -> str:
    """Why an intake stopped, and what ends the wait."""
    if isinstance(trouble, CatalogWriteError) or _is_full(trouble):
        return f"{trouble.message} Free some space there; the intake then continues by itself."
    if isinstance(trouble, LockedError):
        return f"{trouble.message} The intake continues when that ends."
    if isinstance(trouble, DestinationError):
        return f"{trouble.message} The intake continues when it can be written again."
    return f"{trouble.message} The intake continues when the card can be read."


def why_unread(report: IntakeReport, *, connected: bool) -> str:
    """Why files of a card were not copied; empty when all could be read."""
    unread = sum(one.code == "unreadable" for one in report.refused)
    if not unread:
        return ""
    kept = report.kept + report.already_kept
    if not connected:
        return (
            f"It was taken out before everything was copied: {kept} of {report.files} files are kept. "
            f"Put it in again; the rest is copied then."
        )
    return f"The reader did not give {unread} of {report.files} files; the others are kept."


def why_uncopied(report: IntakeReport) -> str:
    """Why copies at backup targets are missing."""
    if report.backup.troubles:
        return " ".join(f"Backup target {one.subject}: {one.message}" for one in report.backup.troubles)
    return report.card.reasons[0]


def _is_full(trouble: EvidenceError) -> bool:
    cause = trouble.__cause__
    return isinstance(cause, OSError) and cause.errno in _FULL
