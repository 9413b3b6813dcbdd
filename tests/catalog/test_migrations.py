"""Filled catalogs of every earlier shape are brought over: nothing that a shape held is lost or changed.

What the generator writes is the same at every shape. So a catalog of an earlier shape, brought over, must hold what one of
the shape `SHAPE` holds, but for what the earlier shape had no room for.
"""

from __future__ import annotations

import pytest
from sqlalchemy import create_engine, select
from support_filled import SHAPE, Filler, claim_of, digest_of, fill, upgrade

from evidence.catalog import tables as t
from evidence.catalog import totals
from evidence.catalog.opening import HEAD, differences
from evidence.catalog.store import Catalog
from evidence.model import ClaimId

SHAPES = [f"{number:04}" for number in range(1, int(HEAD))]
MADE = {"0002": "tally", "0008": "pushed_bag"}
"""Tables whose rows are not made from others, by the shape that has them first."""
NEW = {
    "0006": {t.intake: {"told_safe": False, "safe_told_at": None}},
    "0009": {t.bag: {"changes": 0}},
    "0011": {t.claim: {"policy_number": "", "carrier": "", "adjuster": "", "inspector": ""}},
    "0012": {
        t.claim: {"line": ""},
        t.hold: {"kind": "own"},
    },
}
"""What columns hold that an earlier shape lacked, by the shape that has them first."""
EVERY = tuple(t.metadata.tables.values())
COUNTED = (t.claim_total, t.copy_total, t.place_set)


def contents(catalog, tables=EVERY):
    """The rows of these tables."""
    with catalog._database.transaction() as db:
        return {
            table.name: sorted((row._asdict() for row in db.execute(select(table))), key=repr)
            for table in tables
        }


@pytest.fixture(scope="module")
def wanted(tmp_path_factory):
    """What a catalog of the shape `SHAPE` holds when it has been brought over."""
    url = f"sqlite:///{tmp_path_factory.mktemp('shape') / 'catalog.sqlite'}"
    fill(url, Filler(150))
    catalog = Catalog(url)
    found = contents(catalog)
    assert differences(catalog._database.engine) == []
    found["tables"] = tables_of(catalog)
    catalog.close()
    return found


def tables_of(catalog):
    """The SQL of every table and index of an SQLite file."""
    with catalog._database.transaction() as db:
        made = "SELECT type, name, sql FROM sqlite_master ORDER BY type, name"
        return [tuple(row) for row in db.exec_driver_sql(made)]


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path):
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'catalog.sqlite'}"
    return request.getfixturevalue("postgres_url")


def as_of(shape, wanted):
    """What is wanted of a catalog that had this shape."""
    found = {name: [dict(row) for row in rows] for name, rows in wanted.items() if name != "tables"}
    for first, table in MADE.items():
        if shape < first:
            found[table] = []
    for first, tables in NEW.items():
        for table, values in tables.items() if shape < first else ():
            found[table.name] = [row | values for row in found[table.name]]
    if shape < "0010":
        found["target_disk"] = []  # each disk is compared once
    if shape < "0007":  # every bag and every record file is written anew
        found["bag"] = [row | {"dirty": True} for row in found["bag"]]
        keys = {
            ("office", ""),
            *(("claim", row["claim"]) for row in wanted["claim"]),
            *(("intake", row["intake"]) for row in wanted["intake"]),
            *(("day", row["day"]) for row in wanted["segment"]),
            *(("bag", row["claim"]) for row in wanted["bag"]),
        }
        found["record_due"] = [{"kind": kind, "key": key, "mark": ""} for kind, key in keys]
    return {name: sorted(rows, key=repr) for name, rows in found.items()}


@pytest.mark.parametrize("shape", SHAPES)
def test_a_filled_catalog_of_an_earlier_shape_is_brought_over(url, shape, wanted):
    fill(url, Filler(150), shape=shape)
    catalog = Catalog(url)
    try:
        if url.startswith("sqlite"):
            assert tables_of(catalog) == wanted["tables"]
        else:
            assert differences(catalog._database.engine) == []
        found = contents(catalog)
        for table, rows in as_of(shape, wanted).items():
            assert found[table] == rows, table
        totals.count_all(catalog._database)
        assert {one.name: found[one.name] for one in COUNTED} == contents(catalog, COUNTED), (
            "what the migration counts is what the program counts"
        )
        assert catalog.photos.find("TEST0007.JPG") == [digest_of(0, 7)]
        (last,) = catalog.photos.records([digest_of(0, 149)], embeddings=True)
        assert (last.claim, last.facts.make, len(last.look.embedding)) == (claim_of(0), "Test", 2560)
        assert len(catalog.photos.of_claim(ClaimId(claim_of(0)))) == 150
    finally:
        catalog.close()


def test_a_killed_migration_leaves_the_catalog_in_its_shape(url, monkeypatch, wanted):
    """All migrations are one transaction: the next start begins anew and comes to the same."""
    fill(url, Filler(150), shape="0005")
    monkeypatch.setattr("evidence.catalog.opening._analyse", lambda _connection: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        Catalog(url)
    monkeypatch.undo()
    engine = create_engine(url)
    with engine.connect() as db:
        assert db.exec_driver_sql("SELECT version_num FROM alembic_version").scalar() == "0005"
    engine.dispose()
    catalog = Catalog(url)
    found = contents(catalog)
    catalog.close()
    assert found == as_of("0005", wanted)


def test_the_generator_writes_the_shape_that_is_said_here():
    assert SHAPE in SHAPES


def test_an_sqlite_file_grows_little_while_its_rows_move(tmp_path):
    """Rows that moved leave their pages to the next ones; when all moved before any left, the file grew by 0.8 of its size."""
    path = tmp_path / "catalog.sqlite"
    fill(f"sqlite:///{path}", Filler(6000), shape="0013")
    before = path.stat().st_size
    upgrade(f"sqlite:///{path}", "0014")
    assert path.stat().st_size < 1.5 * before
