"""Rows of the catalog as plain data: what the record files hold, and what a rebuild puts back.

A claim's photos are in its bag. What is in no bag is in small record files, one for each `Kind` and key. Every
method of the catalog that changes such a row marks its file as due in the same transaction.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, TypeAlias

from sqlalchemy import (
    Column,
    ColumnElement,
    Delete,
    Select,
    Table,
    bindparam,
    case,
    delete,
    exists,
    func,
    insert,
    literal_column,
    select,
)

from evidence.catalog import hashes
from evidence.catalog import tables as t
from evidence.catalog.base import VALUE, Database, chunks, every_row, in_claim, rows_with, values_with
from evidence.catalog.claims import link_photos
from evidence.catalog.intakes import file_name
from evidence.catalog.pushes import files_changed
from evidence.catalog.totals import count_all
from evidence.model import ClaimId

Row: TypeAlias = dict[str, Any]
RowsByTable: TypeAlias = dict[str, list[Row]]
"""Rows by the name of their table; a value is text, a number, true, false, None, or bytes for an embedding."""

CACHES = frozenset(
    {
        "tally",
        "record_due",
        "decision_photo",
        "picture_hash",
        "target_disk",
        "pushed_bag",
        "pushed_file_due",
        "claim_total",
        "copy_total",
        "place_set",
        *(one.name for one in t.OF_STATIONS),
    }
)
"""Tables that are not recorded: the program fills them again. Those of stations outlive a rebuild. Without `pushed_bag` a backup compares every bag once."""


class Kind(StrEnum):
    """What a record file is about, and what its key is."""

    CLAIM = "claim"
    """A claim's row, holds, waivers and decisions, and what stations owe of it; key: its number."""
    INTAKE = "intake"
    """An intake and where each file was seen on the card; key: the intake."""
    DAY = "day"
    """The segments of one local day; key: the ISO date, or empty."""
    BAG = "bag"
    """When a bag was built, and when each copy of its originals was verified; key: the claim, empty for the tray."""
    OFFICE = "office"
    """People, decisions about no claim, and holds that name no claim alone; key: empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutdatedRecord:
    """A record file that is out of date."""

    kind: Kind
    key: str
    mark: str
    """Which change made it so; a later change gives another mark."""


class Records:
    """The rows behind the record files."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def due(self) -> list[OutdatedRecord]:
        """The record files that are out of date.

        On a server, those that this station writes: about its cards and bags; at the first station all the others too.
        """
        query = _due_here(self._database.station) if self._database.station else every_row(t.record_due)
        with self._database.transaction() as db:
            rows = db.execute(query)
            return [OutdatedRecord(kind=Kind(row.kind), key=row.key, mark=row.mark) for row in rows]

    def due_elsewhere(self) -> int:
        """The number of record files that other stations are still to write."""
        if not self._database.station:
            return 0
        here = _written_here(self._database.station)
        query = select(func.count()).select_from(t.record_due).where(~here)
        with self._database.transaction() as db:
            return int(db.execute(query).scalar_one())

    def written(self, done: Iterable[OutdatedRecord], names: Iterable[str]) -> None:
        """These files were written; those that changed meanwhile stay due.

        `names` are the files of the archive that must follow at the backup targets.
        """
        with self._database.transaction() as db:
            files_changed(self._database, names)
            if rows := [{"a_kind": one.kind.value, "a_key": one.key, "a_mark": one.mark} for one in done]:
                db.execute(_written(), rows)

    def mark_all(self) -> None:
        """Every record file is due."""
        with self._database.transaction() as db:
            for kind, column in (
                (Kind.CLAIM, t.claim.c.claim),
                (Kind.INTAKE, t.intake.c.intake),
                (Kind.DAY, t.segment.c.day),
                (Kind.BAG, t.bag.c.claim),
            ):
                keys = list(db.execute(select(column).distinct()).scalars())
                for piece in chunks(keys):
                    self._database.changed(kind.value, piece)
            self._database.changed(Kind.OFFICE.value, [""])

    def rows(self, kind: Kind, key: str) -> RowsByTable:
        """The rows of one record file; without any row when there is nothing to record.

        A claim whose bag is up to date is recorded in its bag alone.
        """
        match kind:
            case Kind.CLAIM:
                return {} if self._in_its_bag(ClaimId(key)) else self.claim(ClaimId(key))
            case Kind.INTAKE:
                return self._with(key, t.intake.c.intake, t.sighting.c.intake)
            case Kind.DAY:
                return self._with(key, t.segment.c.day)
            case Kind.BAG:
                return self._with(key, t.bag.c.claim, t.copy.c.claim)
            case Kind.OFFICE:
                holds = self._with("", t.hold.c.claim)
                return self._select(_whole_table(t.user), _about_no_claim()) | holds

    def claim(self, claim: ClaimId) -> RowsByTable:
        """The claim's own row, its holds, waivers and decisions, and what stations owe of it."""
        about = (t.claim, t.station_debt, t.hold, t.waiver, t.decision)
        return self._with(claim, *(table.c.claim for table in about))

    def decision_stations(self, claim: ClaimId) -> dict[int, str]:
        """The station at which each decision of the claim was made, by its number, for those made at one."""
        with self._database.transaction() as db:
            rows = db.execute(_decision_stations(), {"value": claim})
            return {row.id: row.station for row in rows}

    def placed(self, claim: ClaimId | None) -> dict[str, Row]:
        """The rows of table `original` of the claim's files with `look` and `embedding`, or the tray's for None, by digest."""
        query, asked = _placed(in_tray=claim is None), {"value": claim} if claim is not None else {}
        with self._database.transaction() as db:
            return {row["sha256"]: dict(row) for row in db.execute(query, asked).mappings()}

    def every_row(self) -> RowsByTable:
        """Every row of every table but the caches, each table in the order of its key."""
        return self._select(*map(_whole_table, _recorded()))

    def is_empty(self) -> bool:
        """True when no table holds a row."""
        return self.empty_tables() == frozenset(one.name for one in _recorded())

    def empty_tables(self) -> frozenset[str]:
        """The names of the tables that hold no row, but for caches."""
        with self._database.transaction() as db:
            filled = db.execute(_filled()).one()
        return frozenset(one.name for one, some in zip(_recorded(), filled, strict=True) if not some)

    def replace_all(self, rows: Mapping[str, Sequence[Row]]) -> None:
        """Delete every row of every table, then insert these; one transaction. Every record file is due after it."""
        rows = with_side_tables(rows)
        with self._database.transaction() as db:
            for table in t.metadata.sorted_tables:
                if table not in t.OF_STATIONS:
                    db.execute(delete(table))
            for table in t.metadata.sorted_tables:
                if whole := [_whole(table, row) for row in rows.get(table.name, ())]:
                    db.execute(insert(table), whole)
                if self._database.engine.dialect.name == "postgresql" and "id" in table.c:
                    last = select(func.max(table.c.id)).scalar_subquery()
                    name = func.pg_get_serial_sequence(table.name, "id")
                    db.execute(select(func.setval(name, last)))  # a null maximum leaves the sequence as it is
            link_photos(self._database, rows.get("decision", ()))
            hashes.note_all(self._database)
            count_all(self._database)
            self.mark_all()

    def _in_its_bag(self, claim: ClaimId) -> bool:
        with self._database.transaction() as db:
            outdated = db.execute(values_with(t.bag.c.dirty, t.bag.c.claim), {"value": claim})
            return outdated.scalar_one_or_none() is False

    def _with(self, value: str, *columns: Column[Any]) -> RowsByTable:
        """The rows of the columns' tables in which each holds the value, in the order of their keys."""
        return self._select(*map(_in_order, columns), value=value)

    def _select(self, *wanted: tuple[str, Select[Any]], **given: str) -> RowsByTable:
        """The rows that these queries find, by the names of their tables."""
        found: RowsByTable = {}
        with self._database.transaction() as db:
            for name, query in wanted:
                if rows := [dict(row) for row in db.execute(query, given).mappings()]:
                    found[name] = rows
        return found


def with_side_tables(rows: Mapping[str, Sequence[Row]]) -> dict[str, Sequence[Row]]:
    """The rows with those of `described` and `embedding`, which a row of `original` may still hold.

    In bags, and in what earlier programs recorded, a file has one row.
    """
    whole = rows.get("original", ())
    described = [
        {name: row[name] for name in ("sha256", "facts", "look")}
        for row in whole
        if row.get("look") is not None
    ]
    vectors = [
        {"sha256": row["sha256"], "vector": row["embedding"]}
        for row in whole
        if row.get("embedding") is not None
    ]
    return {
        **rows,
        "described": [*rows.get("described", ()), *described],
        "embedding": [*rows.get("embedding", ()), *vectors],
    }


@functools.cache
def _recorded() -> tuple[Table, ...]:
    """The tables but for caches, each after those that it refers to."""
    return tuple(one for one in t.metadata.sorted_tables if one.name not in CACHES)


@functools.cache
def _whole_table(table: Table) -> tuple[str, Select[Any]]:
    return table.name, every_row(table)


@functools.cache
def _in_order(column: Column[Any]) -> tuple[str, Select[Any]]:
    """Asks for the rows of the column's table in which it holds the parameter `value`, in the order of the key."""
    table = t.metadata.tables[str(column.table)]
    return table.name, rows_with(column, *table.primary_key.columns)


@functools.cache
def _about_no_claim() -> tuple[str, Select[Any]]:
    return t.decision.name, every_row(t.decision).where(t.decision.c.claim.is_(None))


@functools.cache
def _placed(*, in_tray: bool) -> Select[Any]:
    """Asks for the tray's files, or those of the claim `value`, with what was found in each."""
    same = t.original.c.sha256
    return (
        select(t.original, t.described.c.look, t.embedding.c.vector.label("embedding"))
        .outerjoin(t.described, t.described.c.sha256 == same)
        .outerjoin(t.embedding, t.embedding.c.sha256 == same)
        .where(in_claim(in_tray=in_tray))
    )


@functools.lru_cache(maxsize=64)
def _due_here(station: str) -> Select[Any]:
    """Asks for the record files that the station is to write."""
    return every_row(t.record_due).where(_written_here(station))


def _written_here(station: str) -> ColumnElement[bool]:
    due = t.record_due.c
    first = select(t.station.c.archive).where(t.station.c.left_at.is_(None))
    first = first.order_by(t.station.c.added_at, t.station.c.archive).limit(1)
    card = select(t.intake.c.station).where(t.intake.c.intake == due.key).scalar_subquery()
    bag = select(t.bag.c.station).where(t.bag.c.claim == due.key).scalar_subquery()
    gone = select(t.station.c.archive).where(t.station.c.left_at.is_not(None))
    named = case((due.kind == Kind.INTAKE.value, card), (due.kind == Kind.BAG.value, bag))
    whose = case((named.in_(gone), None), else_=func.nullif(named, ""))
    return func.coalesce(whose, first.scalar_subquery()) == station


@functools.cache
def _decision_stations() -> Select[Any]:
    decision = t.decision.c
    return select(decision.id, decision.station).where(decision.claim == VALUE, decision.station != "")


@functools.cache
def _written() -> Delete:
    """Deletes the mark of a record file, unless the file became out of date again."""
    due = t.record_due.c
    mine = (due.kind == bindparam("a_kind")) & (due.key == bindparam("a_key"))
    return delete(t.record_due).where(mine, due.mark == bindparam("a_mark"))


@functools.cache
def _filled() -> Select[*tuple[Any, ...]]:
    """Asks of each recorded table whether it holds a row; every command asks."""
    return select(*(exists(select(literal_column("1")).select_from(one)) for one in _recorded()))


def _whole(table: Table, row: Row) -> Row:
    """The row with every column of the table; one that an older program did not record gets its default."""
    if table is t.sighting:
        row = {"name": file_name(row["card_path"]), **row}
    return {
        column.name: row[column.name] if column.name in row else getattr(column.default, "arg", None)
        for column in table.columns
    }
