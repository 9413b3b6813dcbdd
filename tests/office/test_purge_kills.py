"""Killed on a real archive and a real target: a purge on its way into quarantine, and an undo on its way back."""

from __future__ import annotations

import os
import shutil
import signal
from datetime import UTC, datetime

import pytest
from support_cli import CONFIRMED, cli
from support_copy import copy_tree
from support_intake import CLAIMS, at_home, set_settings, with_target
from support_kill import changes_of, killed_at
from support_retention import approved as approve
from support_retention import reload_assignments

from evidence.office import purging, quarantine
from evidence.workspace import Workspace

NOW = datetime(2026, 12, 1, 12, tzinfo=UTC)
KILLS = 5
"""Kills of each run, spread over all of its steps."""
pytestmark = [
    pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork"),
    pytest.mark.usefixtures("plain_certificates"),
]


class Trials:
    """Copies of an archive and its target, each to be killed at another step."""

    def __init__(self, archive, disk, folder):
        self.archive, self.disk, self.folder = archive, disk, folder
        self.saved = folder / "saved-target"
        copy_tree(disk, self.saved)

    def fresh(self, name):
        copy = self.folder / name
        shutil.rmtree(copy, ignore_errors=True)
        copy_tree(self.archive, copy)
        for entry in self.disk.iterdir():
            shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
        copy_tree(self.saved, self.disk, dirs_exist_ok=True)
        return copy

    def killed(self, work):
        """Yield a copy for each kill; `work` gives what is killed, of an archive."""
        whole = self.fresh("whole")
        steps = changes_of(work(whole), whole)
        assert steps > 2 * KILLS
        for step in sorted({round(n * (steps - 1) / (KILLS - 1)) for n in range(KILLS)}):
            copy = self.fresh("killed")
            assert killed_at(work(copy), copy, step), f"step {step} of {steps}"
            yield copy


@pytest.fixture
def approved(kept, request, tmp_path, other_disk):
    """The plan of TC-1001, which is due and backed up, approved; a purge moves it into quarantine first."""
    archive = tmp_path / "archive"

    def make():
        request.getfixturevalue("houses")
        reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01"))
        with_target(archive, other_disk)
        settings = (archive / "evidence.toml").read_text()
        set_settings(archive, settings.replace("quarantine_days = 0", "quarantine_days = 14"))
        assert cli("backup", archive=archive).status == 0
        assert cli("close", "TC-1001", "--on", "2016-01-04", archive=archive).status == 0
        approve(archive, "TC-1001")

    kept.put("approved", {"archive": archive, "disk": other_disk}, make)
    (plan,) = (one.name for one in (archive / "purges").iterdir())
    return archive, plan


def run_of(plan):
    def of(archive):
        def work():
            with Workspace(archive, actor="Ada Clerk", now=lambda: NOW) as workspace:
                purging.run_purge(workspace, plan, confirmed=workspace.today())

        return work

    return of


def undo_of(plan):
    def of(archive):
        def work():
            with Workspace(archive, actor="Ada Clerk", now=lambda: NOW) as workspace:
                purging.undo_purge(workspace, plan)

        return work

    return of


def originals(place):
    """The bytes of each original of the claim's bag, wherever below `place` it lies outside the quarantine."""
    return {
        str(path.relative_to(bag)): path.read_bytes()
        for bag in [*place.glob("TC-1001*"), *(place / "claims").glob("TC-1001*")]
        for path in (bag / "data").rglob("*")
        if path.is_file() and path.suffix != ".xmp"
    }


def is_whole(archive, disk, before):
    """The claim is as it was before the purge, here and at the target."""
    assert originals(archive) == before
    assert originals(disk) == before
    assert not (archive / ".quarantine").exists()
    assert not (disk / ".quarantine").exists()
    with at_home(archive) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "closed"
        assert len(workspace.catalog.photos.of_claim("TC-1001")) == len(before)
    for command in ("backup", "verify"):
        ran = cli(command, archive=archive)
        assert ran.status == 0, (command, ran.out, ran.err)
    assert cli("custody", "--verify", archive=archive).status == 0


@pytest.mark.parametrize("ending", ["run", "undo"])
def test_a_purge_killed_on_its_way_into_quarantine_is_finished_or_taken_back(
    approved, other_disk, tmp_path, ending
):
    archive, plan = approved
    before = originals(archive)
    assert len(before) == 5
    for copy in Trials(archive, other_disk, tmp_path).killed(run_of(plan)):
        if ending == "run":
            ran = cli("purge", "run", "--yes", *CONFIRMED, plan, archive=copy, actor="Ada Clerk")
            assert ran.status == 0, ran.out + ran.err
            assert (originals(copy), originals(other_disk)) == ({}, {})
        undone = cli("purge", "undo", plan, archive=copy, actor="Ben Witness")
        assert undone.status == 0, undone.out + undone.err
        is_whole(copy, other_disk, before)


def test_an_undo_killed_between_two_folders_of_the_quarantine_leaves_none(approved, other_disk, tmp_path):
    archive, plan = approved
    before = originals(archive)
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, archive=archive, actor="Ada Clerk")
    assert ran.status == 0, ran.out + ran.err
    remove = quarantine.remove_tree

    def last(folder):
        remove(folder)
        os.kill(os.getpid(), signal.SIGKILL)

    def work():
        quarantine.remove_tree = last  # in the forked process alone
        undo_of(plan)(archive)()

    assert killed_at(work, archive, 10_000)
    undone = cli("purge", "undo", plan, archive=archive, actor="Ben Witness")
    assert undone.status == 0, undone.out + undone.err
    is_whole(archive, other_disk, before)


def test_an_undo_killed_at_any_step_is_finished_by_the_next_one(approved, other_disk, tmp_path):
    archive, plan = approved
    before = originals(archive)
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, archive=archive, actor="Ada Clerk")
    assert ran.status == 0, ran.out + ran.err
    assert originals(archive) == {}
    for copy in Trials(archive, other_disk, tmp_path).killed(undo_of(plan)):
        undone = cli("purge", "undo", plan, archive=copy, actor="Ben Witness")
        assert undone.status == 0, undone.out + undone.err
        is_whole(copy, other_disk, before)
