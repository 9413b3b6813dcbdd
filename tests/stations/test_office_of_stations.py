"""What several stations of one catalog owe each other: logs, bags, purges, names, and a station that is gone."""

from __future__ import annotations

import shutil
import signal
import time

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import select
from support_cli import cli
from support_intake import PLAIN, actions, filed, set_settings
from support_retention import planned
from support_stations import (
    card_of,
    closed_long_ago,
    digests,
    one_archive,
    purged,
    require_whole,
    settings,
    settle,
    two_stations,
)

import evidence.workspace
from evidence.board.app import make_app
from evidence.catalog import tables as t
from evidence.errors import BagError
from evidence.filing.originals import require_original
from evidence.model import Duty
from evidence.workspace import Workspace


@pytest.fixture
def shared_claim(tmp_path, postgres_url):
    """Two stations; the first has the bag of TC-1001, and the second has taken in a card of it too."""
    world = two_stations(tmp_path, postgres_url)
    cards = (
        card_of(tmp_path / "card-1", "TC-1001", number=1),
        card_of(tmp_path / "card-2", "TC-1001", number=2),
    )
    world.take_in(world.first, cards[0])
    return world, cards


def test_every_row_has_the_station_that_wrote_it(shared_claim):
    world, cards = shared_claim
    world.take_in(world.second, cards[1])
    assert cli(
        "tag", "TEST0002.JPG", "--role", "overview", "--claim", "TC-1001", archive=world.second
    ).status in {0, 2}
    with Workspace(world.second) as here, here.catalog._database.transaction() as db:
        names = {one.archive: one.name for one in here.catalog.stations.all()}
        assert sorted(names.values()) == ["first", "second"]
        cards_of = [names[one] for one in db.execute(select(t.intake.c.station)).scalars()]
        assert sorted(cards_of) == ["first", "second"]
        bags = {
            claim: names[one] for claim, one in db.execute(select(t.bag.c.claim, t.bag.c.station)) if claim
        }
        assert bags == {"TC-1001": "first"}
        waiting = {names[one] for one in db.execute(select(t.waiting_at.c.station)).scalars()}
        assert waiting == {"second"}, "its photos wait there until the first station has them in the bag"
        assert {names[one] for one in db.execute(select(t.decision.c.station)).scalars()} <= {"second"}


def test_photos_of_a_station_that_cannot_be_reached_wait_and_are_named(shared_claim, tmp_path):
    world, cards = shared_claim
    assert cli("station", "add", "second", "--path", tmp_path / "nowhere", archive=world.second).status == 0
    world.take_in(world.second, cards[1])
    ran = cli("intake", cards[0], "--json", archive=world.first)
    (finding,) = [one for one in ran.data["findings"] if one["code"] == "original_elsewhere"]
    assert "4 files of TC-1001 wait at the station second" in finding["message"]
    photo = min(digests(cards[1]))
    with Workspace(world.first) as here:
        with pytest.raises(BagError, match="is at the station second, whose folder"):
            require_original(here, photo)
        app = make_app(here, background=False)
        client = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
        sessions = app.state.board.sessions
        client.cookies.set(sessions.cookie, sessions.start("Tess", Duty.OFFICE, listed=False)[1])
        assert "The original is at the station second" in client.get(f"/photo/{photo}").text
        refused = client.get(f"/original/{photo}")
        assert refused.status_code >= 400
        assert "is at the station second, whose folder" in refused.text
    assert len(filed(world.first)) == 4
    listed = cli("station", "list", archive=world.first).out
    assert "its folder cannot be reached" in listed
    assert cli("station", "add", "second", archive=world.second).status == 0
    with Workspace(world.first) as here:
        assert require_original(here, photo).is_relative_to(world.second / "intake"), (
            "read by its digest there"
        )
    settle(world)
    require_whole(world, *cards)


def test_each_log_notes_the_heads_of_the_other_and_a_log_that_was_cut_is_found_by_both(
    shared_claim, tmp_path
):
    world, cards = shared_claim
    shutil.copytree(world.second / "custody", tmp_path / "earlier")
    world.take_in(world.second, cards[1])
    settle(world)
    assert {"station_head_noted"} <= set(actions(world.first)) & set(actions(world.second))
    proved = cli("custody", "--verify", "--json", archive=world.first).data
    assert proved["findings"] == []
    shutil.rmtree(world.second / "custody")
    shutil.copytree(tmp_path / "earlier", world.second / "custody")
    for file in (tmp_path / "disk-2").rglob("heads.jsonl"):
        file.unlink()  # whoever cut the log had its backup disk too
    here = cli("custody", "--verify", "--json", archive=world.second)
    assert here.status == 1
    assert "entries_missing" in {one["code"] for one in here.data["findings"]}, here.data["findings"]
    assert any("the log of the station first" in one["message"] for one in here.data["findings"])
    there = cli("custody", "--verify", "--json", archive=world.first)
    assert there.status == 1
    assert "station_log_differs" in {one["code"] for one in there.data["findings"]}


def test_a_forged_head_of_a_station_is_neither_noted_nor_believed(shared_claim):
    world, cards = shared_claim
    world.take_in(world.second, cards[1])
    with Workspace(world.second) as here:
        (head,) = [one.head for one in here.catalog.stations.all() if one.name == "second"]
        forged = {**head, "head": {**head["head"], "size": head["head"]["size"] + 5}}
        here.catalog.stations.put_head(forged)
    ran = cli("backup", "--json", archive=world.first)
    assert [one["code"] for one in ran.data["troubles"]] == ["station_head_forged"]
    ran = cli("custody", "--verify", "--json", archive=world.first)
    assert (ran.status, {one["code"] for one in ran.data["findings"]}) == (1, {"station_head_forged"})


def test_a_purge_is_refused_while_the_other_station_takes_in_a_card(tmp_path, postgres_url, monkeypatch):
    world = two_stations(tmp_path, postgres_url)
    one = card_of(tmp_path / "card-1", "TC-1001", number=1)
    two = card_of(tmp_path / "card-2", "TC-1002", number=2, minutes=90)
    world.take_in(world.first, one)
    closed_long_ago(world.first, "TC-1001")
    intake = world.begin(world.second, two)
    try:
        intake.go()
        with Workspace(world.first) as here:
            until = time.monotonic() + 60
            while True:  # stopped while it takes in the card, and not while it changes the catalog
                assert time.monotonic() < until
                assert intake.poll() is None
                if not here.catalog.leases.is_free("office"):
                    intake.send_signal(signal.SIGSTOP)
                    if here.catalog.leases.is_free("change"):
                        break
                    intake.send_signal(signal.SIGCONT)
        with monkeypatch.context() as patched:
            patched.setattr(evidence.workspace, "LOCK_WAIT_S", 0.5)
            ran = planned(world.first, "TC-1001")
        assert ran.status == 27, ran
        assert "Station second is taking in a card" in ran.err
        intake.send_signal(signal.SIGCONT)
        assert intake.ended()
    finally:
        intake.kill()
    ran = purged(world.first, "TC-1001")
    assert [gone["claim"] for gone in ran["purged"]] == ["TC-1001"]
    settle(world)
    assert set(filed(world.first)) | set(filed(world.second)) == digests(two)


def test_a_station_that_left_blocks_nothing_and_its_bags_are_built_again(tmp_path, postgres_url):
    world = two_stations(tmp_path, postgres_url)
    one, two = (
        card_of(tmp_path / "card-1", "TC-1001", number=1),
        card_of(tmp_path / "card-2", "TC-1002", number=2, minutes=90),
    )
    world.take_in(world.first, one)
    world.take_in(world.second, two)
    settle(world)
    left = ("station", "left", "second", "--reason", "stolen from the car")
    with Workspace(world.second):
        ran = cli(*left, archive=world.first)
        assert (ran.status, "has the catalog open" in ran.err) == (27, True)
    assert cli("station", "left", "third", "--reason", "x", archive=world.first).status == 2
    assert cli("station", "left", "second", "--reason", " ", archive=world.first).status == 2
    ran = cli(*left, "--json", archive=world.first)
    assert (ran.status, "TC-1002" in ran.data["claims"]) == (0, True)
    ran = cli("claims", archive=world.second)
    assert ran.status == 2
    assert "declared gone for good" in ran.err
    assert "stolen from the car" in ran.err
    assert cli("backup", archive=world.first).status == 0
    assert set(filed(world.first)) == digests(one, two)
    assert cli("verify", archive=world.first).status == 0
    assert "station_left" in actions(world.first)
    closed_long_ago(world.first, "TC-1002")
    plan = planned(world.first, "TC-1002")
    assert plan.status == 0, plan.err
    assert [owed["target"] for owed in plan.data["owed"]] == ["station second", "south"], (
        "its disk and its folder may hold copies still"
    )


def test_photos_that_a_station_took_with_it_are_named_and_come_back_from_a_card(tmp_path, postgres_url):
    world = two_stations(tmp_path, postgres_url)
    card = card_of(tmp_path / "card", "TC-1002")
    world.take_in(world.second, card)
    shutil.rmtree(world.second)
    assert cli("station", "left", "second", "--reason", "burnt", archive=world.first).status == 0
    ran = cli("backup", "--json", archive=world.first)
    assert ran.status == 1
    assert {one["code"] for one in ran.data["troubles"]} == {"original_damaged"}, ran.data["troubles"]
    shown = cli("photos", "TC-1002", "--json", archive=world.first)
    assert len(shown.data) == 4, "nothing that is known of them was lost"
    ran = cli("repair", "--card", card, "--json", archive=world.first)
    assert len(ran.data["repaired"]) >= 4, ran.data
    assert cli("backup", archive=world.first).status == 0
    assert set(filed(world.first)) == digests(card)
    assert cli("verify", archive=world.first).status == 0


def test_what_a_station_needs_is_said_in_one_line(tmp_path, postgres_url):
    world = two_stations(tmp_path, postgres_url)
    own = one_archive(tmp_path / "own", PLAIN)
    ran = cli("station", "add", "third", archive=own)
    assert (ran.status, "has a catalog file of its own" in ran.err) == (2, True)
    third = one_archive(tmp_path / "third", settings(postgres_url, tmp_path / "disk-1", "east"))
    ran = cli("claims", archive=third)
    assert (ran.status, "evidence station add NAME" in ran.err) == (2, True)
    for name in ("second", " ", "x" * 61):
        assert cli("station", "add", name, archive=third).status == 2
    assert cli("station", "add", "first", archive=world.second).status == 2
    set_settings(third, settings(postgres_url, tmp_path / "disk-3", "north"))
    assert cli("station", "add", "third", archive=third).status == 0
    cli("backup", archive=world.first)
    ran = cli("backup", "--json", archive=third)
    assert any("has a backup target named 'north' too" in one["message"] for one in ran.data["troubles"])


def test_an_archive_in_use_does_not_become_a_station_of_another_catalog(tmp_path, postgres_url):
    two_stations(tmp_path, postgres_url)
    used = one_archive(tmp_path / "used", PLAIN)
    card = card_of(tmp_path / "card", "TC-1003")
    assert cli("intake", card, archive=used).status == 0
    set_settings(used, settings(postgres_url, tmp_path / "disk-3", "east"))
    ran = cli("station", "add", "third", archive=used)
    assert ran.status == 2
    assert "belongs to another archive" in ran.err or "new archive" in ran.err
