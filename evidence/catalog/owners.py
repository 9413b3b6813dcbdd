"""Whose a catalog is: the archives that may open it, entered at their first opening, and the refusal of all others."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, Engine, inspect, select, text, update

from evidence.catalog import tables as t
from evidence.catalog.base import rows_with, to_text
from evidence.catalog.stations import MOST_NAME, Station, every_station, read_station
from evidence.errors import BadInputError

OPENING_LOCK = 0x65766964
"""Key of the PostgreSQL advisory lock that is held while the tables are made or changed, or an archive is entered."""
_ASKED = 200
"""Intakes of a catalog without an owner that are looked for in the archive."""
_OWNED = (t.intake, t.decision, t.bag, t.target_disk)
"""Tables whose rows name the station that wrote them."""


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
    path: str = ""
    """The archive's folder."""
    joins: bool = False
    """True when the archive is to become a station of a catalog that belongs to others."""


def is_known(connection: Connection, owner: Owner) -> bool:
    """True when the archive is entered in the catalog; raises BadInputError for a station that was declared gone."""
    row = connection.execute(rows_with(t.station.c.archive), {"value": owner.archive}).first()
    if row is None:
        return False
    _refuse_left(read_station(row))
    return True


def enter(engine: Engine, owner: Owner, *, own_file: bool) -> None:
    """Enter the archive in a catalog without an owner; raises BadInputError, and changes nothing, for another's catalog.

    `own_file` says that the catalog is the file in the archive's folder, which a rebuild makes anew.
    """
    with engine.begin() as connection:
        if engine.dialect.name == "sqlite":
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        else:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": OPENING_LOCK})
        refuse_foreign(connection, owner, own_file=own_file)
        if is_known(connection, owner):
            return
        owners = _owners(connection)
        if any(one.name == owner.name for one in owners.values()):
            raise BadInputError(
                f"There is a station named '{owner.name}' already.", "Give this one another name."
            )
        row = {
            "archive": owner.archive,
            "name": owner.name[:MOST_NAME],
            "added_by": owner.actor,
            "added_at": to_text(owner.at),
            "path": owner.path,
        }
        connection.execute(t.station.insert().values(**row))
        if not owners and engine.dialect.name != "sqlite":
            own_all(connection, owner.archive)


def own_all(connection: Connection, archive: str) -> None:
    """Let the rows of an earlier program, or of a rebuild, belong to this station."""
    for table in _OWNED:
        connection.execute(update(table).where(table.c.station == "").values(station=archive))


def refuse_foreign(connection: Connection, owner: Owner, *, own_file: bool) -> None:
    """Raise BadInputError when the catalog belongs to other archives, or its intakes show that it does."""
    tables = inspect(connection)
    if tables.has_table("station") and (names := _names(connection)):
        if owner.archive not in names and not owner.joins:
            raise _foreign(next(iter(names.values())), own_file)
        return
    if tables.has_table("intake"):
        query = select(t.intake.c.intake).order_by(t.intake.c.started_at.desc()).limit(_ASKED)
        intakes = list(connection.execute(query).scalars())
        if intakes and not owner.knows(intakes):
            raise _foreign("", own_file)


def refuse_while_others_work(connection: Connection, owner: Owner) -> None:
    """Raise BadInputError when the tables are to be changed while another station's program, of before, uses them."""
    if connection.dialect.name == "sqlite" or not inspect(connection).has_table("station"):
        return
    for archive, name in _names(connection).items():
        key = {"key": key_of(f"station {archive}")}
        if archive == owner.archive:
            continue
        if not connection.execute(text("SELECT pg_try_advisory_lock(:key)"), key).scalar_one():
            raise BadInputError(
                f"This program changes the catalog's tables, and the station '{name}' is at work with them.",
                "Stop its programs, update the program at every station, then run this again. Nothing was changed.",
            )
        connection.execute(text("SELECT pg_advisory_unlock(:key)"), key)


def key_of(name: str) -> int:
    """The key of a lease for the server: 64 bits of the SHA-256 of its name, signed."""
    return int.from_bytes(hashlib.sha256(f"evidence {name}".encode()).digest()[:8], signed=True)


def _foreign(name: str, own_file: bool) -> BadInputError:
    whose = f"another archive ('{name}')" if name else "another archive"
    if own_file:
        return BadInputError(
            f"The catalog in this archive's folder belongs to {whose}; nothing was changed.",
            "Put this archive's own catalog back, or run `evidence rebuild`: it makes one anew and keeps the other aside.",
        )
    return BadInputError(
        f"The catalog at `[catalog] url` belongs to {whose}; nothing was changed.",
        "Write the address of this archive's own database in evidence.toml, or let the new archive share that catalog: "
        "`evidence station add NAME`.",
    )


def _refuse_left(station: Station) -> None:
    if station.left:
        raise BadInputError(
            f"The station '{station.name}' was declared gone for good by {station.left_by}: {station.left_why}",
            "Make a new archive with `evidence init DIR` and add it with `evidence station add NAME`.",
        )


def _names(connection: Connection) -> dict[str, str]:
    """The name of each archive that the catalog belongs to, by its id; also in the shape of migration 0016."""
    query = select(t.station.c.archive, t.station.c.name).order_by(t.station.c.added_at, t.station.c.archive)
    return {row.archive: row.name for row in connection.execute(query)}


def _owners(connection: Connection) -> dict[str, Station]:
    return {row.archive: read_station(row) for row in connection.execute(every_station())}
