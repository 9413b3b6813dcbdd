"""Counts that are kept beside the rows that they count, so that a list of claims or places reads no row of a photo.

Every method of the catalog that changes what is counted counts the claims concerned anew, in the same transaction.
"""

from __future__ import annotations

import functools
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, case, delete, func, or_, select

from evidence.catalog import tables as t
from evidence.catalog.base import AMONG, VALUE, Database, chunks, deleted_among, dump, values_among
from evidence.model import ClaimId, Sha256

TRAY = ClaimId("")
"""The unassigned tray in the tables of bags and of counts."""


def counts() -> ColumnElement[bool]:
    """True for a copy that was read back and matched, and not found bad since."""
    return and_(
        t.copy.c.verified_at.is_not(None),
        or_(t.copy.c.found_bad_at.is_(None), t.copy.c.found_bad_at < t.copy.c.verified_at),
    )


def count_photos(database: Database, claims: Iterable[str | None]) -> None:
    """Count the files of these claims anew; None is the tray."""
    names = sorted({claim or TRAY for claim in claims})
    with database.transaction() as db:
        for piece in chunks(names):
            db.execute(deleted_among(t.claim_total.c.claim), {"among": piece})
            named = [name for name in piece if name]
            found = list(db.execute(_photos(), {"among": named})) if named else []
            if TRAY in piece:
                found += db.execute(_photos_in_tray())
            database.upsert(t.claim_total, [_photo_row(row) for row in found])


def count_new(database: Database, sizes: Mapping[Sha256, int]) -> None:
    """Add new files to the counts of the tray, which they enter; `sizes` are their bytes. The rest of it is not read."""
    total = {"claim": TRAY, "files": len(sizes), "octets": sum(sizes.values()), "to_confirm": 0}
    with database.transaction() as db:
        database.add_up(t.claim_total, total, ("files", "octets"))
        query = values_among(t.copy.c.place, t.copy.c.sha256)
        if any(db.execute(query, {"among": piece}).first() for piece in chunks(list(sizes))):
            count_copies_of(database, sizes.keys(), [TRAY])  # places have copies of them from before
        else:
            row = {"claim": TRAY, "places": dump([]), "files": len(sizes)}
            database.add_up(t.place_set, row, ("files",))


def count_copies(database: Database, claims: Iterable[str | None]) -> None:
    """Count the copies in these claims' bags anew, and in which places the claims' files have them; None is the tray."""
    names = sorted({claim or TRAY for claim in claims})
    with database.transaction() as db:
        for piece in chunks(names):
            for table in (t.copy_total, t.place_set):
                db.execute(deleted_among(table.c.claim), {"among": piece})
            database.upsert(t.copy_total, _copy_rows(db, piece))
            for name in piece:
                database.upsert(t.place_set, _set_rows(db, name))


def count_copies_of(database: Database, digests: Collection[Sha256], bags: Iterable[str] = ()) -> None:
    """`count_copies` for the claims of these files, the bags in which they have copies, and `bags`."""
    query = values_among(t.copy.c.claim, t.copy.c.sha256)
    with database.transaction() as db:
        names = set(bags)
        for piece in chunks(sorted(digests)):
            names.update(db.execute(query, {"among": piece}).scalars())
        count_copies_in(database, digests, names)


def count_copies_in(database: Database, digests: Collection[Sha256], bags: Iterable[str]) -> None:
    """`count_copies` for the claims of these files and for these bags, the only ones whose copies of them changed."""
    query = values_among(t.original.c.claim, t.original.c.sha256)
    with database.transaction() as db:
        names: set[str | None] = set(bags)
        for piece in chunks(sorted(digests)):
            names.update(db.execute(query, {"among": piece}).scalars())
        count_copies(database, names)


def count_all(database: Database) -> None:
    """Count everything anew."""
    with database.transaction() as db:
        for table in (t.claim_total, t.copy_total, t.place_set):
            db.execute(delete(table))
        claims = [TRAY, *db.execute(select(t.claim.c.claim)).scalars()]
        held = {one or TRAY for one in db.execute(select(t.original.c.claim).distinct()).scalars()}
        every = sorted({*claims, *held, *db.execute(select(t.copy.c.claim).distinct()).scalars()})
        count_photos(database, every)
        count_copies(database, every)


@functools.cache
def _photos() -> Select[Any]:
    """Counts the files of each of the claims `among`."""
    return _counted().where(t.original.c.claim.in_(AMONG))


@functools.cache
def _photos_in_tray() -> Select[Any]:
    return _counted().where(t.original.c.claim.is_(None))


def _counted() -> Select[Any]:
    original = t.original.c
    return select(
        original.claim,
        func.count().label("files"),
        func.sum(original.size).label("octets"),
        func.sum(case((original.to_confirm.is_(True), 1), else_=0)).label("to_confirm"),
        func.min(original.corrected).label("first"),
        func.max(original.corrected).label("last"),
    ).group_by(original.claim)


def _photo_row(row: Any) -> Mapping[str, Any]:
    return {
        "claim": row.claim or TRAY,
        "files": row.files,
        "octets": int(row.octets),
        "to_confirm": int(row.to_confirm),
        "first": row.first,
        "last": row.last,
    }


def _copy_rows(db: Connection, claims: Sequence[str]) -> list[Mapping[str, Any]]:
    return [
        {**row, "copies": int(row["copies"]), "octets": int(row["octets"]), "bad": int(row["bad"])}
        for row in db.execute(_copies(), {"among": claims}).mappings()
    ]


@functools.cache
def _copies() -> Select[Any]:
    """Counts the copies in the bags of the claims `among`, for each place."""
    good = counts()
    return (
        select(
            t.copy.c.place,
            t.copy.c.claim,
            func.sum(case((good, 1), else_=0)).label("copies"),
            func.sum(case((good, t.original.c.size), else_=0)).label("octets"),
            func.sum(case((good, 0), else_=1)).label("bad"),
            func.min(case((good, t.copy.c.verified_at))).label("oldest"),
            func.max(case((good, t.copy.c.verified_at))).label("newest"),
        )
        .join(t.original, t.original.c.sha256 == t.copy.c.sha256)
        .where(t.copy.c.claim.in_(AMONG))
        .group_by(t.copy.c.place, t.copy.c.claim)
    )


def _set_rows(db: Connection, claim: str) -> list[Mapping[str, Any]]:
    found: Counter[tuple[str, str]] = Counter()
    every = db.execute(_places(in_tray=not claim), {"value": claim} if claim else {})
    for _sha, group in groupby(every, key=lambda row: row.sha256):
        rows = list(group)
        places = sorted(row.place for row in rows if row.place is not None)
        found[rows[0].claim or TRAY, dump(places)] += 1
    return [{"claim": claim, "places": places, "files": many} for (claim, places), many in found.items()]


@functools.cache
def _places(*, in_tray: bool) -> Select[Any]:
    """Asks for the places of the tray's files, or of those of the claim `value`."""
    mine = t.original.c.claim.is_(None) if in_tray else t.original.c.claim == VALUE
    matched = and_(t.copy.c.sha256 == t.original.c.sha256, counts())
    query = select(t.original.c.sha256, t.original.c.claim, t.copy.c.place).outerjoin(t.copy, matched)
    return query.where(mine).order_by(t.original.c.sha256)
