"""Dates that a person types, on the command line or in a form."""

from __future__ import annotations

from datetime import date

from evidence.errors import BadInputError


def typed_date(text: str, where: str = "") -> date:
    """The calendar day of an ISO 8601 text. Raises BadInputError, which names the option or field `where`."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        named = f"{where}: " if where else ""
        raise BadInputError(f"{named}'{text}' is not a date.", "Write it as 2026-05-14.") from None


def typed_date_or_none(text: str | None, where: str = "") -> date | None:
    """`typed_date` of a text that may be missing."""
    return None if text is None else typed_date(text, where)
