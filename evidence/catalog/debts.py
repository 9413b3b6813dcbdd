"""What a station is still to remove of a claim that was purged at another one; see `filing.station_debts`."""

from __future__ import annotations

import functools
import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Column, Row, Select, delete, select

from evidence.catalog import tables as t
from evidence.catalog.base import VALUE, Database, dump, to_text
from evidence.codec import from_json, to_json
from evidence.model import Claim, ClaimId, Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class StationPart:
    """What a station needs to know to remove its part of a purged claim. It names people, so it goes with the debt."""

    about: Claim
    """The claim as it was, so that a hold that covers it is still found."""
    bag: str
    """The name of its bag's folder, wherever that stands; empty for a claim without one."""
    photos: tuple[Sha256, ...]
    """Digests of its files."""
    places: tuple[str, ...]
    """What the catalog called the backup disks that had copies of them."""
    private: tuple[str, ...]
    """Names and addresses to look for in free text."""
    intakes: tuple[str, ...]
    """The cards on which the files were."""
    phashes: tuple[str, ...]
    plan: str
    """Digest of the plan."""
    manifest: str
    """One digest over the files' digests, as in the plan."""
    certificate: str
    """SHA-256 of the certificate's text."""
    authority: str
    planned_by: str
    approved_by: str
    run_by: str
    run_at: str
    """The name of the station where the purge was run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StationDebt:
    """One claim of which one station is still to remove its part."""

    station: str
    """Its archive's id."""
    claim: ClaimId
    since: datetime
    """When it was purged, aware, UTC."""
    part: StationPart


class Debts:
    """What the stations owe."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, debts: Collection[StationDebt]) -> None:
        """Add these."""
        rows = [
            {
                "station": one.station,
                "claim": one.claim,
                "since": to_text(one.since),
                "part": dump(to_json(one.part)),
            }
            for one in debts
        ]
        with self._database.transaction():
            self._database.changed("claim", {one.claim for one in debts})
            self._database.upsert(t.station_debt, rows)

    def all(self) -> list[StationDebt]:
        """What every station owes, oldest first."""
        return self._read(_debts())

    def of_claim(self, claim: ClaimId) -> list[StationDebt]:
        """What stations owe of one claim."""
        return self._read(_debts(t.station_debt.c.claim), value=claim)

    def here(self) -> list[StationDebt]:
        """What the station owes that opened the catalog; nothing of a catalog in a file."""
        station = self._database.station
        return self._read(_debts(t.station_debt.c.station), value=station) if station else []

    def settle(self, debt: StationDebt) -> None:
        """The station removed its part, or is gone; what names people goes."""
        mine = (t.station_debt.c.station == debt.station) & (t.station_debt.c.claim == debt.claim)
        with self._database.transaction() as db:
            self._database.changed("claim", [debt.claim])
            self._database.changed("intake", debt.part.intakes)  # their ledgers follow at the backup disks
            db.execute(delete(t.station_debt).where(mine))

    def _read(self, query: Select[Any], **asked: str) -> list[StationDebt]:
        with self._database.transaction() as db:
            return [_debt(row) for row in db.execute(query, asked)]


@functools.cache
def _debts(column: Column[Any] | None = None) -> Select[Any]:
    """Asks for all debts, or those with `value` in this column, oldest first."""
    debt = t.station_debt.c
    query = select(t.station_debt).order_by(debt.since, debt.claim, debt.station)
    return query if column is None else query.where(column == VALUE)


def _debt(row: Row[Any]) -> StationDebt:
    return StationDebt(
        station=row.station,
        claim=ClaimId(row.claim),
        since=datetime.fromisoformat(row.since),
        part=from_json(StationPart, json.loads(row.part)),
    )
