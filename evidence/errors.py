"""Every failure that a user sees: what happened, and what to do next; how numbers and names are shown."""

from __future__ import annotations

import json
import unicodedata
from pathlib import Path


def counted(number: int, noun: str, many: str = "") -> str:
    """A number with its noun: '1 file', '2 files'. `many` is the plural where an `s` does not make it."""
    return f"{number} {noun}" if number == 1 else f"{number} {many or noun + 's'}"


def one_line(text: str | Path) -> str:
    """The text with an escape for every character that is not printable, so that it is shown on one line as it is.

    These are control characters (C0 and C1, with escape and line ends), characters that hide or reorder others
    (zero width, bidirectional), lone surrogates and unassigned ones: Unicode's categories C and Z but the space.
    """
    shown = str(text)
    return shown if shown.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in shown)


def visible(text: str) -> str:
    """As `one_line` for a text of several lines, as a page shows it: line ends, tabs and every kind of space stay."""
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() or c in "\n\r\t" or unicodedata.category(c) == "Zs" else ascii(c)[1:-1]
        for c in text
    )


def printable_json(text: str) -> str:
    """The same JSON value with an escape (RFC 8259, section 7) for each character that is not printable."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c in "\n\t" else json.dumps(c)[1:-1] for c in text)


class EvidenceError(Exception):
    """A failure that the user sees as one line: what is wrong, then what to do about it.

    `exit_code` is the exit status of the process: 2 for bad input; 20 and above, one per class.
    """

    exit_code = 20
    details: tuple[str, ...] = ()
    """Further lines, each shown on a line of its own between what is wrong and what to do."""

    def __init__(self, message: str, hint: str) -> None:
        self.message = message
        self.hint = hint
        super().__init__(f"{message} {hint}")


class BadInputError(EvidenceError):
    """The user's input cannot be used; nothing was changed."""

    exit_code = 2


class CardReadError(EvidenceError):
    """The card, or a file on it, could not be read."""

    exit_code = 21


class CopyMismatchError(EvidenceError):
    """The copy on disk differs from what was read off the card."""

    exit_code = 22

    def __init__(self, copy: Path) -> None:
        super().__init__(
            f"{copy.name}: the copy does not match what was read off the card.",
            "Leave the card untouched, try another reader, then run the intake again.",
        )


class DestinationError(EvidenceError):
    """The archive or a backup target could not be written: full, read-only or missing."""

    exit_code = 23


class CustodyError(EvidenceError):
    """The custody log is damaged or was altered."""

    exit_code = 24


class BagError(EvidenceError):
    """A bag does not match its manifests."""

    exit_code = 25


class PurgeRefusedError(EvidenceError):
    """A purge is not allowed: the period has not ended, there is a hold, or the plan or second person is missing."""

    exit_code = 26


class LockedError(EvidenceError):
    """Another process is working on this archive."""

    exit_code = 27


class CatalogError(EvidenceError):
    """The catalog is missing, emptied or damaged, while the bags are there."""

    exit_code = 30


class CatalogWriteError(EvidenceError):
    """The disk that holds the catalog is full or refuses writes, or its server cannot be reached any more."""

    exit_code = 31


class TellingError(EvidenceError):
    """A message about a card's result could not be sent; the intake is not affected."""

    exit_code = 33


class ArchiveOlderError(EvidenceError):
    """A backup target holds a later state of this archive than this archive itself."""

    exit_code = 32
