"""When each copy was last read back: the longest unread first, and how much of it is left."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Join, Select, and_, func, or_, select, tuple_

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
        yield from self._pages(
            place, _never(place, before).where(self._here()), (t.held_in.c.sha256, t.held_in.c.claim)
        )
        order = (t.copy.c.verified_at, t.held_in.c.sha256, t.held_in.c.claim)
        yield from self._pages(place, _dated(place, before).where(self._here()), order)

    def _pages(self, place: str, query: Select[Any], order: tuple[Any, ...]) -> Iterator[KeptCopy]:
        last: tuple[Any, ...] | None = None
        while True:
            page = query.order_by(*order).limit(_PAGE)
            if last is not None:
                page = page.where(tuple_(*order) > last)
            with self._database.transaction() as db:
                rows = db.execute(page).all()
            if not rows:
                return
            for row in rows:
                yield KeptCopy(
                    place=place,
                    claim=ClaimId(row.claim),
                    sha256=Sha256(row.sha256),
                    path=row.payload_path,
                    size=row.size,
                    verified_at=from_text(row.verified_at),
                )
            last = tuple(getattr(rows[-1], column.name) for column in order)

    def recorded(self, place: str, claim: ClaimId | None = None) -> Iterator[KeptCopy]:
        """The copies that are recorded at a place, of one claim or of all, by digest."""
        query = (
            select(*_columns())
            .select_from(_recorded())
            .where(t.copy.c.place == place, t.copy.c.claim == t.held_in.c.claim, self._here())
        )
        if claim is not None:
            query = query.where(t.held_in.c.claim == claim)
        yield from self._pages(place, query, (t.held_in.c.sha256, t.held_in.c.claim))

    def recorded_claims(self, place: str) -> list[ClaimId]:
        """The claims of which copies are recorded at a place, sorted; the tray is TRAY."""
        claim = t.copy.c.claim
        with self._database.transaction() as db:
            found = db.execute(select(claim).where(t.copy.c.place == place).distinct().order_by(claim))
            return [ClaimId(one) for one in found.scalars()]

    def _here(self) -> ColumnElement[bool]:
        """Whether the bag stands at this station, which alone reads it."""
        return own_bags(self._database, t.held_in.c.claim)

    def unread(self, places: Collection[str], *, before: datetime) -> Amount:
        """What `longest_unread` gives for these places."""
        files = octets = 0
        with self._database.transaction() as db:
            for place in places:
                for query in (
                    _never(place, before).where(self._here()),
                    _dated(place, before).where(self._here()),
                ):
                    part = query.subquery()
                    number, size = db.execute(
                        select(func.count(), func.coalesce(func.sum(part.c.size), 0)).select_from(part)
                    ).one()
                    files, octets = files + number, octets + int(size)
        return Amount(files=files, octets=octets)

    def ages(self, places: Collection[str]) -> Ages:
        """The ages of all copies that these places should keep."""
        never = 0
        oldest: str | None = None
        with self._database.transaction() as db:
            for place in places:
                missing = _never(place, None).where(self._here()).subquery()
                never += db.execute(select(func.count()).select_from(missing)).scalar_one()
                first = db.execute(
                    select(func.min(t.copy.c.verified_at))
                    .join(t.held_in, t.held_in.c.sha256 == t.copy.c.sha256)
                    .where(t.copy.c.place == place, self._here())
                ).scalar()
                oldest = min(filter(None, (oldest, first)), default=None)
        return Ages(never=never, oldest=from_text(oldest))


def _columns() -> tuple[Any, ...]:
    held = t.held_in.c
    return (held.claim, held.sha256, held.payload_path, t.original.c.size, t.copy.c.verified_at)


def _never(place: str, before: datetime | None) -> Select[Any]:
    """Originals without a date of reading at the place; with `before`, those not found bad since then."""
    same = and_(t.copy.c.sha256 == t.held_in.c.sha256, t.copy.c.place == place)
    joined = t.held_in.join(t.original, t.original.c.sha256 == t.held_in.c.sha256).outerjoin(t.copy, same)
    query = select(*_columns()).select_from(joined).where(t.copy.c.verified_at.is_(None))
    return query if before is None else query.where(_not_found_bad_since(before))


def _dated(place: str, before: datetime) -> Select[Any]:
    return (
        select(*_columns())
        .select_from(_recorded())
        .where(
            t.copy.c.place == place,
            t.copy.c.verified_at <= to_text(before),
            _not_found_bad_since(before),
        )
    )


def _recorded() -> Join:
    """Each copy with the bags that hold its original here."""
    return t.copy.join(t.held_in, t.held_in.c.sha256 == t.copy.c.sha256).join(
        t.original, t.original.c.sha256 == t.copy.c.sha256
    )


def _not_found_bad_since(before: datetime) -> ColumnElement[bool]:
    return or_(t.copy.c.found_bad_at.is_(None), t.copy.c.found_bad_at <= to_text(before))
