"""A purge or a repair at a target that was put back to an earlier time: the next backup still sees that it was."""

from __future__ import annotations

import shutil

import pytest
from support_card import CardMaker
from support_cli import CONFIRMED, cli
from support_copy import copy_tree
from support_intake import CLAIMS, filed, holding, set_settings, taken_in, with_target
from support_retention import approved, reload_assignments

from evidence.archive.custody_key import KEY_FILE

pytestmark = pytest.mark.usefixtures("plain_certificates")


@pytest.fixture
def target(tmp_path):
    folder = tmp_path / "office"
    folder.mkdir()
    return folder


@pytest.fixture
def due(houses, target):
    """TC-1001 is due for a purge; every bag is at the target."""
    assert reload_assignments(houses, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    with_target(houses, target, off=False)
    assert cli("close", "TC-1001", "--on", "2016-01-04", archive=houses).status == 0
    assert cli("backup", archive=houses).status == 0
    return houses


def put_back(target, image):
    shutil.rmtree(target)
    copy_tree(image, target)


def later_photos(archive, folder, *, status=0):
    """A card of TC-1002 taken in and backed up; returns the digests."""
    before = set(filed(archive))
    card = CardMaker(folder, serial="TC-0002", seed=800, number=60)
    card.wait(days=1)
    card.sheet("TC-1002")
    card.scene()
    taken_in(archive, card.root)
    assert cli("backup", archive=archive).status == status
    return set(filed(archive)) - before


@pytest.mark.parametrize("work", ["purge", "repair"])
def test_photos_that_an_older_image_of_the_target_lacks_come_back_after_a_purge_or_repair(
    due, target, tmp_path, work
):
    image = tmp_path / "image"
    copy_tree(target, image)
    added = later_photos(due, tmp_path / "more")
    plan = approved(due, "TC-1001")
    put_back(target, image)
    if work == "purge":
        ran = cli("purge", "run", "--yes", *CONFIRMED, plan, archive=due, actor="Ada Clerk")
        assert ran.status in {0, 1}, ran.err
    else:
        path = target / "archive" / "evidence.toml"
        path.write_bytes(b"x" + path.read_bytes())
        assert cli("repair", "--all", archive=due).status in {0, 1}
    cli("backup", archive=due)
    assert len(holding(target, added)) == len(added)


def test_an_image_from_before_a_purge_does_not_bring_the_purged_claim_back(due, target, tmp_path):
    theirs = {digest for digest, (claim, _) in filed(due).items() if claim == "TC-1001"}
    plan = approved(due, "TC-1001")
    assert cli("backup", archive=due).status == 0
    image = tmp_path / "image"
    copy_tree(target, image)
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, archive=due, actor="Ada Clerk")
    assert ran.status == 0, ran.err
    assert not holding(target, theirs)
    put_back(target, image)
    assert cli("backup", archive=due).status == 0
    assert not holding(target, theirs)


def test_a_target_that_was_put_back_is_noticed_though_no_head_can_be_signed(due, target, tmp_path):
    for path in (due / "custody" / KEY_FILE, target / "custody-heads"):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    assert cli("backup", archive=due).status == 1, "the head was not signed"
    image = tmp_path / "image"
    copy_tree(target, image)
    added = later_photos(due, tmp_path / "more", status=1)
    put_back(target, image)
    assert not holding(target, added)
    assert cli("backup", archive=due).status == 1
    assert len(holding(target, added)) == len(added)


def test_a_link_to_a_targets_folder_is_not_a_second_place(due, target, tmp_path):
    link = tmp_path / "link"
    link.symlink_to(target)
    text = (due / "evidence.toml").read_text(encoding="utf-8")
    more = f"\n[[target]]\nname = 'other'\npath = '{link.as_posix()}'\n"
    set_settings(due, text + more)
    ran = cli("backup", "--json", archive=due)
    assert ran.status == 1
    assert [one["subject"] for one in ran.data["troubles"]] == ["other"]


def test_an_original_that_no_list_names_keeps_the_bag_of_a_purged_claim_in_an_older_image(
    due, target, tmp_path
):
    plan = approved(due, "TC-1001")
    assert cli("backup", archive=due).status == 0
    image = tmp_path / "image"
    copy_tree(target, image)
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, archive=due, actor="Ada Clerk")
    assert ran.status == 0, ran.err
    put_back(target, image)
    bag = next(target.glob("TC-1001*"))
    (bag / "manifest-sha256.txt").write_bytes(b"damaged")
    own = bag / "data" / "OTHER.JPG"
    own.write_bytes(b"a photo that was never purged")
    kept = cli("backup", "--json", archive=due)
    assert kept.status == 1
    (trouble,) = kept.data["troubles"]
    assert (trouble["code"], "OTHER.JPG" in trouble["message"]) == ("unreleased", True)
    assert own.exists()
    own.unlink()
    assert cli("backup", archive=due).status == 0
    assert not bag.exists(), "purged photos are known without the list"
