"""The stations of a catalog: the archives that it belongs to, each known by its archive's id.

A catalog in a file has one. On a database server several machines, each with an archive's folder of its own, may share
one catalog. A card, a decision, a bag and a backup disk belong to the station that wrote them; the files of a card wait
in its intake area until the station of their bag has them.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Delete, Row, Select, Table, Update, bindparam, delete, func, select, update

from evidence.catalog import tables as t
from evidence.catalog.base import (
    AMONG,
    VALUE,
    Database,
    chunks,
    dump,
    every_row,
    from_text,
    rows_among,
    to_text,
    values_among,
    values_with,
)
from evidence.catalog.totals import count_copies
from evidence.model import ClaimId, Sha256

MOST_NAME = 60
"""Maximum length of a station's name, in characters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """One machine with its own archive's folder."""

    archive: str
    name: str
    path: str
    """Where other stations find its folder, if they can reach it."""
    added_at: datetime
    added_by: str
    head: Mapping[str, Any] | None
    """The newest signed head of its custody log, as JSON data."""
    left_at: datetime | None
    left_by: str | None
    left_why: str | None

    @property
    def left(self) -> bool:
        """True when it was declared gone for good."""
        return self.left_at is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """What one station has."""

    cards: int
    bags: int
    waiting: int
    """Originals in its intake area."""


class Stations:
    """The stations, what each holds, and the heads of their custody logs."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @property
    def own(self) -> str:
        """The archive's id of the station that opened the catalog; empty for a catalog in a file."""
        return self._database.station

    def all(self) -> list[Station]:
        """Every station, the first one first; also those that left."""
        with self._database.transaction() as db:
            return [read_station(row) for row in db.execute(every_station())]

    def others(self) -> list[Station]:
        """The stations but for this one and those that left; none of a catalog in a file."""
        return [one for one in self.all() if one.archive != self.own and not one.left] if self.own else []

    def name(self, archive: str) -> str:
        """The name of a station, or its id where it has none."""
        return next((one.name for one in self.all() if one.archive == archive), archive)

    def is_first(self) -> bool:
        """True at the first station that has not left: it writes the record files of the office."""
        return not self.own or next((one.archive for one in self.all() if not one.left), "") == self.own

    def rename(self, archive: str, name: str, path: str) -> None:
        """Give a station another name and path."""
        mine = t.station.c.archive == archive
        with self._database.transaction() as db:
            db.execute(update(t.station).where(mine).values(name=name, path=path))

    def leave(self, archive: str, *, by: str, why: str, at: datetime) -> list[ClaimId]:
        """Declare that a station is gone for good; returns the claims of its bags, which the other stations build again.

        Its bags stand nowhere then and are out of date, and no original waits there any more.
        """
        with self._database.transaction() as db:
            values = {"left_at": to_text(at), "left_by": by, "left_why": why}
            db.execute(update(t.station).where(t.station.c.archive == archive).values(**values))
            claims = list(db.execute(select(t.bag.c.claim).where(t.bag.c.station == archive)).scalars())
            again = {"station": "", "dirty": True, "changes": t.bag.c.changes + 1}
            db.execute(update(t.bag).where(t.bag.c.station == archive).values(**again))
            retired = left_place(next(one for one in self.all() if one.archive == archive))
            self._retire_waiting(archive, retired)
            for piece in chunks(claims):
                there = (t.copy.c.place == "archive") & t.copy.c.claim.in_(piece)
                db.execute(update(t.copy).where(there).values(place=retired, verified_at=None))
                self._database.changed("bag", piece)
                count_copies(self._database, piece)
        return [ClaimId(claim) for claim in claims]

    def _retire_waiting(self, archive: str, retired: str) -> None:
        """Originals that waited at a station that left: its archive may hold them, so purges list it."""
        waiting = t.waiting_at.c.station == archive
        mine = select(t.original.c.sha256, t.original.c.claim).join(
            t.waiting_at, t.waiting_at.c.sha256 == t.original.c.sha256
        )
        with self._database.transaction() as db:
            rows = [
                {
                    "sha256": row.sha256,
                    "place": retired,
                    "place_id": "",
                    "off_computer": False,
                    "claim": row.claim or "",
                }
                for row in db.execute(mine.where(waiting))
            ]
            self._database.upsert(t.copy, rows)
            self._database.changed("bag", {row["claim"] for row in rows})
            count_copies(self._database, {row["claim"] for row in rows})
            db.execute(delete(t.waiting_at).where(waiting))

    def disks_of(self, archive: str) -> list[tuple[str, str]]:
        """The name and the disk's id of each backup target of a station."""
        query = select(t.target_disk.c.place, t.target_disk.c.disk).where(t.target_disk.c.station == archive)
        with self._database.transaction() as db:
            return sorted((row.place, row.disk) for row in db.execute(query))

    def counts(self) -> dict[str, Counts]:
        """What each station has, by its archive's id."""
        with self._database.transaction() as db:

            def by_station(table: Table) -> dict[str, int]:
                query = select(table.c.station, func.count().label("many")).group_by(table.c.station)
                return {row.station: row.many for row in db.execute(query)}

            cards, bags, waiting = (by_station(table) for table in (t.intake, t.bag, t.waiting_at))
        return {
            one.archive: Counts(
                cards=cards.get(one.archive, 0),
                bags=bags.get(one.archive, 0),
                waiting=waiting.get(one.archive, 0),
            )
            for one in self.all()
        }

    def put_back(self, rows: Sequence[Mapping[str, Any]], waiting: Sequence[Mapping[str, Any]]) -> None:
        """After a rebuild: stations that the catalog had lost, and what waits at each station."""
        with self._database.transaction() as db:
            for row in rows:
                self._database.upsert(t.station, [row])
            db.execute(delete(t.waiting_at))
            self._database.upsert(t.waiting_at, waiting)

    # --- whose bag, whose original ---

    def of_bags(self, claims: Iterable[ClaimId]) -> dict[ClaimId, str]:
        """The station of each of these claims' bags that stands at another station, which may have left."""
        found: dict[ClaimId, str] = {}
        if not self.own:
            return found
        with self._database.transaction() as db:
            for piece in chunks(sorted(set(claims))):
                rows = db.execute(rows_among(t.bag.c.claim), {"among": piece})
                found |= {
                    ClaimId(row.claim): row.station for row in rows if row.station not in ("", self.own)
                }
        return found

    def take_bag(self, claim: ClaimId) -> bool:
        """Let the claim's bag stand at this station, unless it stands at another; True when it stands here now."""
        if not self.own:
            return True
        with self._database.transaction() as db:
            db.execute(_taken(), {"value": claim, "station": self.own})
            query = values_with(t.bag.c.station, t.bag.c.claim)
            station = db.execute(query, {"value": claim}).scalar_one_or_none()
        return station in (None, self.own)

    def waits_here(self, digests: Collection[Sha256]) -> None:
        """These originals are in the intake area of this station."""
        if self.own and digests:
            rows = [{"sha256": sha, "station": self.own} for sha in sorted(set(digests))]
            self._database.upsert(t.waiting_at, rows)

    def waits_no_longer(self, digests: Collection[Sha256]) -> None:
        """These originals are not in the intake area of this station any more."""
        if not self.own:
            return
        with self._database.transaction() as db:
            for piece in chunks(sorted(set(digests))):
                db.execute(_waits_no_longer(), {"value": self.own, "among": piece})

    def waiting_of(self, digests: Sequence[Sha256]) -> dict[Sha256, set[str]]:
        """The stations at which each of these originals waits; those that wait nowhere are left out."""
        found: dict[Sha256, set[str]] = {}
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for row in db.execute(rows_among(t.waiting_at.c.sha256), {"among": piece}):
                    found.setdefault(Sha256(row.sha256), set()).add(row.station)
        return found

    def waiting_here(self) -> set[Sha256]:
        """The originals that wait at this station, as far as it noted them."""
        query = values_with(t.waiting_at.c.sha256, t.waiting_at.c.station)
        with self._database.transaction() as db:
            return {Sha256(sha) for sha in db.execute(query, {"value": self.own}).scalars()}

    def that_have(self, digests: Sequence[Sha256]) -> dict[Sha256, set[str]]:
        """The other stations, but for those that left, that have each of these originals: in a bag or waiting."""
        found: dict[Sha256, set[str]] = {}
        if not self.own:
            return found
        known = {one.archive for one in self.others()}
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for query in (rows_among(t.waiting_at.c.sha256), _filed_at()):
                    for row in db.execute(query, {"among": piece}):
                        if row.station in known:
                            found.setdefault(Sha256(row.sha256), set()).add(row.station)
        return found

    def of_target(self, place: str) -> str | None:
        """Another station that has a backup target of that name and has not left; None when there is none."""
        known = {one.archive for one in self.others()}
        query = values_with(t.target_disk.c.station, t.target_disk.c.place)
        with self._database.transaction() as db:
            found = db.execute(query, {"value": place}).scalars()
            return next((one for one in found if one in known), None)

    def targets_elsewhere(self) -> set[str]:
        """The names of the backup targets of the other stations that have not left."""
        known = [one.archive for one in self.others()]
        if not known:
            return set()
        query = values_among(t.target_disk.c.place, t.target_disk.c.station)
        with self._database.transaction() as db:
            return set(db.execute(query, {"among": known}).scalars())

    # --- the heads of the custody logs ---

    def put_head(self, head: Mapping[str, Any]) -> None:
        """Publish the newest signed head of this station's custody log."""
        with self._database.transaction() as db:
            db.execute(_set_head(), {"value": self.own, "head": dump(head)})

    def put_noted(self, station: str, head: Mapping[str, Any]) -> None:
        """Note that this station recorded that head of another one's log in its own."""
        row = {"station": station, "noted_by": self.own, "head": dump(head)}
        self._database.upsert(t.noted_head, [row])

    def noted(
        self, *, of: str | None = None, by: str | None = None
    ) -> list[tuple[str, str, Mapping[str, Any]]]:
        """The newest noted heads, of one station or by one: whose log, who noted it, and the head as JSON data."""
        asked = {name: value for name, value in (("of", of), ("by", by)) if value is not None}
        with self._database.transaction() as db:
            rows = db.execute(_noted(frozenset(asked)), asked)
            return [(row.station, row.noted_by, json.loads(row.head)) for row in rows]


@functools.cache
def every_station() -> Select[Any]:
    """Asks for the rows of all stations, the first one first."""
    return select(t.station).order_by(t.station.c.added_at, t.station.c.archive)


@functools.cache
def _taken() -> Update:
    """Lets the bag of the claim `value` stand at a station when it stands at none."""
    nowhere = (t.bag.c.claim == VALUE) & (t.bag.c.station == "")
    return update(t.bag).where(nowhere).values(station=bindparam("station"))


@functools.cache
def _waits_no_longer() -> Delete:
    mine = (t.waiting_at.c.station == VALUE) & t.waiting_at.c.sha256.in_(AMONG)
    return delete(t.waiting_at).where(mine)


@functools.cache
def _filed_at() -> Select[Any]:
    """Asks at which stations the bags stand that hold the originals `among`."""
    query = select(t.held_in.c.sha256, t.bag.c.station).join(t.bag, t.bag.c.claim == t.held_in.c.claim)
    return query.where(t.held_in.c.sha256.in_(AMONG))


@functools.cache
def _set_head() -> Update:
    return update(t.station).where(t.station.c.archive == VALUE).values(head=bindparam("head"))


@functools.cache
def _noted(asked: frozenset[str]) -> Select[Any]:
    head = t.noted_head.c
    parts = {"of": head.station == bindparam("of"), "by": head.noted_by == bindparam("by")}
    return every_row(t.noted_head).where(*(parts[name] for name in sorted(asked)))


def left_place(station: Station) -> str:
    """What the catalog calls the copies in the archive of a station that left. They count no more, and purges list them."""
    return f"station {station.name[:60]}#{station.archive[:8]}"


def read_station(row: Row[Any]) -> Station:
    """The station of a row."""
    added = from_text(row.added_at)
    assert added is not None
    return Station(
        archive=row.archive,
        name=row.name,
        path=row.path,
        added_at=added,
        added_by=row.added_by,
        head=json.loads(row.head) if row.head else None,
        left_at=from_text(row.left_at),
        left_by=row.left_by,
        left_why=row.left_why,
    )
