"""The bag of photos that fit no claim: it goes when no photo waits there any more, here and at every target."""

from __future__ import annotations

import json
import shutil

import pytest
from support_archive import outside_verdict
from support_cli import cli
from support_copy import copy_tree
from support_intake import at_home, filed, holding, where

from evidence.filing.bags import file_away
from evidence.review import placing

PHOTO = "TEST0002.JPG"


@pytest.fixture
def waiting(backed_up):
    """An archive and its target, both with one photo that waits unassigned, and the photo's digest."""
    archive, target = backed_up
    assert cli("move", PHOTO, "--to", "unassigned", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    sha = next(sha for sha, (_, name) in filed(archive).items() if name == PHOTO)
    assert holding(target / "unassigned", {sha})
    return archive, target, sha


def assign(archive):
    ran = cli("move", PHOTO, "--to", "TC-1002", archive=archive)
    assert ran.status == 0, ran.err


def test_the_empty_bag_goes_and_its_photo_stands_in_the_claims_bag_everywhere(waiting):
    archive, target, sha = waiting
    assign(archive)
    assert not (archive / "unassigned").exists()
    with at_home(archive) as workspace:
        places = {row.place for row in workspace.catalog.keeping.copies([sha])[sha] if row.verified_at}
        assert places == {"archive", "office"}, "until the backup, the target's old bag still holds it"
    assert holding(target / "unassigned", {sha})
    assert cli("backup", archive=archive).status == 0
    assert not (target / "unassigned").exists()
    assert [one[:7] for one in holding(target, {sha})] == ["TC-1002"]
    assert where(archive)[PHOTO] == "TC-1002"
    for command in (("verify",), ("custody", "--verify")):
        assert cli(*command, archive=archive).status == 0
    again = cli("backup", "--json", archive=archive)
    assert (again.status, again.data["compared"]) == (0, 0)


def test_a_rebuilt_catalog_knows_no_empty_bag_either(waiting):
    archive, target, _sha = waiting
    assign(archive)
    assert cli("backup", archive=archive).status == 0
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    assert cli("rebuild", archive=archive).status == 0
    assert cli("backup", archive=archive).status == 0
    assert not (archive / "unassigned").exists()
    assert not (target / "unassigned").exists()


def test_the_copy_at_a_target_stays_until_its_photo_stands_in_another_bag_there(waiting, monkeypatch):
    archive, target, sha = waiting
    from evidence.archive.targets import FolderTarget

    assign(archive)
    remove = FolderTarget.remove_released_bag

    def watched(self, name):
        assert len(holding(target, {sha})) == 2
        remove(self, name)

    monkeypatch.setattr(FolderTarget, "remove_released_bag", watched)
    assert cli("backup", archive=archive).status == 0
    assert not (target / "unassigned").exists()


def test_a_copy_with_a_photo_that_the_archive_does_not_have_stays(waiting):
    archive, target, sha = waiting
    from sqlalchemy import create_engine, text

    engine = create_engine(f"sqlite:///{archive / 'catalog.sqlite'}")
    with engine.begin() as db:
        for table in ("original", "held_in", "sighting", "copy"):
            db.execute(text(f"DELETE FROM {table} WHERE sha256 = :sha"), {"sha": sha})
        db.execute(text("DELETE FROM bag WHERE claim = ''"))
        db.execute(text("UPDATE pushed_bag SET due = true WHERE claim = ''"))
    engine.dispose()
    shutil.rmtree(archive / "unassigned")
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 1
    assert [one["code"] for one in ran.data["troubles"]] == ["unreleased"]
    assert holding(target / "unassigned", {sha})


def test_a_bag_with_a_file_that_a_person_put_there_stays_and_a_copy_is_named(waiting):
    archive, target, _sha = waiting
    (archive / "unassigned" / "letter.txt").write_text("mine")
    (target / "unassigned" / "letter.txt").write_text("mine too")
    (target / "unassigned" / "Thumbs.db").write_bytes(b"of an operating system")
    assign(archive)
    assert (archive / "unassigned" / "letter.txt").read_text() == "mine"
    assert outside_verdict(archive / "unassigned") == ""
    (archive / "unassigned" / "letter.txt").unlink()
    with at_home(archive) as workspace:
        workspace.catalog.keeping.mark_dirty([None])
        file_away(workspace)
    assert not (archive / "unassigned").exists()
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 1
    (trouble,) = ran.data["troubles"]
    assert "first letter.txt" in trouble["message"]
    assert (target / "unassigned" / "letter.txt").read_text() == "mine too"
    (target / "unassigned" / "letter.txt").unlink()
    assert cli("backup", archive=archive).status == 0
    assert not (target / "unassigned").exists()


def test_a_target_that_was_put_back_loses_its_old_bag_again(waiting, tmp_path):
    archive, target, sha = waiting
    copy_tree(target, tmp_path / "older")
    assign(archive)
    assert cli("backup", archive=archive).status == 0
    shutil.rmtree(target)
    shutil.move(tmp_path / "older", target)
    assert cli("backup", archive=archive).status == 0
    assert not (target / "unassigned").exists()
    assert [one[:7] for one in holding(target, {sha})] == ["TC-1002"]


def test_a_photo_that_waits_again_gets_a_bag_again(waiting):
    archive, target, sha = waiting
    assign(archive)
    assert cli("backup", archive=archive).status == 0
    with at_home(archive) as workspace:
        placing.move(workspace, [sha], None)
    assert cli("backup", archive=archive).status == 0
    assert where(archive)[PHOTO] == "unassigned"
    assert [one.split("/")[0] for one in holding(target, {sha})] == ["unassigned"]
    assert outside_verdict(target / "unassigned") == ""


def test_a_photo_that_comes_while_the_bag_is_removed_gets_a_bag(waiting, monkeypatch):
    archive, _target, sha = waiting
    from evidence.archive import bags

    remove = bags.remove_empty_bag
    with at_home(archive) as workspace:
        workspace.bags_follow = True
        placing.move(workspace, [sha], "TC-1002")

        def meanwhile(bag):
            done = remove(bag)
            monkeypatch.setattr(bags, "remove_empty_bag", remove)
            placing.move(workspace, [sha], None)
            return done

        monkeypatch.setattr(bags, "remove_empty_bag", meanwhile)
        file_away(workspace)
    assert bags.remove_empty_bag is remove, "it was removed once meanwhile"
    assert where(archive)[PHOTO] == "unassigned"


def test_a_restored_bag_that_lacks_changes_is_built_at_once(backed_up, tmp_path):
    archive, target = backed_up
    with at_home(archive) as workspace:
        workspace.bags_follow = True  # as on the board: the bag waits
        placing.move(workspace, [workspace.catalog.photos.find(PHOTO)[0]], "TC-1002")
        from evidence.filing.backup import open_targets, push_log

        push_log(workspace, open_targets(workspace))
    ran = cli("restore", target, tmp_path / "back", "--json", actor="Ada Clerk")
    assert (ran.status, ran.data["findings"]) == (0, []), ran.out
    with at_home(tmp_path / "back") as workspace:
        assert workspace.catalog.keeping.dirty() == []
    about = [json.loads(one.read_text()) for one in (tmp_path / "back").glob("claims/*/records/claim.json")]
    assert any(one["decisions"] for one in about), "the decision came back beside the bag"
    assert cli("verify", archive=tmp_path / "back").status == 0
