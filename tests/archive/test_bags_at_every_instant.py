"""A bag is valid whenever somebody looks: under a real SIGKILL before each touch of the disk, and beside a reader."""

from __future__ import annotations

import os
import shutil
import signal
import time

import pytest
from support_archive import INFO, fast_folder, killed_at, outside_verdict, photos

from evidence.archive import swap
from evidence.archive.bags import build_bag, check_bag, read_manifest, recover, remove_bag
from evidence.archive.targets import MARKER, FolderTarget

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="a kill needs POSIX processes")

BEFORE, AFTER = ("A1.JPG", "A2.JPG"), ("A2.JPG", "100AAAAA/A3.JPG")
RECORDS = {"records/claim.json": b"{}"}


@pytest.fixture
def ground(tmp_path):
    folder = fast_folder(tmp_path)
    yield folder
    if folder != tmp_path:
        shutil.rmtree(folder)


@pytest.fixture(params=["one-step", "two-renamings"])
def atomic(request, monkeypatch, ground):
    """Whether the file system can exchange two folders; played when it cannot."""
    if request.param == "two-renamings":
        monkeypatch.setattr(swap, "exchange", lambda one, other: False)
        return False
    (ground / "x").mkdir()
    (ground / "y").mkdir()
    if not swap.exchange(ground / "x", ground / "y"):
        pytest.skip("this file system cannot exchange two folders in one step")
    return True


def visible(root) -> list[str]:
    return sorted(p.name for p in root.iterdir() if p.name not in {".locks", MARKER})


def test_a_build_that_is_killed_anywhere_leaves_a_valid_bag_and_loses_nothing(ground, atomic):
    kept = ground / "kept"
    before, after = photos(kept, *BEFORE), photos(kept, *AFTER)
    number = 0
    exchanged = 0
    while True:
        number += 1 if atomic else 2  # every second one for the rarer way, to save time
        home = ground / str(number) / "HT-1001"
        build_bag(home, before, RECORDS, INFO)
        (home / "note.txt").write_text("call the roofer")
        alive = not killed_at(number, lambda home=home: build_bag(home, after, {}, INFO))
        if atomic or home.exists():
            assert outside_verdict(home) == "", f"touch {number}"
            assert set(read_manifest(home)) in ({*BEFORE}, {*AFTER})
            exchanged += set(read_manifest(home)) == {*AFTER}
        recover(home.parent)
        assert outside_verdict(home) == "", f"touch {number}"
        assert check_bag(home).valid
        assert visible(home.parent) == ["HT-1001"]
        build_bag(home, after, {}, INFO)
        assert outside_verdict(home) == ""
        assert set(read_manifest(home)) == {*AFTER}
        assert [p.read_text() for p in home.rglob("note*")] == ["call the roofer"]
        assert not (home / "strays").exists()  # a photo that was taken out does not come back
        if alive:
            break
        shutil.rmtree(home.parent)
    assert number > 30
    assert exchanged > 3  # some kills fell before the exchange, some after it


def test_a_first_build_that_is_killed_anywhere_leaves_a_valid_bag_or_none(ground):
    kept = photos(ground / "kept", *BEFORE)
    number = 0
    while True:
        number += 1
        home = ground / str(number) / "HT-1001"
        alive = not killed_at(number, lambda home=home: build_bag(home, kept, RECORDS, INFO))
        assert not home.exists() or outside_verdict(home) == ""
        recover(home.parent)
        assert not home.exists() or outside_verdict(home) == ""
        assert not home.parent.exists() or visible(home.parent) in ([], ["HT-1001"])
        build_bag(home, kept, RECORDS, INFO)
        assert outside_verdict(home) == ""
        if alive:
            break
    assert number > 30


def test_a_copy_to_a_target_that_is_killed_anywhere_is_valid_and_is_gone_on_with(ground, atomic):
    kept = ground / "archive" / "kept"
    old, new = ground / "archive" / "old" / "HT-1001", ground / "archive" / "new" / "HT-1001"
    build_bag(old, photos(kept, *BEFORE), RECORDS, INFO)
    build_bag(new, photos(kept, *AFTER), {}, INFO)
    number = 0 if atomic else -1
    while True:
        number += 2  # the two ways of exchanging share the numbers between them, to save time
        target = FolderTarget(
            name="t", root=ground / f"t{number}", off_computer=True, archive=ground / "archive"
        )
        target.root.mkdir()
        target.prepare()
        target.put_bag(old, "HT-1001")
        home = target.root / "HT-1001"
        alive = not killed_at(number, lambda target=target: target.put_bag(new, "HT-1001"))
        if atomic or home.exists():
            assert outside_verdict(home) == "", f"touch {number}"
        if number % 4 < 2:
            target.recover()
            assert outside_verdict(home) == "", f"touch {number}"
        pushed = target.put_bag(new, "HT-1001")
        assert pushed.copied + pushed.unchanged == 2
        assert outside_verdict(home) == ""
        assert read_manifest(home) == read_manifest(new)
        assert visible(target.root) == ["HT-1001"]
        if alive:
            break
        shutil.rmtree(target.root)
    assert number > 30


def test_a_removal_that_is_killed_anywhere_is_whole_or_begun_and_then_finished(ground):
    kept = photos(ground / "kept", *BEFORE)
    number = 0
    while True:
        number += 1
        home = ground / str(number) / "HT-1001"
        build_bag(home, kept, RECORDS, INFO)
        alive = not killed_at(number, lambda home=home: remove_bag(home))
        assert not home.exists() or outside_verdict(home) == ""
        recover(home.parent)
        assert visible(home.parent) in ([], ["HT-1001"])
        remove_bag(home)
        assert visible(home.parent) == []
        if alive:
            break
    assert number > 5


def test_a_reader_beside_a_writer_always_finds_a_valid_bag(ground):
    home = ground / "bags" / "HT-1001"
    names = [f"100AAAAA/A{n:04}.JPG" for n in range(1, 9)]
    kept = photos(ground / "kept", *names)
    build_bag(home, {names[0]: kept[names[0]]}, {}, INFO)
    writer = os.fork()
    if writer == 0:  # add photos one by one, then take them away one by one, until killed
        while True:
            for count in (*range(2, len(names) + 1), *range(len(names) - 1, 0, -1)):
                build_bag(home, {name: kept[name] for name in names[:count]}, {}, INFO)
    try:
        whole_views, states, own_checks = 0, set(), 0
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline and (whole_views < 40 or len(states) < len(names)):
            before = home.stat()
            verdict = outside_verdict(home)
            seen = len(read_manifest(home))
            after = home.stat()
            if (before.st_ino, before.st_ctime_ns) == (after.st_ino, after.st_ctime_ns):
                assert verdict == ""
                whole_views += 1
                states.add(seen)
            check = check_bag(home)
            assert check.valid, check
            own_checks += 1
    finally:
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)
    assert whole_views >= 10
    assert len(states) >= 3
    recover(home.parent)
    assert outside_verdict(home) == ""
