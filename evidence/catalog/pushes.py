"""Which bags each backup target lacks: the to-do list of a backup, kept for each disk.

Every method that makes a target's copy of a bag out of date marks it as due in the same transaction, so a backup asks
for the due bags and opens no other.
"""

from __future__ import annotations

import functools
import secrets
from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Delete, Select, Update, bindparam, delete, insert, literal, select, true, update

from evidence.catalog import tables as t
from evidence.catalog.base import VALUE, Database, chunks, deleted_with, own_only, rows_with, values_with
from evidence.catalog.totals import TRAY
from evidence.model import ClaimId, Sha256

PUT_BACK = -1
"""Fewer entries than any head has: given for a disk that was put back to an earlier time without a head."""
_NEVER = 2**31 - 1
"""More entries than any head has: no backup to the disk was completed."""


class Pushes:
    """Bags that are due at each disk. The id in a disk's marker identifies it."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def begin(self, disk: str, place: str, *, head: int) -> bool:
        """Note that the target `place` is this disk and holds a head of `head` entries; 0 for none, or `PUT_BACK`.

        True, and every bag is due, with the tray's even if there is none any more, at a disk that no backup completed yet, or that holds an older head than the
        last backup left there: its content was put back to an earlier time. It stays so until `put_head`.
        """
        with self._database.transaction() as db:
            known = db.execute(_head(), {"value": disk}).scalar_one_or_none()
            anew = known is None or head < known
            station = self._database.station
            row = {"disk": disk, "place": place, "head": _NEVER if anew else known, "station": station}
            self._database.upsert(t.target_disk, [row])
            if anew:
                db.execute(deleted_with(t.pushed_bag.c.disk), {"value": disk})
                # A bag that stands at no station yet may be filed at another one; here it becomes due when it is built.
                mine = t.bag.c.station == station if station else true()
                every = select(literal(disk), t.bag.c.claim, literal(""), literal(True)).where(mine)
                columns = ["disk", "claim", "tag_manifest", "due"]
                db.execute(insert(t.pushed_bag).from_select(columns, every))
                tray = {"disk": disk, "claim": TRAY, "tag_manifest": "", "due": True}
                self._database.upsert(t.pushed_bag, [tray])
        return anew

    def put_head(self, disk: str, *, head: int) -> None:
        """Note the entries of the newest head that a backup left at the disk."""
        with self._database.transaction() as db:
            db.execute(_set_head(), {"value": disk, "head": head})

    def due(self, disk: str) -> list[ClaimId]:
        """The claims whose bags must be copied to the disk, sorted; the tray is empty."""
        with self._database.transaction() as db:
            return [ClaimId(claim) for claim in db.execute(_bags_due(), {"value": disk}).scalars()]

    def put_pushed(self, disk: str, claim: ClaimId, tag_manifest: Sha256) -> None:
        """Note that the disk's copy of the claim's bag has this tag manifest, by digest, and is not due."""
        row = {"disk": disk, "claim": claim, "tag_manifest": tag_manifest, "due": False}
        self._database.upsert(t.pushed_bag, [row])

    def put_removed(self, disk: str, claim: ClaimId) -> None:
        """Note that the disk has no copy of the claim's bag, and needs none."""
        mine = (t.pushed_bag.c.disk == disk) & (t.pushed_bag.c.claim == claim)
        with self._database.transaction() as db:
            db.execute(delete(t.pushed_bag).where(mine))

    def pushed(self, disk: str, claim: ClaimId) -> Sha256 | None:
        """The digest of the tag manifest that the disk's copy must have; None when the copy is due or unknown."""
        with self._database.transaction() as db:
            found = db.execute(_tag_manifest(), {"disk": disk, "claim": claim}).scalar_one_or_none()
        return Sha256(found) if found else None

    def files_due(self, disk: str) -> tuple[bool, dict[str, str]]:
        """Whether every ledger and record file must be compared, and those that changed, with a mark of the change."""
        due = t.pushed_file_due.c
        with self._database.transaction() as db:
            every = db.execute(_head(), {"value": disk}).scalar_one_or_none() in (None, _NEVER)
            rows = db.execute(rows_with(due.disk, due.name), {"value": disk})
            return every, {row.name: row.mark for row in rows}

    def files_pushed(self, disk: str, done: Mapping[str, str]) -> None:
        """These files are at the disk; those that changed meanwhile have another mark and stay due."""
        rows = [{"of_disk": disk, "of_name": name, "of_mark": mark} for name, mark in done.items()]
        if rows:
            with self._database.transaction() as db:
                db.execute(_pushed(), rows)

    def mark_due(self, place: str, claim: ClaimId) -> None:
        """A target's copy of the claim's bag is not as it was copied: the next backup compares it."""
        disks = select(t.target_disk.c.disk).where(t.target_disk.c.place == place)
        mine = t.pushed_bag.c.disk.in_(disks) & (t.pushed_bag.c.claim == claim)
        with self._database.transaction() as db:
            db.execute(update(t.pushed_bag).where(mine).values(due=True))


def bag_changed(database: Database, claim: ClaimId) -> None:
    """The claim's bag is due at every disk of its station, in the transaction that records a new state of it."""
    with database.transaction() as db:
        standing = db.execute(values_with(t.bag.c.station, t.bag.c.claim), {"value": claim})
        station = standing.scalar_one_or_none()
        elsewhere = station not in (None, "", database.station)
        disks = _disks(database, station if elsewhere else None)
        database.upsert(t.pushed_bag, [{"disk": disk, "claim": claim, "due": True} for disk in disks])


def files_changed(database: Database, names: Iterable[str]) -> None:
    """These ledgers and record files, by path below the archive, are due at every disk."""
    with database.transaction():
        disks = _disks(database)
        rows = [
            {"disk": disk, "name": name, "mark": secrets.token_hex(8)}
            for disk in disks
            for name in sorted(set(names))
        ]
        database.upsert(t.pushed_file_due, rows)


def _disks(database: Database, station: str | None = None) -> list[str]:
    """The disks of a station; without one, those of the station that opened the catalog and those of none."""
    query = _disks_of(database.station, own=station is None)
    with database.transaction() as db:
        return list(db.execute(query, {} if station is None else {"station": station}).scalars())


@functools.lru_cache(maxsize=64)
def _disks_of(opened_by: str, *, own: bool) -> Select[Any]:
    disk = t.target_disk.c
    where = own_only(opened_by, disk.station) if own else disk.station == bindparam("station")
    return select(disk.disk).where(where).order_by(disk.disk)


@functools.cache
def _head() -> Select[Any]:
    return values_with(t.target_disk.c.head, t.target_disk.c.disk)


@functools.cache
def _set_head() -> Update:
    return update(t.target_disk).where(t.target_disk.c.disk == VALUE).values(head=bindparam("head"))


@functools.cache
def _bags_due() -> Select[Any]:
    mine = (t.pushed_bag.c.disk == VALUE) & t.pushed_bag.c.due.is_(True)
    return select(t.pushed_bag.c.claim).where(mine).order_by(t.pushed_bag.c.claim)


@functools.cache
def _tag_manifest() -> Select[Any]:
    row = t.pushed_bag.c
    mine = (row.disk == bindparam("disk")) & (row.claim == bindparam("claim"))
    return select(row.tag_manifest).where(mine, row.due.is_(False))


@functools.cache
def _pushed() -> Delete:
    """Deletes the record that a file is due at a disk, unless it was changed again."""
    due = t.pushed_file_due.c
    same = (due.disk == bindparam("of_disk")) & (due.name == bindparam("of_name"))
    return delete(t.pushed_file_due).where(same, due.mark == bindparam("of_mark"))


def copies_bad(database: Database, place: str, digests: Iterable[Sha256]) -> None:
    """The bags of these originals are due at the disk of a target: a copy there was found bad."""
    disks = select(t.target_disk.c.disk).where(t.target_disk.c.place == place)
    with database.transaction() as db:
        for piece in chunks(list(digests)):
            claims = select(t.copy.c.claim).where(t.copy.c.place == place, t.copy.c.sha256.in_(piece))
            bags = t.pushed_bag.c.disk.in_(disks) & t.pushed_bag.c.claim.in_(claims)
            db.execute(update(t.pushed_bag).where(bags).values(due=True))


def place_gone(database: Database, place: str) -> None:
    """Delete the rows about the disk of a target that was lost or replaced."""
    disks = select(t.target_disk.c.disk).where(t.target_disk.c.place == place)
    with database.transaction() as db:
        for table in (t.pushed_bag, t.pushed_file_due):
            db.execute(delete(table).where(table.c.disk.in_(disks)))
        db.execute(delete(t.target_disk).where(t.target_disk.c.place == place))
