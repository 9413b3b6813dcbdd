"""Opens the catalog's database and runs the migrations that it lacks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError

from evidence.catalog.faults import REBUILD, translate
from evidence.catalog.tables import metadata
from evidence.errors import BadInputError, CatalogError

HEAD = "0015"
"""The newest migration; a test holds it to the files."""
KINDS = ("sqlite", "postgresql")
"""Supported databases."""
_MIGRATION_LOCK = 0x65766964
"""Key of the PostgreSQL advisory lock that is held while the tables are made or changed."""


def open_engine(url: str) -> Engine:
    """An engine for `url`, its tables at the newest migration.

    Raises BadInputError when the database cannot be reached or is newer than the program, CatalogError when
    it is damaged, CatalogWriteError when its disk is full or refuses writes.
    """
    engine = _engine(url)
    event.listen(engine, "handle_error", translate)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_sqlite_pragmas)
    try:
        with engine.connect() as connection:
            present = _revision(connection)
        if present != HEAD:
            _migrate(engine)
    except DatabaseError as trouble:
        reason = str(trouble.orig).strip().splitlines()[0].rstrip(".")
        raise BadInputError(
            f"The catalog cannot be opened: {reason}.", "Check the disk and `[catalog] url` in evidence.toml."
        ) from trouble
    return engine


def _engine(url: str) -> Engine:
    try:
        kind = make_url(url).get_backend_name()
        if kind not in KINDS:
            raise BadInputError(
                f"[catalog] url: {kind} is not supported.",
                "Leave it empty, or write postgresql+psycopg://user@host/database.",
            )
        return create_engine(url)
    except (ArgumentError, ValueError):
        raise BadInputError(
            "[catalog] url is not a database URL.",
            "Leave it empty, or write postgresql+psycopg://user@host/database.",
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
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _migrate(engine: Engine) -> None:
    """Migrate to `HEAD` in one transaction: a kill leaves the tables as they were, and two processes take turns."""
    # Slow to import, and nearly every start needs no migration.
    import alembic.command  # noqa: PLC0415
    import alembic.config  # noqa: PLC0415

    config = alembic.config.Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    with engine.begin() as connection:
        if engine.dialect.name == "sqlite":
            connection.exec_driver_sql("BEGIN IMMEDIATE")  # else each CREATE TABLE would commit by itself
        else:
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _MIGRATION_LOCK})
        present = _revision(connection)  # again: another process may just have migrated
        if present is not None and present > HEAD:
            raise BadInputError(
                f"This archive's catalog is at version {present}, newer than this program knows ({HEAD}).",
                "Use the program version that wrote it, or a newer one.",
            )
        if present != HEAD:
            config.attributes["connection"] = connection
            alembic.command.upgrade(config, "head")


def differences(engine: Engine) -> list[Any]:
    """The differences between the database's tables and `tables`; empty when there are none."""
    from alembic.autogenerate import compare_metadata  # noqa: PLC0415
    from alembic.migration import MigrationContext  # noqa: PLC0415

    with engine.connect() as connection:
        return list(compare_metadata(MigrationContext.configure(connection), metadata))


def _set_sqlite_pragmas(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    cursor.execute("PRAGMA busy_timeout=60000")  # first: the next statement may already have to wait
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")  # a committed row survives a power cut
    cursor.close()
