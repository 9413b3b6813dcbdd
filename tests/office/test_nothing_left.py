"""After a purge no name, address, file name or run of pixels of the claim is anywhere in the archive or at a target."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from support_cli import CONFIRMED, cli
from support_copy import copy_tree
from support_intake import CLAIMS, PLAIN, at_home, bags_of, filed, set_settings, where, with_target
from support_retention import every_file, found, reload_assignments

from evidence.alike import archive_index
from evidence.board.tiles import TileStore
from evidence.office import purging, quarantine
from evidence.workspace import DAMAGED, HASH_INDEX, Workspace

pytestmark = pytest.mark.usefixtures("plain_certificates")
RUN = 32
"""Bytes of an original or a thumbnail that are looked for together."""
LONG_AGO = "2016-01-04"


@pytest.fixture
def due(kept, request, tmp_path, other_disk):
    """TC-1001 is due and backed up; people wrote its names into holds, tags, waivers and notes."""

    def make():
        houses = request.getfixturevalue("houses")
        reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01"))
        with_target(houses, other_disk)
        cli("tag", "TEST0002.JPG", "--role", "overview", archive=houses)
        cli("move", "TEST0007.JPG", "--to", "TC-1001", archive=houses)
        cli("move", "TEST0007.JPG", "--to", "TC-1002", archive=houses)
        placed = cli("hold", "place", "TC-1001", "--reason", "suit of Ada Moss", "--json", archive=houses)
        assert cli("backup", archive=houses).status == 0
        cli("hold", "lift", placed.data["hold"], "--reason", "Ada Moss settled", archive=houses, actor="Ada")
        lifted = cli("hold", "lift", placed.data["hold"], "--confirm", archive=houses, actor="Bo")
        assert lifted.status == 0, lifted.err
        assert cli("close", "TC-1001", "--on", LONG_AGO, archive=houses).status == 0
        assert cli("backup", archive=houses).status == 0

    kept.put("due with names", {"archive": tmp_path / "archive", "disk": other_disk}, make)
    return tmp_path / "archive"


def private_bytes(archive):
    """What must be gone, by what it is: names, file names, digests in text, and runs of the originals and pictures."""
    digests = {sha for sha, (claim, _) in filed(archive).items() if claim == "TC-1001"}
    words = {word: word.encode() for word in ("Ada Moss", "1 Larch Way", "Ada%20Moss")}
    here = {name for name, claim in where(archive).items() if claim == "TC-1001"}
    others = {name for name, claim in where(archive).items() if claim != "TC-1001"}
    words |= {name: name.encode() for name in here - others}
    originals = in_the_bag(archive, "TC-1001")
    kept = [path.read_bytes() for path in in_the_bag(archive, "TC-1002")]
    pictures = [path for path in (archive / "thumbnails").rglob("*") if path.name[:64] in digests]
    assert originals
    assert pictures
    assert len(here - others) == 5
    for path in (*originals, *pictures):
        content = path.read_bytes()
        if len(content) > 4 * RUN and path.suffix != ".xmp":
            runs = (content[at : at + RUN] for at in range(len(content) // 2, len(content) - RUN, RUN))
            # the white of two sheets may be the same bytes
            words[f"pixels of {path.name}"] = next(run for run in runs if not any(run in one for one in kept))
    return words


def in_the_bag(archive, claim):
    return [
        path for bag in bags_of(archive) if bag.name.startswith(claim) for path in bag.rglob("data/*/*/*.*")
    ]


def purge(archive, *, now=None):
    plan = cli("purge", "plan", *CONFIRMED, "--json", archive=archive, actor="Olga Desk").data["plan"]
    assert cli("purge", "approve", plan, archive=archive, actor="Ben Witness").status == 0
    return plan, cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=archive, actor="Olga Desk")


def test_the_search_finds_what_it_looks_for_before_the_purge(due, other_disk):
    words = private_bytes(due)
    left = {word for word, _ in found(words, due, other_disk)}
    assert set(words) - left <= {"Ada%20Moss"}


def test_nothing_that_names_or_shows_the_claim_is_left(due, other_disk, tmp_path, monkeypatch):
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setenv("TMPDIR", str(temporary))
    with at_home(due) as workspace:
        store = TileStore(workspace)
        photo = workspace.catalog.photos.find("TEST0002.JPG")[0]
        store.info(photo)
        store.close()
    words = private_bytes(due)
    _, ran = purge(due)
    assert ran.status == 0, ran.err
    assert ran.data["remaining"] == []
    assert found(words, due, other_disk, temporary) == []
    assert cli("custody", "--verify", archive=due).status == 0
    assert cli("verify", archive=due).status == 0
    tombstone = cli("custody", "--claim", "TC-1001", "--last", 0, "--json", archive=due).data["shown"]
    assert tombstone[-2]["action"] == "purged"
    assert tombstone[-1]["action"] == "texts_removed"
    assert (tombstone[-2]["details"]["photos"], len(tombstone[-2]["details"]["manifest"])) == ("5", 64)


def test_no_hash_of_the_claims_pictures_is_left_in_the_catalog_or_in_the_index(due, monkeypatch):
    monkeypatch.setattr(archive_index, "LEAST_SAVED", 1)
    with at_home(due) as workspace:
        records = workspace.catalog.photos.of_claim("TC-1001")
        other = {one.look.phash for one in workspace.catalog.photos.of_claim("TC-1002")}
        hashes = {one.look.phash for one in records if one.look.phash} - other
        workspace.hash_index.save()
    index = due / HASH_INDEX
    packed = {phash: int(phash, 16).to_bytes(8, "little") for phash in hashes}
    assert packed
    assert all(raw in index.read_bytes() for raw in packed.values())
    assert purge(due)[1].status == 0
    assert not index.exists() or not any(raw in index.read_bytes() for raw in packed.values())
    with at_home(due) as workspace:
        assert workspace.catalog.hashes.present(hashes) == set()
        assert workspace.catalog.hashes.in_claims(hashes) == []


def test_neither_rebuild_nor_restore_brings_anything_back(due, other_disk, tmp_path):
    words = private_bytes(due)
    assert purge(due)[1].status == 0
    assert cli("backup", archive=due).status == 0
    back = tmp_path / "restored"
    restored = cli("restore", other_disk, back)
    assert restored.status == 0, restored.err
    assert found(words, back) == []
    for path in due.glob("catalog.sqlite*"):
        path.unlink()
    assert cli("rebuild", archive=due).status == 0
    assert found(words, due, other_disk) == []
    with at_home(due) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "purged"
        assert {one.reason for one in workspace.catalog.holds.all()} <= {""}


def test_rows_that_another_connection_keeps_are_owed_and_go_with_the_next_run(due, monkeypatch):
    monkeypatch.setattr("evidence.catalog.scrubbing._WAIT_MS", 50)
    words = private_bytes(due)
    with closing(sqlite3.connect(due / "catalog.sqlite", isolation_level=None)) as reader:
        reader.execute("BEGIN")
        assert reader.execute("SELECT insured FROM claim WHERE claim = 'TC-1001'").fetchone() == ("Ada Moss",)
        plan, ran = purge(due)
        assert ran.status == 0, ran.err
        assert "another program has the catalog open" in ran.data["remaining"][0]
    again = cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=due, actor="Olga Desk")
    assert (again.status, again.data["remaining"]) == (0, [])
    assert found(words, due) == []


def test_entries_that_an_earlier_program_wrote_stay_and_the_run_says_so(due):
    with at_home(due) as workspace:
        workspace.custody.append(
            "Ada Clerk", "hold_placed", "TC-1001", {"hold": 9, "reason": "suit of Ada Moss"}, workspace.now()
        )
    _, ran = purge(due)
    assert "1 entry of the custody log" in ran.data["remaining"][0]
    assert cli("custody", "--verify", archive=due).status == 0


def test_a_card_of_a_purged_claim_has_no_unknown_files_and_one_more_file_is_noticed(due, two_houses_taken_in):
    from evidence.cards.ledger import PurgedFiles, read_files

    ledger = next((due / "ledgers").glob("*.jsonl"))
    before = {(path, *told) for path, told in read_files(ledger).items()}
    assert purge(due)[1].status == 0
    after = {(path, *told) for path, told in read_files(ledger).items()}
    purged = PurgedFiles(ledger)
    assert len(before - after) == 5
    assert all(file in purged for file in before - after)
    path, size, modified = next(iter(before - after))
    assert (path, (size or 0) + 1, modified) not in purged
    assert len(ledger.read_bytes().splitlines()) == len(before) + 2, "the count of lines still adds up"


# --- quarantine over a real archive --------------------------------------------------------


@pytest.fixture
def waiting(kept, request, tmp_path, other_disk):
    """The purge of TC-1001 waits in quarantine; returns the archive, the plan and the files as they were filed."""
    archive, before = tmp_path / "archive", tmp_path / "before"

    def make():
        due = request.getfixturevalue("due")
        settings = (due / "evidence.toml").read_text()
        set_settings(due, settings.replace("quarantine_days = 0", "quarantine_days = 14"))
        for part in (due / "claims", due / "unassigned"):
            if part.exists():
                copy_tree(part, before / part.name)
        _, ran = purge(due)
        assert ran.status == 0, ran.data
        assert [one["claim"] for one in ran.data["quarantined"]] == ["TC-1001"]

    kept.put("waiting", {"archive": archive, "disk": other_disk, "before": before}, make)
    (plan,) = (one.name for one in (archive / "purges").iterdir() if (one / "plan.json").exists())
    return archive, plan, {path.relative_to(before): path.read_bytes() for path in every_file(before)}


def test_a_claim_in_quarantine_is_not_shown_as_present_and_counts_nowhere(waiting, other_disk):
    archive, _, _ = waiting
    assert not [bag for bag in bags_of(archive) if bag.name.startswith("TC-1001")]
    assert not [path for path in other_disk.iterdir() if path.name.startswith("TC-1001")]
    assert (archive / ".quarantine").is_dir()
    assert (other_disk / ".quarantine").is_dir()
    with at_home(archive) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "quarantined"
        assert workspace.catalog.photos.of_claim("TC-1001") == []
    for command in (("verify",), ("backup",), ("repair",)):
        ran = cli(*command, archive=archive)
        assert ran.status == 0, (command, ran.out, ran.err)
    assert (other_disk / ".quarantine").is_dir(), "a backup leaves the quarantine alone"
    closing_again = cli("close", "TC-1001", "--on", "2026-01-01", archive=archive)
    assert closing_again.status == 2
    assert "in quarantine" in closing_again.err
    assert "TC-1001" not in json.dumps(cli("retention", "--json", archive=archive).data)


def test_undo_brings_back_every_file_row_and_copy(waiting, other_disk):
    archive, plan, before = waiting
    ran = cli("purge", "undo", plan, "--json", archive=archive, actor="Olga Desk")
    assert (ran.status, ran.data["undone"]) == (0, ["TC-1001"]), ran.err
    originals = {path: content for path, content in before.items() if "data" in path.parts}
    after = {path.relative_to(archive): path.read_bytes() for path in every_file(archive / "claims")}
    assert {path: after.get(path) for path in originals if path.parts[0] == "claims"} == {
        path: content for path, content in originals.items() if path.parts[0] == "claims"
    }
    assert not (archive / ".quarantine").exists()
    assert not (other_disk / ".quarantine").exists()
    assert cli("backup", archive=archive).status == 0
    assert cli("verify", archive=archive).status == 0
    with at_home(archive) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "closed"
        copies = workspace.catalog.keeping.copies(workspace.catalog.photos.digests_of("TC-1001"))
        assert len(copies) == 5
        assert {row.place for rows in copies.values() for row in rows} == {"archive", "office"}
    again = purge(archive)
    assert [one["claim"] for one in again[1].data["quarantined"]] == ["TC-1001"]


def test_a_damaged_copy_that_a_target_set_aside_goes_into_quarantine_and_comes_back(waiting, other_disk):
    archive, plan, _ = waiting
    assert cli("purge", "undo", plan, archive=archive, actor="Olga Desk").status == 0
    assert cli("backup", archive=archive).status == 0
    (bag,) = (one.name for one in other_disk.glob("TC-1001*"))
    damaged = other_disk / DAMAGED / bag / "data" / "TEST0002.JPG"
    damaged.parent.mkdir(parents=True)
    damaged.write_bytes(b"half a photo")
    plan, ran = purge(archive)
    assert ran.status == 0, ran.data
    assert not damaged.exists()
    assert cli("purge", "undo", plan, archive=archive, actor="Olga Desk").status == 0
    assert damaged.read_bytes() == b"half a photo"


def test_a_run_after_the_days_leaves_nothing(waiting, other_disk):
    archive, plan, _ = waiting
    words = {"Ada Moss": b"Ada Moss", "1 Larch Way": b"1 Larch Way"}
    later = datetime.now(UTC) + timedelta(days=15)
    with Workspace(archive, actor="Olga Desk", now=lambda: later) as workspace:
        report = purging.run_purge(workspace, plan, confirmed=later.astimezone().date())
    assert [one.claim for one in report.purged] == ["TC-1001"]
    assert found(words, archive, other_disk) == []
    assert not (archive / ".quarantine").exists()
    assert not (other_disk / ".quarantine").exists()


def test_an_undo_leaves_no_rows_at_a_target_whose_marker_cannot_be_read_just_then(
    waiting, other_disk, monkeypatch
):
    archive, plan, _ = waiting
    monkeypatch.setattr(quarantine, "is_present", lambda _target: False)
    undone = cli("purge", "undo", plan, archive=archive)
    assert undone.status == 0, undone.err
    assert not (other_disk / ".quarantine").exists()


def test_a_hold_placed_in_quarantine_brings_the_claim_back_at_the_next_run(waiting):
    archive, plan, _ = waiting
    placed = cli("hold", "place", "TC-1001", "--reason", "suit", archive=archive, actor="Counsel")
    assert placed.status == 0, placed.err
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=archive, actor="Olga Desk")
    assert ran.status == 1
    assert "every copy was brought back" in ran.data["refused"][0]["reason"]
    with at_home(archive) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "closed"
        assert len(workspace.catalog.photos.of_claim("TC-1001")) == 5


def test_rebuild_and_restore_during_the_quarantine_bring_nothing_back_and_undo_still_works(
    waiting, other_disk, tmp_path
):
    archive, plan, _ = waiting
    assert cli("backup", archive=archive).status == 0
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    assert cli("rebuild", archive=archive).status == 0
    with at_home(archive) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "quarantined"
    back = tmp_path / "restored"
    assert cli("restore", other_disk, back).status == 0
    assert not [bag for bag in bags_of(back) if bag.name.startswith("TC-1001")]
    assert cli("purge", "undo", plan, archive=archive, actor="Olga Desk").status == 0
    with at_home(archive) as workspace:
        assert len(workspace.catalog.photos.of_claim("TC-1001")) == 5
    assert cli("verify", archive=archive).status == 0


def test_undo_in_a_restored_archive_takes_the_bag_from_the_targets_quarantine(waiting, other_disk, tmp_path):
    archive, plan, _ = waiting
    assert cli("backup", archive=archive).status == 0
    back = tmp_path / "restored"
    assert cli("restore", other_disk, back).status == 0
    shutil.rmtree(archive)
    ran = cli("purge", "undo", plan, archive=back, actor="Olga Desk")
    assert ran.status == 0, ran.err
    with at_home(back) as workspace:
        assert len(workspace.catalog.photos.of_claim("TC-1001")) == 5
    assert cli("verify", archive=back).status == 0


# --- a target that is away -----------------------------------------------------------------


def test_a_target_that_is_away_is_owed_until_a_backup_reaches_it(due, other_disk):
    words = {"Ada Moss": b"Ada Moss", "1 Larch Way": b"1 Larch Way"}
    aside = other_disk.with_name(other_disk.name + "-away")
    other_disk.rename(aside)
    try:
        planned = cli("purge", "plan", *CONFIRMED, "--json", archive=due, actor="Olga Desk").data
        assert planned["owed"][0]["target"] == "office"
        cli("purge", "approve", planned["plan"], archive=due, actor="Ben Witness")
        ran = cli(
            "purge", "run", "--yes", *CONFIRMED, planned["plan"], "--json", archive=due, actor="Olga Desk"
        )
        assert ran.status == 0, ran.data
        assert "target office, away since" in ran.data["purged"][0]["owed"][0]
        owed = cli("purge", "history", "--json", archive=due).data["owed"]
        assert [(one["claim"], one["target"]) for one in owed] == [("TC-1001", "office")]
    finally:
        aside.rename(other_disk)
    assert found(words, other_disk)
    backup = cli("backup", archive=due)
    assert backup.status == 0, backup.out + backup.err
    assert found(words, due, other_disk) == []
    assert cli("purge", "history", "--json", archive=due).data["owed"] == []
    assert cli("backup", archive=due).status == 0
    assert found(words, due, other_disk) == []


def test_a_target_put_back_to_before_a_purge_gives_up_the_photo_in_the_bag_it_was_moved_from(
    due, other_disk, tmp_path
):
    copy_tree(other_disk, tmp_path / "older")
    assert cli("reopen", "TC-1001", "--on", LONG_AGO, archive=due).status == 0
    assert cli("move", "TEST0007.JPG", "--to", "TC-1001", archive=due).status == 0
    assert cli("close", "TC-1001", "--on", LONG_AGO, archive=due).status == 0
    assert cli("backup", archive=due).status == 0
    purged = originals_of(due, "TC-1001")
    assert purge(due)[1].status == 0
    for _ in range(2):  # every target follows, and nothing is owed
        assert cli("backup", archive=due).status == 0
    assert cli("purge", "history", "--json", archive=due).data["owed"] == []
    shutil.rmtree(other_disk)
    copy_tree(tmp_path / "older", other_disk)
    assert any(path.name == "TEST0007.JPG" for path in every_file(other_disk))
    backup = cli("backup", archive=due)
    assert backup.status == 0, backup.out + backup.err
    assert not {path.read_bytes() for path in every_file(due, other_disk)} & set(purged.values())
    [kept] = (due / "purges").glob("*/released-*")
    assert set(json.loads(kept.read_bytes())) == {"salt", "digests"}
    assert not any(sha in kept.read_text() for sha in purged), "the digests are salted"
    salted = json.loads(kept.read_bytes())
    salt = bytes.fromhex(salted["salt"])
    wanted = {hashlib.sha256(salt + bytes.fromhex(sha)).hexdigest() for sha in purged}
    assert set(salted["digests"]) == wanted, "as docs/formats.md says"


def originals_of(archive, claim):
    """Digest -> content of the originals that the claim's bag holds."""
    wanted = {sha for sha, (owner, _) in filed(archive).items() if owner == claim}
    files = {hashlib.sha256(path.read_bytes()).hexdigest(): path for path in every_file(archive / "claims")}
    return {sha: files[sha].read_bytes() for sha in wanted}


def test_a_destroyed_disk_owes_nothing_after_two_people_said_so(due, other_disk):
    aside = other_disk.with_name(other_disk.name + "-away")
    other_disk.rename(aside)
    try:
        purge(due)
        assert cli("purge", "destroyed", "office", "--confirm", archive=due, actor="Ben Witness").status == 2
        said = cli("purge", "destroyed", "office", "--reason", "shredded", archive=due, actor="Olga Desk")
        assert said.status == 0, said.err
        same = cli("purge", "destroyed", "office", "--confirm", archive=due, actor="OLGA  DESK")
        assert same.status == 26
        assert cli("purge", "history", "--json", archive=due).data["owed"]
        other = cli("purge", "destroyed", "office", "--confirm", archive=due, actor="Ben Witness")
        assert other.status == 0
        assert cli("purge", "history", "--json", archive=due).data["owed"] == []
    finally:
        aside.rename(other_disk)


def test_the_settings_keep_a_purge_in_quarantine_for_two_weeks_by_default():
    from evidence.settings import load_settings

    settings = load_settings("").purge
    assert (settings.quarantine_days, settings.approval_days) == (14, 30)
    assert "quarantine_days = 0" in PLAIN
