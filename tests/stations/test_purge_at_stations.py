"""A purge across stations: decided and certified at one, carried out by each, and never more than the claim's own."""

from __future__ import annotations

import hashlib
import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from support_cli import cli
from support_intake import actions, filed, set_settings
from support_kill import changes_of, killed_at
from support_retention import approved, found
from support_stations import (
    Saved,
    card_of,
    closed_long_ago,
    digests,
    purged,
    run_plan,
    settle,
    two_stations,
)

from evidence.archive.targets import FolderTarget
from evidence.board.app import make_app
from evidence.errors import DestinationError
from evidence.model import Duty
from evidence.office import purging
from evidence.workspace import Workspace

NAMES = {word: word.encode() for word in ("Ada Moss", "1 Larch Way", "Ada_Moss")}
LATER = datetime.now(UTC) + timedelta(days=20)
KILLS = int(os.environ.get("KILLS", "3"))
"""Kills of a station's part, spread over all of its steps."""


@pytest.fixture(scope="module")
def saved(tmp_path_factory, postgres_database):
    """Two stations. The bag of TC-1001 is at the second; a card of it also waits at the first, which has TC-1002."""
    folder = tmp_path_factory.mktemp("office") / "world"
    folder.mkdir()
    world = two_stations(folder, postgres_database)
    cards = [
        card_of(folder / "card-1", "TC-1001", number=1, scenes=2),
        card_of(folder / "card-2", "TC-1001", number=2, scenes=1, minutes=3),
        card_of(folder / "card-3", "TC-1002", number=3, scenes=2, minutes=90),
    ]
    world.take_in(world.second, cards[0])
    world.take_in(world.first, cards[2])
    placed = cli("hold", "place", "TC-1001", "--reason", "suit of Ada Moss", "--json", archive=world.second)
    cli(
        "hold", "lift", placed.data["hold"], "--reason", "Ada Moss settled", archive=world.second, actor="Ada"
    )
    assert cli("hold", "lift", placed.data["hold"], "--confirm", archive=world.second, actor="Bo").status == 0
    settle(world)
    world.take_in(world.first, cards[1])
    closed_long_ago(world.first, "TC-1001")
    assert cli("backup", archive=world.first).status == 0
    assert found(NAMES, world.second)
    assert found(NAMES, folder / "disk-2")
    kept = Saved(world)
    yield kept
    kept.drop()


@pytest.fixture
def world(saved):
    return saved.again()


def cards_of(world, *numbers):
    return [world.folder / f"card-{number}" for number in numbers]


def roots(world):
    return [*world.both, world.folder / "disk-1", world.folder / "disk-2"]


def require_gone(world):
    """Nothing names or shows the claim at any station or disk; what stays is whole, and both logs verify."""
    gone = digests(*cards_of(world, 1, 2))
    assert found(NAMES, *roots(world)) == []
    copies = {
        str(path)
        for root in roots(world)
        for path in root.rglob("*")
        if path.is_file()
        and (path.name[:64] in gone or hashlib.sha256(path.read_bytes()).hexdigest() in gone)
    }
    assert copies == set()
    require_kept(world)
    listed = cli("station", "list", "--json", archive=world.first).data["stations"]
    assert [one["owes"] for one in listed] == [0, 0]


def require_kept(world, *more):
    """Every photo of the other claim, and of these cards, is in a sound bag; both archives and both logs verify."""
    filed_now = set(filed(world.first)) | set(filed(world.second))
    assert filed_now == digests(*cards_of(world, 3), *more)
    for archive in world.both:
        for command in (("verify",), ("custody", "--verify")):
            ran = cli(*command, archive=archive)
            assert ran.status == 0, (command, ran.out, ran.err)


def bag_of(archive):
    (bag,) = (archive / "claims").glob("TC-1001*")
    return bag


def test_a_purge_where_the_bag_does_not_stand_is_carried_out_by_each_station(world):
    plan = approved(world.first, "TC-1001")
    (planned,) = cli("purge", "show", plan, "--json", archive=world.first).data["claims"]
    assert "station second, archive: the claim's bag" in planned["places"]
    assert "station second, target south: the claim's bag" in planned["places"]
    assert "archive: originals in the intake area, 2" in planned["places"]
    (gone,) = run_plan(world.first, plan)["purged"]
    assert len(gone["stations"]) == 3
    assert bag_of(world.second).is_dir(), "the other station removes its part itself"
    certificate = Path(gone["certificate"]).read_text()
    assert "LEFT TO OTHER STATIONS" in certificate
    assert "station second, archive: the claim's bag" in certificate
    owes = "station second is still to remove its part of the purged claim TC-1001"
    assert owes in cli("status", archive=world.first).out
    assert owes in cli("doctor", archive=world.first).out
    assert owes in cli("purge", "history", archive=world.first).out
    assert owes in cli("purge", "show", plan, archive=world.first).out
    assert "This station is still to remove its part" in cli("status", archive=world.second).out
    with Workspace(world.first, actor="Tess") as here:
        app = make_app(here, background=False)
        client = TestClient(app, base_url="http://127.0.0.1:8765", follow_redirects=False)
        sessions = app.state.board.sessions
        client.cookies.set(sessions.cookie, sessions.start("Tess", Duty.OFFICE, listed=False)[1])
        assert owes in client.get(f"/desk/purge?plan={plan}").text
        assert owes in client.get("/desk").text
    listed = cli("station", "list", "--json", archive=world.first).data["stations"]
    assert [(one["name"], one["owes"]) for one in listed] == [("first", 0), ("second", 1)]
    settle(world)
    require_gone(world)
    assert owes not in cli("status", archive=world.first).out
    with Workspace(world.second) as here:
        (entry,) = [one for one in here.custody.about("purged") if one.action == "purged"]
        assert entry.details["certificate"] == hashlib.sha256(certificate.encode()).hexdigest()
        assert (entry.details["run_at"], entry.details["approved_by"]) == ("first", "Ben Witness")
    assert "purged_copy_removed" in actions(world.second), "its disk was emptied after that"


def test_a_purge_at_the_station_of_the_bag_leaves_the_rest_to_an_intake_of_the_other(world):
    (gone,) = purged(world.second, "TC-1001")["purged"]
    assert any("station first, archive: originals in the intake area, 2" in one for one in gone["stations"])
    assert digests(*cards_of(world, 2)) <= {
        hashlib.sha256(path.read_bytes()).hexdigest() for path in (world.first / "intake").rglob("*.*")
    }
    more = card_of(world.folder / "card-4", "TC-1003", number=4, scenes=1, minutes=300)
    world.take_in(world.first, more)
    settle(world)
    require_kept(world, more)
    assert found(NAMES, *roots(world)) == []
    assert cli("purge", "finish", archive=world.first).out == "Nothing was removed.\n"


def with_quarantine(world):
    settings = (world.first / "evidence.toml").read_text()
    set_settings(world.first, settings.replace("quarantine_days = 0", "quarantine_days = 14"))


def test_nothing_goes_at_another_station_before_the_quarantine_ends_and_an_undo_brings_all_back(world):
    with_quarantine(world)
    before = filed(world.second)
    plan = approved(world.first, "TC-1001")
    assert [one["claim"] for one in run_plan(world.first, plan)["quarantined"]] == ["TC-1001"]
    for _ in range(2):
        assert cli("purge", "finish", archive=world.second).out == "Nothing was removed.\n"
        assert cli("backup", archive=world.second).status == 0
    assert cli("verify", archive=world.second).status == 0
    assert cli("purge", "history", "--json", archive=world.second).data["stations"] == []
    assert cli("purge", "undo", plan, archive=world.first, actor="Ben Witness").status == 0
    settle(world)
    assert filed(world.second).keys() >= before.keys()
    require_kept(world, *cards_of(world, 1, 2))
    plan = approved(world.first, "TC-1001")
    run_plan(world.first, plan)
    settle(world)
    assert bag_of(world.second).is_dir()
    with Workspace(world.first, actor="Ada Clerk", now=lambda: LATER) as here:
        report = purging.run_purge(here, plan, confirmed=here.today())
        assert [one.claim for one in report.purged] == ["TC-1001"]
    settle(world)
    require_gone(world)


@pytest.mark.parametrize("scope", [("TC-1001",), ("--insured", "Moss")])
def test_a_hold_that_comes_after_the_purge_keeps_the_part_of_another_station(world, scope):
    purged(world.first, "TC-1001")
    placed = cli("hold", "place", *scope, "--reason", "subpoena", "--json", archive=world.first)
    assert placed.status == 0, placed.err
    ran = cli("purge", "finish", "--json", archive=world.second)
    assert (ran.status, ran.data["findings"][0]["code"]) == (1, "purge_held")
    assert f"hold {placed.data['hold']} keeps it" in cli("status", archive=world.second).out
    assert cli("backup", archive=world.second).status == 0, "a hold is no trouble of a backup"
    assert len(list(bag_of(world.second).rglob("data/*/*/*.JPG"))) == 3
    cli("hold", "lift", placed.data["hold"], "--reason", "ended", archive=world.first, actor="Ada")
    assert cli("hold", "lift", placed.data["hold"], "--confirm", archive=world.first, actor="Bo").status == 0
    assert cli("purge", "finish", archive=world.second).status == 0
    settle(world)
    require_gone(world)


def brought_again(world):
    """The claim is purged at the first station, which then gets the second's card of it again: it waits unassigned."""
    purged(world.first, "TC-1001")
    shutil.copytree(world.folder / "card-1", world.folder / "card-9")
    world.take_in(world.first, world.folder / "card-9")


def test_a_photo_that_came_again_stays_and_what_was_not_purged_stops_the_removal(world):
    brought_again(world)
    extra = bag_of(world.second) / "data" / "found.jpg"
    extra.write_bytes(b"of nobody")
    ran = cli("purge", "finish", "--json", archive=world.second)
    assert (ran.status, ran.data["findings"][0]["code"]) == (1, "purge_stopped")
    assert "1 original that were not purged" in ran.data["findings"][0]["message"]
    assert bag_of(world.second).is_dir()
    extra.unlink()
    ran = cli("purge", "finish", "--json", archive=world.second)
    assert (ran.status, ran.data["removed"]) == (0, ["TC-1001"]), ran.out
    settle(world)
    require_kept(world, world.folder / "card-1")
    assert found(NAMES, *roots(world)) == []


def test_a_station_that_leaves_owes_nothing_and_its_archive_is_listed(world):
    purged(world.first, "TC-1001")
    assert cli("station", "left", "second", "--reason", "stolen", archive=world.first).status == 0
    told = cli("purge", "history", "--json", archive=world.first).data
    assert told["stations"] == []
    assert [(one["claim"], one["target"]) for one in told["owed"]] == [("TC-1001", "station second")]
    assert "the archive of the station second" in cli("purge", "history", archive=world.first).out
    destroyed = ("purge", "destroyed", "station second")
    assert cli(*destroyed, "--reason", "shredded", archive=world.first, actor="Ada").status == 0
    assert cli(*destroyed, "--confirm", archive=world.first, actor="Bo").status == 0
    assert cli("purge", "history", "--json", archive=world.first).data["owed"] == []


def test_a_station_that_leaves_during_the_quarantine_is_listed_and_an_undo_builds_its_bag_anew(world):
    with_quarantine(world)
    plan = approved(world.first, "TC-1001")
    run_plan(world.first, plan)
    assert cli("station", "left", "second", "--reason", "stolen", archive=world.first).status == 0
    saved_here = Saved(world, "aside")
    try:
        with Workspace(world.first, actor="Ada Clerk", now=lambda: LATER) as here:
            (gone,) = purging.run_purge(here, plan, confirmed=here.today()).purged
        assert gone.stations == ()
        assert [one.split(",")[0] for one in gone.owed] == ["station second", "target south"]
        saved_here.again()
        assert cli("purge", "undo", plan, archive=world.first, actor="Ben Witness").status == 0
        assert cli("backup", archive=world.first).status == 0
        assert set(filed(world.first)) == digests(*cards_of(world, 1, 2, 3)), "fetched from its folder"
    finally:
        saved_here.drop()


def test_a_certificate_lists_the_archive_of_a_station_that_left_before(world):
    assert cli("station", "left", "second", "--reason", "stolen", archive=world.first).status == 0
    (gone,) = purged(world.first, "TC-1001")["purged"]
    assert gone["stations"] == []
    assert [one.split(",")[0] for one in gone["owed"]] == ["station second", "target south"]
    text = Path(gone["certificate"]).read_text()
    assert "Archives of stations that left: 1" in text
    assert "station second, left since" in text


def test_a_disk_from_which_the_copy_could_not_be_removed_still_owes_it(world, monkeypatch):
    def full(*_):
        raise DestinationError("The disk was pulled out.", "Connect it.")

    purged(world.first, "TC-1001")
    with monkeypatch.context() as patched:
        patched.setattr(FolderTarget, "remove_bag", full)
        ran = cli("purge", "finish", "--json", archive=world.second)
    assert (ran.status, [one["code"] for one in ran.data["findings"]]) == (1, ["target_trouble"])
    owed = cli("purge", "history", "--json", archive=world.second).data["owed"]
    assert [(one["claim"], one["target"]) for one in owed] == [("TC-1001", "south")]
    settle(world)
    assert cli("purge", "history", "--json", archive=world.second).data["owed"] == []
    require_gone(world)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
@pytest.mark.timeout(900)
def test_a_station_killed_at_any_step_of_its_part_loses_no_photo_of_others_and_is_finished(saved):
    """The hardest case: photos of the purged claim are another's by now."""
    brought_again(saved.again())
    start = Saved(saved.world, "purged")
    try:

        def work():
            with Workspace(saved.world.second, actor="Ada Clerk") as here:
                purging.finish_purges(here)

        steps = changes_of(work, saved.world.folder)
        assert steps > 50
        for step in sorted({round(n * (steps - 1) / (KILLS - 1)) for n in range(KILLS)}):
            world = start.again()
            assert killed_at(work, world.folder, step), f"step {step} of {steps}"
            ran = cli("purge", "finish", archive=world.second)
            assert ran.status == 0, (step, ran.out, ran.err)
            settle(world)
            require_kept(world, world.folder / "card-1")
            assert found(NAMES, *roots(world)) == [], f"step {step}"
    finally:
        start.drop()
