"""A PostgreSQL server of the tests' own: made, started on a socket in a temporary folder, and stopped again."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

NOBODY = 65534
"""The user that runs the server when the tests run as root, whom it refuses."""
BEFORE_DROP: list[Callable[[str], None]] = []
"""Called with the name of a database that is about to be dropped."""


def binaries() -> Path | None:
    """The folder of the newest PostgreSQL server installed here."""
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name), reverse=True)
    found = shutil.which("initdb")
    places += [Path(found).parent] if found else []
    return next((place for place in places if (place / "initdb").exists()), None)


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Path]:
    """The folder of a running server's socket; skips, with the reason, where none can be started."""
    place = binaries()
    if os.name != "posix" or place is None:
        _absent("no PostgreSQL server is installed here")
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir=_short_folder()))
    user = {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}
    if user:
        os.chown(folder, NOBODY, NOBODY)

    def run(*command: object) -> None:
        subprocess.run(command, check=True, capture_output=True, cwd=folder, **user)

    try:
        try:
            made = (place / "initdb", "-D", folder / "data", "-U", "office", "-A", "trust", "-E", "UTF8")
            run(*made, "--locale=C.UTF-8", "--no-sync")
            options = f"-k {folder} -c listen_addresses='' -c fsync=off -c shared_buffers=16MB"
            start = ("-l", folder / "log", "-w", "-o", options, "start")
            run(place / "pg_ctl", "-D", folder / "data", *start)
        except (subprocess.CalledProcessError, OSError) as trouble:
            said = getattr(trouble, "stderr", b"") or b""
            _absent(
                f"a PostgreSQL server could not be started: {trouble} {said.decode(errors='replace')[-300:]}"
            )
        yield folder
        run(place / "pg_ctl", "-D", folder / "data", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres_server: Path) -> Iterator[str]:
    """The address of an empty database on it."""
    yield from database(postgres_server)


@pytest.fixture(scope="module")
def postgres_database(postgres_server: Path) -> Iterator[str]:
    """The address of a database that is empty when the first test of a file asks for it."""
    yield from database(postgres_server)


@pytest.fixture(scope="session")
def filled_database(postgres_server: Path) -> Iterator[str]:
    """The name of a database with the tables of a catalog, which nobody opens."""
    from sqlalchemy.engine import make_url

    from evidence.catalog.store import Catalog

    for url in database(postgres_server):
        Catalog(url).close()
        yield make_url(url).database or ""


@pytest.fixture
def filled_postgres_url(postgres_server: Path, filled_database: str) -> Iterator[str]:
    """The address of a database that has a catalog's tables, of a server's own copy."""
    yield from database(postgres_server, template=filled_database)


def database(server: Path, *, template: str = "template1") -> Iterator[str]:
    import psycopg

    name = f"catalog_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(host=str(server), user="office", dbname="postgres", autocommit=True) as db:
        copy(db, template, name)
        yield f"postgresql+psycopg://office@/{name}?host={server}"
        drop(db, name)


def copy(db: Any, template: str, name: str) -> None:
    """Make a database that holds what another one holds."""
    # Since version 15 the server can also log each page, which takes it longer.
    how = "STRATEGY FILE_COPY" if db.info.server_version >= 150000 else ""
    db.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}" {how}')


def drop(db: Any, name: str) -> None:
    """Drop a database, by a connection to another one."""
    for close in BEFORE_DROP:
        close(name)
    db.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def _short_folder() -> str:
    """A folder in memory if there is one: with a short name, since the path of a socket has a limit."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else "/tmp"


def _absent(reason: str) -> None:
    if os.environ.get("CI") == "true" and os.name == "posix" and os.geteuid() == 0:
        pytest.fail(f"{reason}; the continuous run installs one")
    pytest.skip(reason)
