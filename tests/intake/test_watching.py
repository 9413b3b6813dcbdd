"""`evidence watch --once`: every card that is there, one bad card does not stop the next."""

from __future__ import annotations

import errno
import itertools
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from support_card import CardMaker
from support_cli import cli
from support_intake import filed, loaded_archive, where, with_target

from evidence.disk.faults import writing
from evidence.intake import watching
from evidence.workspace import Workspace


@pytest.fixture
def archive(tmp_path):
    return loaded_archive(tmp_path)


def a_card(root, claim, *, number=1, seed=0):
    card = CardMaker(root, number=number, seed=seed)
    card.sheet(claim)
    card.scene()
    return card


def lines(ran):
    return [json.loads(line) for line in ran.out.splitlines()]


def test_two_cards_are_taken_in_and_each_is_reported_in_a_line_of_json(archive, tmp_path):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    a_card(tmp_path / "slots" / "two", "TC-1002", number=20, seed=50)
    ran = cli("watch", tmp_path / "slots", "--once", "--json", archive=archive)
    told = lines(ran)
    assert [(one["source"].rpartition(os.sep)[2], one["kept"]) for one in told] == [("one", 2), ("two", 2)]
    assert where(archive)["TEST0020.JPG"] == "TC-1002"
    again = cli("watch", tmp_path / "slots", "--once", "--json", archive=archive)
    assert [(one["kept"], one["already_kept"]) for one in lines(again)] == [(0, 2), (0, 2)]


def test_the_log_as_json_holds_numbers_and_no_name(archive, tmp_path):
    """In a process of its own: the log of a process is set up once."""
    a_card(tmp_path / "slots" / "Quillon", "TC-1001")
    (tmp_path / "slots" / "empty").mkdir()
    start = [sys.executable, "-c", "from evidence.cli.main import run; run()"]
    ran = subprocess.run(
        [*start, "watch", str(tmp_path / "slots"), "--once", "--log-json", "--archive", str(archive)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )
    assert ran.stdout == ""
    told = [json.loads(line) for line in ran.stderr.splitlines()]
    (card,) = [one for one in told if one["event"] == "card_taken_in"]
    assert (card["files"], card["kept"], card["refused"], card["claims"], card["safe"]) == (2, 2, 0, 1, False)
    assert not [name for name in ("Quillon", "TC-1001", "TEST", str(tmp_path)) if name in ran.stderr]
    refused = subprocess.run(
        [*start, "watch", str(tmp_path / "nowhere"), "--log-json", "--archive", str(archive)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path.cwd())},
    )
    assert refused.returncode == 2
    assert [json.loads(line)["event"] for line in refused.stderr.splitlines()] == ["stopped"]
    assert "nowhere" not in refused.stderr


def test_names_as_json_and_a_log_without_names_are_refused_together(archive, tmp_path):
    assert cli("watch", tmp_path, "--once", "--json", "--log-json", archive=archive).status == 2


def test_a_card_that_cannot_be_taken_in_does_not_stop_the_next_and_the_status_shows_it(
    archive, tmp_path, monkeypatch
):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    a_card(tmp_path / "slots" / "two", "TC-1002", number=20, seed=50)
    from evidence.errors import CardReadError
    from evidence.intake.pipeline import take_in

    def fails_on_the_first(workspace, card, **more):
        if card.name == "one":
            raise CardReadError("one: the card was pulled.", "Put it in again.")
        return take_in(workspace, card, **more)

    monkeypatch.setattr(watching, "take_in", fails_on_the_first)
    ran = cli("watch", tmp_path / "slots", "--once", "--json", archive=archive)
    assert ran.status == CardReadError.exit_code
    told = lines(ran)
    assert told[0]["error"]["message"] == "one: the card was pulled."
    assert told[1]["kept"] == 2
    assert "pulled" in ran.err
    assert set(where(archive)) == {"TEST0020.JPG", "TEST0021.JPG"}


def test_a_card_with_a_link_out_of_it_gives_status_one_as_intake_does(archive, tmp_path):
    card = a_card(tmp_path / "slots" / "one", "TC-1001")
    try:
        (card.root / "DCIM" / "100TESTC" / "TEST0009.JPG").symlink_to(tmp_path / "elsewhere.jpg")
    except OSError:
        pytest.skip("this system makes no links")
    assert cli("intake", card.root, archive=archive).status == 1
    assert cli("watch", tmp_path / "slots", "--once", archive=archive).status == 1


def test_no_card_is_reported_and_is_no_error(archive, tmp_path):
    (tmp_path / "slots").mkdir()
    ran = cli("watch", tmp_path / "slots", "--once", archive=archive)
    assert ran.status == 0
    assert "No card" in ran.err


@pytest.mark.parametrize("folder", ["{tmp}", "{archive}", "{archive}/claims"])
def test_a_watched_folder_and_the_archive_may_not_lie_inside_one_another(archive, tmp_path, folder):
    named = folder.replace("{archive}", str(archive)).replace("{tmp}", str(tmp_path))
    before = (archive / "custody" / "custody.jsonl").read_bytes()
    ran = cli("watch", named, "--once", archive=archive)
    assert ran.status == 2
    assert "inside one another" in ran.err
    assert (archive / "custody" / "custody.jsonl").read_bytes() == before


def test_a_watched_folder_that_is_not_there_is_bad_input(archive, tmp_path):
    assert cli("watch", tmp_path / "nowhere", "--once", archive=archive).status == 2


class Desk:
    """A watch with a clock and steps of a test's own: what happens before each look, and what came of it."""

    def __init__(self, archive, folder, *, mounted=tuple):
        self.now, self.lines, self.results = 0.0, [], []
        self.archive, self.folder, self.mounted = archive, folder, mounted
        self.steps = []

    def at(self, second, happens=lambda: None):
        self.steps.append((second, happens))
        return self

    def _feed(self):
        for second, happens in self.steps:
            happens()
            self.now = second
            yield

    def watch(self):
        self.folder.mkdir(exist_ok=True)
        with Workspace(self.archive) as workspace:
            for path, result in watching.take_in_cards(
                workspace,
                (self.folder,),
                once=False,
                feed=self._feed(),
                mounted=self.mounted,
                say=self.lines.append,
                clock=lambda: self.now,
            ):
                self.results.append((path.name, result))
        return self

    def said(self, words):
        return [line for line in self.lines if words in line]


def test_a_card_that_cannot_be_listed_is_reported_and_the_watch_continues(archive, tmp_path, monkeypatch):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    (tmp_path / "slots" / "bad").mkdir()
    from evidence.cards import watch

    list_folder = watch.list_folder

    def fails_on_bad(folder):
        found = list_folder(folder)
        return replace(found, error="Input/output error") if folder.name == "bad" else found

    monkeypatch.setattr(watch, "list_folder", fails_on_bad)
    desk = Desk(archive, tmp_path / "slots").at(0).at(6).watch()
    assert "input/output error" in str(desk.results[0][1])
    assert desk.results[1][1].kept == 2
    assert len(filed(archive)) == 2


def test_the_watch_says_what_it_watches_and_each_step_of_a_card(archive, tmp_path):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    desk = Desk(archive, tmp_path / "slots").at(0).at(6).watch()
    assert desk.lines[0].startswith("Watching for camera cards")
    assert str(tmp_path / "slots") in desk.lines[0]
    told = [
        next(i for i, line in enumerate(desk.lines) if words in line)
        for words in ("noticed", "copying", "analysing")
    ]
    assert told == sorted(told)
    assert "2 files" in desk.said("noticed")[0]


def test_after_a_restart_only_what_is_new_is_reported(archive, tmp_path):
    card = a_card(tmp_path / "slots" / "one", "TC-1001")
    first = Desk(archive, tmp_path / "slots").at(0).at(6).watch()
    assert [result.kept for _, result in first.results] == [2]
    again = Desk(archive, tmp_path / "slots").at(0).at(6).watch()
    assert again.results == []
    assert not again.said("copying")
    card.scene()
    third = Desk(archive, tmp_path / "slots").at(0).at(6).watch()
    assert [(result.kept, result.already_kept) for _, result in third.results] == [(1, 2)]


def test_a_folder_that_is_still_being_filled_is_taken_in_again_with_what_came(archive, tmp_path):
    card = a_card(tmp_path / "slots" / "one", "TC-1001")
    desk = Desk(archive, tmp_path / "slots").at(0).at(3, card.scene).at(35, card.scene).at(36).at(42)
    desk.at(50, card.scene).at(60).watch()
    assert desk.said("still being filled")
    assert [(r.kept, r.already_kept) for _, r in desk.results] == [(4, 0), (1, 4)]


def test_a_full_disk_is_tried_again_with_growing_pauses_until_there_is_space(archive, tmp_path, monkeypatch):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    tries = []
    take_in = watching.take_in

    def full(workspace, card, **more):
        tries.append(desk.now)
        if len(tries) < 4:
            with writing(archive):
                raise OSError(errno.ENOSPC, "full")
        return take_in(workspace, card, **more)

    monkeypatch.setattr(watching, "take_in", full)
    desk = Desk(archive, tmp_path / "slots")
    for second in range(121):
        desk.at(second)
    desk.watch()
    assert [after - before for before, after in itertools.pairwise(tries)] == [10, 20, 40]
    assert [type(result).__name__ for _, result in desk.results] == ["DestinationError", "IntakeReport"]
    assert "Free some space there; the intake then continues by itself." in desk.said("disk is full")[0]


def test_a_card_pulled_in_the_middle_of_the_copy_is_finished_when_it_is_put_in_again(
    archive, tmp_path, monkeypatch
):
    card = a_card(tmp_path / "slots" / "one", "TC-1001")
    away = tmp_path / "away"
    from evidence.intake import copy_card

    copy_in, copied = copy_card.copy_in, []

    def pulled_after_one(source, found, *more, **named):
        if copied == [1]:
            card.root.rename(away)
        copied.append(1)
        return copy_in(source, found, *more, **named)

    monkeypatch.setattr(copy_card, "copy_in", pulled_after_one)
    desk = Desk(archive, tmp_path / "slots").at(0).at(6).at(8).at(20)
    desk.at(22, lambda: away.rename(card.root)).at(30).watch()
    assert "1 of 2 files are kept. Put it in again" in desk.said("taken out before everything")[0]
    assert desk.results[0][1].card.safe_as_seen is False
    assert desk.results[0][1].card.came_since == 0, "nothing is said of a card that is away"
    assert (desk.results[-1][1].kept, desk.results[-1][1].already_kept) == (1, 1)
    assert len(filed(archive)) == 2


def test_an_absent_target_is_waited_for_and_the_card_becomes_safe_without_being_read_again(
    archive, tmp_path, other_disk
):
    target, away = other_disk / "office", other_disk / "away"
    target.mkdir()
    with_target(archive, target)
    assert cli("backup", archive=archive).status == 0
    target.rename(away)
    a_card(tmp_path / "slots" / "one", "TC-1001")
    desk = Desk(archive, tmp_path / "slots").at(0).at(6).at(20).at(50)
    desk.at(100, lambda: away.rename(target)).at(140).watch()
    assert [type(result).__name__ for _, result in desk.results] == ["IntakeReport", "CardNow"]
    assert desk.results[0][1].card.safe_to_erase is False
    assert desk.results[1][1].verdict.safe_to_erase is True
    assert desk.said("one: the backup is tried again by itself. Next try in 10 s.")
    assert len(desk.said("copying 2 files")) == 1


def test_a_full_target_is_tried_again_and_the_card_becomes_safe_when_there_is_space(
    archive, tmp_path, other_disk, monkeypatch
):
    from evidence.archive.targets import FolderTarget

    with_target(archive, other_disk)
    a_card(tmp_path / "slots" / "one", "TC-1001")
    put_bag, tries = FolderTarget.put_bag, []

    def full(target, *given, **more):
        tries.append(desk.now)
        if len(tries) < 4:
            with writing(other_disk):
                raise OSError(errno.ENOSPC, "full")
        return put_bag(target, *given, **more)

    monkeypatch.setattr(FolderTarget, "put_bag", full)
    desk = Desk(archive, tmp_path / "slots")
    for second in range(0, 200, 2):
        desk.at(second)
    desk.watch()
    assert [after - before for before, after in itertools.pairwise(tries[:4])] == [10, 20, 40]
    assert [type(result).__name__ for _, result in desk.results] == ["IntakeReport", "CardNow"]
    assert desk.results[0][1].card.safe_to_erase is False
    assert desk.results[1][1].verdict.safe_to_erase is True
    assert "disk is full" in desk.results[0][1].backup.troubles[0].message
    assert len(desk.said("the backup is tried again by itself")) == 1, desk.lines
    assert len(desk.said("copying 2 files")) == 1


def test_after_a_sleep_what_waits_is_tried_at_once_and_a_card_settles_anew(archive, tmp_path):
    desk = Desk(archive, tmp_path / "slots")
    desk.at(0).at(2, lambda: a_card(tmp_path / "slots" / "one", "TC-1001")).at(7200).at(7202)
    desk.watch()
    assert desk.said("slept for 2 h 0 min")
    assert desk.results == []
    later = Desk(archive, tmp_path / "slots").at(0).at(6).watch()
    assert len(later.results) == 1


def test_files_that_a_reader_never_gives_are_not_read_for_ever(archive, tmp_path, monkeypatch):
    a_card(tmp_path / "slots" / "one", "TC-1001")
    from evidence.errors import CardReadError
    from evidence.intake import copy_card

    def fails(*_more, **_named):
        raise CardReadError("x could not be read.", "")

    monkeypatch.setattr(copy_card, "copy_in", fails)
    desk = Desk(archive, tmp_path / "slots")
    for second in range(0, 4000, 50):
        desk.at(second)
    desk.watch()
    assert len(desk.results) == 1
    assert desk.said("7 tries came to the same")


def test_only_one_watch_runs_and_one_that_was_killed_leaves_no_lock(archive, tmp_path):
    (tmp_path / "slots").mkdir()
    hold = (
        "import os, signal, sys\nfrom pathlib import Path\n"
        "from evidence.intake.watching import only_watch\nfrom evidence.workspace import Workspace\n"
        "with Workspace(Path(sys.argv[1])) as w, only_watch(w):\n"
        "    print('held', flush=True); sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(archive)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout.readline().strip() == b"held"
        ran = cli("watch", tmp_path / "slots", archive=archive)
        assert ran.status == 27
        assert "already watches" in ran.err
        other.kill()
        other.wait(timeout=20)
    with Workspace(archive) as workspace:
        assert not watching.is_watched(workspace)
        with watching.only_watch(workspace):
            assert watching.is_watched(Workspace(archive))


def test_a_folder_is_called_safe_for_the_files_seen_only(archive, tmp_path, other_disk):
    with_target(archive, other_disk)
    a_card(tmp_path / "slots" / "one", "TC-1001")
    ran = cli("watch", tmp_path / "slots", "--once", archive=archive)
    assert "SAFE TO ERASE for the 2 files seen" in " ".join(ran.out.split())
    assert "came to the folder since" not in ran.out
