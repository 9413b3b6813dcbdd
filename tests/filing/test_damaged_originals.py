"""One bad original never stops the rest: it is flagged, the work goes on, and a good copy puts it right."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, date, datetime

import pytest
from support_card import CardMaker
from support_cli import cli
from support_faults import place_of, spoil
from support_intake import actions, at_home, holding, taken_in, today, with_target

from evidence.archive.bagread import read_manifest
from evidence.disk.objects import find_object
from evidence.filing.backup import back_up
from evidence.filing.bags import bag_folder, file_away
from evidence.filing.copies import known_bad
from evidence.filing.originals import find_original, keep_original, payload_files
from evidence.model import ClaimId, ClaimState
from evidence.office.holds import place_hold
from evidence.office.retention import close_claim
from evidence.review import placing

HOWS = ["altered", "shorter", "missing", "no file"]
FIRST, SECOND = ClaimId("TC-1001"), ClaimId("TC-1002")


def more_photos(folder, claim):
    card = CardMaker(folder, serial="TC-0002", seed=800, number=60)
    card.wait(days=1)
    card.sheet(claim)
    card.scene()
    return card.root


@pytest.mark.parametrize("how", HOWS)
def test_holds_closing_and_intakes_go_on_beside_a_bad_original(houses, tmp_path, how):
    with at_home(houses) as workspace:
        sha, path = place_of(workspace, FIRST)
        spoil(path, how)
        place_hold(workspace, FIRST, reason="suit filed")
        place_hold(workspace, SECOND, reason="suit filed")
        close_claim(workspace, SECOND, on=date(2026, 5, 20))
        report = taken_in(houses, more_photos(tmp_path / "more", FIRST))
        assert report.kept == 2
        assert workspace.catalog.keeping.dirty() == []
        bag = bag_folder(workspace, FIRST)
        assert sha in read_manifest(bag).values(), (
            "the bag lists the recorded digest, not that of other bytes"
        )
        for other, place in workspace.catalog.keeping.payload(FIRST).items():
            if other != sha:
                assert hashlib.sha256((bag / "data" / place).read_bytes()).hexdigest() == other
        assert cli("verify", archive=houses).status == 1
        assert known_bad(workspace, [sha]) == {sha}


@pytest.mark.parametrize("how", HOWS)
def test_a_claim_with_a_bad_original_can_be_closed_and_its_bag_keeps_the_recorded_digest(houses, how):
    with at_home(houses) as workspace:
        sha, path = place_of(workspace, FIRST)
    spoil(path, how)
    ran = cli("close", FIRST, "--on", "2026-05-20", archive=houses)
    assert ran.status == 0, ran.err
    with at_home(houses) as workspace:
        file_away(workspace)
        assert workspace.catalog.claims.get(FIRST).state is ClaimState.CLOSED
        assert workspace.catalog.keeping.dirty() == []
        bag = bag_folder(workspace, FIRST)
        assert json.loads((bag / "records" / "claim.json").read_bytes())["closed_on"] == "2026-05-20"
        assert sha in read_manifest(bag).values()
    assert cli("verify", archive=houses).status == 1
    with at_home(houses) as workspace:
        assert known_bad(workspace, [sha]) == {sha}


@pytest.mark.parametrize("how", ["shorter", "missing"])
def test_a_bad_original_is_a_finding_once_logged_and_does_not_count_as_safe(houses, how):
    with at_home(houses) as workspace:
        sha, path = place_of(workspace, FIRST)
        spoil(path, how)
        for _ in range(2):
            workspace.catalog.keeping.mark_dirty([FIRST])
            (finding,) = file_away(workspace).findings
            assert finding.code == "original_damaged"
            assert finding.subject.startswith("TC-1001: data/")
        assert known_bad(workspace, [sha]) == {sha}
        assert path.exists() == (how == "shorter"), "the bad bytes stay where they are"
    assert actions(houses).count("original_damaged") == 1


@pytest.mark.parametrize("how", HOWS)
def test_a_bad_original_moves_with_its_photo_and_keeps_its_recorded_digest(houses, how):
    with at_home(houses) as workspace:
        sha, path = place_of(workspace, FIRST)
        spoil(path, how)
        bad = path.read_bytes() if path.is_file() else None
        placing.move(workspace, [sha], SECOND)
        assert workspace.catalog.keeping.dirty() == []
        assert sha not in read_manifest(bag_folder(workspace, FIRST)).values()
        assert sha in read_manifest(bag_folder(workspace, SECOND)).values()
        moved = bag_folder(workspace, SECOND) / "data" / workspace.catalog.keeping.payload(SECOND)[sha]
        assert (moved.read_bytes() if moved.is_file() else None) == bad
        assert known_bad(workspace, [sha]) == {sha}
        (row,) = workspace.catalog.keeping.copies([sha])[sha]
        assert row.claim == SECOND


@pytest.mark.parametrize("how", HOWS)
@pytest.mark.parametrize("found", ["by verify", "not yet"])
def test_the_card_puts_a_bad_original_right(houses, two_houses_taken_in, how, found):
    card = two_houses_taken_in[1].root
    with at_home(houses) as workspace:
        sha, path = place_of(workspace, FIRST)
        spoil(path, how)
        if found == "by verify" or how in ("altered", "shorter"):
            assert cli("verify", archive=houses).status == 1
    report = taken_in(houses, card)
    assert (report.kept, report.already_kept) == (1, 8)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == sha
    assert cli("verify", archive=houses).status == 0
    with at_home(houses) as workspace:
        assert known_bad(workspace, [sha]) == set()
    assert not list((houses / "intake").glob("??/*"))


def test_a_bad_original_in_the_intake_area_does_not_stop_the_next_card(houses, tmp_path, monkeypatch):
    from evidence.errors import DestinationError
    from evidence.intake.describe import Describing

    def stop(*_args, **_more):
        raise DestinationError("The disk is full.", "Free some space.")

    first = more_photos(tmp_path / "first", FIRST)
    with monkeypatch.context() as patched:
        patched.setattr(Describing, "finish", stop)
        with pytest.raises(DestinationError):
            taken_in(houses, first)
    left = sorted((houses / "intake").glob("??/*"))
    assert len(left) == 2
    spoil(left[0], "missing")
    spoil(left[1], "shorter")
    card = CardMaker(tmp_path / "next", serial="TC-0003", seed=900, number=80)
    card.wait(days=2)
    card.sheet("TC-1003")
    card.scene()
    report = taken_in(houses, card.root)
    assert report.kept == 2
    assert "original_damaged" in {one.code for one in report.findings}
    assert [one.claim for one in report.claims] == ["TC-1003"]
    again = taken_in(houses, first)
    assert again.kept == 2, "the first card puts both right"
    assert cli("verify", archive=houses).status == 0


def test_a_backup_goes_on_beside_a_bad_original_and_keeps_the_good_copy(houses, other_disk, tmp_path):
    with_target(houses, other_disk)
    with at_home(houses) as workspace:
        back_up(workspace)
        sha, path = place_of(workspace, FIRST)
        spoil(path, "shorter")
        lost, other = place_of(workspace, FIRST, 2)
        spoil(other, "missing")
        place_hold(workspace, FIRST, reason="suit filed")
        report = back_up(workspace)
        assert report.troubles == ()
        assert len(holding(other_disk, {sha, lost})) == 2
        taken_in(houses, more_photos(tmp_path / "more", FIRST))
        newer, place = place_of(workspace, FIRST, -1)
        assert len(holding(other_disk, {sha, lost, newer})) == 3
        office = workspace.catalog.keeping.copies([newer])[newer]
        assert {row.place for row in office if row.verified_at} == {"archive", "office"}
        assert place.is_file()


def test_a_new_original_that_went_bad_before_its_backup_is_flagged_and_the_others_are_copied(
    houses, other_disk
):
    with at_home(houses) as workspace:
        sha, path = place_of(workspace, FIRST)
        spoil(path, "shorter")
        every = set(workspace.catalog.keeping.payload(FIRST)) | set(workspace.catalog.keeping.payload(SECOND))
    with_target(houses, other_disk)
    with at_home(houses, now=datetime(2026, 6, 2, tzinfo=UTC)) as workspace:
        report = back_up(workspace)
        assert [one.code for one in report.troubles] == ["original_damaged"]
        assert len(holding(other_disk, every)) == len(every) - 1
        rows = workspace.catalog.keeping.copies([sha])[sha]
        assert [(row.verified_at, row.found_bad_at is None) for row in rows if row.place == "office"] == [
            (None, False)
        ]


def test_a_purge_removes_a_bad_original_with_its_claim(houses):
    with at_home(houses) as workspace:
        sha, path = place_of(workspace, SECOND)
        spoil(path, "shorter")
        placing.move(workspace, [sha], FIRST)
        bag = bag_folder(workspace, FIRST)
    assert cli("close", "TC-1001", "--on", "2026-05-20", archive=houses).status == 0
    with at_home(houses, now=datetime(2046, 6, 1, tzinfo=UTC)) as workspace:
        from evidence.office import purging

        plan = purging.plan_purge(workspace, [FIRST], confirmed=today(workspace)).plan
        purging.approve_purge(workspace.acting_as("Ben Witness"), plan)
        report = purging.run_purge(workspace, plan, confirmed=today(workspace))
        assert [one.claim for one in report.purged] == [FIRST], report.refused
    assert not bag.exists()
    assert not list((houses / "intake").glob(f"??/{sha}*"))


def test_a_bag_takes_an_original_from_elsewhere_only_for_its_own_bad_or_short_file(houses):
    with at_home(houses) as workspace:
        sha = workspace.catalog.photos.of_claim("TC-1001")[0].sha256
        original, present = workspace.catalog.photos.originals([sha])[sha], find_original(workspace, sha)
        keep_original(workspace, original, present)
        waiting = find_object(workspace.store, sha)

        def taken(*bad):
            found = payload_files(workspace, {sha: original}, {sha: present}, bad)[sha]
            return found.source, found.replace

        assert taken() == (present, False)
        assert taken(sha) == (waiting, True)
        content = present.read_bytes()
        present.unlink()
        present.write_bytes(content[:-1])
        assert taken() == (waiting, True)
        waiting.unlink()
        assert taken() == (present, False), "its own file is no other one"
