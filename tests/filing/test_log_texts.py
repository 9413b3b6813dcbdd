"""Texts of the custody log: no copy of one is lost to a backup, and a repair brings one back from any target."""

from __future__ import annotations

import errno
import json
import os
import shutil
from pathlib import Path

import pytest
from support_cli import cli
from support_intake import at_home, set_settings

from evidence.archive.custody_key import kept_id
from evidence.archive.heads import newest_head
from evidence.filing import backup
from evidence.filing.target_log import entries_at

REASON = "letter of Rosalind Quay"


def status(*arguments, archive):
    return cli(*arguments, archive=archive).status


def is_whole(archive):
    return cli("custody", "--verify", archive=archive).status == 0


def texts_of(root):
    """The side files of the archive, or of a target below `archive/`."""
    return sorted((root / "custody" / "custody-texts").glob("*.jsonl"))


def all_texts(root):
    return b"".join(path.read_bytes() for path in texts_of(root))


@pytest.fixture
def with_text(backed_up):
    """An archive and its target; the log has a hold with a reason."""
    archive, target = backed_up
    assert status("hold", "place", "TC-1001", "--reason", REASON, archive=archive) == 0
    assert status("backup", archive=archive) == 0
    assert REASON.encode() in all_texts(target / "archive")
    return archive, target


@pytest.fixture
def two_targets(with_text, tmp_path):
    """The same with a second target."""
    archive, target = with_text
    second = tmp_path / "second"
    second.mkdir()
    more = f"\n[[target]]\nname = 'second'\npath = '{second.as_posix()}'\n"
    text = (archive / "evidence.toml").read_text(encoding="utf-8")
    set_settings(archive, text + more)
    assert status("backup", archive=archive) == 0
    return archive, target, second


@pytest.mark.parametrize("text_since", [False, True])
def test_a_backup_brings_a_lost_text_back_before_it_would_replace_its_last_copy(with_text, text_since):
    archive, target = with_text
    for path in texts_of(archive):
        path.unlink()
    assert not is_whole(archive)
    if text_since:
        assert status("hold", "place", "TC-1002", "--reason", "since then", archive=archive) == 0
    assert status("backup", archive=archive) == 0
    assert REASON.encode() in all_texts(target / "archive")
    assert REASON.encode() in all_texts(archive)
    assert is_whole(archive)


@pytest.mark.parametrize("text_since", [False, True])
def test_a_backup_leaves_texts_at_a_target_that_cannot_be_read_now(with_text, monkeypatch, text_since):
    archive, target = with_text
    for path in texts_of(archive):
        path.unlink()
    if text_since:
        assert status("hold", "place", "TC-1002", "--reason", "since then", archive=archive) == 0
    there = texts_of(target / "archive")
    open_path = Path.open
    with monkeypatch.context() as patch:

        def fails(path, *arguments, **more):
            if path in there:
                raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
            return open_path(path, *arguments, **more)

        patch.setattr(Path, "open", fails)
        ran = cli("backup", archive=archive)
        assert ran.status != 0
        assert "cannot be read" in ran.err + ran.out
    assert REASON.encode() in all_texts(target / "archive")
    assert status("backup", archive=archive) == 0
    assert is_whole(archive)
    assert REASON.encode() in all_texts(archive)


def test_a_repair_brings_texts_back_that_the_target_of_the_restore_had_lost(two_targets, tmp_path):
    archive, target, _ = two_targets
    for path in texts_of(target / "archive"):
        path.unlink()
    shutil.rmtree(archive)
    back = tmp_path / "back"
    ran = cli("restore", target, back, "--json", actor="Ada Clerk")
    assert ran.status == 1
    assert {one["code"] for one in ran.data["findings"]} == {"not_restored", "text_missing"}
    ran = cli("repair", "--json", archive=back)
    assert (ran.status, ran.data["findings"]) == (0, [])
    assert "second" in {one["source"] for one in ran.data["repaired"]}
    assert is_whole(back)
    assert REASON.encode() in all_texts(back)


def test_a_repair_names_texts_that_no_target_has(with_text):
    archive, target = with_text
    for path in (*texts_of(archive), *texts_of(target / "archive")):
        path.unlink()
    ran = cli("repair", "--json", archive=archive)
    assert ran.status == 1
    assert "text_missing" in {one["code"] for one in ran.data["findings"]}


def test_a_restore_brings_the_sound_texts_of_a_damaged_file_back(with_text, tmp_path):
    archive, target = with_text
    assert status("hold", "place", "TC-1002", "--reason", "another reason", archive=archive) == 0
    assert status("backup", archive=archive) == 0
    (path,) = texts_of(target / "archive")
    path.write_bytes(path.read_bytes().replace(b"Rosalind", b"Rosalinx"))
    back = tmp_path / "back"
    ran = cli("restore", target, back, "--json", actor="Ada Clerk")
    (missing,) = [one for one in ran.data["findings"] if one["code"] == "text_missing"]
    assert missing["message"].startswith("The text of 1 entry is altered or missing")
    assert b"another reason" in all_texts(back)
    assert b"Rosalin" not in all_texts(back)


def test_what_a_killed_run_left_of_a_text_is_removed_with_the_text(with_text):
    archive, _target = with_text
    (path,) = texts_of(archive)
    left = path.with_name(f"{path.name}.part")
    left.write_text(REASON)
    with at_home(archive) as workspace:
        workspace.custody.remove_texts(
            lambda _entry, _text: True, actor="Ada", subject="TC-1001", at=workspace.now()
        )
    assert not left.exists()


def test_a_removed_text_does_not_come_back_and_its_file_at_a_target_goes(with_text, tmp_path):
    archive, target = with_text
    shutil.copytree(target / "archive" / "custody", tmp_path / "earlier")
    with at_home(archive) as workspace:
        log = workspace.custody
        log.remove_texts(lambda _entry, _text: True, actor="Ada", subject="TC-1001", at=workspace.now())
        assert log.bring_texts(log.missing_texts(), tmp_path / "earlier" / "custody.jsonl") == []
    assert texts_of(archive) == []
    (archive / "targets" / "office.files.json").unlink()  # as after a restore: what was copied is not known
    assert status("backup", archive=archive) == 0
    assert texts_of(target / "archive") == []
    assert is_whole(archive)


def test_a_removal_takes_a_damaged_line_too(with_text):
    archive, _ = with_text
    (path,) = texts_of(archive)
    path.write_bytes(path.read_bytes() + json.dumps({"salt": "00", "text": "Quay, damaged"}).encode() + b"\n")
    with at_home(archive) as workspace:
        workspace.custody.remove_texts(
            lambda _entry, _text: False, actor="Ada", subject="TC-1001", at=workspace.now()
        )
    assert b"damaged" not in path.read_bytes()
    assert is_whole(archive)


# --- the signed head follows the log ----------------------------------------------------


def head_at(target, archive):
    return newest_head(target, kept_id(archive)).head.size


def test_a_repair_at_a_target_leaves_the_log_there_with_a_signed_head_over_all_of_it(backed_up):
    archive, target = backed_up
    path = target / "archive" / "evidence.toml"
    path.write_bytes(b"x" + path.read_bytes())
    assert status("repair", "--all", archive=archive) == 0
    with at_home(archive) as workspace:
        entries = workspace.custody.head().seq
    assert head_at(target, archive) == entries_at(target)
    assert entries_at(target) >= entries - 1, (
        "the entries of the repair are there; the judging of cards follows"
    )
    assert status("verify", archive=archive) == 0


def test_a_target_that_did_not_get_the_log_does_not_get_its_head(two_targets, monkeypatch):
    archive, target, second = two_targets
    before = head_at(second, archive), head_at(target, archive)
    real = backup.push_archive_files

    def refused(workspace, at, **how):
        if at.name == "second":
            raise backup.BadInputError("The disk is full.", "Free some space.")
        return real(workspace, at, **how)

    monkeypatch.setattr(backup, "push_archive_files", refused)
    assert status("hold", "place", "TC-1002", "--reason", "more", archive=archive) == 0
    assert status("backup", archive=archive) == 1
    assert head_at(second, archive) == before[0]
    assert head_at(target, archive) > before[1]
    monkeypatch.undo()
    assert status("backup", archive=archive) == 0
    assert head_at(second, archive) == entries_at(second) == head_at(target, archive)
