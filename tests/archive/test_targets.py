"""Copies of bags on another disk: verified by reading them back, and nothing outside the target is touched."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from support_archive import INFO, outside_verdict, photo, photos

from evidence.archive import exchange, places, targets
from evidence.archive.bagcheck import PayloadReading
from evidence.archive.bagread import read_manifest
from evidence.archive.bags import build_bag, recover
from evidence.archive.target_marker import MARKER
from evidence.archive.targets import FolderTarget
from evidence.errors import BadInputError, BagError, DestinationError
from evidence.model import Sha256

NAMES = ("100AAAAA/A1.JPG", "100AAAAA/A2.JPG", "100AAAAA/A3.JPG")


@pytest.fixture
def kept(tmp_path):
    return tmp_path / "archive" / "kept"


@pytest.fixture
def local(tmp_path, kept):
    bag_dir = tmp_path / "archive" / "bags" / "HT-1001"
    build_bag(bag_dir, photos(kept, *NAMES), {"records/claim.json": b"{}"}, INFO)
    return bag_dir


@pytest.fixture
def target(tmp_path):
    root = tmp_path / "backup"
    root.mkdir()
    made = FolderTarget(name="office", root=root, off_computer=True, archive=tmp_path / "archive")
    made.prepare()
    return made


def spoil(path: Path) -> None:
    """One byte of a stored file changes; its size does not."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.chmod(0o644)
    path.write_bytes(content)


def visible(root: Path) -> list[str]:
    return sorted(p.name for p in root.iterdir() if p.name not in {".locks", MARKER})


def test_a_bag_is_copied_proved_and_byte_for_byte_the_same(target: FolderTarget, local):
    pushed = target.put_bag(local, "HT-1001")
    copy = target.root / "HT-1001"
    assert (pushed.copied, pushed.unchanged, pushed.removed) == (3, 0, 0)
    assert pushed.verified == tuple(sorted(read_manifest(local).values()))
    assert pushed.octets == sum((local / "data" / name).stat().st_size for name in NAMES)
    assert outside_verdict(copy) == ""
    for path in local.rglob("*"):
        if path.is_file():
            twin = copy / path.relative_to(local)
            assert twin.read_bytes() == path.read_bytes()
            assert not twin.samefile(path)  # a hard link would be no second copy
    check = target.check_bag("HT-1001", expected=read_manifest(local))
    assert (check.valid, check.checked) == (True, 3)
    assert target.names() == ("HT-1001",)


def test_only_what_is_new_is_copied_the_next_time(target, local, kept):
    target.put_bag(local, "HT-1001")
    assert target.put_bag(local, "HT-1001").unchanged == 3
    before = (target.root / "HT-1001" / "data" / NAMES[1]).stat().st_ino
    build_bag(local, photos(kept, *NAMES[1:], "100AAAAA/A4.JPG"), {"records/claim.json": b"{}"}, INFO)
    pushed = target.put_bag(local, "HT-1001")
    assert (pushed.copied, pushed.unchanged, pushed.removed) == (1, 2, 1)
    assert (target.root / "HT-1001" / "data" / NAMES[1]).stat().st_ino == before
    assert outside_verdict(target.root / "HT-1001") == ""
    assert visible(target.root) == ["HT-1001"]


@pytest.mark.parametrize("links", [True, False], ids=["hard-links", "no-hard-links"])
def test_bad_truncated_removed_and_extra_files_are_found_and_repaired(target, local, monkeypatch, links):
    target.put_bag(local, "HT-1001")
    data = target.root / "HT-1001" / "data" / "100AAAAA"
    spoil(data / "A1.JPG")
    (data / "A2.JPG").chmod(0o644)
    os.truncate(data / "A2.JPG", 10)
    (data / "A3.JPG").unlink()
    (data / "extra.JPG").write_bytes(b"whose?")
    check = target.check_bag("HT-1001")
    assert not check.valid
    assert {(f.code, f.subject) for f in check.bad if f.code == "mismatch"} == {
        ("mismatch", "data/100AAAAA/A1.JPG"),
        ("mismatch", "data/100AAAAA/A2.JPG"),
    }
    assert check.missing == ("data/100AAAAA/A3.JPG",)
    assert check.unlisted == ("data/100AAAAA/extra.JPG",)
    assert outside_verdict(target.root / "HT-1001") != ""
    if not links:

        def refuse(*args, **more):
            raise OSError(1, "no hard links here")

        monkeypatch.setattr(os, "link", refuse)
    pushed = target.put_bag(local, "HT-1001", recopy=True)
    assert pushed.copied == 3
    assert target.check_bag("HT-1001").valid
    assert outside_verdict(target.root / "HT-1001") == ""
    assert (target.root / "HT-1001" / "strays" / "data" / "100AAAAA" / "extra.JPG").read_bytes() == b"whose?"


def test_a_copy_whose_manifest_was_rewritten_to_fit_is_found_by_what_the_archive_expects(
    target, local, kept, tmp_path
):
    target.put_bag(local, "HT-1001")
    forged = {**photos(kept, *NAMES), NAMES[0]: photo(tmp_path / "forger", "other")}
    build_bag(target.root / "HT-1001", forged, {"records/claim.json": b"{}"}, INFO)
    assert target.check_bag("HT-1001").valid
    check = target.check_bag("HT-1001", expected=read_manifest(local))
    assert [finding.code for finding in check.bad] == ["rewritten"]


def test_a_corrupt_local_file_never_replaces_a_good_copy(target, local, kept):
    target.put_bag(local, "HT-1001")
    build_bag(local, photos(kept, *NAMES, "100AAAAA/A4.JPG"), {"records/claim.json": b"{}"}, INFO)
    spoil(local / "data" / "100AAAAA" / "A4.JPG")
    spoil(local / "data" / NAMES[0])
    (local / "data" / NAMES[1]).unlink()
    pushed = target.put_bag(local, "HT-1001")
    assert pushed.damaged == ("100AAAAA/A4.JPG",)
    assert pushed.copied == 0
    copy = target.root / "HT-1001"
    assert not (copy / "data" / "100AAAAA" / "A4.JPG").exists()
    assert read_manifest(copy) == read_manifest(local)
    for name in NAMES:
        assert hashlib.sha256((copy / "data" / name).read_bytes()).hexdigest() == read_manifest(copy)[name]


def test_a_good_copy_survives_being_copied_again_from_a_bag_whose_file_is_bad(target, local):
    target.put_bag(local, "HT-1001")
    (local / "data" / NAMES[0]).chmod(0o644)
    (local / "data" / NAMES[0]).write_bytes(b"short")
    pushed = target.put_bag(local, "HT-1001", recopy=True)
    assert pushed.damaged == ()
    assert outside_verdict(target.root / "HT-1001") == ""


def test_a_local_bag_whose_records_were_altered_is_not_copied(target, local):
    (local / "records" / "claim.json").write_bytes(b"forged")
    with pytest.raises(BagError):
        target.put_bag(local, "HT-1001")
    assert visible(target.root) == []


@pytest.mark.parametrize("damage", ["manifest", "declaration"])
def test_a_copy_whose_lists_are_damaged_is_replaced_whole_and_nothing_is_doubled(target, local, damage):
    target.put_bag(local, "HT-1001")
    copy = target.root / "HT-1001"
    if damage == "manifest":
        (copy / "manifest-sha256.txt").write_bytes(b"\x00" * 100)
    else:
        (copy / "bagit.txt").write_bytes(b"")
    (copy / "note.txt").write_text("mine")
    assert not target.check_bag("HT-1001").valid
    pushed = target.put_bag(local, "HT-1001")
    assert pushed.copied == 3
    assert outside_verdict(copy) == ""
    assert (copy / "note.txt").read_text() == "mine"
    assert not (copy / "strays" / "data").exists()
    assert target.check_bag("HT-1001", expected=read_manifest(local)).valid


@pytest.mark.parametrize("reads", range(4))
def test_a_copy_whose_declaration_becomes_unreadable_is_left_as_it_is(
    target, local, kept, monkeypatch, reads
):
    target.put_bag(local, "HT-1001")
    copy = target.root / "HT-1001"
    before = {path: path.read_bytes() for path in copy.rglob("*") if path.is_file()}
    build_bag(local, photos(kept, *NAMES[:2]), {"records/claim.json": b"{}"}, INFO)
    read, left = Path.read_bytes, [reads]

    def read_bytes(path):
        if path == copy / "bagit.txt":
            left[0] -= 1
            if left[0] < 0:
                raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", read_bytes)
    try:
        target.put_bag(local, "HT-1001")
    except BagError:
        assert {path: read(path) for path in copy.rglob("*") if path.is_file()} == before
    assert not (copy / "strays").exists()


def test_a_bag_that_was_lost_or_damaged_here_is_restored_from_its_copy(target, local):
    # check value H3: a backup is tested by restoring from it
    target.put_bag(local, "HT-1001")
    digests = dict(read_manifest(local))
    for loss in (lambda: shutil.rmtree(local), lambda: spoil(local / "data" / NAMES[0])):
        loss()
        fetched = target.fetch_bag("HT-1001", local)
        assert fetched.copied == 3
        assert outside_verdict(local) == ""
        assert read_manifest(local) == digests
    with pytest.raises(BagError):
        target.fetch_bag("HT-404", local)
    spoil(target.root / "HT-1001" / "data" / NAMES[1])
    with pytest.raises(BagError, match=r"A2\.JPG is no longer the file"):
        target.fetch_bag("HT-1001", local)
    assert outside_verdict(local) == ""


def test_an_unfinished_copy_is_resumed_and_only_its_sound_files_are_used(target, local):
    class EnoughError(Exception):
        pass

    def stop(step: str) -> None:
        if step.endswith("A2.JPG"):
            raise EnoughError

    with pytest.raises(EnoughError):
        target.put_bag(local, "HT-1001", on_step=stop)
    begun = target.root / ".HT-1001.next" / "data" / "100AAAAA"
    first = (begun / "A1.JPG").stat().st_ino
    spoil(begun / "A2.JPG")
    (begun / "123-0123456789abcdef.part").write_bytes(b"half")
    target.put_bag(local, "HT-1001")
    copy = target.root / "HT-1001"
    assert outside_verdict(copy) == ""
    assert (copy / "data" / "100AAAAA" / "A1.JPG").stat().st_ino == first
    assert visible(target.root) == ["HT-1001"]
    assert not list(target.root.rglob("*.part"))


# --- the right place ---------------------------------------------------------------------


def test_a_disk_that_is_not_mounted_is_noticed_and_nothing_is_written_in_its_place(tmp_path, local):
    root = tmp_path / "mnt"
    absent = FolderTarget(name="office", root=root, off_computer=True)
    for call in (
        absent.prepare,
        absent.check_ready,
        absent.require_present,
        lambda: absent.put_bag(local, "HT-1001"),
    ):
        with pytest.raises(BadInputError, match="does not exist"):
            call()
    assert not root.exists()
    root.mkdir()  # an empty mount point
    for call in (
        absent.check_ready,
        absent.require_present,
        lambda: absent.put_bag(local, "HT-1001"),
        absent.names,
        absent.recover,
    ):
        with pytest.raises(BadInputError, match="may not be mounted"):
            call()
    assert list(root.iterdir()) == []


def test_the_wrong_disk_is_noticed(target, local):
    other = FolderTarget(name="truck", root=target.root, off_computer=False)
    with pytest.raises(BadInputError, match="the backup target office, not of truck"):
        other.put_bag(local, "HT-1001")
    with pytest.raises(BadInputError, match="the backup target office, not of truck"):
        other.prepare()
    target.prepare()  # its own, again: nothing changes
    target.require_present()
    with pytest.raises(BadInputError, match="the backup target office, not of truck"):
        other.require_present()


def test_a_marker_that_cannot_be_read_is_a_fault_of_the_disk(target):
    (target.root / MARKER).write_bytes(b"\x00\xff")
    with pytest.raises(DestinationError, match="cannot be read"):
        target.check_ready()
    with pytest.raises(DestinationError, match="cannot be read"):
        target.require_present()


@pytest.mark.parametrize("where", ["archive/backup", ".", "archive"])
def test_a_target_inside_the_archive_or_around_it_is_refused(tmp_path, where):
    (tmp_path / "archive" / "backup").mkdir(parents=True)
    bad = FolderTarget(name="x", root=tmp_path / where, off_computer=False, archive=tmp_path / "archive")
    with pytest.raises(BadInputError, match="overlap"):
        bad.prepare()


@pytest.mark.parametrize("where", ["card/DCIM/backup", "card"])
def test_a_target_on_a_card_is_refused(tmp_path, where):
    (tmp_path / "card" / "DCIM" / "backup").mkdir(parents=True)
    before = sorted(tmp_path.rglob("*"))
    bad = FolderTarget(name="x", root=tmp_path / where, off_computer=False)
    with pytest.raises(BadInputError, match="camera card"):
        bad.prepare()
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_is_refused(target):
    target.root.chmod(0o555)
    with pytest.raises(DestinationError, match="could not be written"):
        target.check_ready()
    target.root.chmod(0o755)


@pytest.mark.parametrize("name", ["../x", "a/b", ".hidden", "", MARKER, "con", "a\nb", "/etc"])
def test_a_name_cannot_lead_out_of_the_target(target, local, name):
    with pytest.raises(BadInputError):
        target.put_bag(local, name)
    with pytest.raises(BadInputError):
        target.remove_bag(name)


@pytest.mark.skipif(sys.platform == "win32", reason="symbolic links need a privilege on Windows")
@pytest.mark.parametrize(
    "link", ["HT-1001", ".HT-1001.next", ".HT-1001.old", ".locks", "HT-1001/data", ".HT-1001.next/data"]
)
def test_links_in_a_target_are_never_followed(target, local, tmp_path, link):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "mine.txt").write_text("x")
    if link == "HT-1001/data":
        target.put_bag(local, "HT-1001")
        shutil.rmtree(target.root / link)
    shutil.rmtree(target.root / ".locks", ignore_errors=True)
    (target.root / link).parent.mkdir(exist_ok=True)
    (target.root / link).symlink_to(outside, target_is_directory=True)
    with pytest.raises(DestinationError, match="links"):
        target.put_bag(local, "HT-1001", recopy=True)
    assert [p.name for p in outside.iterdir()] == ["mine.txt"]


@pytest.mark.skipif(sys.platform == "win32", reason="symbolic links need a privilege on Windows")
def test_a_link_among_the_photos_is_a_finding_even_when_its_bytes_would_match(target, local, tmp_path):
    target.put_bag(local, "HT-1001")
    victim = target.root / "HT-1001" / "data" / NAMES[0]
    shutil.copy(victim, tmp_path / "copy")
    victim.unlink()
    victim.symlink_to(tmp_path / "copy")
    check = target.check_bag("HT-1001")
    assert ("not_a_file", f"data/{NAMES[0]}") in {(f.code, f.subject) for f in check.bad}


# --- room, and the end -------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path):
    """A file system of one mebibyte."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("mounting a small tmpfs needs Linux and root")
    root = tmp_path / "small"
    root.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(root)],
        check=False,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        pytest.skip(f"cannot mount a tmpfs here: {done.stderr.strip()}")
    yield root
    subprocess.run(["umount", str(root)], check=True)


def test_a_full_target_keeps_the_copy_it_has_and_says_what_is_needed(small_disk, local, kept):
    target = FolderTarget(name="small", root=small_disk, off_computer=True)
    target.prepare()
    target.put_bag(local, "HT-1001")
    assert target.place_id().startswith("tmpfs:")
    assert target.place_id() != places.place_id(local)
    big = {**photos(kept, *NAMES), "big.MOV": photo(kept, "big", os.urandom(900_000))}
    build_bag(local, big, {"records/claim.json": b"{}"}, INFO)
    (small_disk / "other.bin").write_bytes(bytes(500_000))
    with pytest.raises(DestinationError, match="MiB free"):
        target.put_bag(local, "HT-1001")
    assert outside_verdict(small_disk / "HT-1001") == ""
    (small_disk / "other.bin").unlink()
    assert target.put_bag(local, "HT-1001").copied == 1
    assert outside_verdict(small_disk / "HT-1001") == ""


def test_a_disk_that_became_read_only_is_refused(small_disk, local):
    target = FolderTarget(name="small", root=small_disk, off_computer=True)
    target.prepare()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(DestinationError, match="read-only"):
        target.put_bag(local, "HT-1001")


def test_a_disk_that_fills_while_it_is_written_keeps_the_copy_it_has(small_disk, local, kept, monkeypatch):
    target = FolderTarget(name="small", root=small_disk, off_computer=True)
    target.prepare()
    target.put_bag(local, "HT-1001")
    big = {**photos(kept, *NAMES), "big.MOV": photo(kept, "big", os.urandom(1_400_000))}
    build_bag(local, big, {"records/claim.json": b"{}"}, INFO)
    monkeypatch.setattr(targets, "free_bytes", lambda folder: 1 << 40)
    with pytest.raises(DestinationError, match="disk is full"):
        target.put_bag(local, "HT-1001")
    assert outside_verdict(small_disk / "HT-1001") == ""
    assert target.check_bag("HT-1001").valid


def test_what_a_target_holds_is_found_wherever_it_is(target, local):
    digests = read_manifest(local)
    wanted = [digests[NAMES[0]]]
    assert target.find_digests(wanted) == ()
    target.put_bag(local, "HT-1001")
    assert target.find_digests(wanted) == (f"HT-1001/data/{NAMES[0]}",)
    source = local / "data" / NAMES[0]
    shutil.copy(source, target.root / "loose.jpg")
    (target.root / ".HT-2.next" / "data").mkdir(parents=True)
    shutil.copy(source, target.root / ".HT-2.next" / "data" / "a.part")
    shutil.copy(source, target.root / "HT-1001" / "note.jpg")
    expected = (".HT-2.next/data/a.part", f"HT-1001/data/{NAMES[0]}", "HT-1001/note.jpg", "loose.jpg")
    assert target.find_digests(wanted) == expected
    assert target.find_digests([Sha256("0" * 64)]) == ()


def test_a_removed_bag_leaves_no_byte_of_a_photo_behind(target, local):
    digests = set(read_manifest(local).values())
    target.put_bag(local, "HT-1001")
    assert target.remove_bag("HT-1001")
    assert target.find_digests(digests) == ()
    assert not target.remove_bag("HT-1001")
    assert visible(target.root) == []
    check = target.check_bag("HT-1001")
    assert [finding.code for finding in check.bad] == ["no_declaration"]


def test_a_removal_that_was_killed_is_finished_at_the_next_start(target, local):
    target.put_bag(local, "HT-1001")
    (target.root / "HT-1001").rename(exchange.removed_state(target.root / "HT-1001"))
    assert target.recover() == ("HT-1001",)
    assert visible(target.root) == []


# --- which disk --------------------------------------------------------------------------


def test_two_folders_on_one_disk_are_one_place(target, local, tmp_path):
    other = tmp_path / "elsewhere"
    other.mkdir()
    second = FolderTarget(name="b", root=other, off_computer=True)
    assert target.place_id() == second.place_id() == places.place_id(local)
    with pytest.raises(DestinationError):
        FolderTarget(name="b", root=tmp_path / "none", off_computer=True).place_id()


@pytest.fixture
def linux_disks(tmp_path, monkeypatch):
    """A made-up /sys as the kernel lays it out: one disk with two partitions, a mapped volume on it, another disk."""
    devices = tmp_path / "devices"
    for disk, name in (("sda", "naa.5000 1"), ("sdb", "")):
        (devices / disk / "device").mkdir(parents=True)
        if name:
            (devices / disk / "device" / "wwid").write_text(f"{name}\n")
    for part in ("sda1", "sda2"):
        (devices / "sda" / part).mkdir()
        (devices / "sda" / part / "partition").write_text("1\n")
    (devices / "dm-0" / "slaves").mkdir(parents=True)
    (devices / "dm-0" / "slaves" / "sda2").symlink_to(devices / "sda" / "sda2")
    numbers = tmp_path / "block"
    numbers.mkdir()
    for number, place in {"8:1": "sda/sda1", "8:2": "sda/sda2", "8:16": "sdb", "253:0": "dm-0"}.items():
        (numbers / number).symlink_to(devices / place)
    monkeypatch.setattr(places, "_SYS_BLOCK", numbers)


@pytest.mark.skipif(sys.platform == "win32", reason="symbolic links need a privilege on Windows")
def test_two_partitions_of_one_disk_and_a_volume_on_it_are_one_place(linux_disks):
    # layout of /sys/dev/block: Linux Documentation/ABI/stable/sysfs-block and testing/sysfs-dev
    assert places._disk(8, 1) == places._disk(8, 2) == places._disk(253, 0) == "disk:naa.5000_1"
    assert places._disk(8, 16) == "disk:sdb"
    assert places._disk(9, 9) == "disk:9:9"


def test_a_share_is_known_by_its_server(tmp_path, monkeypatch):
    # fields of mountinfo: proc(5)
    mounts = tmp_path / "mountinfo"
    mounts.write_text(
        "36 35 0:47 / /mnt/a rw,noatime shared:1 - nfs4 store:/export/photos rw\n"
        "37 35 0:48 / /mnt/b rw master:1 - cifs //store/photos rw\n"
    )
    monkeypatch.setattr(places, "_MOUNTS", mounts)
    assert places._mount_of(0, 47) == ("store:/export/photos", "nfs4")
    assert places._mount_of(0, 48) == ("//store/photos", "cifs")
    assert places._mount_of(0, 49) == ("", "")


def test_leftovers_of_a_local_build_are_swept_at_the_next_start(local):
    (local.parent / ".HT-1001.next" / "data").mkdir(parents=True)
    (local.parent / ".HT-1001.next" / exchange.INCOMPLETE_MARK).touch()
    assert recover(local.parent) == ("HT-1001",)
    assert visible(local.parent) == ["HT-1001"]
    assert recover(local.parent) == ()
    assert recover(local.parent / "none") == ()


# --- reading a part of a copy ------------------------------------------------------------


def test_a_check_of_chosen_files_reads_these_and_all_lists(target, local):
    target.put_bag(local, "HT-1001")
    spoil(target.root / "HT-1001" / "data" / NAMES[1])
    check = target.check_bag("HT-1001", reading=PayloadReading(only=[NAMES[0]]))
    assert (check.checked, check.valid) == (1, True)
    assert check.verified == {f"data/{NAMES[0]}"}
    assert check.unread == {f"data/{name}" for name in NAMES[1:]}
    assert check.octets == (local / "data" / NAMES[0]).stat().st_size
    check = target.check_bag("HT-1001", reading=PayloadReading(only=[NAMES[1]]))
    assert [(one.code, one.subject) for one in check.bad] == [("mismatch", f"data/{NAMES[1]}")]
    assert check.verified == frozenset()
    spoil(target.root / "HT-1001" / "records" / "claim.json")
    check = target.check_bag("HT-1001", reading=PayloadReading(only=[NAMES[0]]))
    assert [(one.code, one.subject) for one in check.bad] == [("mismatch", "records/claim.json")]


def test_a_check_that_is_stopped_says_which_files_it_left_out(target, local):
    target.put_bag(local, "HT-1001")
    read = []
    reading = PayloadReading(stop=lambda: bool(read), on_read=read.append, at_once=1)
    check = target.check_bag("HT-1001", reading=reading)
    assert check.verified == {f"data/{NAMES[0]}"}
    assert check.unread == {f"data/{name}" for name in NAMES[1:]}
    assert check.valid
    assert len(read) == 1
