"""A hold as its entry in the custody log records it, for a rebuild that has no other source."""

from __future__ import annotations

from evidence.archive.custody_lines import Entry
from evidence.catalog.base import dump, to_text
from evidence.catalog.records import Row
from evidence.model import HoldKind


def hold_row(number: int, entry: Entry) -> Row:
    """The catalog's row of the hold that an entry `hold_placed` records, also one of an earlier program."""
    details = entry.details
    scope = details.get("scope") or {}
    return {
        "id": number,
        "claim": "" if scope else entry.subject,
        "kind": str(details.get("kind", HoldKind.OWN.value)),
        "reason": str(details.get("reason", "")),
        "until": details.get("until"),
        "insured": scope.get("insured") or "",
        "peril": scope.get("peril") or "",
        "first_loss": scope.get("first_loss"),
        "last_loss": scope.get("last_loss"),
        "area": dump(scope.get("area") or []),
        "covered": dump(details.get("covered") or []),
        "placed_by": entry.actor,
        "placed_at": to_text(entry.at),
    }
