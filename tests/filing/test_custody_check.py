"""Rule 7 on the real file: whatever is altered, dropped or reordered in the custody log is detected. And rules 1 and 10."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
from datetime import datetime

import piexif
import pytest
from support_card import CardMaker
from support_cli import cli
from support_intake import PLAIN, at_home, filed, loaded_archive, set_settings, small_houses, taken_in

from evidence.errors import CatalogError, CustodyError, LockedError
from evidence.workspace import Workspace


def log_of(archive):
    return archive / "custody" / "custody.jsonl"


def verdict(archive):
    return cli("custody", "--verify", "--json", archive=archive)


def altered(lines):
    for place in range(len(lines)):
        for old, new in ((b'"actor":"', b'"actor":"x'), (b'"action":"', b'"action":"un'), (b"Z", b"z")):
            if old in lines[place]:
                yield (
                    f"line {place + 1} altered",
                    [*lines[:place], lines[place].replace(old, new, 1), *lines[place + 1 :]],
                )


def dropped(lines):
    for place in range(len(lines)):
        yield f"line {place + 1} dropped", [*lines[:place], *lines[place + 1 :]]


def swapped(lines):
    for place in range(len(lines) - 1):
        yield (
            f"lines {place + 1} and {place + 2} swapped",
            [*lines[:place], lines[place + 1], lines[place], *lines[place + 2 :]],
        )


def doubled(lines):
    yield "last line twice", [*lines, lines[-1]]
    yield "first line twice", [lines[0], *lines]


@pytest.mark.parametrize("change", [altered, dropped, swapped, doubled], ids=lambda one: one.__name__)
def test_a_change_of_the_log_is_detected(houses, change):
    assert verdict(houses).status == 0
    whole = log_of(houses).read_bytes()
    lines = whole.splitlines(keepends=True)
    assert len(lines) >= 6
    for what, spoilt in change(lines):
        log_of(houses).write_bytes(b"".join(spoilt))
        ran = verdict(houses)
        assert ran.status == 1, what
        assert ran.data["valid"] is False, what
        assert ran.data["findings"], what
    log_of(houses).write_bytes(whole)
    assert verdict(houses).status == 0


def test_the_last_entries_cannot_be_dropped_even_with_the_head_rewritten_to_match(houses):
    lines = log_of(houses).read_bytes().splitlines(keepends=True)
    head = log_of(houses).with_name("custody.jsonl.head")
    shorter = b"".join(lines[:3])
    import hashlib

    digest = hashlib.sha256(lines[2].rstrip(b"\n")).hexdigest()
    log_of(houses).write_bytes(shorter)
    head.write_text(json.dumps({"seq": 3, "sha256": digest, "size": len(shorter)}))
    assert verdict(houses).status == 1, "the bags noted a later head"


def test_a_log_that_is_gone_is_no_valid_log_and_is_never_begun_anew(houses):
    shutil.rmtree(houses / "custody")
    (houses / "custody").mkdir()
    assert verdict(houses).status == 1
    ran = cli("close", "TC-1001", "--on", "2026-05-20", archive=houses)
    assert ran.status == CustodyError.exit_code
    assert "backup" in ran.err
    with at_home(houses) as workspace:
        assert workspace.catalog.claims.get("TC-1001").state.value == "open", "changed without an entry"


def test_a_new_archives_missing_log_is_missed_too(tmp_path):
    archive = loaded_archive(tmp_path)
    for path in (archive / "custody").iterdir():
        path.unlink()
    assert verdict(archive).status == 1


def test_entries_about_one_claim_are_not_those_of_a_longer_number(houses):
    (houses.parent / "more.csv").write_text("claim\nTC-10010\n", encoding="utf-8")
    cli("assignments", houses.parent / "more.csv", archive=houses)
    cli("close", "TC-10010", "--on", "2026-05-20", archive=houses)
    shown = cli("custody", "--claim", "TC-1001", "--last", 0, "--json", archive=houses).data["shown"]
    assert shown
    assert "claim_closed" not in [one["action"] for one in shown]


@pytest.mark.parametrize("name", ["", "   ", "zero\u200bwidth", "x" * 101, "\x1b[31mred"])
def test_nobody_works_under_a_name_that_cannot_be_read_in_the_log(houses, name):
    log = log_of(houses).read_bytes()
    ran = cli("close", "TC-1001", "--on", "2026-05-20", "--actor", name, archive=houses)
    assert ran.status == 2
    assert "--actor" in ran.err
    assert log_of(houses).read_bytes() == log


# --- the catalog lost ----------------------------------------------------------------------


@pytest.mark.parametrize("card", ["the same card", "another card of the claim"])
def test_a_lost_catalog_never_removes_photos_from_a_bag(houses, two_houses_taken_in, card):
    before = filed(houses)
    for path in houses.glob("catalog.sqlite*"):
        path.unlink()
    if card == "the same card":
        root = two_houses_taken_in[1].root
    else:
        later = CardMaker(houses.parent / "later", serial="TC-0002", seed=900, number=40)
        later.sheet("TC-1001")
        root = later.root
    with pytest.raises(CatalogError, match="missing"):
        taken_in(houses, root)
    assert filed(houses) == before


# --- rule 1 --------------------------------------------------------------------------------


@pytest.fixture
def read_only_card(tmp_path):
    root = tmp_path / "card"
    root.mkdir()
    mounted = sys.platform == "linux" and os.geteuid() == 0
    if not mounted:
        pytest.skip("only root may mount a card")
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=32m", "card", root], check=False, capture_output=True
    ).returncode:
        pytest.skip("this system lets nobody mount a tmpfs")
    try:
        small_houses(root)
        subprocess.run(["mount", "-o", "remount,ro", root], check=True, capture_output=True)
        yield root
    finally:
        subprocess.run(["umount", "-l", root], check=False, capture_output=True)


def test_a_card_that_refuses_writes_is_taken_in_whole(read_only_card, tmp_path):
    with pytest.raises(OSError):
        (read_only_card / "probe").touch()
    archive = loaded_archive(tmp_path)
    assert taken_in(archive, read_only_card).kept == 9


_writes: list[str] = []
_watched: list[str] = []


def _hook(name, arguments):
    if not _watched or not arguments or not isinstance(arguments[0], (str, bytes, os.PathLike)):
        return
    path = os.fsdecode(arguments[0])
    if not path.startswith(_watched[0]):
        return
    if name == "open":
        mode, flags = arguments[1], arguments[2]
        writing = (isinstance(mode, str) and any(c in mode for c in "wax+")) or (
            isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC)
        )
        if writing:
            _writes.append(path)
    elif name in {
        "os.remove",
        "os.rename",
        "os.mkdir",
        "os.rmdir",
        "os.chmod",
        "os.utime",
        "os.link",
        "os.truncate",
    }:
        _writes.append(f"{name} {path}")


def test_nothing_below_the_card_is_opened_for_writing(tmp_path):
    card = small_houses(tmp_path / "card")
    archive = loaded_archive(tmp_path)
    sys.addaudithook(_hook)
    _watched.append(str(card.root))
    try:
        taken_in(archive, card.root)
        assert _writes == []
        (card.root / "probe").touch()
        assert _writes, "the hook saw nothing, so the test proves nothing"
    finally:
        _watched.clear()


# --- rule 10 -------------------------------------------------------------------------------


def test_a_stated_clock_fault_moves_the_corrected_time_and_never_the_cameras_own(tmp_path):
    archive = loaded_archive(tmp_path)
    hint = "\n[[clock]]\ndevice = 'TC-0001'\nminutes_fast = 61.5\nreason = 'set wrong at the shop'\n"
    set_settings(archive, PLAIN + hint)
    card = small_houses(tmp_path / "card")
    taken_in(archive, card.root)
    photos = cli("photos", "TC-1001", "--json", archive=archive).data
    checked = 0
    for one in photos:
        if not one["name"].endswith(".JPG"):
            continue
        exif = piexif.load(str(card.root / one["card_path"]))["Exif"]
        own = datetime.strptime(exif[piexif.ExifIFD.DateTimeOriginal].decode(), "%Y:%m:%d %H:%M:%S")
        assert datetime.fromisoformat(one["taken_at"]).replace(microsecond=0) == own
        corrected = datetime.fromisoformat(one["corrected_at"])
        assert (datetime.fromisoformat(one["taken_at"]) - corrected).total_seconds() == pytest.approx(
            61.5 * 60
        )
        assert "set wrong at the shop" in one["correction"]
        checked += 1
    assert checked == 4
    listed = json.loads(next((archive / "claims").glob("TC-1001*/records/photos.json")).read_text())
    facts = {one["record"]["name"]: one["record"]["facts"] for one in listed}
    assert facts["TEST0001.JPG"]["taken_text"] == "2026:05:14 09:00:00"
    original = next((archive / "claims").glob("TC-1001*/data/*/*/TEST0001.JPG"))
    assert original.read_bytes() == (card.root / card.written[0]).read_bytes()


# --- two at once ---------------------------------------------------------------------------


def test_a_second_intake_waits_its_turn_and_says_so_when_that_takes_too_long(houses, tmp_path, monkeypatch):
    monkeypatch.setattr("evidence.workspace.LOCK_WAIT_S", 0.2)
    card = small_houses(tmp_path / "card")
    entered, done = threading.Event(), threading.Event()

    def hold():
        with Workspace(houses) as workspace, workspace.locked():
            entered.set()
            done.wait(30)

    other = threading.Thread(target=hold)
    other.start()
    try:
        assert entered.wait(30)
        with pytest.raises(LockedError, match="Another command"):
            taken_in(houses, card.root)
    finally:
        done.set()
        other.join()
    assert taken_in(houses, card.root).already_kept == 9


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_two_processes_that_take_the_same_card_in_at_once_keep_every_file_once(tmp_path):
    archive = loaded_archive(tmp_path)
    card = small_houses(tmp_path / "card")
    children = []
    for _ in range(2):
        child = os.fork()
        if child == 0:
            try:
                report = taken_in(archive, card.root)
                os._exit(10 + report.kept)
            except BaseException:
                os._exit(1)
        children.append(child)
    ends = sorted(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children)
    assert sum(end - 10 for end in ends) == 9, "each file is kept by one of the two"
    assert len(filed(archive)) == 9
    assert verdict(archive).status == 0
