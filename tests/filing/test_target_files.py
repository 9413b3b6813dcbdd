"""The archive's own files at a target are read back by verify and repaired, so that a restore finds them whole."""

from __future__ import annotations

import shutil

import pytest
from support_cli import cli
from support_copy import copy_tree
from support_intake import at_home

from evidence.archive.targets import FolderTarget
from evidence.filing.target_files import Limits, read_archive_files

KINDS = {
    "settings": "evidence.toml",
    "log": "custody/custody.jsonl",
    "head of the log": "custody/custody.jsonl.head",
    "ledger": "ledgers/*.jsonl",
    "record of an intake": "records/intakes/*.json",
    "record of a bag": "records/bags/*.json",
    "list": "manifest-sha256.txt",
    "list of records": "manifests/records-bags-*.txt",
}


def spoil(path):
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x10
    path.chmod(0o640)
    path.write_bytes(bytes(content))


def status(*arguments, archive):
    return cli(*arguments, archive=archive).status


@pytest.mark.parametrize("how", ["altered", "lost"])
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_rot_in_a_file_of_the_archive_at_a_target_is_found_and_repaired(backed_up, tmp_path, kind, how):
    archive, target = backed_up
    assert status("verify", archive=archive) == 0
    path = next((target / "archive").glob(KINDS[kind]))
    spoil(path) if how == "altered" else path.unlink()
    ran = cli("verify", "--json", archive=archive)
    assert ran.status == 1, ran.out
    assert all(
        one["subject"].startswith("office: archive/") for one in (*ran.data["bad"], *ran.data["missing"])
    )
    repaired = cli("repair", "--json", archive=archive)
    assert repaired.status == 0, repaired.out
    assert repaired.data["repaired"]
    assert status("verify", archive=archive) == 0
    shutil.rmtree(archive)
    ran = cli("restore", target, tmp_path / "back", "--json", actor="Ada Clerk")
    assert (ran.status, ran.data["findings"]) == (0, [])
    assert status("custody", "--verify", archive=tmp_path / "back") == 0


def test_a_damaged_id_at_a_target_does_not_make_it_the_target_of_another_archive(backed_up):
    archive, target = backed_up
    path = target / "archive" / "archive-id.json"
    whole = path.read_bytes()
    path.chmod(0o640)
    path.write_bytes(whole[:20] + (b"0" if whole[20:21] != b"0" else b"1") + whole[21:])
    ran = cli("backup", archive=archive)
    assert ran.status == 0, ran.out
    cli("repair", "--all", archive=archive)
    assert path.read_bytes() == whole
    assert status("verify", archive=archive) == 0


def test_a_repair_of_everything_finds_it_without_a_check_before(backed_up):
    archive, target = backed_up
    spoil(target / "archive" / "evidence.toml")
    ran = cli("repair", "--all", "--json", archive=archive)
    (one,) = ran.data["repaired"]
    assert (one["place"], one["path"]) == ("office", "archive/evidence.toml")
    assert (target / one["kept_at"]).is_file(), "the bad bytes are kept"
    assert (target / "archive" / "evidence.toml").read_bytes() == (archive / "evidence.toml").read_bytes()


def test_the_lists_read_longest_ago_come_first_and_the_next_run_continues(backed_up):
    archive, target = backed_up
    at = FolderTarget(name="office", root=target, off_computer=False, archive=archive)
    with at_home(archive) as workspace:
        whole = read_archive_files(workspace, at).checked
        (archive / "targets" / "office.read.json").unlink()
        read = 0
        for _ in range(50):
            now = read_archive_files(workspace, at, limits=Limits(octets=1)).checked
            read += now
            assert 1 <= now < whole
            if read >= whole:
                break
        assert read == whole, "a run read what an earlier one had read, before the rest"


def test_a_check_within_a_budget_reads_some_of_them(backed_up):
    archive, target = backed_up
    spoil(target / "archive" / "evidence.toml")
    found = [status("verify", "--bytes", "1", archive=archive) for _ in range(20)]
    assert 1 in found


def test_a_repair_changes_nothing_at_a_target_with_a_later_log(backed_up, tmp_path):
    archive, target = backed_up
    copy_tree(archive, tmp_path / "older")
    cli("hold", "place", "TC-1001", "--reason", "letter", archive=archive)
    assert status("backup", archive=archive) == 0
    spoil(target / "archive" / "evidence.toml")
    before = {path: path.read_bytes() for path in target.rglob("*") if path.is_file()}
    ran = cli("repair", "--all", "--json", archive=tmp_path / "older")
    assert ran.status == 1
    assert any("older than the backup target" in one["message"] for one in ran.data["findings"])
    assert {path: path.read_bytes() for path in target.rglob("*") if path.is_file()} == before


def test_an_older_archive_repairs_itself_from_a_target_and_changes_no_bag_there(backed_up, tmp_path):
    archive, target = backed_up
    copy_tree(archive, tmp_path / "older")
    cli("hold", "place", "TC-1001", "--reason", "letter", archive=archive)
    assert status("backup", archive=archive) == 0
    next(target.glob("TC-1001*/records/photos.json")).unlink()
    shutil.rmtree(next(target.glob("TC-1002*")))
    before = {path: path.read_bytes() for path in target.rglob("*") if path.is_file()}
    lost = next((tmp_path / "older" / "claims").glob("TC-1001*/data/**/*.JPG"))
    lost.unlink()
    ran = cli("repair", "--all", "--json", archive=tmp_path / "older")
    assert ran.status == 1
    assert [(one["place"], one["source"]) for one in ran.data["repaired"]] == [("archive", "office")]
    assert lost.is_file()
    assert ["older than the backup target office" in one["message"] for one in ran.data["findings"]] == [True]
    assert {path: path.read_bytes() for path in target.rglob("*") if path.is_file()} == before


def test_a_repair_never_takes_the_targets_log_for_a_damaged_one_of_ours(backed_up):
    archive, target = backed_up
    copy, log = target / "archive" / "custody" / "custody.jsonl", archive / "custody" / "custody.jsonl"
    good = copy.read_bytes()
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join([b"x" + lines[0][1:], *lines[1:]]))
    spoil(target / "archive" / "evidence.toml")
    lost = next((archive / "claims").glob("TC-1001*/data/**/*.JPG"))
    lost.unlink()
    ran = cli("repair", "--all", "--json", archive=archive)
    assert ran.status == 1
    assert [one["place"] for one in ran.data["repaired"]] == ["archive"]
    assert lost.is_file(), "a damaged log does not keep photos from being repaired"
    assert copy.read_bytes() == good
