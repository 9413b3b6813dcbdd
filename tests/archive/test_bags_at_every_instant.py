"""A bag is valid at every instant: with a real SIGKILL before each access to the disk, and for a reader during builds."""

from __future__ import annotations

import os
import shutil
import signal
import time
from functools import partial

import pytest
from support_archive import INFO, fast_folder, in_two_renamings, outside_verdict, photos, put_in_new_target
from support_forks import SmallProcess

from evidence.archive import exchange
from evidence.archive.bagcheck import check_bag
from evidence.archive.bagread import read_manifest
from evidence.archive.bags import build_bag, recover, remove_bag
from evidence.archive.target_marker import MARKER
from evidence.archive.targets import FolderTarget

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="a kill needs POSIX processes")

BEFORE, AFTER = ("A1.JPG", "A2.JPG"), ("A2.JPG", "100AAAAA/A3.JPG")
RECORDS = {"records/claim.json": b"{}"}


@pytest.fixture
def ground(tmp_path):
    folder = fast_folder(tmp_path)
    yield folder
    if folder != tmp_path:
        shutil.rmtree(folder)


@pytest.fixture(scope="module")
def forks(tmp_path_factory):
    """A process that did each kind of work once, and forks the children that are killed."""
    folder = tmp_path_factory.mktemp("forks")
    process = SmallProcess()
    kept = photos(folder / "kept", *BEFORE)
    build = partial(build_bag, folder / "bags" / "HT-1001", kept, RECORDS, INFO)
    for work in (build, build, partial(put_in_new_target, folder / "bags" / "HT-1001", folder / "target")):
        process.run(work)
    process.run(partial(remove_bag, folder / "bags" / "HT-1001"))
    yield process
    process.close()


@pytest.fixture(params=["one-step", "two-renamings"])
def atomic(request, monkeypatch, ground):
    """Whether the file system can exchange two folders; simulated when it cannot, in children by `in_way`."""
    if request.param == "two-renamings":
        monkeypatch.setattr(exchange, "exchange_folders", lambda one, other: False)
        return False
    (ground / "x").mkdir()
    (ground / "y").mkdir()
    if not exchange.exchange_folders(ground / "x", ground / "y"):
        pytest.skip("this file system cannot exchange two folders in one step")
    return True


def in_way(atomic, work):
    """The work, as a child does it for `atomic`."""
    return work if atomic else partial(in_two_renamings, work)


def visible(root) -> list[str]:
    return sorted(p.name for p in root.iterdir() if p.name not in {".locks", MARKER})


def test_a_build_that_is_killed_anywhere_leaves_a_valid_bag_and_loses_nothing(ground, atomic, forks):
    kept = ground / "kept"
    before, after = photos(kept, *BEFORE), photos(kept, *AFTER)
    number = 0
    exchanged = 0
    while True:
        number += 1 if atomic else 2  # every second one for the rarer way, to save time
        bag_dir = ground / str(number) / "HT-1001"
        build_bag(bag_dir, before, RECORDS, INFO)
        (bag_dir / "note.txt").write_text("call the roofer")
        alive = not forks.killed_at(number, in_way(atomic, partial(build_bag, bag_dir, after, {}, INFO)))
        if atomic or bag_dir.exists():
            assert outside_verdict(bag_dir) == "", f"touch {number}"
            assert set(read_manifest(bag_dir)) in ({*BEFORE}, {*AFTER})
            exchanged += set(read_manifest(bag_dir)) == {*AFTER}
        recover(bag_dir.parent)
        assert outside_verdict(bag_dir) == "", f"touch {number}"
        assert check_bag(bag_dir).valid
        assert visible(bag_dir.parent) == ["HT-1001"]
        build_bag(bag_dir, after, {}, INFO)
        assert outside_verdict(bag_dir) == ""
        assert set(read_manifest(bag_dir)) == {*AFTER}
        assert [p.read_text() for p in bag_dir.rglob("note*")] == ["call the roofer"]
        assert not (bag_dir / "strays").exists()  # a photo that was taken out does not come back
        if alive:
            break
        shutil.rmtree(bag_dir.parent)
    assert number > 30
    assert exchanged > 3  # some kills fell before the exchange, some after it


def test_a_first_build_that_is_killed_anywhere_leaves_a_valid_bag_or_none(ground, forks):
    kept = photos(ground / "kept", *BEFORE)
    number = 0
    while True:
        number += 1
        bag_dir = ground / str(number) / "HT-1001"
        alive = not forks.killed_at(number, partial(build_bag, bag_dir, kept, RECORDS, INFO))
        assert not bag_dir.exists() or outside_verdict(bag_dir) == ""
        recover(bag_dir.parent)
        assert not bag_dir.exists() or outside_verdict(bag_dir) == ""
        assert not bag_dir.parent.exists() or visible(bag_dir.parent) in ([], ["HT-1001"])
        build_bag(bag_dir, kept, RECORDS, INFO)
        assert outside_verdict(bag_dir) == ""
        if alive:
            break
    assert number > 30


def test_a_copy_to_a_target_that_is_killed_anywhere_is_valid_and_is_resumed(ground, atomic, forks):
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
        bag_dir = target.root / "HT-1001"
        alive = not forks.killed_at(number, in_way(atomic, partial(target.put_bag, new, "HT-1001")))
        if atomic or bag_dir.exists():
            assert outside_verdict(bag_dir) == "", f"touch {number}"
        if number % 4 < 2:
            target.recover()
            assert outside_verdict(bag_dir) == "", f"touch {number}"
        pushed = target.put_bag(new, "HT-1001")
        assert pushed.copied + pushed.unchanged == 2
        assert outside_verdict(bag_dir) == ""
        assert read_manifest(bag_dir) == read_manifest(new)
        assert visible(target.root) == ["HT-1001"]
        if alive:
            break
        shutil.rmtree(target.root)
    assert number > 30


def test_a_removal_that_is_killed_anywhere_is_whole_or_begun_and_then_finished(ground, forks):
    kept = photos(ground / "kept", *BEFORE)
    number = 0
    while True:
        number += 1
        bag_dir = ground / str(number) / "HT-1001"
        build_bag(bag_dir, kept, RECORDS, INFO)
        alive = not forks.killed_at(number, partial(remove_bag, bag_dir))
        assert not bag_dir.exists() or outside_verdict(bag_dir) == ""
        recover(bag_dir.parent)
        assert visible(bag_dir.parent) in ([], ["HT-1001"])
        remove_bag(bag_dir)
        assert visible(bag_dir.parent) == []
        if alive:
            break
    assert number > 5


def test_a_reader_beside_a_writer_always_finds_a_valid_bag(ground):
    bag_dir = ground / "bags" / "HT-1001"
    names = [f"100AAAAA/A{n:04}.JPG" for n in range(1, 9)]
    kept = photos(ground / "kept", *names)
    build_bag(bag_dir, {names[0]: kept[names[0]]}, {}, INFO)
    writer = os.fork()
    if writer == 0:  # add photos one by one, then take them away one by one, until killed
        while True:
            for count in (*range(2, len(names) + 1), *range(len(names) - 1, 0, -1)):
                build_bag(bag_dir, {name: kept[name] for name in names[:count]}, {}, INFO)
    try:
        whole_views, states, own_checks = 0, set(), 0
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline and (whole_views < 40 or len(states) < len(names)):
            before = bag_dir.stat()
            verdict = outside_verdict(bag_dir)
            seen = len(read_manifest(bag_dir))
            after = bag_dir.stat()
            if (before.st_ino, before.st_ctime_ns) == (after.st_ino, after.st_ctime_ns):
                assert verdict == ""
                whole_views += 1
                states.add(seen)
            check = check_bag(bag_dir)
            assert check.valid, check
            own_checks += 1
    finally:
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)
    assert whole_views >= 10
    assert len(states) >= 3
    recover(bag_dir.parent)
    assert outside_verdict(bag_dir) == ""
