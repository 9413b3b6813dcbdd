"""The catalog made anew: equal row for row to the one that was lost."""

from __future__ import annotations

import json
from datetime import date

import pytest
from sqlalchemy import create_engine, text
from support_card import CardMaker
from support_cli import CONFIRMED, cli
from support_copy import copy_tree
from support_intake import (
    CLAIMS,
    at_home,
    filed,
    loaded_archive,
    rows_of,
    small_houses,
    taken_in,
    with_target,
)
from support_retention import reload_assignments

from evidence.errors import CatalogError
from evidence.filing.rebuild import rebuild
from evidence.filing.record_rows import claim_rows_of, original_row
from evidence.model import ClaimId, Duty, Facet, HoldKind, HoldScope
from evidence.office import holds, people, retention
from evidence.review import placing, tagging, undo, waivers

FIRST, SECOND, THIRD = ClaimId("TC-1001"), ClaimId("TC-1002"), ClaimId("TC-1003")


def lose_catalog(archive):
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()


@pytest.fixture
def used_archive(kept, same_path, other_disk, two_houses_taken_in):
    """An archive in use: corrections, holds, waivers, a purge, several cards, people, backups."""
    archive, card = same_path / "archive", same_path / "second"

    def make():
        copy_tree(two_houses_taken_in[0], archive)
        use(archive, other_disk, card)

    kept.put("in use", {"archive": archive, "card": card, "disk": other_disk}, make)
    return archive


def use(houses, other_disk, card):
    """Do with an archive what an office does with it in some years; `card` is filled with a second card."""
    claims = CLAIMS.replace(
        "TC-1002,Ben Reed,2 Larch Way,2026-05-01", "TC-1002,Ben Reed,2 Larch Way,2015-01-01"
    )
    assert reload_assignments(houses, claims).status == 0
    with_target(houses, other_disk)
    second = CardMaker(card)
    second.wait(minutes=24 * 60)  # another day, so that the split of the first stays as it is
    second.scene()
    second.sheet("TC-1003")
    second.scene()
    second.scene()
    second.put("NOTES.TXT", b"gate code 4410")
    taken_in(houses, second.root)
    taken_in(houses, second.root)  # again: every file is kept already, and was seen a second time
    with at_home(houses) as here:
        photos = [one.sha256 for one in here.catalog.photos.of_claim(THIRD)]
        placing.move(here, photos[-1:], FIRST)
        placing.move(here, photos[:1], FIRST)
        undo.undo(here)
        placing.move(here, photos[-2:-1], None)
        tagging.tag(here, [here.catalog.photos.of_claim(FIRST)[1].sha256], {Facet.FACE: "north"})
        waivers.waive(here, FIRST, "gutter", why="fenced off")
        holds.place_hold(here, FIRST, reason="suit filed")
        lifted = holds.place_hold(here, THIRD, reason="asked by counsel")
        holds.ask_to_lift(here, lifted, why="settled")
        holds.lift_hold(here.acting_as("Ben Witness"), lifted)
        holds.place_hold(
            here, HoldScope(insured="Vale", area=("Elm",)), reason="storm suit", kind=HoldKind.LITIGATION
        )
        retention.close_claim(here, SECOND, on=date(2016, 1, 4))
    assert cli("backup", archive=houses).status == 0
    plan = cli("purge", "plan", *CONFIRMED, SECOND, "--json", archive=houses, actor="Ada Clerk").data["plan"]
    assert cli("purge", "approve", plan, archive=houses, actor="Ben Witness").status == 0
    assert cli("purge", "run", "--yes", *CONFIRMED, plan, archive=houses, actor="Ada Clerk").status == 0
    with at_home(houses) as here:  # after the purge, which would ask for the password of a registered person
        people.add_person(here, "Ada Clerk", Duty.OFFICE, "larch hail 2026 way")
    assert cli("verify", archive=houses).status == 0


def test_a_catalog_made_anew_equals_the_lost_one_row_for_row(used_archive):
    before = rows_of(used_archive)
    for table in (
        "claim",
        "intake",
        "original",
        "sighting",
        "segment",
        "decision",
        "tag",
        "bag",
        "held_in",
        "copy",
    ):
        assert before[table], table
    for table in ("hold", "waiver", "board_user"):
        assert before[table], table
    assert {row["state"] for row in before["claim"]} >= {"open", "purged"}
    assert any(row["claim"] is None for row in before["original"])
    lose_catalog(used_archive)
    report = rebuild(used_archive, actor="Ada Clerk")
    assert report.findings == ()
    after = rows_of(used_archive)
    for table in before:
        assert after[table] == before[table], table


def test_a_hold_that_only_the_custody_log_has_is_not_lost(used_archive):
    """As after a kill between the hold and its bag: the log has the entry, no bag and no record file does."""
    with at_home(used_archive) as workspace:
        workspace.record("hold_placed", THIRD, hold=77, reason="subpoena")
    lose_catalog(used_archive)
    report = rebuild(used_archive, actor="Ada Clerk")
    assert [one.code for one in report.findings] == ["hold_of_log"]
    with at_home(used_archive) as workspace:
        assert "subpoena" in [one.reason for one in workspace.catalog.holds.of(THIRD)]


def test_a_hold_on_an_insured_that_only_the_custody_log_has_is_not_lost(used_archive):
    with at_home(used_archive) as workspace:
        scope = {"insured": "Moss", "peril": "", "first_loss": None, "last_loss": None, "area": []}
        workspace.record(
            "hold_placed", "holds", hold=78, kind="minor", reason="x", scope=scope, covered=[FIRST]
        )
    lose_catalog(used_archive)
    assert [one.code for one in rebuild(used_archive, actor="Ada Clerk").findings] == ["hold_of_log"]
    with at_home(used_archive) as workspace:
        hold = workspace.catalog.holds.get(78)
    assert (hold.claim, hold.scope, hold.kind) == (None, HoldScope(insured="Moss"), HoldKind.MINOR)
    assert (hold.covered, hold.active) == ((FIRST,), True)


def test_records_of_format_1_are_still_read(used_archive):
    bag = next((used_archive / "claims").glob("TC-1001*"))
    about = json.loads((bag / "records" / "claim.json").read_text())
    listed = json.loads((bag / "records" / "photos.json").read_text())
    for name in ("added_at", "version"):
        del about[name]
    for one in listed:
        for name in ("suffix", "described", "position", "segment", "tag_flags", "embedding"):
            del one[name]
    rows = claim_rows_of(about, bag.name, at="2026-06-01T00:00:00.000000Z")
    assert (rows["claim"][0]["claim"], rows["claim"][0]["version"]) == ("TC-1001", 0)
    read = [original_row(one, FIRST, b"") for one in listed]
    with at_home(used_archive) as workspace:
        known = workspace.catalog.records.placed(FIRST)
    for row in read:
        for name in ("size", "suffix", "kind", "corrected", "claim", "phash"):
            assert row[name] == known[row["sha256"]][name], name


def test_a_killed_rebuild_leaves_the_old_catalog_and_the_next_one_finishes(used_archive):
    before = rows_of(used_archive)
    (used_archive / "catalog-rebuilt.sqlite").write_bytes(b"half a database")
    assert cli("rebuild", archive=used_archive).status == 0
    after = rows_of(used_archive)
    assert after == before
    assert list((used_archive / "damaged").glob("catalog-*/catalog.sqlite"))


def test_a_catalog_on_postgresql_is_made_anew_row_for_row(tmp_path, other_disk, postgres_url):
    archive = loaded_archive(tmp_path)
    with_target(archive, other_disk)
    settings = archive / "evidence.toml"
    settings.write_text(settings.read_text() + f"\n[catalog]\nurl = '{postgres_url}'\n")
    lose_catalog(archive)  # the empty one that `init` made
    assert reload_assignments(archive, CLAIMS).status == 0
    taken_in(archive, small_houses(tmp_path / "card").root)
    with at_home(archive) as here:
        waivers.waive(here, FIRST, "gutter", why="fenced off")
        tagging.tag(here, [here.catalog.photos.of_claim(FIRST)[1].sha256], {Facet.FACE: "north"})
        holds.place_hold(here, SECOND, reason="suit filed")
    assert cli("backup", archive=archive).status == 0
    before = rows_of(archive)
    assert all(before[table] for table in ("claim", "original", "sighting", "copy", "waiver", "hold", "tag"))
    engine = create_engine(postgres_url)
    with engine.begin() as db:
        db.execute(text("DROP SCHEMA public CASCADE"))
        db.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    assert cli("claims", archive=archive).status == CatalogError.exit_code
    for _ in range(2):  # of a database without tables, and of one with rows
        report = rebuild(archive, actor="Ada Clerk")
        assert (report.findings, report.old_catalog) == ((), "")
        assert not list(archive.glob("catalog*.sqlite*"))
        after = rows_of(archive)
        for table in before:
            assert after[table] == before[table], table
    with at_home(archive) as here:
        assert holds.place_hold(here, FIRST, reason="the next number is free") > before["hold"][-1]["id"]


@pytest.mark.parametrize(
    "name", ["bag-info.txt", "manifest-sha256.txt", "records/claim.json", "records/photos.json"]
)
def test_a_bag_with_a_damaged_record_stays_in_the_catalog_and_is_made_whole_by_a_repair(houses, name):
    before = filed(houses)
    bag = next((houses / "claims").glob("TC-1001*"))
    (bag / name).write_bytes(b"x")
    ran = cli("rebuild", "--json", archive=houses)
    assert (ran.status, [one["code"] for one in ran.data["findings"]]) == (1, ["records_damaged"])
    assert cli("repair", "--all", archive=houses).status == 0
    assert filed(houses) == before
