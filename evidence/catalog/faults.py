"""Errors of the database as errors that a person can act on: damaged, full, read-only, in use."""

from __future__ import annotations

import sqlite3
from typing import Final

from sqlalchemy.engine import ExceptionContext

from evidence.errors import BadInputError, CatalogError, CatalogWriteError, EvidenceError, LockedError

REBUILD: Final = "Run `evidence rebuild`: it makes the catalog anew from the bags. The bags were not changed."
_DAMAGED: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT})
_REFUSED: Final = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR})
_IN_USE: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
_PRIMARY: Final = 0xFF
"""The primary result code is the low byte of an extended one (sqlite.org/rescode.html)."""
_BROKEN_TEXTS: Final = ("no such table", "no such column", "malformed", "Could not decode to UTF-8")
"""Messages of damage that SQLite reports under its general code, SQLITE_ERROR, or under none."""
_POSTGRES_AGAIN: Final = frozenset({"40001", "40P01"})
"""serialization_failure and deadlock_detected: the whole transaction can be run again."""
_POSTGRES_FULL: Final = frozenset({"53100", "25006"})
"""disk_full and read_only_sql_transaction (PostgreSQL manual, appendix A)."""
_POSTGRES_RANGE: Final = "22003"
"""numeric_value_out_of_range (PostgreSQL manual, appendix A)."""


class TryAgainError(LockedError):
    """The database server gave up a transaction because of another one; nothing of it was stored."""


class ServerLostError(CatalogWriteError):
    """The server of the catalog ended a connection, or cannot be reached any more."""


def translate(context: ExceptionContext) -> EvidenceError | None:
    """Our own error in place of a database error whose cause is the disk or the file; for `handle_error`."""
    return error_of(context.original_exception)


def translate_lost(context: ExceptionContext) -> EvidenceError | None:
    """Our own error in place of one of a server that was reached before and is not now; for `handle_error`."""
    if not context.is_disconnect and context.connection is not None:
        return None
    reason = str(context.original_exception).strip().splitlines()[0].rstrip(".")
    return ServerLostError(
        f"The catalog's server cannot be reached any more: {reason}.",
        "See that it runs and that this computer reaches it, then run the same command again.",
    )


def error_of(trouble: BaseException) -> EvidenceError | None:
    """The error to show for a database error; None for an error of the program itself."""
    if getattr(trouble, "sqlstate", None) in _POSTGRES_AGAIN:
        return TryAgainError(
            "Another station is changing the same rows of the catalog.", "Run the same command again."
        )
    if getattr(trouble, "sqlstate", None) in _POSTGRES_FULL:
        return _refused(str(trouble))
    if isinstance(trouble, OverflowError) or getattr(trouble, "sqlstate", None) == _POSTGRES_RANGE:
        return BadInputError("A number is too large for the catalog.", "Give a smaller number.")
    if not isinstance(trouble, sqlite3.Error):
        return None
    text = str(trouble)
    code = (getattr(trouble, "sqlite_errorcode", None) or 0) & _PRIMARY
    if code in _DAMAGED or any(part in text for part in _BROKEN_TEXTS):
        return CatalogError(f"The catalog is damaged: {text}.", REBUILD)
    if code in _REFUSED:
        return _refused(text)
    if code in _IN_USE:
        return LockedError(
            "Another process is changing the catalog.", "Wait until it ends, then run this again."
        )
    return None


def _refused(text: str) -> CatalogWriteError:
    reason = text.strip().splitlines()[0].rstrip(".")
    return CatalogWriteError(
        f"The catalog cannot be written: {reason}.",
        "Free some space on its disk and check that you may write there, then run the same command again.",
    )
