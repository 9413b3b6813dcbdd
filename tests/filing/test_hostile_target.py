"""A disk that somebody else wrote on: nothing outside the archive, the target and a new folder is changed for it."""

from __future__ import annotations

import hashlib
import json
import os
import shutil

import pytest
from support_cli import cli
from support_intake import at_home

from evidence.archive.bagread import TAG_MANIFEST, parse_manifest
from evidence.filing.archive_files import push_archive_files
from evidence.filing.backup import open_targets
from evidence.filing.records import parsed_record
from evidence.filing.target_files import repair_archive_files

TEXT = b"of somebody else"


@pytest.fixture
def victim(backed_up):
    """A file beside the archive and the target."""
    archive, target = backed_up
    path = archive.parent / "victim.txt"
    path.write_bytes(TEXT)
    yield archive, target, path
    path.unlink(missing_ok=True)


def add_line(manifest, path, content=b""):
    digest = hashlib.sha256(content).hexdigest()
    manifest.write_bytes(manifest.read_bytes() + f"{digest}  {path}\n".encode())


def seal(bag):
    """Make the bag's tag manifest fit its tag files, as somebody can who knows the format."""
    lines = []
    for line in (bag / TAG_MANIFEST).read_text().splitlines():
        name = line.split("  ", 1)[1]
        lines.append(f"{hashlib.sha256((bag / name).read_bytes()).hexdigest()}  {name}\n")
    (bag / TAG_MANIFEST).write_text("".join(lines))


@pytest.mark.parametrize("path", ["../x", "data/../../x", "/etc/passwd", ""])
def test_a_list_with_a_path_that_leads_out_of_its_folder_is_no_list(path):
    with pytest.raises(ValueError, match="leads out"):
        parse_manifest(f"{'0' * 64}  data/a.jpg\n{'0' * 64}  {path}\n".encode())


@pytest.mark.parametrize("name", ["manifest-sha256.txt", "manifests/records-claims-*.txt"])
def test_a_backup_and_a_repair_leave_files_outside_the_target_that_its_lists_name(victim, name):
    archive, target, path = victim
    for manifest in (target / "archive").glob(name):
        add_line(manifest, "../../victim.txt")
    assert cli("verify", archive=archive).status == 1
    with at_home(archive) as workspace:
        (one,) = open_targets(workspace)
        moved = []
        repair_archive_files(
            workspace, one, everything=True, move_aside=lambda path: moved.append(path) or ""
        )
        push_archive_files(workspace, one, every=True)
    assert path.read_bytes() == TEXT
    assert not [one for one in moved if ".." in one.parts]
    assert cli("backup", archive=archive).status == 0
    assert cli("verify", archive=archive).status == 0


def test_a_restore_writes_nothing_outside_its_bags_that_a_list_of_tag_files_names(backed_up, tmp_path):
    _archive, target = backed_up
    bag = next(target.glob("TC-1001*"))
    (target / "planted.toml").write_bytes(TEXT)
    add_line(bag / TAG_MANIFEST, "../planted.toml", TEXT)
    ran = cli("restore", target, tmp_path / "back", "--json", actor="Ada Clerk")
    assert ran.status == 1, ran.err
    assert "records_damaged" in {one["code"] for one in ran.data["findings"]}
    assert not list((tmp_path / "back").rglob("planted.toml"))
    assert list((tmp_path / "back").glob("claims/TC-1001*/data/**/*.JPG")), (
        "the photos came back all the same"
    )


def test_a_rebuild_takes_no_path_of_a_photo_that_leads_out_of_its_bag(victim):
    archive, _target, path = victim
    bag = next((archive / "claims").glob("TC-1001*"))
    record = bag / "records" / "photos.json"
    listed = json.loads(record.read_text())
    listed[0]["payload_path"] = "../../../../victim.txt"
    record.write_text(json.dumps(listed))
    seal(bag)
    for file in archive.glob("catalog.sqlite*"):
        file.unlink()
    ran = cli("rebuild", "--json", archive=archive)
    assert ran.status == 1, ran.err
    assert "records_damaged" in {one["code"] for one in ran.data["findings"]}
    with at_home(archive) as workspace:
        held = workspace.catalog.keeping.payload("TC-1001")
        assert len(held) == len(listed)
        assert not [one for one in held.values() if ".." in one]
    cli("repair", "--all", archive=archive)
    assert path.read_bytes() == TEXT
    assert cli("backup", archive=archive).status == 0
    assert cli("verify", archive=archive).status == 0


@pytest.mark.parametrize("content", [b"[" * 200_000, b'{"claim": "TC-1001"}', b'["x"]'])
def test_a_record_that_no_program_of_ours_wrote_stops_neither_a_rebuild_nor_the_other_bags(
    backed_up, content
):
    archive, _target = backed_up
    bag = next((archive / "claims").glob("TC-1001*"))
    for name in ("claim.json", "photos.json"):
        (bag / "records" / name).write_bytes(content)
    seal(bag)
    for file in archive.glob("catalog.sqlite*"):
        file.unlink()
    ran = cli("rebuild", "--json", archive=archive)
    assert ran.status == 1, ran.err
    with at_home(archive) as workspace:
        assert workspace.catalog.keeping.payload("TC-1002")


def test_a_record_nested_too_deep_is_damaged():
    assert parsed_record(b"[" * 200_000) is None


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_what_a_person_keeps_beside_the_bags_keeps_its_permissions(backed_up):
    archive, target = backed_up
    tools = target / "tools"
    tools.mkdir()
    (tools / "run.sh").write_text("#!/bin/sh\n")
    (target / "letter.txt").write_text("mine")
    for path in (tools, tools / "run.sh", target / "letter.txt"):
        path.chmod(0o755)
    photo = next(target.glob("TC-1001*/data/**/*.JPG"))
    photo.chmod(0o644)
    (archive / "targets" / "office").write_bytes(b"")  # as it was left by an earlier program
    assert cli("backup", archive=archive).status == 0
    modes = {path.stat().st_mode & 0o777 for path in (tools, tools / "run.sh", target / "letter.txt")}
    assert modes == {0o755}
    assert photo.stat().st_mode & 0o777 == 0o440


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
@pytest.mark.timeout(120)
def test_a_pipe_in_place_of_a_photo_is_bad_and_nothing_waits_for_it(backed_up):
    archive, target = backed_up
    photo = next(target.glob("TC-1001*/data/**/*.JPG"))
    photo.unlink()
    os.mkfifo(photo)
    assert cli("verify", archive=archive).status == 1
    assert cli("repair", archive=archive).status == 0
    assert photo.is_file()
    assert cli("verify", archive=archive).status == 0


@pytest.mark.skipif(os.name != "posix", reason="names of bytes")
def test_a_card_with_a_name_that_is_not_utf_8_gives_a_photo_back_and_is_not_touched(backed_up, tmp_path):
    archive, target = backed_up
    photo = next((archive / "claims").glob("TC-1001*/data/**/*.JPG"))
    content = photo.read_bytes()
    folder = tmp_path / "card" / "DCIM" / "100TESTC"
    folder.mkdir(parents=True)
    on_card = folder / os.fsdecode(b"caf\xe9.JPG")
    on_card.write_bytes(content)
    os.utime(on_card, ns=(10**18, 2 * 10**18))  # an access before the change: the next one would be noted
    for place in (archive / "claims", target):
        for path in place.glob(f"TC-1001*/data/**/{photo.name}"):
            path.chmod(0o644)
            path.write_bytes(b"x" * len(content))
    assert cli("verify", archive=archive).status == 1
    before = on_card.stat().st_atime_ns
    ran = cli("repair", "--card", tmp_path / "card", "--json", archive=archive)
    assert ran.status == 0, ran.out
    assert photo.read_bytes() == content
    assert on_card.stat().st_atime_ns == before
    shutil.rmtree(tmp_path / "card")
