"""What the catalog's parts share: transactions, upserts, chunks of values, times as text."""

from __future__ import annotations

import functools
import inspect
import json
import os
import random
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any, TypeVar

from sqlalchemy import (
    BindParameter,
    Column,
    ColumnElement,
    Connection,
    Delete,
    Engine,
    Select,
    Table,
    Update,
    bindparam,
    delete,
    or_,
    select,
    true,
    update,
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.pool import QueuePool

from evidence.catalog.faults import TryAgainError
from evidence.catalog.tables import bag, original, record_due

T = TypeVar("T")

MOST_TRIES = 6
"""How often work is tried that the database server gives up because of another transaction."""
FIRST_PAUSE_S = 0.02
"""Pause before the second try; it doubles with each."""
MOST_IDLE = 4
"""Connections to a file that wait for the next transaction; fewer than SQLAlchemy's pool has, which others use too."""
CHUNK = 400
"""Values in one IN list: SQLite's oldest limit is 999 a statement, and an upsert names each column."""


AMONG: BindParameter[Any] = bindparam("among", expanding=True)
VALUE: BindParameter[Any] = bindparam("value")
"""Parameters of statements that are made once."""


class Database:
    """The engine, and the connection of the transaction in progress if there is one."""

    def __init__(self, engine: Engine, station: str = "") -> None:
        self.engine = engine
        self.station = station
        """The station that opened it, on a server; empty for a file. See `catalog.stations`."""
        self._here = threading.local()  # each thread its own transaction: the board serves several
        self._idle: list[Connection] = []
        """Connections to a file between two transactions: to get one from the engine takes longer than a small query."""
        self._process = os.getpid()
        self._inherited: object = None
        """A parent process's connections, which are kept open because to close them here would end its locks on the file."""

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """Everything inside commits as one or not at all; nests by joining the outer one."""
        present: Connection | None = getattr(self._here, "connection", None)
        if present is not None:
            yield present
            return
        connection = self._connection()
        try:
            with connection.begin():
                self._here.connection = connection
                try:
                    yield connection
                finally:
                    self._here.connection = None
        except BaseException:
            connection.close()
            raise
        if self._may_wait() and len(self._idle) < MOST_IDLE:
            self._idle.append(connection)
        else:
            connection.close()

    def _may_wait(self) -> bool:
        """Whether a connection may wait outside the engine's pool: when no thread can be waiting for it there."""
        pool = self.engine.pool
        return self.engine.dialect.name == "sqlite" and isinstance(pool, QueuePool) and pool.overflow() <= 0

    def _leave_those_of_the_parent(self) -> None:
        """A forked process must neither use nor close its parent's connections."""
        if self._process != os.getpid():
            self._process, self._inherited, self._idle = os.getpid(), (self._idle, self.engine.pool), []
            self.engine.dispose(close=False)

    def _connection(self) -> Connection:
        self._leave_those_of_the_parent()
        try:
            return self._idle.pop()
        except IndexError:
            return self.engine.connect()

    def close(self) -> None:
        """Close the connections."""
        self._leave_those_of_the_parent()
        while self._idle:
            self._idle.pop().close()
        self.engine.pool.dispose()

    def set_each(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Set the other columns of each row in the row with its `sha256`; all rows name the same columns."""
        if rows:
            names = tuple(name for name in rows[0] if name != "sha256")
            with self.transaction() as connection:
                connection.execute(
                    _set(table, names),
                    [{"digest": row["sha256"], **{name: row[name] for name in names}} for row in rows],
                )

    @property
    def in_transaction(self) -> bool:
        """True when this thread is inside a transaction."""
        return getattr(self._here, "connection", None) is not None

    def retried(self, work: Callable[[], T]) -> T:
        """Run `work`, which makes its changes in transactions of its own, again when the server gave it up for another.

        Inside a transaction it runs once: the outermost caller tries again. Raises TryAgainError after `MOST_TRIES`.
        """
        for left in range(MOST_TRIES - 1, -1, -1):
            try:
                return work()
            except TryAgainError:
                if self.in_transaction or not left:
                    raise
                time.sleep(random.uniform(0.5, 1.5) * FIRST_PAUSE_S * 2 ** (MOST_TRIES - 1 - left))  # noqa: S311
        raise AssertionError("not reached")

    def upsert(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert `rows`, or set the given columns where the primary key is already there."""
        if not rows:
            return
        statement = _upsert(self.engine.dialect.name, table, tuple(rows[0]))
        with self.transaction() as connection:
            connection.execute(statement, [dict(row) for row in rows])

    def add_up(self, table: Table, row: Mapping[str, Any], sums: tuple[str, ...]) -> None:
        """Insert `row`, or add its values of the columns `sums` where the primary key is already there."""
        statement = _add_up(self.engine.dialect.name, table, sums)
        with self.transaction() as connection:
            connection.execute(statement, row)

    def changed(self, kind: str, keys: Iterable[str]) -> None:
        """Mark these record files as out of date, in the transaction that makes them so; see `catalog.records`."""
        rows = [{"kind": kind, "key": key, "mark": secrets.token_hex(8)} for key in sorted(set(keys))]
        self.upsert(record_due, rows)


def _insert(dialect: str, table: Table) -> Any:
    if dialect == "postgresql":
        from sqlalchemy.dialects import postgresql  # noqa: PLC0415 - slow to import, and SQLite is usual

        return postgresql.insert(table)
    return sqlite.insert(table)


@functools.cache
def _add_up(dialect: str, table: Table, sums: tuple[str, ...]) -> Any:
    """The statement that inserts a row, or adds these columns where the primary key is already there."""
    statement = _insert(dialect, table)
    change = {name: table.c[name] + statement.excluded[name] for name in sums}
    return statement.on_conflict_do_update(index_elements=list(table.primary_key), set_=change)


@functools.cache
def _upsert(dialect: str, table: Table, names: tuple[str, ...]) -> Any:
    """The statement that inserts these columns, or sets them where the primary key is already there."""
    keys = [column.name for column in table.primary_key]
    statement = _insert(dialect, table)
    change = {name: statement.excluded[name] for name in names if name not in keys}
    if change:
        return statement.on_conflict_do_update(index_elements=keys, set_=change)
    return statement.on_conflict_do_nothing(index_elements=keys)


@functools.cache
def _set(table: Table, names: tuple[str, ...]) -> Update:
    """The statement that sets these columns in the row whose `sha256` is the parameter `digest`."""
    return (
        update(table)
        .where(table.c.sha256 == bindparam("digest"))
        .values({name: bindparam(name) for name in names})
    )


def tries_again(part: type[T]) -> type[T]:
    """A part of the catalog whose methods try again what the server gave up, when they are the outermost transaction."""
    for owner in part.__mro__[:-1]:
        for name, method in vars(owner).items():
            plain = inspect.isfunction(method) and not inspect.isgeneratorfunction(method)
            if plain and not name.startswith("_") and not hasattr(method, "__wrapped__"):
                setattr(owner, name, _retrying(method))
    return part


def _retrying(method: Any) -> Any:
    @functools.wraps(method)
    def run(self: Any, *args: Any, **named: Any) -> Any:
        return self._database.retried(lambda: method(self, *args, **named))

    return run


def own_only(station: str, column: Any) -> ColumnElement[bool]:
    """The condition that a row's station is this one, which opened the catalog, or none; always true for a file."""
    return or_(column == "", column == station) if station else true()


def own_bags(station: str, claim: Any) -> ColumnElement[bool]:
    """The condition that the claim's bag does not stand at another station than this one, which opened the catalog."""
    if not station:
        return true()
    elsewhere = select(bag.c.claim).where(bag.c.station.not_in(["", station]))
    here: ColumnElement[bool] = claim.not_in(elsewhere)
    return here


# Statements are made once: to make one anew takes longer than SQLite takes for the answer.


@functools.cache
def rows_among(column: Column[Any], order: Column[Any] | None = None) -> Select[Any]:
    """Asks for the rows of the column's table in which it holds one of the parameter `among`, at most `CHUNK` values."""
    query = select(column.table).where(column.in_(AMONG))
    return query if order is None else query.order_by(order)


@functools.cache
def every_row(table: Table) -> Select[Any]:
    """Asks for the rows of the table in the order of its key."""
    return select(table).order_by(*table.primary_key.columns)


@functools.cache
def values_among(wanted: Column[Any], column: Column[Any]) -> Select[Any]:
    """Asks for the different values of `wanted` in the rows in which `column` holds one of the parameter `among`."""
    return select(wanted).where(column.in_(AMONG)).distinct()


@functools.cache
def values_with(wanted: Column[Any], column: Column[Any]) -> Select[Any]:
    """Asks for `wanted` in the rows in which `column` holds the parameter `value`."""
    return select(wanted).where(column == VALUE)


def in_claim(*, in_tray: bool) -> ColumnElement[bool]:
    """The condition that a file is in the tray, or belongs to the claim of the parameter `value`."""
    return original.c.claim.is_(None) if in_tray else original.c.claim == VALUE


@functools.cache
def deleted_among(column: Column[Any]) -> Delete:
    """Deletes the rows of the column's table in which it holds one of the parameter `among`."""
    return delete(column.table).where(column.in_(AMONG))


@functools.cache
def deleted_with(column: Column[Any]) -> Delete:
    """Deletes the rows of the column's table in which it holds the parameter `value`."""
    return delete(column.table).where(column == VALUE)


@functools.cache
def rows_with(column: Column[Any], *order: Column[Any]) -> Select[Any]:
    """Asks for the rows of the column's table in which it holds the parameter `value`."""
    return select(column.table).where(column == VALUE).order_by(*order)


def chunks(values: Sequence[Any]) -> Iterator[Sequence[Any]]:
    """`values` in pieces short enough for one IN list."""
    for start in range(0, len(values), CHUNK):
        yield values[start : start + CHUNK]


def to_text(moment: datetime | None) -> str | None:
    """ISO 8601; aware times in UTC with Z, naive ones as they are. The text sorts in the order of time."""
    if moment is None:
        return None
    if moment.tzinfo is None:
        return moment.isoformat(timespec="microseconds")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def from_text(text: str | None) -> datetime | None:
    """The time that `to_text` wrote."""
    return datetime.fromisoformat(text) if text else None


def day(text: str | None) -> date | None:
    """The date of an ISO 8601 text."""
    return date.fromisoformat(text) if text else None


def dump(data: Any) -> str:
    """JSON as the catalog keeps it."""
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"))
