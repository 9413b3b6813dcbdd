"""A whole archive, or one claim's bag, brought back from one backup target with nothing else left."""

from __future__ import annotations

import hashlib
import json
import shutil

import pytest
from support_archive import outside_verdict
from support_cli import cli
from support_copy import copy_tree
from support_intake import at_home, bags_of, filed, with_target

from evidence.archive.custody_key import KEY_FILE
from evidence.catalog.pushes import files_changed
from evidence.filing.target_log import AT_TARGET
from evidence.workspace import Workspace


@pytest.fixture
def backed_up(kept, request, tmp_path, other_disk):
    """Two houses on a target; the archive itself can be lost."""

    def make():
        houses = request.getfixturevalue("houses")
        with_target(houses, other_disk)
        (houses / "config" / "tags.toml").unlink(missing_ok=True)
        assert cli("hold", "place", "TC-1003", "--reason", "suit filed", archive=houses).status == 0
        assert cli("backup", archive=houses).status == 0

    kept.put("held and backed up", {"archive": tmp_path / "archive", "disk": other_disk}, make)
    return tmp_path / "archive"


def a_photo(folder):
    return next(path for path in sorted(folder.rglob("data/**/*.JPG")))


def spoil(path):
    path.chmod(0o644)
    path.write_bytes(b"x" * path.stat().st_size)


def test_a_whole_archive_comes_back_from_one_target_with_nothing_else_left(backed_up, other_disk, tmp_path):
    before = filed(backed_up)
    settings = (backed_up / "evidence.toml").read_bytes()
    with at_home(backed_up) as workspace:
        entries = [one.action for one in workspace.custody.entries()]
    shutil.rmtree(backed_up)
    back = tmp_path / "back"
    ran = cli("restore", other_disk, back, "--json", actor="Ada Clerk")
    assert (ran.status, ran.data["findings"]) == (0, []), ran.err
    assert filed(back) == before
    assert all(outside_verdict(bag) == "" for bag in bags_of(back))
    assert (back / "evidence.toml").read_bytes() == settings
    assert cli("custody", "--verify", archive=back).status == 0
    with Workspace(back) as workspace:
        log = [one.action for one in workspace.custody.entries()]
        reached = entries.index("backed_up") + 1  # what the backup told of its cards came after it
        assert log[:reached] == entries[:reached]
        assert log[-1] == "restored"
        assert "catalog_rebuilt" in log[-4:]
        assert [one.reason for one in workspace.catalog.holds.of("TC-1003")] == ["suit filed"]
        digests = list(before)
        rows = workspace.catalog.keeping.copies(digests)
        assert all(
            {row.place for row in rows[sha] if row.verified_at} == {"archive", "office"} for sha in digests
        )
    assert cli("verify", archive=back).status == 0
    again = cli("backup", "--json", archive=back)
    assert (again.status, again.data["copied"]) == (0, 0), again.err


def test_nothing_is_restored_into_a_folder_that_holds_something(backed_up, other_disk, tmp_path):
    full = tmp_path / "full"
    full.mkdir()
    (full / "letter.txt").write_text("mine")
    for more in ((), ("--claim", "TC-1001")):
        ran = cli("restore", other_disk, full, *more)
        assert (ran.status, "empty folder" in ran.err) == (2, True)
    assert [path.name for path in full.iterdir()] == ["letter.txt"]
    assert cli("restore", other_disk, other_disk / "inside").status == 2
    assert cli("restore", tmp_path, tmp_path / "new").status == 2, "no target"


def test_a_claims_bag_comes_back_alone_by_the_name_of_the_target(backed_up, other_disk, tmp_path):
    ran = cli("restore", "office", tmp_path / "one", "--claim", "TC-1002", "--json", archive=backed_up)
    assert ran.status == 0, ran.err
    (bag,) = (tmp_path / "one").iterdir()
    assert outside_verdict(bag) == ""
    assert json.loads((bag / "records" / "claim.json").read_text())["claim"]["claim"] == "TC-1002"
    assert cli("restore", other_disk, tmp_path / "none", "--claim", "TC-9").status == 2
    assert not (tmp_path / "none").exists()


def test_a_bad_file_at_the_target_is_left_out_and_named_and_the_rest_comes_back(
    backed_up, other_disk, tmp_path
):
    count = len(filed(backed_up))
    bad = a_photo(other_disk)
    spoil(bad)
    shutil.rmtree(backed_up)
    ran = cli("restore", other_disk, tmp_path / "back", "--json")
    assert ran.status == 1
    assert bad.name in json.dumps([one["subject"] for one in ran.data["findings"]])
    assert ran.data["findings"][0]["code"] == "not_restored"
    photos = [
        path for path in (tmp_path / "back").rglob("data/**/*") if path.is_file() and path.suffix != ".xmp"
    ]
    assert len(photos) == count - 1
    with Workspace(tmp_path / "back") as workspace:
        (flagged,) = [row for row in workspace.catalog.keeping.found_bad() if row.place == "archive"]
    assert flagged.sha256 not in {p.name for p in photos}


def test_a_killed_restore_is_finished_by_the_same_command(backed_up, other_disk, tmp_path):
    before = filed(backed_up)
    back = tmp_path / "back"
    assert cli("restore", other_disk, back).status == 0
    (back / "restoring.mark").touch()
    for path in back.glob("catalog.sqlite*"):
        path.unlink()
    (next(iter(sorted((back / "claims").iterdir()))) / "bagit.txt").unlink()
    assert cli("restore", other_disk, back).status == 0
    assert filed(back) == before


def test_a_backup_carries_the_archives_own_files_and_drops_those_that_went(backed_up, other_disk):
    there = other_disk / AT_TARGET
    assert (there / "evidence.toml").read_bytes() == (backed_up / "evidence.toml").read_bytes()
    assert (there / "config" / "README.txt").is_file()
    assert list((there / "ledgers").glob("*.jsonl"))
    assert not list(there.rglob(KEY_FILE)), "a private key never leaves the computer"
    ours = (backed_up / "custody" / "custody.jsonl").read_bytes()
    assert ours.startswith((there / "custody" / "custody.jsonl").read_bytes())
    (backed_up / "config" / "README.txt").unlink()
    assert cli("backup", archive=backed_up).status == 0
    assert not (there / "config" / "README.txt").exists()


def test_people_are_kept_without_their_passwords(backed_up, other_disk, tmp_path, monkeypatch):
    from evidence.model import Duty
    from evidence.office import people

    with at_home(backed_up) as workspace:
        people.add_person(workspace, "Rita Moss", Duty.REVIEWER, "larch hail 2026 way")
    assert cli("backup", archive=backed_up).status == 0
    assert not [p for p in (other_disk / AT_TARGET).rglob("*") if p.is_file() and b"argon2" in p.read_bytes()]
    ran = cli("restore", other_disk, tmp_path / "back")
    assert "1 person needs a new password" in ran.out
    with Workspace(tmp_path / "back") as workspace:
        assert [one.name for one in workspace.catalog.users.all()] == ["Rita Moss"]
        assert people.verify_password(workspace, "Rita Moss", "larch hail 2026 way") is None


def test_an_older_archive_changes_nothing_at_a_target_with_a_longer_log(backed_up, other_disk, tmp_path):
    older = tmp_path / "older"
    copy_tree(backed_up, older)
    assert cli("hold", "place", "TC-1001", "--reason", "another suit", archive=backed_up).status == 0
    assert cli("backup", archive=backed_up).status == 0
    before = {p: p.read_bytes() for p in (other_disk / AT_TARGET).rglob("*") if p.is_file()}
    assert cli("backup", archive=older).status == 32
    assert {p: p.read_bytes() for p in (other_disk / AT_TARGET).rglob("*") if p.is_file()} == before


def test_ledgers_and_record_files_are_listed_in_parts_and_only_changed_parts_are_written(
    backed_up, other_disk
):
    there = other_disk / AT_TARGET
    parts = {path: path.stat().st_mtime_ns for path in (there / "manifests").glob("*.txt")}
    listed = [line.split("  ", 1)[1] for path in parts for line in path.read_text().splitlines()]
    held = [p for part in ("ledgers", "records") for p in (there / part).rglob("*") if p.is_file()]
    assert sorted(listed) == sorted(path.relative_to(there).as_posix() for path in held)
    assert cli("hold", "place", "TC-1001", "--reason", "another suit", archive=backed_up).status == 0
    assert cli("backup", archive=backed_up).status == 0
    written = {path.name for path, at in parts.items() if path.stat().st_mtime_ns != at}
    assert any(name.startswith("records-bags-") for name in written)
    assert not any(name.startswith(("ledgers-", "records-days-")) for name in written)
    ours = {p.relative_to(backed_up): p.read_bytes() for p in (backed_up / "records").rglob("*.json")}
    assert ours == {p.relative_to(there): p.read_bytes() for p in (there / "records").rglob("*.json")}


def test_a_backup_that_was_killed_among_the_record_files_is_finished_by_the_next(backed_up, other_disk):
    there = other_disk / AT_TARGET
    manifest = next((there / "manifests").glob("records-bags-*.txt"))
    before = manifest.read_text()
    name = before.splitlines()[0].split("  ", 1)[1]
    (there / name).write_bytes(b"torn")
    manifest.with_name(f"{manifest.stem}.next.txt").write_text(before)
    digest, _, path = before.splitlines()[0].partition("  ")
    with at_home(backed_up) as workspace:
        files_changed(workspace.catalog._database, [path])
    assert cli("backup", archive=backed_up).status == 0
    assert hashlib.sha256((there / name).read_bytes()).hexdigest() == digest
    assert not list((there / "manifests").glob("*.next.txt"))


def test_the_settings_come_back_though_the_list_that_proves_them_is_lost_and_a_person_is_told(
    backed_up, other_disk, tmp_path
):
    settings = (backed_up / "evidence.toml").read_bytes()
    (other_disk / AT_TARGET / "manifest-sha256.txt").unlink()
    shutil.rmtree(backed_up)
    back = tmp_path / "back"
    ran = cli("restore", other_disk, back, "--json", actor="Ada Clerk")
    assert (ran.status, [one["code"] for one in ran.data["findings"]]) == (1, ["not_proved"])
    assert "evidence.toml" in ran.data["findings"][0]["message"]
    assert (back / "evidence.toml").read_bytes() == settings
    assert cli("backup", archive=back).status == 0
    assert (other_disk / AT_TARGET / "manifest-sha256.txt").is_file()


def test_settings_without_proof_that_cannot_be_read_are_left_out(backed_up, other_disk, tmp_path):
    (other_disk / AT_TARGET / "manifest-sha256.txt").unlink()
    (other_disk / AT_TARGET / "evidence.toml").write_bytes(b"[[target]\nname = \xff")
    ran = cli("restore", other_disk, tmp_path / "back", "--json", actor="Ada Clerk")
    assert ran.status == 1, ran.err
    assert {"not_restored", "settings_missing", "not_proved"} == {one["code"] for one in ran.data["findings"]}


@pytest.mark.parametrize("fault", ["damaged", "lost"])
@pytest.mark.parametrize(
    "name", ["manifest-sha256.txt", "manifests/ledgers-*.txt", "manifests/records-bags-*.txt"]
)
def test_a_list_of_files_that_a_target_lost_is_written_again_whole(backed_up, other_disk, name, fault):
    there = other_disk / AT_TARGET
    path = next(there.glob(name))
    _add_like(backed_up, path)
    assert cli("backup", archive=backed_up).status == 0
    listed = {line.split("  ", 1)[1] for line in path.read_text().splitlines()}
    path.write_bytes(b"\xff\xfe no list\n") if fault == "damaged" else path.unlink()
    changed = backed_up / min(listed - {"archive-id.json"})
    changed.write_bytes(changed.read_bytes() + b"\n")
    with at_home(backed_up) as workspace:
        files_changed(workspace.catalog._database, [changed.relative_to(backed_up).as_posix()])
    assert cli("backup", archive=backed_up).status == 0
    now = dict(reversed(line.split("  ", 1)) for line in path.read_text().splitlines())
    assert listed <= set(now)
    assert all(
        hashlib.sha256((there / one).read_bytes()).hexdigest() == digest for one, digest in now.items()
    )


def _add_like(archive, manifest):
    """Another file of the part that a manifest lists, beside the first one."""
    name = manifest.read_text().splitlines()[0].split("  ", 1)[1]
    other = archive / name.replace(".json", "0.json")
    other.write_bytes((archive / name).read_bytes())
    with at_home(archive) as workspace:
        files_changed(workspace.catalog._database, [other.relative_to(archive).as_posix()])


RECORDS = ["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"]


@pytest.mark.parametrize("fault", ["damaged", "lost"])
@pytest.mark.parametrize(
    "name", [*RECORDS, "records/claim.json", "records/photos.json", "records/how_to_check.txt"]
)
def test_a_bag_of_which_a_record_is_damaged_at_the_only_target_comes_back_with_all_its_photos(
    backed_up, other_disk, tmp_path, name, fault
):
    before = filed(backed_up)
    path = next(other_disk.glob("TC-1001*")) / name
    path.unlink() if fault == "lost" else spoil(path)
    shutil.rmtree(backed_up)
    back = tmp_path / "back"
    ran = cli("restore", other_disk, back, "--json", actor="Ada Clerk")
    codes = {one["code"] for one in ran.data["findings"]}
    if name != "bagit.txt" or fault == "damaged":
        assert (ran.status, "records_damaged" in codes) == (1, True), ran.err
    assert filed(back) == before
    assert cli("backup", archive=back).status == 0
    assert cli("repair", "--all", archive=back).status == 0
    assert filed(back) == before
    assert all(
        outside_verdict(bag) == ""
        for bag in [*bags_of(back), path.parents[len(path.relative_to(other_disk).parts) - 2]]
    )
    assert cli("verify", archive=back).status == 0


@pytest.mark.parametrize("how", ["head lost", "head damaged", "log cut", "log lost"])
def test_a_target_that_lost_the_end_of_its_log_gives_all_photos_back_and_says_so(
    backed_up, other_disk, tmp_path, how
):
    before = filed(backed_up)
    log = other_disk / AT_TARGET / "custody" / "custody.jsonl"
    match how:
        case "head lost":
            log.with_name(f"{log.name}.head").unlink()
        case "head damaged":
            spoil(log.with_name(f"{log.name}.head"))
        case "log cut":
            log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[:-2]))
        case "log lost":
            log.unlink()
    shutil.rmtree(backed_up)
    back = tmp_path / "back"
    ran = cli("restore", other_disk, back, "--json", actor="Ada Clerk")
    assert ran.status == 1, ran.err
    assert {"head_missing", "log_missing"} & {one["code"] for one in ran.data["findings"]}
    assert filed(back) == before
    assert cli("claims", archive=back).status == 0
    whole = cli("custody", "--verify", archive=back).status == 0
    assert whole == how.startswith("head"), "what is missing is found by the heads that were kept"
