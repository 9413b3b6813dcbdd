"""A catalog belongs to its archive: another archive, another program's tables and a wrong address are refused untouched."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import alembic.command
import alembic.config
import pytest
from sqlalchemy import create_engine, inspect, text
from support_cli import cli, make_archive
from support_intake import CLAIMS, set_settings

import evidence.catalog
from evidence.catalog.owners import Owner
from evidence.catalog.store import Catalog
from evidence.errors import BadInputError, CatalogError

VERSIONS = Path(evidence.catalog.__file__).parent / "migrations"
NOW = datetime(2026, 5, 14, 18, 0, tzinfo=UTC)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path):
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'catalog.sqlite'}"
    return request.getfixturevalue("postgres_url")


def owner(number: int, *intakes: str) -> Owner:
    return Owner(
        archive=f"{number:032x}",
        name=f"archive {number}",
        actor="Ada",
        at=NOW,
        knows=lambda asked: not set(asked).isdisjoint(intakes),
    )


def everything(url):
    """Each table of the database with its rows, and the locks that are left on a server."""
    engine = create_engine(url)
    with engine.connect() as db:
        names = sorted(inspect(db).get_table_names())
        rows = {name: sorted(map(str, db.execute(text(f'SELECT * FROM "{name}"')))) for name in names}
        locks = ()
        if engine.dialect.name == "postgresql":
            asked = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
            locks = db.execute(text(asked)).scalar_one()
    engine.dispose()
    return rows, locks


def of_shape(url, revision, intake):
    """A catalog of an earlier program with one intake."""
    config = alembic.config.Config()
    config.set_main_option("script_location", str(VERSIONS))
    engine = create_engine(url)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        alembic.command.upgrade(config, revision)
        connection.execute(
            text(
                "INSERT INTO intake (intake, source, label, actor, started_at, refused, card_id, purged, came_since,"
                " told_safe) VALUES (:intake, '', '', '', '2026-05-14', '[]', '', 0, 0, false)"
            ),
            {"intake": intake},
        )
    engine.dispose()


def test_a_new_catalog_takes_the_archive_that_opens_it_and_refuses_another(url):
    for _ in range(2):
        Catalog(url, owner=owner(1)).close()
    before = everything(url)
    assert len(before[0]["station"]) == 1
    with pytest.raises(
        BadInputError, match=r"belongs to another archive \('archive 1'\); nothing was changed"
    ):
        Catalog(url, owner=owner(2))
    assert everything(url) == before


@pytest.mark.parametrize("shape", ["0008", "0012", "0015"])
def test_a_catalog_of_an_earlier_program_takes_the_archive_whose_intakes_it_holds(url, shape):
    of_shape(url, shape, "run-1")
    before = everything(url)
    with pytest.raises(BadInputError, match="belongs to another archive"):
        Catalog(url, owner=owner(2, "run-7"))
    assert everything(url) == before, "it was not even brought over"
    Catalog(url, owner=owner(1, "run-1")).close()
    with pytest.raises(BadInputError, match="belongs to another archive"):
        Catalog(url, owner=owner(2, "run-1"))


def test_a_catalog_of_a_newer_program_is_refused_and_left_alone(url):
    Catalog(url, owner=owner(1)).close()
    engine = create_engine(url)
    with engine.begin() as db:
        db.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    before = everything(url)
    with pytest.raises(BadInputError, match="newer than this program"):
        Catalog(url, owner=owner(1))
    assert everything(url) == before


@pytest.mark.parametrize("other", ["shop (id INTEGER)", "alembic_version (version_num VARCHAR(32))"])
def test_a_database_of_another_program_is_refused_and_left_alone(url, other):
    engine = create_engine(url)
    with engine.begin() as db:
        db.execute(text(f"CREATE TABLE {other}"))
        if "version_num" in other:
            db.execute(text("INSERT INTO alembic_version VALUES ('a81c0fd2e771')"))
    engine.dispose()
    before = everything(url)
    with pytest.raises(BadInputError, match="holds the tables of another program"):
        Catalog(url, owner=owner(1))
    assert everything(url) == before


def test_an_empty_database_in_place_of_a_catalog_in_use_gets_no_tables(postgres_url):
    with pytest.raises(CatalogError, match="The catalog is empty"):
        Catalog(postgres_url, owner=owner(1), in_use=True)
    assert everything(postgres_url) == ({}, 0)


@pytest.mark.parametrize(
    "address",
    [
        "postgresql+psycopg://office@127.0.0.1:1/catalog",  # nothing listens there (port 1, tcpmux)
        "postgresql://office@127.0.0.1:1/catalog",
        "postgresql+psycopg://office@/no_such_database?host={server}",
        "postgresql+psycopg://office@/x?host=/no/such/folder",
        "sqlite:////no/such/folder/catalog.sqlite",
    ],
)
def test_a_wrong_address_is_one_line_with_what_to_do(tmp_path, postgres_server, address):
    archive = make_archive(tmp_path)
    set_settings(archive, f"\n[catalog]\nurl = '{address.format(server=postgres_server)}'\n")
    ran = cli("claims", archive=archive)
    assert ran.status == 2
    assert "cannot be opened" in ran.err
    assert "evidence.toml" in ran.err
    assert len(ran.err.strip().splitlines()) == 1, ran.err


def on_url(folder: Path, url: str) -> Path:
    archive = make_archive(folder)
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    set_settings(archive, f"\n[catalog]\nurl = '{url}'\n")
    return archive


def test_a_second_archive_on_one_database_is_refused_by_every_command_and_the_first_goes_on(
    tmp_path, postgres_url
):
    first = on_url(tmp_path / "first", postgres_url)
    (tmp_path / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", tmp_path / "claims.csv", archive=first).status == 0
    second = on_url(tmp_path / "second", postgres_url)
    before = everything(postgres_url)
    card = tmp_path / "card"
    card.mkdir()
    (card / "TEST0001.JPG").write_bytes(b"a photo")
    for command in (
        ("claims",),
        ("intake", card),
        ("assignments", tmp_path / "claims.csv"),
        ("rebuild",),
        ("backup",),
        ("verify",),
    ):
        ran = cli(*command, archive=second)
        assert ran.status == 2, (command, ran)
        assert "belongs to another archive ('archive')" in ran.err
        assert "address of this archive's own database" in ran.err
    assert everything(postgres_url) == before
    assert cli("claims", archive=first).status == 0


def test_another_archives_catalog_file_is_refused_until_a_rebuild(tmp_path):
    first, second = make_archive(tmp_path / "first"), make_archive(tmp_path / "second")
    (tmp_path / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", tmp_path / "claims.csv", archive=first).status == 0
    for path in second.glob("catalog.sqlite*"):
        path.unlink()
    with closing(sqlite3.connect(first / "catalog.sqlite")) as db:
        db.execute("VACUUM INTO ?", [str(second / "catalog.sqlite")])
    before = everything(f"sqlite:///{second / 'catalog.sqlite'}")
    ran = cli("claims", archive=second)
    assert ran.status == 2
    assert "belongs to another archive" in ran.err
    assert "evidence rebuild" in ran.err
    assert everything(f"sqlite:///{second / 'catalog.sqlite'}") == before
    assert cli("rebuild", archive=second).status == 0
    assert cli("claims", archive=second).status == 0
