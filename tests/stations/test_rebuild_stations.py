"""The catalog of several stations made anew from the folders of all of them: equal row for row but for caches."""

from __future__ import annotations

import psycopg
import pytest
from sqlalchemy.engine import make_url
from support_cli import cli
from support_intake import rows_of
from support_postgres import drop
from support_stations import (
    Saved,
    card_of,
    closed_long_ago,
    digests,
    purged,
    require_whole,
    settle,
    two_stations,
)

from evidence.workspace import Workspace


@pytest.fixture(scope="module")
def saved(tmp_path_factory, postgres_database):
    """Two stations in use: each has a bag, decisions, a hold; one is to remove its part of a purged claim."""
    folder = tmp_path_factory.mktemp("rebuilt") / "world"
    folder.mkdir()
    world = two_stations(folder, postgres_database)
    cards = [
        card_of(folder / "card-1", "TC-1001", number=1, scenes=1),
        card_of(folder / "card-2", "TC-1002", number=2, scenes=2, minutes=90),
        card_of(folder / "card-3", "TC-1003", number=3, scenes=2, minutes=300),
    ]
    world.take_in(world.second, cards[0])
    world.take_in(world.second, cards[1])
    world.take_in(world.first, cards[2])
    settle(world)
    photo = min(digests(cards[1]))[:12]
    assert cli("tag", photo, "--role", "overview", archive=world.first, actor="Ada Clerk").status == 0
    assert cli("waive", "TC-1003", "gutter", "--reason", "fenced off", archive=world.second).status == 0
    assert cli("hold", "place", "TC-1002", "--reason", "suit filed", archive=world.first).status == 0
    settle(world)
    closed_long_ago(world.first, "TC-1001")
    settle(world)
    purged(world.first, "TC-1001")
    for archive in world.both:  # each writes its record files, and the second does not remove its part yet
        assert cli("verify", archive=archive).status == 0
    kept = Saved(world)
    yield kept
    kept.drop()


def stations(archive):
    with Workspace(archive) as here:
        return [(one.archive, one.name, one.path, one.left) for one in here.catalog.stations.all()]


@pytest.mark.parametrize(("at", "lost"), [("first", False), ("first", True), ("second", True)])
def test_a_rebuild_at_any_station_makes_the_whole_catalog_anew(saved, at, lost):
    world = saved.again()
    before, known = rows_of(world.first), stations(world.first)
    for table in (
        "claim",
        "intake",
        "original",
        "decision",
        "tag",
        "bag",
        "copy",
        "hold",
        "waiver",
        "station_debt",
    ):
        assert before[table], table
    assert {row["station"] for row in before["bag"]} == {one[0] for one in known}
    if lost:
        new_database(world.url)
    here, there = (world.first, world.second) if at == "first" else (world.second, world.first)
    ran = cli("rebuild", *(("--station", there) if lost else ()), "--json", archive=here)
    assert ran.status == 0, ran.out + ran.err
    assert ran.data["stations"] == ["second" if at == "first" else "first"]
    assert stations(world.second) == known
    after = rows_of(world.first)
    for table in before:
        assert after[table] == before[table], table
    settle(world)
    require_whole(world, *(world.folder / f"card-{number}" for number in (2, 3)))


def new_database(url):
    name, server = make_url(url).database, make_url(url).query["host"]
    with psycopg.connect(host=server, user="office", dbname="postgres", autocommit=True) as db:
        drop(db, name)
        db.execute(f'CREATE DATABASE "{name}"')


def test_a_rebuild_without_a_stations_folder_or_while_it_works_changes_nothing(saved):
    world = saved.again()
    before = rows_of(world.first)
    with Workspace(world.second):
        ran = cli("rebuild", archive=world.first)
        assert (ran.status, "station second has the catalog open" in ran.err) == (27, True)
    ran = cli("rebuild", "--station", world.folder / "disk-1", archive=world.first)
    assert (ran.status, "no station's archive" in ran.err) == (2, True)
    away = world.second.with_name("away")
    world.second.rename(away)
    ran = cli("rebuild", archive=world.first)
    assert (ran.status, "The folder of the station second" in ran.err) == (2, True)
    assert rows_of(world.first) == before
    new_database(world.url)
    ran = cli("rebuild", archive=world.first)
    assert (ran.status, "The folder of the station second" in ran.err) == (2, True)
    assert cli("rebuild", "--station", away, archive=world.first).status == 0
    assert rows_of(world.first)["bag"] == before["bag"]


def test_what_changed_after_the_bag_of_another_station_was_built_is_not_lost(saved):
    world = saved.again()
    assert cli("hold", "place", "TC-1002", "--reason", "second suit", archive=world.first).status == 0
    assert cli("backup", archive=world.first).status == 0
    before = rows_of(world.first)
    assert [row["dirty"] for row in before["bag"] if row["claim"] == "TC-1002"] == [True]
    new_database(world.url)
    ran = cli("rebuild", "--station", world.second, "--json", archive=world.first)
    assert [one["code"] for one in ran.data["findings"]] == ["bag_behind"]
    after = rows_of(world.first)
    assert (after["hold"], after["bag"]) == (before["hold"], before["bag"])
