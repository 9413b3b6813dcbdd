"""The to-do list of a backup: which bags are due at which disk, and what makes them due."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import text

from evidence.catalog.keeping import CopyRow
from evidence.catalog.store import Catalog
from evidence.catalog.tables import bag
from evidence.catalog.totals import TRAY
from evidence.model import ClaimId, Sha256

AT = datetime(2026, 6, 1, 12, tzinfo=UTC)
ONE, TWO, THREE = ClaimId("TC-1"), ClaimId("TC-2"), ClaimId("TC-3")
BAG = Sha256("b" * 64)


def sha(number: int) -> Sha256:
    return Sha256(f"{number:064x}")


@pytest.fixture
def catalog(tmp_path):
    opened = Catalog(f"sqlite:///{tmp_path / 'catalog.sqlite'}")
    opened.keeping.mark_clean(ONE, {sha(1): "a.jpg"}, at=AT)
    opened.keeping.mark_clean(TWO, {sha(2): "b.jpg"}, at=AT)
    opened.pushes.begin("disk-a", "office", head=0)
    yield opened
    opened.close()


def all_pushed(catalog, disk="disk-a", head=5):
    for claim in catalog.pushes.due(disk):
        catalog.pushes.put_pushed(disk, claim, BAG)
    catalog.pushes.put_head(disk, head=head)
    assert catalog.pushes.due(disk) == []


def test_everything_is_due_at_a_new_disk_and_nothing_after_it_was_copied(catalog):
    assert catalog.pushes.due("disk-a") == [TRAY, ONE, TWO], "an older tray there may have to go"
    assert catalog.pushes.pushed("disk-a", ONE) is None
    all_pushed(catalog)
    assert catalog.pushes.begin("disk-a", "office", head=5) is False
    assert catalog.pushes.due("disk-a") == []
    assert catalog.pushes.pushed("disk-a", ONE) == BAG
    catalog.pushes.begin("disk-b", "office", head=0)
    assert catalog.pushes.due("disk-b") == [TRAY, ONE, TWO]


def test_a_bag_that_stands_at_no_station_yet_is_not_due_at_the_new_disk_of_any(tmp_path):
    url = f"sqlite:///{tmp_path / 'shared.sqlite'}"
    north, south = Catalog(url), Catalog(url)
    north._database.station, south._database.station = "n", "s"
    with north.transaction():  # as the split of a day leaves them: no station has built these bags
        north._database.upsert(bag, [{"claim": claim, "dirty": True} for claim in (ONE, TWO)])
    south.stations.take_bag(TWO)
    south.keeping.mark_clean(TWO, {sha(2): "b.jpg"}, at=AT)
    south.pushes.begin("disk-s", "south", head=0)
    assert south.pushes.due("disk-s") == [TRAY, TWO], "the other may be filed at the other station"
    north.pushes.begin("disk-n", "north", head=0)
    north.stations.take_bag(ONE)
    north.keeping.mark_clean(ONE, {sha(1): "a.jpg"}, at=AT)
    assert (north.pushes.due("disk-n"), south.pushes.due("disk-s")) == ([TRAY, ONE], [TRAY, TWO])
    north.close()
    south.close()


def test_a_bag_that_is_built_anew_is_due_at_every_disk_and_no_other_is(catalog):
    catalog.pushes.begin("disk-b", "second", head=0)
    all_pushed(catalog)
    all_pushed(catalog, "disk-b")
    catalog.keeping.mark_clean(TWO, {sha(2): "b.jpg", sha(4): "c.jpg"}, at=AT)
    catalog.keeping.mark_clean(THREE, {sha(3): "a.jpg"}, at=AT)
    assert catalog.pushes.due("disk-a") == catalog.pushes.due("disk-b") == [TWO, THREE]


def test_a_bag_with_a_copy_that_was_found_bad_is_due_at_that_target_only(catalog):
    catalog.pushes.begin("disk-b", "second", head=0)
    all_pushed(catalog)
    all_pushed(catalog, "disk-b")
    at_office = CopyRow(
        sha256=sha(1), place="office", place_id="p", off_computer=True, claim=ONE, verified_at=AT
    )
    catalog.keeping.put_copies([at_office])
    catalog.keeping.mark_corrupt("office", [sha(1)], at=AT)
    assert catalog.pushes.due("disk-a") == [ONE]
    assert catalog.pushes.due("disk-b") == []
    catalog.pushes.mark_due("second", TWO)
    assert catalog.pushes.due("disk-b") == [TWO]


def test_everything_is_due_at_a_disk_whose_head_is_older_than_the_last_backup_left_there(catalog):
    all_pushed(catalog, head=9)
    assert catalog.pushes.begin("disk-a", "office", head=12) is False
    assert catalog.pushes.due("disk-a") == []
    assert catalog.pushes.begin("disk-a", "office", head=8) is True
    assert catalog.pushes.due("disk-a") == [TRAY, ONE, TWO]


def test_a_disk_is_compared_anew_until_a_backup_to_it_was_completed(catalog):
    for claim in (ONE, TWO):
        catalog.pushes.put_pushed("disk-a", claim, BAG)
    assert catalog.pushes.begin("disk-a", "office", head=7) is True  # killed before its head was noted
    assert catalog.pushes.due("disk-a") == [TRAY, ONE, TWO]
    all_pushed(catalog, head=7)
    assert catalog.pushes.begin("disk-a", "office", head=7) is False


def test_a_purged_bag_and_a_retired_target_are_forgotten(catalog):
    all_pushed(catalog)
    catalog.keeping.delete_bag(ONE)
    assert catalog.pushes.pushed("disk-a", ONE) is None
    catalog.keeping.retire_place("office", "office#disk-a")
    catalog.pushes.begin("disk-a", "office", head=9)
    assert catalog.pushes.due("disk-a") == [TRAY, TWO]


def test_a_bag_that_was_removed_is_due_until_its_copies_are_gone(catalog):
    all_pushed(catalog)
    catalog.keeping.remove_empty(ONE, changes=0)
    assert ONE not in catalog.keeping.bags()
    assert catalog.keeping.payload(ONE) == {}
    assert catalog.pushes.due("disk-a") == [ONE]
    catalog.pushes.put_removed("disk-a", ONE)
    assert catalog.pushes.due("disk-a") == []


@pytest.mark.parametrize(
    ("query", "index"),
    [
        ("SELECT * FROM held_in WHERE claim = 'TC-1'", "ix_held_in_claim"),
        ("SELECT claim FROM bag WHERE dirty = 1 ORDER BY claim", "ix_bag_dirty"),
        ("SELECT DISTINCT size FROM original WHERE size IN (1, 2)", "ix_original_size"),
        ("SELECT * FROM decision WHERE claim = 'TC-1' ORDER BY id", "ix_decision_claim"),
        ("SELECT claim FROM pushed_bag WHERE disk = 'a' AND due = 1 ORDER BY claim", "ix_pushed_bag_due"),
        ("DELETE FROM pushed_bag WHERE claim = 'TC-1'", "ix_pushed_bag_claim"),
        ("DELETE FROM decision_photo WHERE decision = 1", "ix_decision_photo_decision"),
    ],
)
def test_what_is_asked_for_one_claim_is_found_by_an_index(catalog, query, index):
    with catalog._database.engine.connect() as db:
        plan = " ".join(str(row) for row in db.execute(text(f"EXPLAIN QUERY PLAN {query}")))
    assert index in plan, plan
