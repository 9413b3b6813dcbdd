"""Bags in step with the catalog: paths of originals, what is nowhere, what is already there."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from support_intake import at_home, filed, with_target

from evidence.catalog.intakes import Sighting
from evidence.errors import BagError
from evidence.filing.backup import back_up
from evidence.filing.bags import bag_folder, file_away
from evidence.filing.originals import find_original, require_original
from evidence.filing.records import original_paths
from evidence.filing.verify import verify
from evidence.model import ClaimId, IntakeId, Sha256

SHA = Sha256("ab" * 32)
LATER = datetime(2026, 6, 2, tzinfo=UTC)


def sighting(intake: str, card_path: str) -> Sighting:
    return Sighting(
        intake=IntakeId(intake), card_path=card_path, sha256=SHA, modified=None, dcf=None, object_key=""
    )


@pytest.mark.parametrize(
    ("card_paths", "path"),
    [
        ([], f"found/{SHA}"),
        (["DCIM/100ABCDE/IMG_0001.JPG"], "2026-03-04 card k7/100ABCDE/IMG_0001.JPG"),
        (["NOTES.TXT"], "2026-03-04 card k7/NOTES.TXT"),
        (["DCIM"], "2026-03-04 card k7/DCIM"),
    ],
)
def test_an_original_keeps_its_camera_path_below_its_first_card(card_paths, path):
    seen = [sighting("20260304-101500-k7", one) for one in card_paths]
    later = [sighting("20260305-101500-q2", one) for one in card_paths]
    assert original_paths(SHA, [*later, *seen])[0] == path


def test_an_original_is_found_in_its_bag_and_a_lost_one_is_an_error(houses):
    with at_home(houses) as workspace:
        photo = workspace.catalog.photos.of_claim(ClaimId("TC-1001"))[0]
        place = find_original(workspace, photo.sha256)
        assert place is not None
        assert place.is_relative_to(bag_folder(workspace, ClaimId("TC-1001")) / "data")
        assert require_original(workspace, photo.sha256) == place
        place.unlink()
        assert find_original(workspace, photo.sha256) is None
        with pytest.raises(BagError, match=photo.sha256[:12]):
            require_original(workspace, photo.sha256)


def test_bags_that_are_up_to_date_are_not_built_again(houses):
    before = filed(houses)
    with at_home(houses) as workspace:
        assert file_away(workspace).bags == 0
        workspace.catalog.keeping.mark_dirty([ClaimId("TC-1001")])
        assert file_away(workspace).bags == 1
        assert workspace.catalog.keeping.dirty() == []
    assert filed(houses) == before


def test_a_bag_that_is_no_longer_out_of_date_when_its_turn_comes_is_not_built(houses, monkeypatch):
    """As when a purge takes the claim out of the catalog while the build waits for it."""
    with at_home(houses) as workspace:
        keeping = workspace.catalog.keeping
        answers = iter([[ClaimId("TC-1001")], [ClaimId("TC-1001")]])
        monkeypatch.setattr(keeping, "dirty", lambda: next(answers, []))
        assert not keeping.is_dirty(ClaimId("TC-1001"))
        assert file_away(workspace).bags == 0


def test_a_backup_that_was_killed_before_it_recorded_its_copies_is_read_back_and_recorded(houses, other_disk):
    with_target(houses, other_disk)
    claim = ClaimId("TC-1001")
    with at_home(houses) as workspace:
        back_up(workspace)
        keeping = workspace.catalog.keeping
        held = list(keeping.payload(claim))
        keeping.drop_copies("office", claim)
        workspace.catalog.pushes.mark_due("office", claim)  # as it is until the copies are recorded
        assert back_up(workspace).copied == 0
        for rows in keeping.copies(held).values():
            assert [row.verified_at is not None for row in rows if row.place == "office"] == [True]


def test_a_copy_found_bad_is_copied_again_by_the_next_backup(houses, other_disk):
    with_target(houses, other_disk)
    claim = ClaimId("TC-1001")
    with at_home(houses) as workspace:
        back_up(workspace)
        sha, path = next(iter(workspace.catalog.keeping.payload(claim).items()))
        copy = other_disk / bag_folder(workspace, claim).name / "data" / path
        copy.chmod(0o644)
        copy.write_bytes(b"x" * copy.stat().st_size)
        assert [one.code for one in verify(workspace).bad] == ["mismatch"]
    with at_home(houses, now=LATER) as workspace:
        assert back_up(workspace).copied > 0
        assert verify(workspace).bad == ()
        office = [row for row in workspace.catalog.keeping.copies([sha])[sha] if row.place == "office"]
        assert [(row.verified_at, row.found_bad_at) for row in office] == [(LATER, None)]
