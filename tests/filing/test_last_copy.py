"""A backup never removes the last copy of a photo at a target, whatever state the archive was put back to."""

from __future__ import annotations

import shutil

from support_card import CardMaker
from support_cli import cli
from support_copy import copy_tree
from support_intake import actions, at_home, filed, holding, taken_in

from evidence.review import placing


def four_more(archive, folder):
    """Four more photos of TC-1001 taken in and backed up; returns their digests."""
    before = set(filed(archive))
    more = CardMaker(folder, serial="TC-0002", seed=800, number=60)
    more.wait(days=1)
    more.sheet("TC-1001")
    for _ in range(3):
        more.scene()
    taken_in(archive, more.root)
    added = set(filed(archive)) - before
    assert len(added) == 4
    return added


def everything_below(folder):
    followed = {folder / "archive", folder / "custody-heads"}  # these follow every backup
    files = [p for p in sorted(folder.rglob("*")) if p.is_file() and not followed & set(p.parents)]
    return {p.relative_to(folder): p.read_bytes() for p in files}


def without_heads(target):
    """Everything but the heads of the custody log, of which each backup adds one."""
    return {path: data for path, data in everything_below(target).items() if path.parts[0] != "custody-heads"}


def test_a_backup_copies_the_ledger_of_a_later_intake(backed_up, tmp_path):
    archive, target = backed_up
    four_more(archive, tmp_path / "more")
    here, there = (
        {path.name: path.read_bytes() for path in (root / "ledgers").glob("*.jsonl")}
        for root in (archive, target / "archive")
    )
    assert len(here) == 2
    assert there == here


def test_an_archive_put_back_from_an_older_copy_removes_nothing_at_its_target(backed_up, tmp_path):
    archive, target = backed_up
    copy_tree(archive, tmp_path / "older")
    added = four_more(archive, tmp_path / "more")
    assert len(holding(target, added)) == 4
    before = everything_below(target)
    shutil.rmtree(archive)
    shutil.move(tmp_path / "older", archive)
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 32
    (trouble,) = ran.data["troubles"]
    assert (trouble["code"], trouble["subject"]) == ("archive_older", "office")
    assert "older than the backup target office" in trouble["message"]
    assert everything_below(target) == before


def test_a_check_by_an_older_archive_says_so_and_promises_no_backup(backed_up, tmp_path):
    archive, _target = backed_up
    copy_tree(archive, tmp_path / "older")
    cli("hold", "place", "TC-1001", "--reason", "letter", archive=archive)
    assert cli("backup", archive=archive).status == 0
    shutil.rmtree(archive)
    shutil.move(tmp_path / "older", archive)
    ran = cli("verify", "--json", archive=archive)
    assert ran.status == 1
    said = [one for one in ran.data["bad"] if one["subject"].startswith("office")]
    assert {one["code"] for one in said} == {"archive_older"}
    assert all("older than the backup target office" in one["message"] for one in said)


def test_an_older_archive_that_went_on_working_removes_nothing_either(backed_up, tmp_path):
    archive, target = backed_up
    copy_tree(archive, tmp_path / "older")
    four_more(archive, tmp_path / "more")
    before = everything_below(target)
    shutil.rmtree(archive)
    shutil.move(tmp_path / "older", archive)
    for number in range(30):  # its log is as long as the other by now, but another
        cli("hold", "place", "TC-1001", "--reason", f"letter {number}", archive=archive)
    assert cli("backup", archive=archive).status == 32
    assert everything_below(target) == before


def test_a_target_that_is_ahead_stops_only_itself(backed_up, tmp_path):
    archive, _ = backed_up
    copy_tree(archive, tmp_path / "older")
    four_more(archive, tmp_path / "more")
    shutil.rmtree(archive)
    shutil.move(tmp_path / "older", archive)
    second = tmp_path / "second"
    second.mkdir()
    with (archive / "evidence.toml").open("a", encoding="utf-8") as settings:
        settings.write(f"\n[[target]]\nname = 'second'\npath = '{second.as_posix()}'\n")
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 32
    assert ran.data["targets"] == ["second"]
    assert len(holding(second, set(filed(archive)))) == 9


def test_originals_that_no_move_and_no_purge_released_stay(backed_up):
    """As after a rebuild that missed a photo: the log is whole, but the archive does not have the photo."""
    from sqlalchemy import create_engine, text

    archive, target = backed_up
    with at_home(archive) as workspace:
        lost = workspace.catalog.photos.find("TEST0002.JPG")[0]
    engine = create_engine(f"sqlite:///{archive / 'catalog.sqlite'}")
    with engine.begin() as db:
        for table in ("original", "held_in", "sighting", "copy"):
            db.execute(text(f"DELETE FROM {table} WHERE sha256 = :sha"), {"sha": lost})
    engine.dispose()
    for path in (archive / "claims").glob("TC-1001*/**/TEST0002.JPG*"):
        path.unlink()
    bag = next((archive / "claims").glob("TC-1001*"))
    manifest = bag / "manifest-sha256.txt"
    manifest.write_text(
        "".join(f"{one}\n" for one in manifest.read_text().splitlines() if "TEST0002" not in one)
    )
    (bag / "tagmanifest-sha256.txt").unlink()
    cli("hold", "place", "TC-1001", "--reason", "builds the bag again", archive=archive)
    before = without_heads(target)
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 1
    (trouble,) = ran.data["troubles"]
    assert trouble["code"] == "unreleased"
    assert "TEST0002.JPG" in trouble["message"]
    assert without_heads(target) == before
    assert holding(target, {lost})


def test_a_moved_photo_is_in_its_new_bag_at_the_target_before_it_leaves_the_old_one(backed_up, monkeypatch):
    archive, target = backed_up
    from evidence.archive.targets import FolderTarget

    with at_home(archive) as workspace:
        moved = workspace.catalog.photos.find("TEST0002.JPG")[0]
        placing.move(workspace, [moved], "TC-1002")
    order = []
    push = FolderTarget.put_bag

    def watched(self, local, name, **more):
        done = push(self, local, name, **more)
        order.append((name[:7], len(holding(target, {moved}))))
        return done

    monkeypatch.setattr(FolderTarget, "put_bag", watched)
    assert cli("backup", archive=archive).status == 0
    assert order == [("TC-1002", 2), ("TC-1001", 1)]
    assert [one[:7] for one in holding(target, {moved})] == ["TC-1002"]


def test_two_claims_that_give_photos_to_each_other_are_both_brought_up_to_date(backed_up, monkeypatch):
    archive, target = backed_up
    from evidence.archive.targets import FolderTarget

    with at_home(archive) as workspace:
        find = workspace.catalog.photos.find
        one, other = find("TEST0002.JPG")[0], find("TEST0006.JPG")[0]
        placing.move(workspace, [one], "TC-1002")
        placing.move(workspace, [other], "TC-1001")
    push = FolderTarget.put_bag

    def watched(self, local, name, **more):
        done = push(self, local, name, **more)
        assert holding(target, {one})
        assert holding(target, {other})
        return done

    monkeypatch.setattr(FolderTarget, "put_bag", watched)
    assert cli("backup", archive=archive).status == 0
    assert [path[:7] for path in holding(target, {one})] == ["TC-1002"]
    assert [path[:7] for path in holding(target, {other})] == ["TC-1001"]
    assert cli("verify", archive=archive).status == 0
    assert "backed_up" in actions(archive)


def test_a_target_without_a_changed_bag_is_ahead_by_its_signed_head_alone(backed_up, tmp_path):
    archive, target = backed_up
    copy_tree(archive, tmp_path / "older")
    cli("people", "list", archive=archive)
    with at_home(archive) as workspace:
        workspace.record("noted", "something that changes no bag")
    assert cli("backup", archive=archive).status == 0
    shutil.rmtree(archive)
    shutil.move(tmp_path / "older", archive)
    cli("hold", "place", "TC-1001", "--reason", "suit filed", archive=archive)
    before = everything_below(target)
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 32
    assert everything_below(target) == before


def test_a_bag_that_a_killed_backup_wrote_without_a_head_stops_an_older_archive_too(
    backed_up, tmp_path, monkeypatch
):
    archive, target = backed_up
    copy_tree(archive, tmp_path / "older")
    with monkeypatch.context() as patch:
        patch.setattr("evidence.filing.backup.note_head", lambda *_: [])  # killed just before
        added = four_more(archive, tmp_path / "more")
    shutil.rmtree(archive)
    shutil.move(tmp_path / "older", archive)
    assert cli("backup", "--json", archive=archive).status == 32
    assert len(holding(target, added)) == 4
