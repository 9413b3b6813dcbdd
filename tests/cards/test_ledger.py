"""The ledger of an intake: flushed entry by entry, incomplete last lines removed, every file accounted for."""

from __future__ import annotations

import errno
import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_cards import read_ledger, small_disk

from evidence.cards.files import CardListing
from evidence.cards.ledger import Ledger, account, copied, read_files, refused
from evidence.errors import DestinationError
from evidence.model import Copied, Found, MediaKind, Outcome, Refusal, Sha256

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)
ENTRIES = st.lists(st.dictionaries(st.text(), JSON, max_size=4), max_size=6)


def journal_of(path: Path, entries: list[dict[str, object]]) -> Path:
    with Ledger(path) as ledger:
        for entry in entries:
            ledger.record(entry)
    return path


@settings(max_examples=40, deadline=None)
@given(ENTRIES, ENTRIES)
def test_what_was_recorded_is_read_in_order_also_over_two_openings(tmp_path_factory, first, second):
    path = tmp_path_factory.mktemp("j") / "journal.jsonl"
    journal_of(path, first)
    journal_of(path, second)
    assert list(read_ledger(path)) == first + second


@settings(max_examples=40, deadline=None)
@given(ENTRIES, st.integers(0, 400))
def test_cut_anywhere_it_keeps_the_entries_before_and_continues(tmp_path_factory, entries, cut):
    path = journal_of(tmp_path_factory.mktemp("j") / "journal.jsonl", entries)
    os.truncate(path, min(cut, path.stat().st_size))
    kept = list(read_ledger(path))
    assert kept == entries[: len(kept)]
    journal_of(path, [{"event": "next"}])
    assert list(read_ledger(path)) == [*kept, {"event": "next"}]


def test_a_last_line_that_lacks_only_its_newline_counts(tmp_path):
    path = journal_of(tmp_path / "j", [{"a": 1}, {"b": 2}])
    os.truncate(path, path.stat().st_size - 1)
    assert read_ledger(path) == ({"a": 1}, {"b": 2})
    journal_of(path, [{"c": 3}])
    assert read_ledger(path) == ({"a": 1}, {"b": 2}, {"c": 3})


def test_zeros_that_a_crash_left_at_the_end_are_a_torn_end(tmp_path):
    path = journal_of(tmp_path / "j", [{"a": 1}])
    with path.open("ab") as handle:
        handle.write(b"\0" * 4096)
    assert read_ledger(path) == ({"a": 1},)
    journal_of(path, [{"b": 2}])
    assert read_ledger(path) == ({"a": 1}, {"b": 2})
    assert path.read_bytes() == b'{"a": 1}\n{"b": 2}\n'


def test_an_entry_is_flushed_to_the_disk_before_the_next_step(tmp_path, monkeypatch):
    order = []
    real_write, real_sync = os.write, os.fsync
    monkeypatch.setattr(os, "write", lambda d, b: (order.append("write"), real_write(d, b))[1])
    monkeypatch.setattr(os, "fsync", lambda d: (order.append("sync"), real_sync(d))[1])
    with Ledger(tmp_path / "j") as ledger:
        order.clear()
        ledger.record({"a": 1})
        assert order == ["write", "sync"]
        ledger.record({"b": 2})
        assert order == ["write", "sync"] * 2


def fill(ledger: Ledger) -> None:
    for n in range(10_000):
        ledger.record({"n": n, "pad": "x" * 1_000})


def test_a_full_disk_stops_it_and_leaves_whole_lines_only(tmp_path):
    with small_disk(tmp_path / "disk", kib=64) as disk:
        with Ledger(disk / "j") as ledger, pytest.raises(DestinationError, match="full"):
            fill(ledger)
        numbers = [entry["n"] for entry in read_ledger(disk / "j")]
        assert numbers == list(range(len(numbers)))
        assert 10 < len(numbers) < 70
        assert (disk / "j").read_bytes().endswith(b"\n")


def test_a_write_that_fails_half_way_is_undone(tmp_path, monkeypatch):
    real = os.write
    with Ledger(tmp_path / "j") as ledger:
        ledger.record({"a": 1})

        def half(descriptor: int, data: bytes) -> int:
            real(descriptor, bytes(data)[:5])
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(os, "write", half)
        with pytest.raises(DestinationError):
            ledger.record({"b": 2})
        monkeypatch.undo()
        ledger.record({"c": 3})
    assert read_ledger(tmp_path / "j") == ({"a": 1}, {"c": 3})


# --- does it add up ----------------------------------------------------------------------

SHA = Sha256("ab" * 32)


def found(path: str, size: int = 5) -> Found:
    return Found(
        card_path=path, size=size, modified=None, kind=MediaKind.PHOTO, dcf=None, object_key=f"file:{path}"
    )


WALK = CardListing(
    found=(found("a.jpg"), found("b.jpg")),
    refused=(Refusal(path="x", code="symlink", reason="a link"),),
)
KEPT_A = copied(Copied(found=found("a.jpg"), sha256=SHA, outcome=Outcome.KEPT))
KEPT_B = copied(Copied(found=found("b.jpg"), sha256=SHA, outcome=Outcome.ALREADY_KEPT))
REFUSED_X = refused(WALK.refused[0])
WHOLE = [{"event": "started"}, REFUSED_X, KEPT_A, KEPT_B, {"event": "finished"}]


def test_a_list_with_one_outcome_for_each_path_adds_up():
    result = account(WALK, WHOLE)
    assert result.adds_up
    assert (result.kept, result.already_kept, result.refused) == (("a.jpg",), ("b.jpg",), ("x",))


@pytest.mark.parametrize("left_out", [1, 2, 3])
def test_a_path_without_an_outcome_is_missed(left_out):
    result = account(WALK, WHOLE[:left_out] + WHOLE[left_out + 1 :])
    assert not result.adds_up
    assert result.missing == (str(WHOLE[left_out]["path"]),)


@pytest.mark.parametrize(
    ("extra", "where"),
    [
        (KEPT_A, "repeated"),
        ({**KEPT_A, "path": "c.jpg"}, "unknown"),
    ],
)
def test_an_entry_too_many_is_noticed(extra, where):
    result = account(WALK, [*WHOLE, extra])
    assert not result.adds_up
    assert getattr(result, where) == (extra["path"],)


@pytest.mark.parametrize(
    "wrong",
    [
        {**KEPT_A, "size": 6},
        {**KEPT_A, "sha256": ""},
        {**KEPT_A, "sha256": None},
        {**REFUSED_X, "path": "a.jpg", "reason": ""},
    ],
)
def test_an_entry_that_cannot_be_true_is_noticed(wrong):
    result = account(WALK, [wrong, KEPT_B, REFUSED_X])
    assert result.contradicted == ("a.jpg",)
    assert not result.adds_up


def test_what_was_refused_cannot_also_be_kept():
    result = account(WALK, [KEPT_A, KEPT_B, {**KEPT_A, "path": "x"}])
    assert result.contradicted == ("x",)


def test_a_later_run_may_correct_an_entry_and_the_same_run_may_not():
    trouble = refused(Refusal(path="a.jpg", code="unreadable", reason="it could not be read"))
    entries = [{"event": "started"}, REFUSED_X, trouble, KEPT_B]
    assert account(WALK, [*entries, {"event": "started"}, REFUSED_X, KEPT_A, KEPT_B]).kept == ("a.jpg",)
    assert account(WALK, [*entries, KEPT_A]).repeated == ("a.jpg",)


def test_a_walk_that_lists_a_path_twice_does_not_add_up():
    assert account(replace(WALK, found=(*WALK.found, WALK.found[0])), WHOLE).repeated == ("a.jpg",)


def test_an_entry_is_one_line_of_plain_json(tmp_path):
    journal_of(tmp_path / "j", [{**KEPT_A, "path": "new\nline \ufffdE9.jpg"}])
    (line,) = (tmp_path / "j").read_text(encoding="ascii").splitlines()
    assert json.loads(line)["path"] == "new\nline \ufffdE9.jpg"


def test_the_files_of_a_ledger_are_read_with_size_and_time_and_torn_lines_are_left_out(tmp_path):
    path = journal_of(
        tmp_path / "run.jsonl",
        [
            {"event": "started", "files": 2},
            {"event": "kept", "path": "a.JPG", "size": 3, "modified": "2026-05-14T18:02:00+00:00"},
            {"event": "refused", "path": "b.JPG", "size": None},
        ],
    )
    with path.open("ab") as file:
        file.write(b'{"event": "kept", "path": "c')
    assert read_files(path) == {"a.JPG": (3, "2026-05-14T18:02:00+00:00"), "b.JPG": (None, None)}
    assert read_files(tmp_path / "none.jsonl") == {}
