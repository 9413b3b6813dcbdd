"""The catalog is brought up to date whole or not at all, and changed bags are marked in the same transaction."""

from __future__ import annotations

import pytest
from support_analysis import Described
from support_board import facet_value, put_claim, put_photos

from evidence.analysis import refresh
from evidence.model import Facet


@pytest.fixture
def card(workspace):
    put_claim(workspace, "AN-1")
    made = Described(workspace)
    made.house("AN-1", 5)
    made.enter()
    return made


def test_new_photos_are_placed_and_tagged_and_the_bags_that_changed_are_marked(workspace, card):
    done = refresh.refresh_days(workspace, card.shas)
    assert done.touched == {None, "AN-1"}
    assert workspace.catalog.keeping.dirty() == ["AN-1"]  # the tray is empty and has no bag
    assert all(record.tags for record in workspace.catalog.photos.of_claim("AN-1"))


def test_a_failure_while_tags_are_stored_leaves_the_photos_where_they_were(workspace, card, monkeypatch):
    def fails(*_):
        raise OSError("the disk is gone")

    monkeypatch.setattr(refresh, "store_tags", fails)
    with pytest.raises(OSError, match="gone"):
        refresh.refresh_days(workspace, card.shas)
    assert workspace.catalog.photos.of_claim("AN-1") == []
    assert workspace.catalog.photos.segments() == []
    assert workspace.catalog.keeping.dirty() == []


def test_a_second_refresh_marks_no_bag(workspace, card):
    refresh.refresh_days(workspace, card.shas)
    for bag in workspace.catalog.keeping.dirty():
        keeping = workspace.catalog.keeping
        keeping.mark_clean(bag, {}, at=workspace.now(), changes=keeping.changes(bag))
    done = refresh.refresh_days(workspace, card.shas)
    assert (done.touched, done.findings) == (frozenset(), ())
    assert workspace.catalog.keeping.dirty() == []


def test_a_claim_in_which_a_person_stated_something_counts_as_changed_in_any_case(workspace):
    put_claim(workspace, "AN-1")
    put_photos(workspace, "AN-1", 2, tags={0: (facet_value(Facet.FACE, "front"),)}, originals=False)
    refresh.retag(workspace, ["AN-1"])
    assert refresh.retag(workspace, ["AN-1"]).touched == frozenset()
    assert refresh.retag(workspace, ["AN-1"], stated=["AN-1"]).touched == {"AN-1"}
    assert workspace.catalog.keeping.dirty() == ["AN-1"]
