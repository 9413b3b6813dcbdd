"""The archives that a catalog belongs to: each is a station, known by its archive's id."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, Engine, inspect, select, text

from evidence.catalog import tables as t
from evidence.catalog.base import to_text
from evidence.errors import BadInputError

MOST_NAME = 60
"""Maximum length of a station's name, in characters."""
OPENING_LOCK = 0x65766964
"""Key of the PostgreSQL advisory lock that is held while the tables are made or changed, or an archive is entered."""
_ASKED = 200
"""Intakes of a catalog without an owner that are looked for in the archive."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """The archive that opens a catalog."""

    archive: str
    """Its id: 32 hexadecimal digits."""
    name: str
    actor: str
    at: datetime
    """Aware, UTC."""
    knows: Callable[[Sequence[str]], bool]
    """True when one of these intakes is the archive's own."""


def require_owner(engine: Engine, owner: Owner, *, own_file: bool) -> None:
    """Enter the archive in a catalog without an owner; raises BadInputError, and changes nothing, for another's catalog.

    `own_file` says that the catalog is the file in the archive's folder, which a rebuild makes anew.
    """
    with engine.connect() as connection:
        if owner.archive in _owners(connection):
            return
    with engine.begin() as connection:
        if engine.dialect.name == "sqlite":
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        else:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": OPENING_LOCK})
        refuse_foreign(connection, owner, own_file=own_file)
        if owner.archive not in _owners(connection):
            row = {"archive": owner.archive, "name": owner.name[:MOST_NAME], "added_by": owner.actor}
            connection.execute(t.station.insert().values(**row, added_at=to_text(owner.at)))


def refuse_foreign(connection: Connection, owner: Owner, *, own_file: bool) -> None:
    """Raise BadInputError when the catalog belongs to other archives, or its intakes show that it does."""
    tables = inspect(connection)
    if tables.has_table("station") and (owners := _owners(connection)):
        if owner.archive not in owners:
            raise _foreign(next(iter(owners.values())), own_file)
        return
    if tables.has_table("intake"):
        query = select(t.intake.c.intake).order_by(t.intake.c.started_at.desc()).limit(_ASKED)
        intakes = list(connection.execute(query).scalars())
        if intakes and not owner.knows(intakes):
            raise _foreign("", own_file)


def _foreign(name: str, own_file: bool) -> BadInputError:
    whose = f"another archive ('{name}')" if name else "another archive"
    if own_file:
        return BadInputError(
            f"The catalog in this archive's folder belongs to {whose}; nothing was changed.",
            "Put this archive's own catalog back, or run `evidence rebuild`: it makes one anew and keeps the other aside.",
        )
    return BadInputError(
        f"The catalog at `[catalog] url` belongs to {whose}; nothing was changed.",
        "Write the address of this archive's own database in evidence.toml.",
    )


def _owners(connection: Connection) -> dict[str, str]:
    """The name of each archive that the catalog belongs to, by its id, the first one first."""
    query = select(t.station.c.archive, t.station.c.name).order_by(t.station.c.added_at, t.station.c.archive)
    return {row.archive: row.name for row in connection.execute(query)}
