"""A purge with the catalog on PostgreSQL: VACUUM FULL leaves no name of the claim in the tables' files."""

from __future__ import annotations

import os
from pathlib import Path

import psycopg
import pytest
from support_cli import CONFIRMED, cli
from support_intake import CLAIMS, PLAIN, set_settings, small_houses, taken_in
from support_retention import reload_assignments

from evidence.workspace import make_archive

NAMES = (b"Ada Moss", b"1 Larch Way")


def tables_with(server: Path, words) -> list[str]:
    """The words that are in any file of the server's tables, after all pages were written; its write-ahead log is its own."""
    with psycopg.connect(host=str(server), user="office", dbname="postgres", autocommit=True) as db:
        db.execute("CHECKPOINT")
    files = [path for path in (server / "data" / "base").rglob("*") if path.is_file()]
    assert files
    return [word.decode() for word in words if any(word in path.read_bytes() for path in files)]


def archive_on(url: str, folder: Path) -> Path:
    """An archive of two houses whose catalog is at `url`; the loss of TC-1001 is long ago."""
    archive = folder / "archive"
    make_archive(archive).close()
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    set_settings(archive, f"{PLAIN}\n[catalog]\nurl = '{url}'\n")
    (folder / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    cli("assignments", folder / "claims.csv", archive=archive)
    reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01"))
    taken_in(archive, small_houses(folder / "card").root)
    return archive


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root may read the server's files")
def test_a_purge_leaves_no_name_in_the_files_of_a_postgresql_catalog(tmp_path, postgres_server, postgres_url):
    archive = archive_on(postgres_url, tmp_path)
    assert cli("tag", "TEST0002.JPG", "--role", "overview", archive=archive).status == 0
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
    assert tables_with(postgres_server, NAMES) == ["Ada Moss", "1 Larch Way"]
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=archive, actor="Ada Clerk").data["plan"]
    assert cli("purge", "approve", plan, archive=archive, actor="Ben Witness").status == 0
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=archive, actor="Ada Clerk")
    assert ran.status == 0, ran.err
    assert [one["claim"] for one in ran.data["purged"]] == ["TC-1001"]
    assert ran.data["remaining"] == []
    assert tables_with(postgres_server, NAMES) == []
    assert cli("verify", archive=archive).status == 0


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root may read the server's files")
def test_a_table_that_another_program_reads_is_owed_and_written_anew_by_the_next_run(
    tmp_path, postgres_server, postgres_url
):
    archive = archive_on(postgres_url, tmp_path)
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=archive, actor="Ada Clerk").data["plan"]
    cli("purge", "approve", plan, archive=archive, actor="Ben Witness")
    run = ("purge", "run", "--yes", *CONFIRMED, plan, "--json")
    name = postgres_url.split("@/")[1].split("?")[0]
    with psycopg.connect(host=str(postgres_server), user="office", dbname=name) as reader:
        reader.execute("SELECT * FROM claim").fetchall()  # its transaction stays open, as of a board
        ran = cli(*run, archive=archive, actor="Ada Clerk")
        assert "another program has the catalog open" in " ".join(ran.data["remaining"])
    again = cli(*run, archive=archive, actor="Ada Clerk")
    assert again.data["remaining"] == [], again.err
    assert tables_with(postgres_server, NAMES) == []
