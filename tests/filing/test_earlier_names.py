"""Archives with names of the earlier naming are brought over at the next run, here and at the targets."""

from __future__ import annotations

import os

import bagit
import pytest
from support_archive import killed_at
from support_card import CardMaker
from support_earlier import digests_below, earlier_path, rebuild_with_earlier_names, set_back_catalog
from support_intake import at_home, bags_of, filed, loaded_archive, taken_in, with_target

from evidence.disk import durable
from evidence.filing.backup import back_up
from evidence.filing.bags import file_away
from evidence.model import ClaimId


@pytest.fixture
def earlier(kept, same_path, other_disk):
    """An archive of an earlier version, with two houses, lower-case names, and a backup target."""
    parts = {"archive": same_path / "archive", "card": same_path / "card", "disk": other_disk}
    kept.put("earlier names", parts, lambda: _make_earlier(same_path, other_disk))
    return parts["archive"]


def _make_earlier(same_path, other_disk):
    archive = loaded_archive(same_path)
    card = CardMaker(same_path / "card")
    for claim in ("TC-1001", "TC-1002"):
        card.sheet(claim)
        card.scene()
        card.scene()
        card.wait(minutes=40)
    (card.root / "DCIM" / "100TESTC").rename(card.root / "DCIM" / "Camera")
    for number, path in enumerate(sorted((card.root / "DCIM" / "Camera").iterdir())):
        path.rename(path.with_name(f"IMG_20260514_0841{number:02d}.jpg"))
    with_target(archive, other_disk)
    taken_in(archive, card.root)
    for bag in bags_of(archive):
        rebuild_with_earlier_names(bag)
        rebuild_with_earlier_names(other_disk / bag.name)
    set_back_catalog(archive)


def test_the_earlier_naming_was_this():
    assert earlier_path("2026-05-14 card 9f3a/Camera/IMG_20260514_084112.jpg") == (
        "2026-05-14 card 9f3a/Camera-03494b0d/IMG_20260514_084112.jpg-9397dfeb"
    )


def test_bags_and_targets_are_brought_over_and_no_byte_changes(earlier, other_disk, tmp_path, monkeypatch):
    here, there = digests_below(earlier / "claims"), digests_below(other_disk)
    assert here == there
    assert list((earlier / "claims").glob("*/data/*/Camera-03494b0d/*.jpg-*"))
    inodes = {path.stat().st_ino for path in other_disk.glob("*/data/*/*/*") if path.suffix != ".xmp"}
    card = CardMaker(tmp_path / "next", serial="TC-0002", seed=800, number=60)
    card.wait(days=1)
    card.sheet("TC-1003")
    report = taken_in(earlier, card.root)
    assert report.backup.troubles == ()
    assert report.backup.copied == 2, "the new photo and its sidecar: nothing is copied for a name"
    for root in (earlier / "claims", other_disk):
        names = [path.name for path in root.glob("*/data/*/Camera/*") if path.suffix != ".xmp"]
        assert sorted(names) == [f"IMG_20260514_0841{number:02d}.jpg" for number in range(6)]
        assert not list(root.glob("*/data/**/*-*.xmp"))
        assert not list(root.glob("*/data/*/Camera-*"))
        assert set(here) <= set(digests_below(root))
    assert inodes == {path.stat().st_ino for path in other_disk.glob("*/data/*/Camera/*.jpg")}
    assert len(filed(earlier)) == 7
    for bag in bags_of(earlier):
        bagit.Bag(str(other_disk / bag.name)).validate()
    with at_home(earlier) as workspace:
        assert workspace.catalog.keeping.dirty() == []
        assert file_away(workspace).bags == 0


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_bag_is_valid_at_every_instant_while_its_names_change(earlier):
    def work():
        with at_home(earlier) as workspace:
            file_away(workspace)

    before = digests_below(earlier / "claims")
    for number in range(40, 4000, 160):
        killed = killed_at(number, work)
        for bag in bags_of(earlier):
            bagit.Bag(str(bag)).validate()
        if not killed:
            break
    assert not killed
    assert digests_below(earlier / "claims") == before
    assert not list((earlier / "claims").glob("*/data/*/Camera-*"))


def test_a_target_without_hard_links_is_brought_over_by_copies(earlier, other_disk, monkeypatch):
    def no_links(*_args, **_more):
        raise OSError(95, "not supported")

    before = digests_below(other_disk)
    with at_home(earlier) as workspace:
        file_away(workspace)
        monkeypatch.setattr(os, "link", no_links)
        monkeypatch.setattr(durable, "_NO_LINKS", {95})
        assert back_up(workspace).troubles == ()
        assert len(workspace.catalog.keeping.payload(ClaimId("TC-1001"))) == 3
    assert digests_below(other_disk) == before
    for bag in bags_of(earlier):
        bagit.Bag(str(other_disk / bag.name)).validate()
