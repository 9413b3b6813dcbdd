"""When each copy was last read back: the longest unread first, and how much of it is left."""

from __future__ import annotations

import functools
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import BindParameter, ColumnElement, Join, Select, and_, bindparam, func, or_, select, tuple_

from evidence.catalog import tables as t
from evidence.catalog.base import Database, from_text, own_bags, to_text
from evidence.model import ClaimId, Sha256

_PAGE = 1000
"""Rows of one query: the memory for a million copies stays that of a thousand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCopy:
    """An original that a bag holds, as one place keeps it."""

    place: str
    claim: ClaimId
    sha256: Sha256
    path: str
    """Below the bag's `data/`."""
    size: int
    """Bytes."""
    verified_at: datetime | None
    """When it was last read back there and matched, aware, UTC; None for never."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """How many copies."""

    files: int
    octets: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ages:
    """How long ago copies were read back."""

    never: int
    """Copies that were never read back and matched."""
    oldest: datetime | None
    """When the copy that was read back longest ago was read back, aware, UTC; None when none was."""


class ReadBacks:
    """The dates of the last read-back of each copy."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def longest_unread(self, place: str, *, before: datetime) -> Iterator[KeptCopy]:
        """The copies that a place should keep and that were not read since `before`, longest unread first.

        Copies that were never read back come first, by digest. The rows may be changed meanwhile.
        """
        asked = {"place": place, "before": to_text(before)}
        here = self._database.station
        yield from self._pages(_never(here).where(_not_found_bad_since()), _BY_DIGEST, asked)
        yield from self._pages(_dated(here), (t.copy.c.verified_at, *_BY_DIGEST), asked)

    def _pages(self, query: Select[Any], order: tuple[Any, ...], asked: dict[str, Any]) -> Iterator[KeptCopy]:
        """What the query finds, read in pieces in this order."""
        page, place = query.order_by(*order).limit(_PAGE), asked["place"]
        while True:
            with self._database.transaction() as db:
                rows = db.execute(page, asked).all()
            for row in rows:
                yield KeptCopy(
                    place=place,
                    claim=ClaimId(row.claim),
                    sha256=Sha256(row.sha256),
                    path=row.payload_path,
                    size=row.size,
                    verified_at=from_text(row.verified_at),
                )
            if len(rows) < _PAGE:
                return
            last = tuple(getattr(rows[-1], column.name) for column in order)
            page = query.where(tuple_(*order) > last).order_by(*order).limit(_PAGE)

    def recorded(self, place: str, claim: ClaimId | None = None) -> Iterator[KeptCopy]:
        """The copies that are recorded at a place, of one claim or of all, by digest."""
        query = (
            select(*_columns())
            .select_from(_recorded())
            .where(
                t.copy.c.place == place,
                t.copy.c.claim == t.held_in.c.claim,
                own_bags(self._database.station, t.held_in.c.claim),
            )
        )
        if claim is not None:
            query = query.where(t.held_in.c.claim == claim)
        yield from self._pages(query, _BY_DIGEST, {"place": place})

    def recorded_claims(self, place: str) -> list[ClaimId]:
        """The claims of which copies are recorded at a place, sorted; the tray is TRAY."""
        claim = t.copy.c.claim
        with self._database.transaction() as db:
            found = db.execute(select(claim).where(t.copy.c.place == place).distinct().order_by(claim))
            return [ClaimId(one) for one in found.scalars()]

    def unread(self, places: Collection[str], *, before: datetime) -> Amount:
        """What `longest_unread` gives for these places."""
        files = octets = 0
        with self._database.transaction() as db:
            for place in places:
                for query in _amounts(self._database.station):
                    number, size = db.execute(query, {"place": place, "before": to_text(before)}).one()
                    files, octets = files + number, octets + int(size)
        return Amount(files=files, octets=octets)

    def ages(self, places: Collection[str]) -> Ages:
        """The ages of all copies that these places should keep."""
        never = 0
        oldest: str | None = None
        missing, earliest = _ages(self._database.station)
        with self._database.transaction() as db:
            for place in places:
                never += db.execute(missing, {"place": place}).scalar_one()
                first = db.execute(earliest, {"place": place}).scalar()
                oldest = min(filter(None, (oldest, first)), default=None)
        return Ages(never=never, oldest=from_text(oldest))


_BY_DIGEST = (t.held_in.c.sha256, t.held_in.c.claim)
_PLACE: BindParameter[str] = bindparam("place")


def _columns() -> tuple[Any, ...]:
    held = t.held_in.c
    return (held.claim, held.sha256, held.payload_path, t.original.c.size, t.copy.c.verified_at)


@functools.lru_cache(maxsize=64)
def _amounts(station: str) -> tuple[Select[Any], Select[Any]]:
    """Counts what `_never` finds, if not found bad since, and what `_dated` finds."""
    parts = (_never(station).where(_not_found_bad_since()).subquery(), _dated(station).subquery())
    one, other = (
        select(func.count(), func.coalesce(func.sum(part.c.size), 0)).select_from(part) for part in parts
    )
    return one, other


@functools.lru_cache(maxsize=64)
def _ages(station: str) -> tuple[Select[Any], Select[Any]]:
    """Counts what `_never` finds, and asks when the copy that was read back longest ago was read back."""
    here = own_bags(station, t.held_in.c.claim)
    earliest = select(func.min(t.copy.c.verified_at)).join(t.held_in, t.held_in.c.sha256 == t.copy.c.sha256)
    missing = select(func.count()).select_from(_never(station).subquery())
    return missing, earliest.where(t.copy.c.place == _PLACE, here)


@functools.lru_cache(maxsize=64)
def _never(station: str) -> Select[Any]:
    """Asks for the station's originals without a date of reading at the `place`."""
    same = and_(t.copy.c.sha256 == t.held_in.c.sha256, t.copy.c.place == _PLACE)
    joined = t.held_in.join(t.original, t.original.c.sha256 == t.held_in.c.sha256).outerjoin(t.copy, same)
    query = select(*_columns()).select_from(joined).where(t.copy.c.verified_at.is_(None))
    return query.where(own_bags(station, t.held_in.c.claim))


@functools.lru_cache(maxsize=64)
def _dated(station: str) -> Select[Any]:
    """Asks for the station's copies at the `place` that were not read, and not found bad, since `before`."""
    there = (t.copy.c.place == _PLACE, t.copy.c.verified_at <= bindparam("before"), _not_found_bad_since())
    query = select(*_columns()).select_from(_recorded()).where(*there)
    return query.where(own_bags(station, t.held_in.c.claim))


def _recorded() -> Join:
    """Each copy with the bags that hold its original here."""
    return t.copy.join(t.held_in, t.held_in.c.sha256 == t.copy.c.sha256).join(
        t.original, t.original.c.sha256 == t.copy.c.sha256
    )


def _not_found_bad_since() -> ColumnElement[bool]:
    """True for copies that were not found bad since `before`."""
    return or_(t.copy.c.found_bad_at.is_(None), t.copy.c.found_bad_at <= bindparam("before"))
