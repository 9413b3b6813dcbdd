"""The perceptual hashes of the kept photos: in the order in which they came, and which claims have each.

`picture_hash` holds each hash once, with a number that rises: an index in memory reads on from the last number that it
has. Whoever changes `original.phash`, or deletes its rows, calls `note` or `drop_unused` in the same transaction.
"""

from __future__ import annotations

import functools
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Delete, Select, bindparam, delete, func, insert, select, text

from evidence.catalog import tables as t
from evidence.catalog.base import AMONG, VALUE, Database, chunks, values_among
from evidence.model import ClaimId, IntakeId, Sha256

READ_AT_ONCE = 50_000
"""Hashes in one piece while an index is filled."""
_LOCK = 0x68617368
"""Key of the PostgreSQL advisory lock under which hashes come and go: their numbers become visible in their order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HashInClaim:
    """The photos of one claim with one hash."""

    phash: str
    """16 hexadecimal digits."""
    claim: ClaimId
    photos: int
    first: IntakeId
    """The intake that brought the first of them."""
    example: Sha256
    """One of them."""


class Hashes:
    """Perceptual hashes."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def after(self, number: int) -> Iterator[tuple[int, list[str]]]:
        """The hashes of higher numbers in pieces: the last number of each, and its hashes of 16 hexadecimal digits."""
        while True:
            with self._database.transaction() as db:
                rows = db.execute(_after(), {"value": number, "most": READ_AT_ONCE}).all()
            if not rows:
                return
            number = int(rows[-1].number)
            yield number, [row.phash for row in rows]

    def at(self, numbers: Collection[int]) -> dict[int, str]:
        """The hashes of these numbers, of those that there are."""
        query = select(t.picture_hash).where(t.picture_hash.c.number.in_(sorted(numbers)))
        with self._database.transaction() as db:
            return {int(row.number): row.phash for row in db.execute(query)}

    def samples(self, last: int, many: int) -> dict[int, str]:
        """Up to `many` hashes with numbers up to `last`, about evenly spread; the highest is among them."""
        found: dict[int, str] = {}
        with self._database.transaction() as db:
            for step in range(many, 0, -1):
                query = (
                    select(t.picture_hash)
                    .where(t.picture_hash.c.number <= last * step // many)
                    .order_by(t.picture_hash.c.number.desc())
                    .limit(1)
                )
                found |= {int(row.number): row.phash for row in db.execute(query)}
        return found

    def present(self, phashes: Collection[str]) -> set[str]:
        """Those of these hashes that some kept photo has."""
        with self._database.transaction() as db:
            return _present(db, phashes)

    def of(self, photos: Sequence[Sha256]) -> set[str]:
        """The hashes of these photos."""
        with self._database.transaction() as db:
            return {
                phash
                for piece in chunks(photos)
                for phash in db.execute(
                    values_among(t.original.c.phash, t.original.c.sha256), {"among": piece}
                ).scalars()
                if phash
            }

    def in_claims(self, phashes: Collection[str]) -> list[HashInClaim]:
        """The claims that have photos with these hashes; photos of no claim are left out."""
        found = []
        with self._database.transaction() as db:
            for piece in chunks(sorted(phashes)):
                found += [
                    HashInClaim(
                        phash=phash,
                        claim=ClaimId(claim),
                        photos=photos,
                        first=IntakeId(first or ""),
                        example=Sha256(example),
                    )
                    for phash, claim, photos, first, example in db.execute(_in_claims(), {"among": piece})
                ]
        return found


def note(database: Database, phashes: Collection[str | None]) -> None:
    """Give those of these hashes a number that have none yet."""
    given = sorted({phash for phash in phashes if phash})
    if not given:
        return
    with database.transaction() as db:
        _take_turns(database, db)
        known = _present(db, given)
        fresh = [{"phash": phash} for phash in given if phash not in known]
        if fresh:
            db.execute(insert(t.picture_hash), fresh)


def note_all(database: Database) -> None:
    """Give the hashes of all kept photos a number each: after a rebuild."""
    with database.transaction() as db:
        _take_turns(database, db)
        db.execute(delete(t.picture_hash))
        every = select(t.original.c.phash).where(t.original.c.phash.is_not(None)).distinct()
        db.execute(insert(t.picture_hash).from_select(["phash"], every.order_by(t.original.c.phash)))


def drop_unused(database: Database, phashes: Collection[str | None]) -> None:
    """Delete those of these hashes that no kept photo has any more."""
    given = sorted({phash for phash in phashes if phash})
    if not given:
        return
    with database.transaction() as db:
        _take_turns(database, db)
        for piece in chunks(given):
            db.execute(_unused(), {"among": piece})


def _present(db: Connection, phashes: Collection[str]) -> set[str]:
    found: set[str] = set()
    for piece in chunks(sorted(phashes)):
        query = values_among(t.picture_hash.c.phash, t.picture_hash.c.phash)
        found |= set(db.execute(query, {"among": piece}).scalars())
    return found


@functools.cache
def _after() -> Select[Any]:
    """Asks for up to `most` hashes with numbers above `value`."""
    number = t.picture_hash.c.number
    return select(t.picture_hash).where(number > VALUE).order_by(number).limit(bindparam("most"))


@functools.cache
def _in_claims() -> Select[Any]:
    original, sighting = t.original.c, t.sighting.c
    return (
        select(
            original.phash,
            original.claim,
            func.count(original.sha256.distinct()),
            func.min(sighting.intake),
            func.min(original.sha256),
        )
        .outerjoin(t.sighting, sighting.sha256 == original.sha256)
        .where(original.phash.in_(AMONG), original.claim.is_not(None))
        .group_by(original.phash, original.claim)
    )


@functools.cache
def _unused() -> Delete:
    """Deletes those of the hashes `among` that no kept photo has."""
    used = select(t.original.c.phash).where(t.original.c.phash.in_(AMONG))
    phash = t.picture_hash.c.phash
    return delete(t.picture_hash).where(phash.in_(AMONG), phash.not_in(used))


def _take_turns(database: Database, db: Connection) -> None:
    """Wait for other transactions in which hashes come or go. SQLite has one writer anyway."""
    if database.engine.dialect.name == "postgresql":
        db.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
