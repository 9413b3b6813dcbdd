"""A catalog that is missing, emptied or damaged, and a disk that refuses writes: one clear line, a status each."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest
from support_cli import cli
from support_intake import at_home

from evidence.catalog import opening
from evidence.catalog.faults import error_of
from evidence.errors import CatalogError, CatalogWriteError, LockedError
from evidence.filing import catalog_check
from evidence.filing.bags import file_away
from evidence.filing.catalog_check import EMPTY_TABLES
from evidence.model import Claim, ClaimId
from evidence.review.undo import undo
from evidence.review.waivers import waive

COMMANDS = (
    ("claims",),
    ("verify",),
    ("backup",),
    ("photos", "unassigned"),
    ("hold", "list"),
    ("retention",),
    ("repair",),
    ("close", "TC-1001", "--on", "2026-05-30"),
)


def emptied(archive):
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    (archive / "catalog.sqlite").touch()


def missing(archive):
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()


def new_tables_only(archive):
    emptied(archive)
    opening.open_engine(f"sqlite:///{archive / 'catalog.sqlite'}").dispose()


def not_a_database(archive):
    missing(archive)
    (archive / "catalog.sqlite").write_bytes(b"It was a dark night. " * 500)


def truncated(archive):
    path = archive / "catalog.sqlite"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def pages_flipped(archive):
    path = archive / "catalog.sqlite"
    content = bytearray(path.read_bytes())
    for at in range(4096, len(content), 4096):  # every page but the first: its header says what is in it
        content[at : at + 12] = b"\xff" * 12
    path.write_bytes(bytes(content))


FAULTS = (emptied, missing, new_tables_only, not_a_database, truncated, pages_flipped)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda one: one.__name__)
def test_a_broken_catalog_beside_full_bags_is_an_error_of_every_command(houses, fault):
    bags = sorted(path for path in (houses / "claims").rglob("*") if path.is_file())
    fault(houses)
    for command in COMMANDS:
        ran = cli(*command, archive=houses)
        assert ran.status == 30, (command, ran.out, ran.err)
        assert len(ran.err.strip().splitlines()) == 1
        assert "evidence rebuild" in ran.err
        assert ran.out == ""
    assert sorted(path for path in (houses / "claims").rglob("*") if path.is_file()) == bags
    if fault is missing:
        assert not (houses / "catalog.sqlite").exists(), "no empty catalog is made in its place"
    assert cli("rebuild", archive=houses).status == 0
    assert cli("verify", archive=houses).status == 0


def empty_table(archive, name):
    with closing(sqlite3.connect(archive / "catalog.sqlite")) as database, database:
        database.execute(f'DELETE FROM "{name}"')


@pytest.mark.parametrize(
    "table",
    [
        "original",
        "claim",
        "bag",
        "held_in",
        "sighting",
        "intake",
        "copy",
        "segment",
        "tag",
        "hold",
    ],
)
def test_one_table_that_was_emptied_beside_full_bags_is_an_error_of_every_command(houses, table):
    assert cli("hold", "place", "TC-1001", "--reason", "suit", archive=houses).status == 0
    with at_home(houses) as workspace:
        file_away(workspace)
    assert cli("claims", archive=houses).status == 0
    empty_table(houses, table)
    for command in COMMANDS:
        ran = cli(*command, archive=houses)
        assert ran.status == 30, (command, ran.out, ran.err)
        assert len(ran.err.strip().splitlines()) == 1
        assert f"'{table}' is empty" in ran.err
        assert "evidence rebuild" in ran.err
    assert cli("rebuild", archive=houses).status == 0
    assert cli("verify", archive=houses).status == 0


def test_a_table_that_becomes_empty_by_a_command_is_no_error(houses):
    with at_home(houses) as workspace:
        waive(workspace, ClaimId("TC-1001"), "elevation", place="left", why="no access")
        file_away(workspace)
    assert cli("claims", archive=houses).status == 0
    with at_home(houses) as workspace:
        undo(workspace)
        file_away(workspace)
        assert "waiver" in workspace.catalog.records.empty_tables()
    (houses / EMPTY_TABLES).unlink()
    assert cli("claims", archive=houses).status == 0


def test_the_bags_are_read_again_only_for_a_table_that_was_not_empty_before(houses, monkeypatch):
    assert cli("claims", archive=houses).status == 0
    monkeypatch.setattr(catalog_check, "bag_folders", lambda _root: pytest.fail("bags were read"))
    assert cli("claims", archive=houses).status == 0


def test_an_intake_beside_a_missing_catalog_takes_nothing_in(houses, tmp_path):
    missing(houses)
    card = tmp_path / "card"
    (card / "DCIM" / "100TESTC").mkdir(parents=True)
    (card / "DCIM" / "100TESTC" / "A0000001.JPG").write_bytes(b"photo")
    ran = cli("intake", card, archive=houses)
    assert ran.status == 30
    assert [path for path in (houses / "intake").rglob("*") if path.is_file()] == []


def test_a_disk_that_is_full_under_the_catalog_is_one_line_and_nothing_is_half_done(houses, monkeypatch):
    """The limit on pages gives SQLITE_FULL, as a full disk does (sqlite.org/pragma.html#pragma_max_page_count)."""
    real = opening._set_sqlite_pragmas

    def small(connection, record):
        real(connection, record)
        connection.execute("PRAGMA max_page_count=1")  # SQLite raises it to the present size

    with at_home(houses) as workspace:
        before = workspace.catalog.records.every_row()
    monkeypatch.setattr(opening, "_set_sqlite_pragmas", small)
    ran = cli("hold", "place", "TC-1001", "--reason", "suit " * 20_000, archive=houses)
    assert ran.status == 31, ran.err
    assert "full" in ran.err
    assert len(ran.err.strip().splitlines()) == 1
    monkeypatch.undo()
    with at_home(houses) as workspace:
        assert workspace.catalog.records.every_row() == before
    assert cli("hold", "place", "TC-1001", "--reason", "suit", archive=houses).status == 0


def test_a_catalog_that_refuses_writes_is_one_line(houses, monkeypatch):
    real = opening._set_sqlite_pragmas

    def read_only(connection, record):
        real(connection, record)
        connection.execute("PRAGMA query_only=ON")  # gives SQLITE_READONLY

    monkeypatch.setattr(opening, "_set_sqlite_pragmas", read_only)
    with at_home(houses) as workspace, pytest.raises(CatalogWriteError, match="readonly"):
        workspace.catalog.claims.put([Claim(claim=ClaimId("TC-9"))], at=workspace.now())


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (sqlite3.SQLITE_CORRUPT, CatalogError),
        (sqlite3.SQLITE_NOTADB, CatalogError),
        (sqlite3.SQLITE_FULL, CatalogWriteError),
        (sqlite3.SQLITE_IOERR_WRITE, CatalogWriteError),
        (sqlite3.SQLITE_READONLY_DBMOVED, CatalogWriteError),
        (sqlite3.SQLITE_BUSY, LockedError),
        (sqlite3.SQLITE_CONSTRAINT, type(None)),
    ],
)
def test_each_result_code_has_its_own_error(code, kind):
    """Codes: sqlite.org/rescode.html."""
    trouble = sqlite3.OperationalError("as SQLite says")
    trouble.sqlite_errorcode = code
    assert isinstance(error_of(trouble), kind)
