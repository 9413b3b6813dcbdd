"""Opens the catalog and brings it to the program's shape."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import alembic.command
import alembic.config
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Engine, create_engine, event, inspect, text
from sqlalchemy.exc import OperationalError

from evidence.catalog.tables import metadata
from evidence.errors import BadInputError

HEAD = "0002"
"""The newest migration; a test holds it to the files."""


def open_engine(url: str) -> Engine:
    """An engine for `url`, its tables at the newest migration.

    Raises BadInputError when the database cannot be reached or is newer than the program.
    """
    engine = create_engine(url)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _careful_sqlite)
    try:
        with engine.connect() as connection:
            present = _revision(connection)
    except OperationalError as trouble:
        reason = str(trouble.orig).strip().splitlines()[0]
        raise BadInputError(
            f"The catalog cannot be opened: {reason}.", "Check the disk and `[catalog] url` in evidence.toml."
        ) from trouble
    if present != HEAD:
        _migrate(engine, present)
    return engine


def _revision(connection: Any) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()  # type: ignore[no-any-return]


def _migrate(engine: Engine, present: str | None) -> None:
    config = alembic.config.Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    if present is not None and present > HEAD:
        raise BadInputError(
            f"This archive's catalog is at version {present}, newer than this program knows ({HEAD}).",
            "Use the program version that wrote it, or a newer one.",
        )
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        alembic.command.upgrade(config, "head")


def differences(engine: Engine) -> list[Any]:
    """What the database's shape lacks or has beyond `tables`; empty when they agree."""
    with engine.connect() as connection:
        return list(compare_metadata(MigrationContext.configure(connection), metadata))


def _careful_sqlite(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")  # a committed row survives a power cut
    cursor.execute("PRAGMA busy_timeout=15000")
    cursor.close()
