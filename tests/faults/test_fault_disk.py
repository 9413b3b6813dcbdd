"""The trials can fail: a program that forgets a flush is found, and the judge sees every kind of damage."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from fnmatch import fnmatch

import pytest
from fault_disk import Fault, FaultKind, FaultyDisk
from fault_judge import judge
from fault_trials import _in_child
from fault_worlds import CARD, flip_a_bit, restore

from evidence.disk import durable


def test_an_intake_that_forgets_to_flush_files_loses_some_at_a_power_cut(here, monkeypatch):
    def folders_only(descriptor):
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            os.fsync(descriptor)

    trials = here.trials("intake", FaultKind.POWER)
    monkeypatch.setattr(durable, "sync_descriptor", folders_only)
    assert any(here.run(trial).problems for trial in trials[-60::12])


def test_a_purge_that_forgets_to_flush_folders_leaves_copies_at_a_power_cut(here, monkeypatch):
    trials = here.trials("purge", FaultKind.POWER)
    flush = durable.sync_folder
    for name, module in list(sys.modules.items()):
        if name.startswith("evidence.") and getattr(module, "sync_folder", None) is flush:
            monkeypatch.setattr(module, "sync_folder", lambda _folder: None)
    codes = {one.code for trial in trials[-60::12] for one in here.run(trial).problems}
    assert "not purged" in codes


def test_an_archive_without_recovery_keeps_what_a_kill_left(here, monkeypatch):
    monkeypatch.setattr("evidence.filing.backup.recover_bags", lambda _workspace: None)
    trials = here.trials("move", FaultKind.POWER)
    steps = [one for one in trials if fnmatch(here.event_of(one), "mkdir archive/claims/.TC-????_*.next")]
    assert any(not here.run(trial).clean for trial in steps)


def _photo(world, place="archive"):
    return next((world.base / place).rglob("data/**/*.JPG"))


def _lose(world):
    _photo(world).unlink()


def _double(world):
    one, other = sorted((world.archive / "claims").iterdir())[-2:]
    photo = next(one.rglob("data/**/*.JPG"))
    shutil.copy(photo, other / "data" / "again.JPG")


def _leave_part(world):
    (world.archive / "intake" / "1-00.part").write_bytes(b"x")


def _cut_log(world):
    log = world.archive / "custody" / "custody.jsonl"
    log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[:-2]))


def _forget_copy(world):
    shutil.rmtree(next(one.parent for one in world.target.rglob("bagit.txt")))


def _flip_at_target(world):
    flip_a_bit(_photo(world, "target"))


def _change_card(world):
    flip_a_bit(next((world.base / CARD).rglob("*.JPG")))


@pytest.mark.parametrize(
    ("damage", "code"),
    [
        (_lose, "lost"),
        (_double, "invalid"),
        (_leave_part, "litter"),
        (_cut_log, "log"),
        (_forget_copy, "target"),
        (_flip_at_target, "catalog"),
        (_change_card, "card"),
    ],
)
def test_the_judge_sees(here, damage, code):
    kept, expected, _, _ = here._of("backup")
    world = restore(here.base, kept)
    assert [one.status for one in here.scenarios["backup"].finish(world)] == [0]
    damage(world)
    found = {one.code for one in judge(world, expected, home="archive", cards=(CARD,))}
    assert code in found


# --- the model of a power failure ------------------------------------------------------------


def after_power_cut(folder, work, event=10_000):
    """Run `work` in a child on a disk that loses its power at the end, or at an event."""
    base = folder / "world"
    base.mkdir(exist_ok=True)
    disk = FaultyDisk(base, Fault(FaultKind.POWER, event))

    def cut():
        disk.install()
        work(base)
        disk._lose.all()
        return {}

    _in_child(cut)
    return {
        one.relative_to(base).as_posix(): one.read_bytes() if one.is_file() else None
        for one in sorted(base.rglob("*"))
    }


def _write(path, content, *, flush=False):
    with path.open("ab") as file:
        file.write(content)
        file.flush()
        if flush:
            os.fsync(file.fileno())


def test_what_was_not_flushed_is_gone(tmp_path):
    def work(base):
        _write(base / "kept", b"flushed", flush=True)
        durable.sync_folder(base)
        _write(base / "kept", b" and not")
        _write(base / "new", b"flushed, without its name", flush=True)
        (base / "folder").mkdir()
        _write(base / "folder" / "inner", b"gone with its folder", flush=True)
        durable.sync_folder(base / "folder")

    assert after_power_cut(tmp_path, work) == {"kept": b"flushed"}


def test_a_rename_and_a_removal_that_were_not_flushed_are_undone(tmp_path):
    base = tmp_path / "world"
    base.mkdir()
    (base / "a").write_bytes(b"old a")
    (base / "b").write_bytes(b"old b")
    (base / "tree" / "deep").mkdir(parents=True)
    (base / "tree" / "deep" / "c").write_bytes(b"c")

    def work(base):
        (base / "a").replace(base / "b")
        shutil.rmtree(base / "tree")

    assert after_power_cut(tmp_path, work) == {
        "a": b"old a",
        "b": b"old b",
        "tree": None,
        "tree/deep": None,
        "tree/deep/c": b"c",
    }


def test_a_file_renamed_without_a_flush_is_empty_under_its_new_name(tmp_path):
    def work(base):
        _write(base / "x.part", b"content")
        (base / "x.part").rename(base / "x")
        durable.sync_folder(base)

    assert after_power_cut(tmp_path, work) == {"x": b""}
