"""Durable writes: small files, folders, and the errors of a disk."""

from __future__ import annotations

import errno
import os

import pytest
from support_cards import files_below

from evidence.disk.durable import discard_replaced, make_folder, replace_file, write_all, write_new_file
from evidence.disk.faults import reading, writing
from evidence.errors import CardReadError, DestinationError, one_line
from evidence.paper.output import write_whole


def test_a_new_file_never_replaces_one(tmp_path):
    write_new_file(tmp_path / "a", b"first")
    with pytest.raises(FileExistsError):
        write_new_file(tmp_path / "a", b"second")
    assert (tmp_path / "a").read_bytes() == b"first"


@pytest.mark.skipif(os.name == "nt", reason="the permissions are those of POSIX systems")
@pytest.mark.parametrize(("umask", "mode"), [(0o022, 0o640), (0, 0o640), (0o077, 0o600)])
def test_others_cannot_read_a_new_file_whatever_the_umask(tmp_path, umask, mode):
    before = os.umask(umask)
    try:
        write_new_file(tmp_path / "new", b"x")
        replace_file(tmp_path / "replaced", b"x")
        write_whole(b"x", tmp_path / "report.pdf")
    finally:
        os.umask(before)
    assert {path.stat().st_mode & 0o777 for path in tmp_path.iterdir()} == {mode}


def test_a_replaced_file_is_flushed_before_it_takes_the_name(tmp_path, monkeypatch):
    path = tmp_path / "head"
    path.write_bytes(b"old")
    seen = []
    sync, replace = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda d: (seen.append(("sync", path.read_bytes())), sync(d))[1])
    monkeypatch.setattr(
        os, "replace", lambda a, b: (seen.append(("rename", path.read_bytes())), replace(a, b))[1]
    )
    replace_file(path, b"new")
    assert seen == [("sync", b"old"), ("rename", b"old")]
    assert path.read_bytes() == b"new"
    assert files_below(tmp_path) == {"head"}


def test_what_a_killed_run_left_does_not_stop_the_next_replacement(tmp_path):
    (tmp_path / "head.part").write_bytes(b"half a line that is longer than the next")
    replace_file(tmp_path / "head", b"new")
    assert (tmp_path / "head").read_bytes() == b"new"
    assert files_below(tmp_path) == {"head"}


def test_a_replacement_that_fails_leaves_the_old_file_and_nothing_beside_it(tmp_path, monkeypatch):
    (tmp_path / "head").write_bytes(b"old")

    def full(_descriptor):
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError):
        replace_file(tmp_path / "head", b"new")
    assert (tmp_path / "head").read_bytes() == b"old"
    assert files_below(tmp_path) == {"head"}


def test_a_file_that_goes_takes_with_it_what_a_killed_replacement_left(tmp_path):
    (tmp_path / "head").write_bytes(b"old")
    (tmp_path / "head.part").write_bytes(b"ne")
    discard_replaced(tmp_path / "head")
    assert files_below(tmp_path) == set()


def test_every_byte_is_written_where_the_system_writes_a_few_at_a_time(tmp_path, monkeypatch):
    whole = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: whole(descriptor, bytes(data)[:7]))
    with (tmp_path / "a").open("wb") as handle:
        write_all(handle.fileno(), bytes(range(100)))
    assert (tmp_path / "a").read_bytes() == bytes(range(100))


def test_a_file_in_the_way_of_a_folder_is_an_error_and_stays(tmp_path):
    (tmp_path / "a").write_bytes(b"x")
    with pytest.raises(OSError):
        make_folder(tmp_path / "a" / "b")
    assert (tmp_path / "a").read_bytes() == b"x"


@pytest.mark.parametrize(
    ("code", "says", "hint"),
    [
        (errno.ENOSPC, "the disk is full", "Free some space"),
        (errno.EROFS, "the disk is read-only", "the right to write"),
        (errno.EACCES, "permission denied", "the right to write"),
        (errno.EIO, "read or write error", "connected and sound"),
    ],
)
def test_an_error_of_the_disk_says_what_happened_and_what_to_do(tmp_path, code, says, hint):
    with pytest.raises(DestinationError) as caught, writing(tmp_path):
        raise OSError(code, os.strerror(code))
    assert says in caught.value.message
    assert hint in caught.value.hint


def test_a_name_with_a_line_break_stays_on_one_line():
    assert one_line("a\nb\x1b[31m\u00e9.jpg") == "a\\nb\\x1b[31m\u00e9.jpg"
    with pytest.raises(CardReadError) as caught, reading("a\nb.jpg"):
        raise OSError(errno.EIO, "x")
    assert "\n" not in str(caught.value)
