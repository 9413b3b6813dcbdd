"""Nothing is ever written to a card (rule 1), and every file on it is accounted for (rule 3)."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from support_cards import DCIM, a_card, files_below, make_read_only, read_ledger, small_disk
from support_cards_run import take_in

from evidence.cards.copying import copy_in
from evidence.cards.files import list_card
from evidence.cards.ledger import Ledger, account, copied, refused, started
from evidence.cards.reading import list_folder, open_on_card
from evidence.cards.volumes import open_source
from evidence.cards.watch import ready_now, watch
from evidence.errors import CardReadError
from evidence.model import Outcome

WRITING = os.O_WRONLY | os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_TRUNC
CHANGES = {
    "os.remove", "os.rename", "os.mkdir", "os.rmdir", "os.chmod", "os.chown", "os.utime", "os.link", "os.symlink",
    "os.truncate", "os.setxattr", "os.removexattr", "shutil.copyfile", "shutil.move", "shutil.rmtree", "os.lockf",
}  # fmt: skip

_watched: list[str] = []
_seen: list[tuple[str, str, int]] = []


def _audit(event: str, arguments: tuple[object, ...]) -> None:
    """Notes every opening and every change below the watched folder; cannot be taken away again."""
    if not _watched or (event != "open" and event not in CHANGES):
        return
    for argument in arguments[:2]:
        path = os.fsdecode(argument) if isinstance(argument, (str, bytes, os.PathLike)) else ""
        if path.startswith(_watched[0]):
            flags = arguments[2] if event == "open" and isinstance(arguments[2], int) else 0
            _seen.append((event, path, flags))


@contextmanager
def audited(card: Path) -> Iterator[list[tuple[str, str, int]]]:
    if not getattr(_audit, "installed", False):
        sys.addaudithook(_audit)
        _audit.installed = True
    _seen.clear()
    _watched.append(str(card.resolve()))
    try:
        yield _seen
    finally:
        _watched.clear()


def every_use_of(card: Path, work: Path) -> None:
    """All that this room ever does with a card."""
    assert take_in(card, work / "store", work / "journal.jsonl").adds_up
    assert take_in(card, work / "store", work / "journal.jsonl").adds_up
    assert ready_now([card], mounted=tuple) == (card.resolve(),)
    list(watch([card], feed=range(3), settle=timedelta(), clock=lambda: 0.0, mounted=tuple))


def test_the_system_is_only_ever_asked_to_read_a_card(tmp_path):
    card = a_card(tmp_path / "card")
    with audited(card) as seen:
        every_use_of(card, tmp_path)
        uses = list(seen)
    assert len(uses) > 30
    assert [use for use in uses if use[0] != "open" or use[2] & WRITING] == []


def test_the_audit_itself_would_notice_a_write(tmp_path):
    card = a_card(tmp_path / "card")
    with audited(card) as seen:
        (card / "new.txt").write_text("x")
        (card / "new.txt").unlink()
        events = {event for event, _, flags in seen if event != "open" or flags & WRITING}
    assert events == {"open", "os.remove"}


def test_a_card_that_refuses_writes_is_taken_in(tmp_path):
    with small_disk(tmp_path / "card", kib=2048) as disk:
        a_card(disk)
        make_read_only(disk)
        with pytest.raises(OSError, match="Read-only"):
            (disk / "x").write_bytes(b"x")
        every_use_of(disk, tmp_path)


def snapshot(card: Path) -> dict[str, tuple[object, ...]]:
    state = {}
    for path in [card, *card.rglob("*")]:
        now = path.lstat()
        content = path.read_bytes() if path.is_file() else b""
        state[str(path)] = (now.st_mode, now.st_size, now.st_mtime_ns, now.st_ctime_ns, now.st_nlink, content)
    return state


def test_a_card_is_afterwards_what_it_was_before(tmp_path):
    card = a_card(tmp_path / "card")
    before = snapshot(card)
    every_use_of(card, tmp_path)
    assert snapshot(card) == before


@pytest.mark.skipif(not hasattr(os, "O_NOATIME"), reason="only Linux can leave the time of access alone")
def test_not_even_the_time_of_access_changes(tmp_path):
    card = a_card(tmp_path / "card")
    long_ago = (1_000_000_000, 1_000_000_000)
    control = tmp_path / "control.txt"
    control.write_bytes(b"x")
    os.utime(control, long_ago)
    control.read_bytes()
    if control.stat().st_atime_ns == 10**18:
        pytest.skip("this file system keeps no times of access")
    paths = [*card.rglob("*"), card]  # listed before, for listing them is a use too
    for path in paths:
        os.utime(path, long_ago)
    every_use_of(card, tmp_path)
    assert {path.lstat().st_atime_ns for path in paths} == {10**18}


def test_an_open_card_file_cannot_be_written_through(tmp_path):
    card = a_card(tmp_path / "card")
    handle = open_on_card(card / DCIM / "IMG_0001.JPG")
    try:
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.write(handle._descriptor, b"x")
    finally:
        handle.close()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")
@pytest.mark.timeout(60)
def test_only_a_regular_file_is_ever_opened(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(a_card(tmp_path / "card") / DCIM / "IMG_0001.JPG")
    for name in ("pipe", "link", "card", "none"):
        with pytest.raises(CardReadError, match=name):
            open_on_card(tmp_path / name)


# --- rule 3 ------------------------------------------------------------------------------


def everything_on(card: Path) -> set[str]:
    """Every name that is no folder, found by other means than ours."""
    names = set()
    for folder, below, files in os.walk(card, followlinks=False):
        links = [name for name in below if Path(folder, name).is_symlink()]
        names |= {Path(folder, name).relative_to(card).as_posix() for name in [*files, *links]}
    return names


def test_every_name_on_a_card_has_exactly_one_outcome(tmp_path):
    card = a_card(tmp_path / "card")
    if os.name != "nt":
        (card / "loop").symlink_to(card)
        os.mkfifo(card / "pipe")
    walk = list_card(card)
    listed = [f.card_path for f in walk.found] + [r.path for r in walk.refused]
    assert len(listed) == len(set(listed))
    assert set(listed) == everything_on(card)
    result = take_in(card, tmp_path / "store", tmp_path / "journal.jsonl")
    assert result.adds_up
    assert {*result.kept, *result.already_kept, *result.refused} == everything_on(card)
    assert result.already_kept == ("DCIM/101ABCDE/IMG_0001.JPG",)


@pytest.mark.parametrize("folder", ["cameras", "broken", "sheets", "gps_walk"])
def test_every_real_photo_is_accounted_for(real_photos, tmp_path, folder):
    card = real_photos / folder
    source = open_source(card)
    walk = list_card(card)
    assert {f.card_path for f in walk.found} == everything_on(card)
    with Ledger(tmp_path / "journal.jsonl") as ledger:
        ledger.record(started(source, walk, intake="i", actor="a", at="2026-03-04T00:00:00Z"))
        for refusal in walk.refused:
            ledger.record(refused(refusal))
        for found in walk.found:
            result = copy_in(source, found, tmp_path / "store")
            assert result.outcome is Outcome.KEPT
            ledger.record(copied(result))
    assert account(walk, read_ledger(tmp_path / "journal.jsonl")).adds_up
    assert len(files_below(tmp_path / "store")) == len(everything_on(card))


def test_a_list_that_breaks_off_says_so(tmp_path, monkeypatch):
    card = a_card(tmp_path / "card")
    real = os.scandir

    class BreaksOff:
        def __init__(self, where: object) -> None:
            self._inner = real(where)
            self._left = 2

        def __enter__(self):
            return self

        def __exit__(self, *_):
            self._inner.close()

        def __iter__(self):
            return self

        def __next__(self):
            self._left -= 1
            if self._left < 0:
                raise OSError(5, "Input/output error")
            return next(self._inner)

    monkeypatch.setattr(os, "scandir", BreaksOff)
    listing = list_folder(card / DCIM)
    assert len(listing.entries) == 2
    assert "error" in listing.error.lower()
