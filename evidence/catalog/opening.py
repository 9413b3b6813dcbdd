"""Opens the catalog's database and runs the migrations that it lacks."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError

from evidence.catalog.faults import REBUILD, translate, translate_lost
from evidence.catalog.owners import (
    OPENING_LOCK,
    Owner,
    enter,
    is_known,
    refuse_foreign,
    refuse_while_others_work,
)
from evidence.catalog.tables import metadata
from evidence.errors import BadInputError, CatalogError, EvidenceError

HEAD = "0018"
"""The newest migration; a test holds it to the files."""
KINDS = ("sqlite", "postgresql")
"""Supported databases."""
CONNECT_S = 10
"""Seconds to wait for a database server's answer; a wrong address may give none."""
_WRITING_LOCK = 0x77726974
"""Key of the PostgreSQL advisory lock of the transaction that writes."""
_CHANGES = frozenset({"INSERT", "UPDATE", "DELETE"})
_ENDS_WITH_TRANSACTION = "pg_advisory_xact_lock"
"""In a query that needs a transaction."""
_KEEPALIVE = {"keepalives_idle": 30, "keepalives_interval": 10, "keepalives_count": 6}
"""A server finds within two minutes that a machine is gone, and frees its leases."""
_NUMBER = text("SELECT version_num FROM alembic_version")
_IN_FILE = text("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'alembic_version'")
_ON_SERVER = text("SELECT to_regclass('alembic_version')::text")
_OURS = re.compile(r"\d{4}")
"""How this program numbers the shapes of its tables."""
_URL = "Leave it empty, or write postgresql+psycopg://user@host/database."
_MIGRATION_CACHE_KIB = 256 * 1024
"""Memory for pages of an SQLite file while it is migrated: the indexes of a large catalog are written in any order."""


def open_engine(
    url: str, *, owner: Owner | None = None, own_file: bool = False, in_use: bool = False
) -> Engine:
    """An engine for `url`, its tables at the newest migration, and `owner` among its archives.

    Raises BadInputError when the database cannot be reached, is not a catalog, is newer than the program or belongs to
    other archives; CatalogError when it is damaged, or empty although it is `in_use`; CatalogWriteError when its disk
    is full or refuses writes. Whatever is refused was not changed.
    """
    engine = _engine(url, owner.archive if owner else "")
    event.listen(engine, "handle_error", translate)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_sqlite_pragmas)
    else:
        event.listen(engine, "begin", _not_begun_yet)
        event.listen(engine, "before_cursor_execute", _begin_where_needed)
    try:
        with engine.connect() as connection:
            present = _revision(connection)
            _refuse_newer(present)
            if present is None and in_use:
                raise emptied()
            if present != HEAD and owner is not None:
                refuse_foreign(connection, owner, own_file=own_file)
                refuse_while_others_work(connection, owner)
            known = present == HEAD and owner is not None and is_known(connection, owner)
        if present != HEAD:
            _migrate(engine)
        if owner is not None and not known:
            enter(engine, owner, own_file=own_file)
    except EvidenceError:
        engine.dispose()
        raise
    except DatabaseError as trouble:
        engine.dispose()
        reason = str(trouble.orig).strip().splitlines()[0].rstrip(".")
        raise BadInputError(
            f"The catalog cannot be opened: {reason}.", "Check the disk and `[catalog] url` in evidence.toml."
        ) from trouble
    if engine.dialect.name == "postgresql":
        event.listen(engine, "handle_error", translate_lost)
    return engine


def _engine(url: str, archive: str) -> Engine:
    try:
        address = make_url(url)
        kind = address.get_backend_name()
        if kind not in KINDS:
            raise BadInputError(
                f"[catalog] url: {kind} is not supported.",
                _URL,
            )
        if kind == "sqlite":
            return create_engine(address)
        if address.drivername == "postgresql":
            address = address.set(drivername="postgresql+psycopg")
        given = {**_KEEPALIVE, "application_name": archive or "evidence"}
        if "PGCONNECT_TIMEOUT" not in os.environ:
            given["connect_timeout"] = CONNECT_S
        chosen = {key: value for key, value in given.items() if key not in address.query}
        return create_engine(
            address,
            connect_args=chosen,
            isolation_level="AUTOCOMMIT",  # see `_begin_where_needed`
            pool_size=8,
            max_overflow=24,
            use_native_hstore=False,  # else each start asks the server for a type that no table has
        )
    except (ArgumentError, ValueError):
        raise BadInputError(
            "[catalog] url is not a database URL.",
            _URL,
        ) from None
    except ImportError as missing:
        raise BadInputError(
            f"[catalog] url needs the Python package {missing.name}, which is not installed.",
            "Install it: pip install 'photo-evidence-archive[postgres]'",
        ) from None


def require_catalog_file(url: str) -> None:
    """Raise CatalogError when `url` names an SQLite file that is missing or empty; make no file."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite" or not parsed.database:
        return
    path = Path(parsed.database)
    if not path.exists():
        raise CatalogError(f"The catalog {path.name} is missing, but the bags are there.", REBUILD)
    if path.stat().st_size == 0:
        raise emptied()


def emptied() -> CatalogError:
    """The error for a catalog that holds nothing although there are bags."""
    return CatalogError("The catalog is empty, but the bags are there.", REBUILD)


def _revision(connection: Connection) -> str | None:
    """The number of the tables' shape; None for a database without tables. Raises BadInputError for other tables."""
    found: str | None = None
    if _is_numbered(connection):
        found = connection.execute(_NUMBER).scalar()
    elif not inspect(connection).get_table_names():
        return None
    if found is None or not _OURS.fullmatch(found):
        raise BadInputError(
            "The database at `[catalog] url` holds the tables of another program; nothing was changed.",
            "Make an empty database for the archive, and write its address in evidence.toml.",
        )
    return found


def _is_numbered(connection: Connection) -> bool:
    """Whether the migrations made tables here; asked directly, because every command asks and the Inspector takes ten times as long."""
    sqlite = connection.dialect.name == "sqlite"
    return connection.execute(_IN_FILE if sqlite else _ON_SERVER).scalar() is not None


def _refuse_newer(present: str | None) -> None:
    if present is not None and present > HEAD:
        raise BadInputError(
            f"This archive's catalog is at version {present}, newer than this program knows ({HEAD}).",
            "Use the program version that wrote it, or a newer one.",
        )


def _migrate(engine: Engine) -> None:
    """Migrate to `HEAD` in one transaction: a kill leaves the tables as they were, and two processes take turns."""
    # Slow to import, and nearly every start needs no migration.
    import alembic.command  # noqa: PLC0415
    import alembic.config  # noqa: PLC0415

    config = alembic.config.Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    with engine.begin() as connection:
        if engine.dialect.name == "sqlite":
            usual = connection.exec_driver_sql("PRAGMA cache_size").scalar()
            connection.exec_driver_sql(f"PRAGMA cache_size = -{_MIGRATION_CACHE_KIB}")
            connection.exec_driver_sql("BEGIN IMMEDIATE")  # else each CREATE TABLE would commit by itself
        else:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": OPENING_LOCK})
        present = _revision(connection)  # again: another process may just have migrated
        _refuse_newer(present)
        if present != HEAD:
            config.attributes["connection"] = connection
            alembic.command.upgrade(config, "head")
            _analyse(connection)
        if engine.dialect.name == "sqlite":
            connection.exec_driver_sql(f"PRAGMA cache_size = {usual}")


def _analyse(connection: Connection) -> None:
    """Have PostgreSQL look at the rows: new tables have no statistics yet, and the first queries need them."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("ANALYZE")


def differences(engine: Engine) -> list[Any]:
    """The differences between the database's tables and `tables`; empty when there are none."""
    from alembic.autogenerate import compare_metadata  # noqa: PLC0415
    from alembic.migration import MigrationContext  # noqa: PLC0415

    with engine.connect() as connection:
        return list(compare_metadata(MigrationContext.configure(connection), metadata))


def _not_begun_yet(connection: Connection) -> None:
    connection.info["begun"] = connection.info["writes"] = False


def _begin_where_needed(
    connection: Connection, cursor: Any, statement: str, _parameters: Any, _context: Any, _many: bool
) -> None:
    """Begin the server's transaction before the first statement that needs one, and let one write at a time, as in a file.

    In READ COMMITTED each query sees what was committed before it, so queries before the first change need no
    transaction; most have none after them, and BEGIN and COMMIT would take two more answers of the server.

    Counts, marks and lists of the to-do kind are read and written by every change. The transaction holds no lock on a
    row before its first change, so nobody waits in a circle.
    """
    info, verb = connection.info, statement.lstrip()[:6].upper()
    if connection.get_execution_options().get("isolation_level") == "AUTOCOMMIT":  # leases, and VACUUM
        return
    first = []
    if not info.get("begun") and (verb != "SELECT" or _ENDS_WITH_TRANSACTION in statement):
        info["begun"] = True
        first.append("BEGIN ISOLATION LEVEL READ COMMITTED")
    if not info.get("writes") and verb in _CHANGES:
        info["writes"] = True
        first.append(f"SELECT pg_advisory_xact_lock({_WRITING_LOCK})")
    if first:
        cursor.execute("; ".join(first))


def _set_sqlite_pragmas(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    cursor.execute("PRAGMA busy_timeout=60000")  # first: the next statement may already have to wait
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")  # a committed row survives a power cut
    cursor.close()
