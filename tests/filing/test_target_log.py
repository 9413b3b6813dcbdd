"""The copy of the custody log at a target: a damaged log never replaces it, and a target that lost it says what works."""

from __future__ import annotations

import shutil

import pytest
from support_cli import cli
from support_intake import filed, holding

from evidence.filing import target_log

LOG = "custody/custody.jsonl"


def lines_of(log):
    return log.read_bytes().splitlines(keepends=True)


@pytest.mark.parametrize("how", ["an entry twice", "two entries exchanged"])
def test_a_damaged_log_does_not_replace_the_good_copy_at_a_target(backed_up, how):
    archive, target = backed_up
    log, copy = archive / LOG, target / "archive" / LOG
    good, lines = copy.read_bytes(), lines_of(archive / LOG)
    changed = (
        [*lines[:3], lines[2], *lines[3:]] if how == "an entry twice" else [lines[1], lines[0], *lines[2:]]
    )
    log.write_bytes(b"".join(changed))
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 1
    (trouble,) = ran.data["troubles"]
    assert "is damaged itself, so nothing was changed there" in trouble["message"]
    assert copy.read_bytes() == good
    back = archive.parent / "back"
    assert cli("restore", target, back, archive=archive).status == 0, "the message offers a restore"
    assert filed(back) == filed(archive)


@pytest.mark.parametrize("size", [1, 7, 4096])
@pytest.mark.parametrize("there", ["nothing", "a part", "another log"])
def test_the_copy_is_written_in_pieces_up_to_the_last_whole_line(tmp_path, monkeypatch, size, there):
    monkeypatch.setattr(target_log, "_COPIED", size)
    ours, theirs = tmp_path / "log.jsonl", tmp_path / "target" / "log.jsonl"
    whole = b"".join(b'{"seq":%d}\n' % number for number in range(200))
    ours.write_bytes(whole + b'{"torn')
    theirs.parent.mkdir()
    if there != "nothing":
        theirs.write_bytes(whole[:500] if there == "a part" else b"x" * 900 + b"\n")
    target_log.append_log(ours, theirs)
    assert theirs.read_bytes() == whole
    assert [one.name for one in theirs.parent.iterdir()] == ["log.jsonl"]


def lose(log, how):
    if how == "lost":
        log.unlink()
    else:
        log.write_bytes(b"".join(lines_of(log)[:-2]))


@pytest.mark.parametrize("heads", [True, False], ids=["with heads", "without heads"])
@pytest.mark.parametrize("how", ["lost", "older"])
def test_a_target_that_lost_its_log_is_replaced_by_an_empty_disk_as_the_messages_say(
    backed_up, tmp_path, how, heads
):
    archive, target = backed_up
    before = filed(archive)
    cli("hold", "place", "TC-1001", "--reason", "letter", archive=archive)
    assert cli("backup", archive=archive).status == 0
    lose(target / "archive" / LOG, how)
    if not heads:
        shutil.rmtree(target / "custody-heads")
    shutil.rmtree(archive)
    back = tmp_path / "back"
    ran = cli("restore", target, back, "--json", actor="Ada Clerk")
    assert ran.status == 1, ran.out
    code = {"lost": "log_missing", "older": "log_older"}[how]
    said = {one["code"]: one["message"] for one in ran.data["findings"]}
    if heads or how == "lost":
        assert "evidence target replace office PATH" in said[code]
    assert filed(back) == before
    there = holding(target, set(before))
    tried = cli("backup", "--json", archive=back)
    if tried.status == 0:
        assert (how, heads) == ("older", False), "the log reaches all that the bags note"
        return
    assert tried.status == 32
    assert "evidence target replace office PATH" in tried.data["troubles"][0]["message"]
    (tmp_path / "empty").mkdir()
    replaced = cli("target", "replace", "office", tmp_path / "empty", archive=back, actor="Ada Clerk")
    assert replaced.status == 0, replaced.err
    assert cli("backup", archive=back).status == 0
    assert len(holding(tmp_path / "empty", set(before))) == len(before)
    assert holding(target, set(before)) == there, "the old disk stays as it is"


def test_a_target_that_lost_its_log_does_not_matter_while_another_has_it(backed_up, tmp_path):
    archive, target = backed_up
    second = tmp_path / "second"
    second.mkdir()
    with (archive / "evidence.toml").open("a", encoding="utf-8") as settings:
        settings.write(f"\n[[target]]\nname = 'second'\npath = '{second.as_posix()}'\n")
    assert cli("backup", archive=archive).status == 0
    (target / "archive" / LOG).unlink()
    shutil.rmtree(archive)
    back = tmp_path / "back"
    assert cli("restore", second, back, actor="Ada Clerk").status == 0
    assert cli("backup", archive=back).status == 0, "the lost copy of the log is written anew"
    assert (target / "archive" / LOG).read_bytes().startswith((second / "archive" / LOG).read_bytes()[:2000])
    assert cli("custody", "--verify", archive=back).status == 0


def test_two_targets_whose_disks_were_exchanged_are_named_and_nothing_is_written(backed_up, tmp_path):
    archive, target = backed_up
    second = tmp_path / "second"
    second.mkdir()
    with (archive / "evidence.toml").open("a", encoding="utf-8") as settings:
        settings.write(f"\n[[target]]\nname = 'second'\npath = '{second.as_posix()}'\n")
    assert cli("backup", archive=archive).status == 0
    target.rename(tmp_path / "away")
    second.rename(target)
    (tmp_path / "away").rename(second)
    ran = cli("backup", "--json", archive=archive)
    assert ran.status == 1
    said = {one["subject"]: one["message"] for one in ran.data["troubles"]}
    assert "is the folder of the backup target second, not of office" in said["office"]
    assert "is the folder of the backup target office, not of second" in said["second"]
    assert all("correct the name and path" in one for one in said.values())
