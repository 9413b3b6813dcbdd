"""Holds: on a claim, an insured, a storm or a range of dates of loss; who placed each, and who ended it."""

from __future__ import annotations

import functools
import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row, Select, insert, update

from evidence.catalog import tables as t
from evidence.catalog.base import Database, day, dump, every_row, from_text, rows_with, to_text
from evidence.model import ClaimId, HoldKind, HoldScope


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRow:
    """A hold: until it ends, nothing of the claims that it covers may be purged."""

    number: int
    claim: ClaimId | None
    """The claim that it names alone; None for one with another scope."""
    reason: str
    placed_by: str
    placed_at: datetime
    lifted_by: str | None
    """The second person, who agreed that it may end."""
    lifted_at: datetime | None
    lifted_why: str | None
    kind: HoldKind
    scope: HoldScope
    until: date | None
    """Its last day; None until two people lift it."""
    covered: tuple[ClaimId, ...]
    """Claims that its scope covered at some time, for one that names no claim alone; they stay covered."""
    lift_asked_by: str | None
    """The first person, who asked that it may end."""
    lift_asked_at: datetime | None

    @property
    def active(self) -> bool:
        """True until it is lifted; its last day is not looked at."""
        return self.lifted_at is None


class Holds:
    """The holds of the catalog."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def place(
        self,
        scope: HoldScope,
        *,
        kind: HoldKind,
        reason: str,
        until: date | None,
        covered: Collection[ClaimId],
        by: str,
        at: datetime,
    ) -> int:
        """Add a hold; returns its number."""
        row = {
            "claim": scope.claim or "",
            "kind": kind.value,
            "reason": reason,
            "insured": scope.insured,
            "peril": scope.peril,
            "first_loss": _iso(scope.first_loss),
            "last_loss": _iso(scope.last_loss),
            "area": dump(list(scope.area)),
            "until": _iso(until),
            "covered": dump(sorted(covered)),
            "placed_by": by,
            "placed_at": to_text(at),
        }
        with self._database.transaction() as db:
            self._changed(scope.claim)
            result = db.execute(insert(t.hold).values(row))
            return int(result.inserted_primary_key[0]) if result.inserted_primary_key else 0

    def cover(self, number: int, claims: Collection[ClaimId]) -> None:
        """Add claims to those that the hold covered at some time."""
        hold = self.get(number)
        if hold is not None and not set(claims) <= set(hold.covered):
            self._set(hold, covered=dump(sorted({*hold.covered, *claims})))

    def ask_lift(self, number: int, *, by: str, why: str, at: datetime) -> None:
        """Store that a person asks to end the hold; it stays in force."""
        hold = self.get(number)
        if hold is not None:
            self._set(hold, lift_asked_by=by, lift_asked_at=to_text(at), lifted_why=why)

    def lift(self, number: int, *, by: str, at: datetime) -> None:
        """End a hold; the row stays."""
        hold = self.get(number)
        if hold is not None:
            self._set(hold, lifted_by=by, lifted_at=to_text(at))

    def get(self, number: int) -> HoldRow | None:
        """The hold of that number, or None."""
        with self._database.transaction() as db:
            row = db.execute(rows_with(t.hold.c.id), {"value": number}).first()
        return _read(row) if row else None

    def of(self, claim: ClaimId) -> list[HoldRow]:
        """The holds that name this claim alone, oldest first."""
        return self._read_all(rows_with(t.hold.c.claim, t.hold.c.id), value=claim)

    def all(self, *, active_only: bool = False) -> list[HoldRow]:
        """All holds, oldest first; with `active_only` those that nobody lifted."""
        return self._read_all(_not_lifted() if active_only else every_row(t.hold))

    def _read_all(self, query: Select[Any], **asked: str) -> list[HoldRow]:
        with self._database.transaction() as db:
            return [_read(row) for row in db.execute(query, asked)]

    def _set(self, hold: HoldRow, **values: Any) -> None:
        with self._database.transaction() as db:
            self._changed(hold.claim)
            db.execute(update(t.hold).where(t.hold.c.id == hold.number).values(**values))

    def _changed(self, claim: ClaimId | None) -> None:
        """A hold on one claim is in that claim's record, any other in the office's."""
        if claim:
            self._database.changed("claim", [claim])
        else:
            self._database.changed("office", [""])


@functools.cache
def _not_lifted() -> Select[Any]:
    return every_row(t.hold).where(t.hold.c.lifted_at.is_(None))


def _iso(on: date | None) -> str | None:
    return on.isoformat() if on else None


def _read(row: Row[Any]) -> HoldRow:
    claim = ClaimId(row.claim) if row.claim else None
    return HoldRow(
        number=row.id,
        claim=claim,
        reason=row.reason,
        placed_by=row.placed_by,
        placed_at=datetime.fromisoformat(row.placed_at),
        lifted_by=row.lifted_by,
        lifted_at=from_text(row.lifted_at),
        lifted_why=row.lifted_why,
        kind=HoldKind(row.kind),
        scope=HoldScope(
            claim=claim,
            insured=row.insured,
            peril=row.peril,
            first_loss=day(row.first_loss),
            last_loss=day(row.last_loss),
            area=tuple(json.loads(row.area)),
        ),
        until=day(row.until),
        covered=tuple(map(ClaimId, json.loads(row.covered))),
        lift_asked_by=row.lift_asked_by,
        lift_asked_at=from_text(row.lift_asked_at),
    )
