"""What the catalog's parts share: transactions, upserts, chunks of values, times as text."""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Connection, Engine, Table, bindparam, update
from sqlalchemy.dialects import sqlite

from evidence.catalog.tables import record_due

CHUNK = 400
"""Values in one IN list: SQLite's oldest limit is 999 a statement, and an upsert names each column."""


class Database:
    """The engine, and the connection of the transaction in progress if there is one."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._here = threading.local()  # each thread its own transaction: the board serves several

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """Everything inside commits as one or not at all; nests by joining the outer one."""
        present: Connection | None = getattr(self._here, "connection", None)
        if present is not None:
            yield present
            return
        with self.engine.begin() as connection:
            self._here.connection = connection
            try:
                yield connection
            finally:
                self._here.connection = None

    def set_each(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Set the other columns of each row in the row with its `sha256`; all rows name the same columns."""
        if rows:
            values: dict[str, Any] = {name: bindparam(name) for name in rows[0] if name != "sha256"}
            statement = update(table).where(table.c.sha256 == bindparam("digest")).values(values)
            with self.transaction() as connection:
                connection.execute(
                    statement,
                    [{"digest": row["sha256"], **{name: row[name] for name in values}} for row in rows],
                )

    def upsert(self, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
        """Insert `rows`, or set the given columns where the primary key is already there."""
        if not rows:
            return
        make: Any = sqlite.insert
        if self.engine.dialect.name == "postgresql":
            from sqlalchemy.dialects import postgresql  # noqa: PLC0415 - slow to import, and SQLite is usual

            make = postgresql.insert
        keys = [column.name for column in table.primary_key]
        statement = make(table)
        change = {name: statement.excluded[name] for name in rows[0] if name not in keys}
        statement = (
            statement.on_conflict_do_update(index_elements=keys, set_=change)
            if change
            else statement.on_conflict_do_nothing(index_elements=keys)
        )
        with self.transaction() as connection:
            connection.execute(statement, [dict(row) for row in rows])

    def changed(self, kind: str, keys: Iterable[str]) -> None:
        """Mark these record files as out of date, in the transaction that makes them so; see `catalog.records`."""
        rows = [{"kind": kind, "key": key, "mark": secrets.token_hex(8)} for key in sorted(set(keys))]
        self.upsert(record_due, rows)


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
