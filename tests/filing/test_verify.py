"""Reading back: the longest unread first, resumed by the next run, and nothing called good that was not read."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta

import bagit
import pytest
from support_cli import cli
from support_intake import at_home, with_target

from evidence.catalog import read_backs
from evidence.filing import verify as verifying
from evidence.filing.backup import back_up
from evidence.filing.bags import bag_folder, file_away
from evidence.filing.verify import Budget, verify
from evidence.model import ClaimId
from evidence.review.placing import move

FIRST = datetime(2026, 6, 1, 12, tzinfo=UTC)
CLAIM = ClaimId("TC-1001")
FILES = 9


def copies_of(workspace, place):
    """Path in its bag -> the recorded copy at the place, for every original."""
    keeping = workspace.catalog.keeping
    found = {}
    for claim in keeping.bags():
        payload = keeping.payload(claim)
        for sha, rows in keeping.copies(list(payload)).items():
            for row in rows:
                if row.place == place:
                    found[(claim, payload[sha])] = row
    return found


def dates(workspace, place="archive"):
    return {key: row.verified_at for key, row in copies_of(workspace, place).items()}


def sizes(workspace):
    return {
        one.path: one.size
        for one in workspace.catalog.read_backs.longest_unread("archive", before=FIRST + timedelta(days=999))
    }


@pytest.mark.parametrize("page", [2, 1000], ids=["many-pages", "one-page"])
def test_runs_with_a_limit_read_the_longest_unread_first_until_all_was_read(houses, monkeypatch, page):
    monkeypatch.setattr(read_backs, "_PAGE", page)
    with at_home(houses) as workspace:
        total = sum(sizes(workspace).values())
    read, day = 0, FIRST
    left = FILES
    while left:
        day += timedelta(days=1)
        with at_home(houses, now=day) as workspace:
            before = dates(workspace)
            report = verify(workspace, budget=Budget(octets=total // 3))
            after = dates(workspace)
            now_read = {key for key in after if after[key] != before[key]}
            assert now_read, "every run reads something"
            longest = max(before[key] for key in now_read)
            assert all(before[key] >= longest for key in after.keys() - now_read), "an older one was left out"
            assert sum(sizes(workspace)[path] for _, path in now_read) <= total // 3
            assert report.bad == report.missing == ()
            assert report.left_files == FILES - len(now_read)
            read += len(now_read)
            left = sum(one < FIRST + timedelta(days=1) for one in after.values())
            assert report.oldest == min(after.values())
    assert read == FILES, "none was read twice before all were read once"
    assert day > FIRST + timedelta(days=2)


def test_a_file_larger_than_the_limit_is_read_alone(houses):
    with at_home(houses, now=FIRST + timedelta(days=1)) as workspace:
        report = verify(workspace, budget=Budget(octets=1))
        assert report.left_files == FILES - 1
        assert report.checked >= 1


def test_no_file_is_begun_after_the_time_is_over(houses):
    with at_home(houses, now=FIRST + timedelta(days=1)) as workspace:
        before = dates(workspace)
        report = verify(workspace, budget=Budget(seconds=0))
        assert (report.checked, report.left_files) == (0, FILES)
        assert dates(workspace) == before


def test_without_a_limit_everything_is_read_and_a_stopped_run_is_resumed(houses, monkeypatch):
    monkeypatch.setattr(verifying, "BATCH_FILES", 2)
    tomorrow = FIRST + timedelta(days=1)
    steps = 0

    def stop_at_half(_what, done, total):
        nonlocal steps
        steps += 1
        if steps == 6:
            raise KeyboardInterrupt

    with at_home(houses, now=tomorrow) as workspace:
        with pytest.raises(KeyboardInterrupt):
            verify(workspace, progress=stop_at_half)
        recorded = {key for key, at in dates(workspace).items() if at == tomorrow}
        assert 0 < len(recorded) < FILES, "what was read before the end is recorded"
    with at_home(houses, now=tomorrow + timedelta(hours=1)) as workspace:
        report = verify(workspace, budget=Budget(octets=1))
        again = {key for key, at in dates(workspace).items() if at == tomorrow + timedelta(hours=1)}
        assert not again & recorded, "the next run goes on with what was not read"
        report = verify(workspace)
        assert report.left_files == 0
        assert report.oldest == tomorrow + timedelta(hours=1)
        assert report.checked >= FILES - 1


def test_a_copy_in_a_bag_that_lost_its_declaration_is_not_called_read(houses, other_disk):
    with_target(houses, other_disk)
    with at_home(houses) as workspace:
        back_up(workspace)
        (other_disk / bag_folder(workspace, CLAIM).name / "bagit.txt").unlink()
    with at_home(houses, now=FIRST + timedelta(days=1)) as workspace:
        report = verify(workspace)
        assert "no_declaration" in {one.code for one in report.bad}
        for (claim, _), row in copies_of(workspace, "office").items():
            assert (row.found_bad_at is not None) == (claim == CLAIM)
            assert row.verified_at == (FIRST if claim == CLAIM else FIRST + timedelta(days=1))


def test_a_target_that_is_not_connected_is_one_finding_and_its_copies_keep_their_dates(houses, other_disk):
    with_target(houses, other_disk)
    with at_home(houses) as workspace:
        back_up(workspace)
    (other_disk / "backup-target.json").rename(other_disk / "away.json")
    with at_home(houses, now=FIRST + timedelta(days=1)) as workspace:
        report = verify(workspace)
        assert [(one.code, one.subject) for one in report.missing] == [("unreachable", "office")]
        assert report.bad == ()
        assert report.left_files == FILES
        assert set(dates(workspace, "office").values()) == {FIRST}
        assert all(row.found_bad_at is None for row in copies_of(workspace, "office").values())


def test_a_disk_that_is_removed_during_the_reading_makes_no_copy_bad(houses, other_disk):
    with_target(houses, other_disk)
    with at_home(houses) as workspace:
        back_up(workspace)

    def remove_the_disk(_what, done, total):
        for path in other_disk.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()

    with at_home(houses, now=FIRST + timedelta(days=1)) as workspace:
        report = verify(workspace, progress=remove_the_disk)
        assert [one.code for one in report.missing] == ["unreachable"]
        assert all(row.found_bad_at is None for row in copies_of(workspace, "office").values())


def test_a_photo_that_was_moved_and_not_backed_up_again_is_a_finding_but_no_bad_copy(houses, other_disk):
    with_target(houses, other_disk)
    with at_home(houses) as workspace:
        back_up(workspace)
        photo = workspace.catalog.photos.of_claim(CLAIM)[-1].sha256
        move(workspace, [photo], ClaimId("TC-1002"))
        file_away(workspace)
    with at_home(houses, now=FIRST + timedelta(days=1)) as workspace:
        report = verify(workspace)
        assert {one.code for one in report.bad} == {"not_recorded", "not_expected"}
        office = [row for row in workspace.catalog.keeping.copies([photo])[photo] if row.place == "office"]
        assert [row.found_bad_at for row in office] == [None]
        back_up(workspace)
        assert verify(workspace).bad == ()


def test_a_payload_file_that_no_manifest_lists_is_a_finding(houses):
    with at_home(houses) as workspace:
        stray = bag_folder(workspace, CLAIM) / "data" / "stray.jpg"
        stray.write_bytes(b"whose?")
        found = {(one.code, one.subject) for one in verify(workspace).bad}
        assert ("unlisted", f"archive: {CLAIM}: data/stray.jpg") in found


def test_reading_back_does_not_lock_others_out(houses):
    with at_home(houses) as workspace, workspace.locked():
        ran = cli("verify", "--json", archive=houses)
    assert ran.status == 0, ran.err
    assert ran.data["left_files"] == 0


@pytest.mark.parametrize(
    ("arguments", "wrong"),
    [
        (["--for", "soon"], "--for: 'soon' is not a time."),
        (["--for", "0m"], "--for: '0m' is not a time."),
        (["--bytes", "lots"], "--bytes: 'lots' is not a size."),
        (["--bytes", "0G"], "--bytes: '0G' is not a size."),
    ],
    ids=lambda one: " ".join(one) if isinstance(one, list) else None,
)
def test_a_limit_that_cannot_be_read_is_refused(houses, arguments, wrong):
    ran = cli("verify", *arguments, archive=houses)
    assert ran.status == 2
    assert wrong in ran.err


@pytest.mark.parametrize("arguments", [["--for", "1h30m"], ["--for", "90s"], ["--bytes", "1.5G"]])
def test_a_limit_that_is_not_reached_reads_everything(houses, arguments):
    ran = cli("verify", *arguments, archive=houses)
    assert ran.status == 0, ran.err
    assert "bad, 0 missing." in ran.out
    assert "not read in this run" not in ran.out
    assert "The oldest read-back of a copy is of " in ran.out


@pytest.mark.parametrize("name", [".DS_Store", "Thumbs.db", "._TEST0001.JPG", "desktop.ini"])
def test_a_file_that_an_operating_system_leaves_in_a_bag_is_listed_and_makes_no_bag_bad(
    houses, other_disk, name
):
    """RFC 8493 calls the bag incomplete, and its Payload-Oxum no longer fits; `evidence check` says so."""
    with_target(houses, other_disk)
    assert cli("backup", archive=houses).status == 0
    here = next((houses / "claims").glob("TC-1001*"))
    for bag in (here, other_disk / here.name):
        (bag / "data" / name).write_bytes(b"left by a window")
    ran = cli("verify", "--json", archive=houses)
    assert ran.status == 0, ran.out
    assert (ran.data["bad"], ran.data["missing"]) == ([], [])
    assert ran.data["litter"] == [f"archive: TC-1001: data/{name}", f"office: TC-1001: data/{name}"]
    assert f"data/{name}" in cli("verify", archive=houses).out
    assert cli("repair", "--all", archive=houses).status == 0
    assert cli("drill", archive=houses).status == 0
    checked = cli("check", here, "--json")
    assert checked.status == 1
    (one,) = checked.data["bags"]
    assert (one["verdict"], one["unlisted"]) == ("incomplete", [f"data/{name}"])
    assert not bagit.Bag(str(here)).is_valid()


def test_litter_does_not_hide_a_payload_oxum_that_is_wrong_for_another_reason(houses):
    here = next((houses / "claims").glob("TC-1001*"))
    (here / "data" / ".DS_Store").write_bytes(b"x")
    (here / "data" / "stray.jpg").write_bytes(b"y")
    ran = cli("verify", "--json", archive=houses)
    assert ran.status == 1
    assert {one["code"] for one in ran.data["bad"]} == {"unlisted", "oxum_mismatch"}


def test_a_photo_that_came_to_a_claim_without_a_bag_at_the_target_is_no_bad_copy(houses, other_disk):
    with_target(houses, other_disk)
    assert cli("backup", archive=houses).status == 0
    path = cli("photos", "TC-1001", "--json", archive=houses).data[-1]["card_path"]
    assert cli("move", path, "--to", "TC-1003", archive=houses).status == 0
    ran = cli("verify", archive=houses)
    assert "office: TC-1003: The bag is not there yet: the next backup copies it." in ran.out
    assert "found bad" not in ran.out
    assert "NO LONGER SAFE" not in ran.out
    with at_home(houses) as workspace:
        assert workspace.catalog.keeping.found_bad() == []
    assert cli("backup", archive=houses).status == 0
    assert cli("verify", archive=houses).status == 0
    shutil.rmtree(next(other_disk.glob("TC-1003*")))  # a bag that a backup copied, and that is gone, is bad
    assert "found bad" in cli("verify", archive=houses).out
