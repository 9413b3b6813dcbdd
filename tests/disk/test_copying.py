"""Copying one file to one name: the copy is verified, nothing is overwritten, no failure leaves anything behind."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest
from support_cards import files_below, flip, lay_out, small_disk

from evidence.disk.copying import NameTakenError, copy_file, link_or_copy
from evidence.disk.durable import CopyStep
from evidence.disk.hashing import hash_file
from evidence.errors import CardReadError, CopyMismatchError, DestinationError
from evidence.model import Sha256


@pytest.fixture
def original(tmp_path: Path) -> tuple[Path, Sha256]:
    path = lay_out(tmp_path, {"original.jpg": os.urandom(50_000)}) / "original.jpg"
    return path, hash_file(path)


@pytest.mark.parametrize("place", [copy_file, link_or_copy])
def test_a_copy_is_whole_read_only_and_copying_twice_changes_nothing(tmp_path, original, place):
    source, digest = original
    dest = tmp_path / "bag" / "data" / "IMG_0001.JPG"
    place(source, dest, digest)
    first = dest.stat().st_ino
    place(source, dest, digest)
    assert hash_file(dest) == digest
    assert dest.stat().st_ino == first
    assert stat.S_IMODE(dest.stat().st_mode) & 0o222 == 0
    assert files_below(tmp_path / "bag") == {str(Path("data") / "IMG_0001.JPG")}


@pytest.mark.parametrize("place", [copy_file, link_or_copy])
def test_another_file_under_the_name_is_never_overwritten(tmp_path, original, place):
    source, digest = original
    dest = lay_out(tmp_path, {"taken.jpg": b"somebody else's"}) / "taken.jpg"
    with pytest.raises(NameTakenError):
        place(source, dest, digest)
    assert dest.read_bytes() == b"somebody else's"
    assert files_below(tmp_path) == {"taken.jpg", "original.jpg"}


@pytest.mark.parametrize("place", [copy_file, link_or_copy])
def test_a_source_that_is_not_what_is_expected_is_not_copied(tmp_path, original, place):
    source, _ = original
    with pytest.raises(CopyMismatchError):
        place(source, tmp_path / "bag" / "x.jpg", Sha256("0" * 64))
    assert files_below(tmp_path / "bag") == set()


@pytest.mark.parametrize("place", [copy_file, link_or_copy])
def test_a_source_that_is_gone_is_a_read_error_and_leaves_nothing(tmp_path, place):
    with pytest.raises(CardReadError):
        place(tmp_path / "gone", tmp_path / "bag" / "x.jpg", Sha256("0" * 64))
    assert files_below(tmp_path / "bag") == set()


def test_a_dangling_link_under_the_name_counts_as_taken(tmp_path, original):
    source, digest = original
    (tmp_path / "link.jpg").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(NameTakenError):
        copy_file(source, tmp_path / "link.jpg", digest)
    assert not (tmp_path / "elsewhere").exists()


def test_a_name_taken_at_the_last_moment_is_not_overwritten(tmp_path, original):
    source, digest = original
    dest = tmp_path / "bag" / "x.jpg"

    def on_step(step: CopyStep, _path: Path) -> None:
        if step is CopyStep.READ_BACK:
            dest.write_bytes(b"faster")

    with pytest.raises(NameTakenError):
        copy_file(source, dest, digest, on_step=on_step)
    assert dest.read_bytes() == b"faster"
    assert files_below(dest.parent) == {"x.jpg"}


def test_a_flipped_byte_on_the_way_to_a_target_is_found_out(tmp_path, original):
    source, digest = original

    def on_step(step: CopyStep, path: Path) -> None:
        if step is CopyStep.SYNCED:
            flip(path)

    with pytest.raises(CopyMismatchError):
        copy_file(source, tmp_path / "bag" / "x.jpg", digest, on_step=on_step)
    assert files_below(tmp_path / "bag") == set()


def test_parts_may_be_written_in_another_folder(tmp_path, original):
    source, digest = original
    seen = []

    def on_step(step: CopyStep, _path: Path) -> None:
        seen.append((step, files_below(tmp_path / "bag"), len(files_below(tmp_path / "work"))))

    copy_file(source, tmp_path / "bag" / "x.jpg", digest, parts=tmp_path / "work", on_step=on_step)
    assert [step for step, _, _ in seen] == list(CopyStep)
    assert all(bag == set() for _, bag, _ in seen[:-1])
    assert seen[-2][2] == 1
    assert files_below(tmp_path / "work") == set()


def test_a_full_target_is_a_destination_error_and_leaves_nothing(tmp_path):
    big = lay_out(tmp_path, {"big.jpg": os.urandom(400_000)}) / "big.jpg"
    with small_disk(tmp_path / "target", kib=256) as disk:
        for place in (copy_file, link_or_copy):
            with pytest.raises(DestinationError, match="full"):
                place(big, disk / "bag" / "x.jpg", hash_file(big))
        assert files_below(disk) == set()


def test_a_link_is_made_on_one_disk_and_a_copy_on_another(tmp_path, original):
    source, digest = original
    link_or_copy(source, tmp_path / "same" / "x.jpg", digest)
    assert (tmp_path / "same" / "x.jpg").stat().st_ino == source.stat().st_ino
    with small_disk(tmp_path / "other") as disk:
        link_or_copy(source, disk / "x.jpg", digest)
        assert hash_file(disk / "x.jpg") == digest
        assert (disk / "x.jpg").stat().st_dev != source.stat().st_dev


def test_where_there_are_no_hard_links_a_copy_still_never_overwrites(tmp_path, original, monkeypatch):
    def no_links(*_args, **_named):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    source, digest = original
    copy_file(source, tmp_path / "fat" / "x.jpg", digest)
    assert files_below(tmp_path / "fat") == {"x.jpg"}
    with pytest.raises(NameTakenError):
        copy_file(source, lay_out(tmp_path, {"fat/y.jpg": b"y"}) / "fat" / "y.jpg", digest)
    assert (tmp_path / "fat" / "y.jpg").read_bytes() == b"y"
