"""The custody log: its form (RFC 8785), and many ways of tampering with it."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import signal
import subprocess
import sys
import tempfile
import tracemalloc
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import filelock
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support_archive import killed_at

from evidence.archive import custody as custody_module
from evidence.archive import custody_reading
from evidence.archive.custody import GENESIS, Anchor, CustodyLog, Draft
from evidence.archive.custody_texts import FreeText
from evidence.archive.merkle import merkle_root
from evidence.errors import BadInputError, CustodyError
from evidence.model import Sha256

START = datetime(2026, 3, 4, 17, 30, tzinfo=UTC)


def draft(number: int, **more) -> Draft:
    values = {
        "actor": "dana",
        "action": "photo_kept",
        "subject": f"{number:064x}",
        "at": START + timedelta(seconds=number),
        "details": {"n": number, "name": f"A{number:04}.JPG"},
    }
    return Draft(**{**values, **more})


def filled(folder, count: int = 8) -> CustodyLog:
    log = CustodyLog(folder / "custody.jsonl")
    log.append_all([draft(number) for number in range(1, count + 1)])
    return log


def lines_of(log: CustodyLog) -> list[bytes]:
    return log.path.read_bytes().splitlines(keepends=True)


def test_an_entry_is_one_canonical_line_that_carries_the_digest_of_the_line_before(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    first = log.append("dana", "intake", "card", {"€": 1.0, "a": None}, START)
    second = log.append("dana", "close", "HT-1001", {}, START)
    lines = log.path.read_bytes().split(b"\n")
    expected = (
        '{"action":"intake","actor":"dana","at":"2026-03-04T17:30:00.000000Z","details":{"a":null,"€":1},'
        f'"prev":"{GENESIS}","seq":1,"subject":"card"}}'
    )
    assert lines[0].decode() == expected
    assert first.sha256 == hashlib.sha256(lines[0]).hexdigest() == second.prev
    assert lines[2] == b""
    assert [entry.seq for entry in log.entries()] == [1, 2]
    assert log.verify().valid


def test_times_are_kept_in_utc_whatever_zone_they_come_in(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    # RFC 3339, section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z
    when = datetime(1996, 12, 19, 16, 39, 57, tzinfo=timezone(timedelta(hours=-8)))
    entry = log.append("dana", "intake", "card", {}, when)
    assert json.loads(log.path.read_bytes())["at"] == "1996-12-20T00:39:57.000000Z"
    assert entry.at == when


def test_an_empty_log_is_valid_and_an_absent_one_too(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    assert log.verify().valid
    assert log.head() == Anchor(seq=0, sha256=GENESIS)
    assert list(log.entries()) == []
    log.append_all([])
    assert log.verify().valid


@pytest.mark.parametrize(
    "bad",
    [
        pytest.param({"at": datetime(2026, 3, 4)}, id="naive-time"),
        pytest.param({"actor": " "}, id="nobody"),
        pytest.param({"action": ""}, id="nothing-done"),
        pytest.param({"details": {"n": float("nan")}}, id="not-a-number"),
        pytest.param({"details": {"n": 2**60}}, id="number-json-cannot-carry"),
        pytest.param({"subject": "\udc80"}, id="half-a-character"),
        pytest.param({"details": {"n": object()}}, id="not-json"),
    ],
)
def test_what_cannot_be_written_is_refused_and_nothing_is(tmp_path, bad):
    log = filled(tmp_path, 2)
    before = log.path.read_bytes()
    with pytest.raises(BadInputError):
        log.append_all([draft(3), draft(4, **bad)])
    assert log.path.read_bytes() == before


# --- tampering ---------------------------------------------------------------------------


def alter(lines, number):
    return [*lines[: number - 1], lines[number - 1].replace(b"dana", b"mara"), *lines[number:]]


def drop(lines, number):
    return [*lines[: number - 1], *lines[number:]]


def double(lines, number):
    return [*lines[:number], *lines[number - 1 :]]


def swap_with_next(lines, number):
    return [*lines[: number - 1], lines[number], lines[number - 1], *lines[number + 1 :]]


def garble(lines, number):
    return [*lines[: number - 1], b"{}\n", *lines[number:]]


def respace(lines, number):
    changed = json.dumps(json.loads(lines[number - 1])).encode() + b"\n"
    return [*lines[: number - 1], changed, *lines[number:]]


def other_prev(lines, number):
    value = json.loads(lines[number - 1])
    changed = lines[number - 1].replace(value["prev"].encode(), b"f" * 64)
    return [*lines[: number - 1], changed, *lines[number:]]


@pytest.mark.parametrize("tamper", [alter, drop, garble, respace, other_prev])
@pytest.mark.parametrize("number", range(1, 9))
def test_the_first_entry_that_was_tampered_with_is_named(tmp_path, tamper, number):
    log = filled(tmp_path)
    log.path.write_bytes(b"".join(tamper(lines_of(log), number)))
    check = log.verify()
    assert not check.valid
    assert check.findings[0].subject == str(number)
    assert check.entries <= number


@pytest.mark.parametrize("number", range(1, 8))
def test_reordered_and_doubled_entries_are_found(tmp_path, number):
    log = filled(tmp_path)
    original = lines_of(log)
    log.path.write_bytes(b"".join(swap_with_next(original, number)))
    assert log.verify().findings[0].subject == str(number)
    log.path.write_bytes(b"".join(double(original, number)))
    assert log.verify().findings[0].subject == str(number + 1)
    log.path.write_bytes(b"".join(original))
    assert log.verify().valid


@given(data=st.data())
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_single_changed_byte_is_detected(tmp_path, data):
    log = CustodyLog(tmp_path / "custody.jsonl")
    if not log.path.exists():
        filled(tmp_path)
        (tmp_path / "original").write_bytes(log.path.read_bytes())
    original = (tmp_path / "original").read_bytes()
    place = data.draw(st.integers(0, len(original) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda value: value != original[place]))
    log.path.write_bytes(original[:place] + bytes([byte]) + original[place + 1 :])
    assert not log.verify().valid


@pytest.mark.parametrize("kept", range(8))
def test_dropping_the_last_entries_is_found_and_nothing_is_added_to_such_a_log(tmp_path, kept):
    log = filled(tmp_path)
    log.path.write_bytes(b"".join(lines_of(log)[:kept]))
    check = log.verify()
    assert not check.valid
    assert check.findings[0].code == "entries_missing"
    with pytest.raises(CustodyError, match="shorter"):
        log.append("dana", "x", "y", {}, START)


def forge(log: CustodyLog, count: int) -> CustodyLog:
    """The log written anew by one who holds all its files: entry 3 is another, and it ends at `count`."""
    drafts = [draft(number, actor="mara" if number == 3 else "dana") for number in range(1, count + 1)]
    log.path.unlink()
    log.head_path.unlink()
    fresh = CustodyLog(log.path)
    fresh.append_all(drafts)
    return fresh


def test_a_log_that_was_written_anew_is_found_by_a_head_noted_elsewhere(tmp_path):
    log = filled(tmp_path)
    noted = log.head()
    log.append_all([draft(9)])
    assert log.verify(anchors=[noted]).valid
    forged = forge(log, 9)
    assert forged.verify().valid  # the log alone cannot show it; anchors do
    check = forged.verify(anchors=[noted])
    assert [finding.code for finding in check.findings] == ["not_as_noted"]
    shorter = forge(forged, 5)
    assert [f.code for f in shorter.verify(anchors=[noted]).findings] == ["entries_missing"]


def test_a_merkle_root_noted_elsewhere_is_an_anchor_too(tmp_path):
    log = filled(tmp_path)
    root = merkle_root(line[:-1] for line in lines_of(log)).hex()
    anchor = Anchor(seq=8, sha256=log.head().sha256, root=root)
    log.append_all([draft(9)])
    assert log.verify(anchors=[anchor]).valid
    wrong = Anchor(seq=8, sha256=anchor.sha256, root="0" * 64)
    assert not log.verify(anchors=[wrong]).valid


def test_a_log_without_its_head_file_is_not_trusted_until_it_is_resealed(tmp_path):
    log = filled(tmp_path)
    log.head_path.unlink()
    assert [finding.code for finding in log.verify().findings] == ["head_missing"]
    with pytest.raises(CustodyError, match="head file"):
        log.append("dana", "x", "y", {}, START)
    entry = log.reseal("olga", "head file lost with the old disk", START + timedelta(days=1))
    assert (entry.seq, entry.action, entry.actor) == (9, "log_resealed", "olga")
    assert log.verify().valid
    log.path.write_bytes(b"".join(alter(lines_of(log), 4)))
    log.head_path.unlink()
    with pytest.raises(CustodyError, match="Entry 4"):
        log.reseal("olga", "again", START)


def test_a_clock_that_went_back_is_noted_and_breaks_nothing(tmp_path):
    log = filled(tmp_path)
    log.append_all([draft(9, at=START - timedelta(days=1))])
    check = log.verify()
    assert check.valid
    assert [(f.code, f.subject) for f in check.findings] == [("clock_went_back", "9")]


# --- killed while writing ----------------------------------------------------------------


def test_a_torn_last_line_is_set_aside_and_the_next_append_works(tmp_path):
    log = filled(tmp_path, 3)
    whole = log.path.read_bytes()
    torn = lines_of(filled(tmp_path / "other", 4))[3][:-20]
    log.path.write_bytes(whole + torn)
    check = log.verify()
    assert check.valid
    assert [finding.code for finding in check.findings] == ["torn_line"]
    assert len(list(log.entries())) == 3
    entry = log.append("dana", "photo_kept", "x", {}, START + timedelta(days=1))
    assert entry.action == "photo_kept"
    assert log.path.with_name("custody.jsonl.torn").read_bytes() == torn + b"\n"
    assert [e.action for e in log.entries()][3:] == ["torn_line_set_aside", "photo_kept"]
    noted = next(e for e in log.entries() if e.action == "torn_line_set_aside")
    assert noted.details == {"octets": len(torn), "sha256": hashlib.sha256(torn).hexdigest()}
    check = log.verify()
    assert (check.valid, check.findings) == (True, ())


def test_a_head_that_is_behind_is_fixed_by_the_next_append(tmp_path):
    log = filled(tmp_path, 3)
    head = log.head_path.read_bytes()
    log.append_all([draft(4), draft(5)])
    log.head_path.write_bytes(head)
    check = log.verify()
    assert check.valid
    assert [finding.code for finding in check.findings] == ["head_behind"]
    assert log.append("dana", "x", "y", {}, START + timedelta(days=1)).seq == 6
    assert log.verify().findings == ()


def test_lines_that_do_not_continue_the_chain_are_refused(tmp_path):
    log = filled(tmp_path, 3)
    stranger = lines_of(filled(tmp_path / "other", 5))[4]
    log.path.write_bytes(log.path.read_bytes() + stranger)
    with pytest.raises(CustodyError, match="after entry 3"):
        log.append("dana", "x", "y", {}, START)
    assert not log.verify().valid


def die_in_call(number: int) -> None:
    """Be killed in the disk call of that number; a write is torn nine bytes before its end."""
    count = 0

    def dying(whole, name):
        def call(*args):
            nonlocal count
            count += 1
            if count == number:
                if name == "write" and len(args[1]) > 9:
                    whole(args[0], bytes(args[1])[:-9])
                os.kill(os.getpid(), signal.SIGKILL)
            return whole(*args)

        return call

    for name in ("write", "fsync", "ftruncate", "replace"):
        setattr(os, name, dying(getattr(os, name), name))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a kill needs POSIX processes")
@pytest.mark.parametrize("start", ["new", "filled", "torn"])
def test_a_kill_in_any_call_to_the_disk_leaves_a_log_that_can_be_continued(tmp_path, start):
    for number in range(1, 40):
        folder = tmp_path / str(number)
        folder.mkdir()
        log = CustodyLog(folder / "custody.jsonl")
        if start != "new":
            filled(folder, 2)
        if start == "torn":
            log.path.write_bytes(log.path.read_bytes() + b'{"action":"half')

        def add_two(log=log, number=number) -> None:
            die_in_call(number)
            for subject in "ab":
                log.append("dana", "added", subject, {}, START + timedelta(days=1))

        alive = not killed_at(0, add_two)
        assert log.verify().valid
        log.append("dana", "after", "z", {}, START + timedelta(days=2))
        check = log.verify()
        assert (check.valid, check.findings) == (True, ())
        kept = "".join(entry.subject for entry in log.entries() if entry.action == "added")
        assert kept in ("", "a", "ab")
        if alive:
            assert kept == "ab"
            break
    assert 6 < number < 39


def test_the_line_is_on_the_disk_before_the_head_counts_it(tmp_path, monkeypatch):
    log = filled(tmp_path, 1)
    inode = log.path.stat().st_ino
    events = []
    write, fsync, replace = os.write, os.fsync, os.replace

    def note(name, whole):
        def call(first, *args):
            if name == "replace" or os.fstat(first).st_ino == inode:
                events.append(name)
            return whole(first, *args)

        return call

    for name, whole in (("write", write), ("fsync", fsync), ("replace", replace)):
        monkeypatch.setattr(os, name, note(name, whole))
    log.append("dana", "x", "y", {}, START)
    assert events == ["write", "fsync", "replace"]


MANY_APPENDS = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from evidence.archive.custody import CustodyLog
log = CustodyLog(Path(sys.argv[1]))
for n in range(40):
    log.append(sys.argv[2], "photo_kept", str(n), {}, datetime(2026, 3, 4, tzinfo=UTC))
"""


def test_processes_that_append_at_once_never_fork_the_chain(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    running = [
        subprocess.Popen([sys.executable, "-c", MANY_APPENDS, str(log.path), who])
        for who in ("ann", "bea", "cyd")
    ]
    while any(process.poll() is None for process in running):
        assert log.verify().valid  # a reader beside them always sees a whole chain
    assert [process.returncode for process in running] == [0, 0, 0]
    check = log.verify()
    assert (check.entries, check.valid, check.findings) == (120, True, ())
    for who in ("ann", "bea", "cyd"):
        assert [entry.subject for entry in log.entries() if entry.actor == who] == [str(n) for n in range(40)]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_forked_process_waits_for_an_append_of_its_parent(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    with log._lock():
        child = os.fork()
        if not child:
            try:
                log._lock().acquire(timeout=0)
            except filelock.Timeout:
                os._exit(0)
            finally:
                os._exit(1)
        assert os.waitpid(child, 0)[1] == 0, "the child has the lock that its parent holds"


# --- size --------------------------------------------------------------------------------


def test_a_long_log_is_appended_to_without_being_read(tmp_path, monkeypatch):
    log = filled(tmp_path, 2000)
    taken = []
    import evidence.archive.custody_end as module

    whole = module._read_from
    monkeypatch.setattr(
        module, "_read_from", lambda path, offset: taken.append(offset) or whole(path, offset)
    )
    size = log.path.stat().st_size
    log.append_all([draft(2001)])
    assert taken == [size]


def test_an_append_uses_nothing_of_the_log_before_its_end(tmp_path):
    log = filled(tmp_path, 2000)
    lines = log.path.read_bytes().splitlines()
    log.path.write_bytes(b"\0" * log.path.stat().st_size)
    entry = log.append("dana", "x", "y", {}, START)
    assert (entry.seq, entry.prev) == (2001, hashlib.sha256(lines[-1]).hexdigest())
    last = log.path.read_bytes().rpartition(b"\0")[2].rstrip(b"\n")
    assert log.head().root == merkle_root([*lines, last]).hex()


def test_verifying_ten_times_the_entries_takes_no_more_memory(tmp_path):
    peaks = []
    for count in (1_000, 10_000):
        log = CustodyLog(tmp_path / f"{count}.jsonl")
        end = written_by_another_program(log.path, count)
        head = {"seq": end.seq, "sha256": end.sha256, "size": log.path.stat().st_size}
        log.head_path.write_text(json.dumps(head))
        tracemalloc.start()
        assert log.verify(anchors=[end]).entries == count
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 200_000


def written_by_another_program(path, count: int) -> Anchor:
    """A log made with json and hashlib alone, from its documented form."""
    prev, lines = "0" * 64, []
    for seq in range(1, count + 1):
        value = {
            "action": "photo_kept",
            "actor": "dana",
            "at": f"2026-03-04T17:{seq // 60 % 60:02}:{seq % 60:02}.000000Z",
            "details": {"name": f"A{seq:06}.JPG"},
            "prev": prev,
            "seq": seq,
            "subject": f"{seq:064x}",
        }
        line = json.dumps(value, sort_keys=True, separators=(",", ":")).encode()
        prev = hashlib.sha256(line).hexdigest()
        lines.append(line + b"\n")
    path.write_bytes(b"".join(lines))
    return Anchor(seq=count, sha256=Sha256(prev))


def test_a_hundred_thousand_entries_of_another_program_verify(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    end = written_by_another_program(log.path, 100_000)
    head = {"seq": end.seq, "sha256": end.sha256, "size": log.path.stat().st_size}
    log.head_path.write_text(json.dumps(head))
    check = log.verify(anchors=[end])
    assert (check.entries, check.valid) == (100_000, True)
    assert log.append("olga", "x", "y", {}, START).seq == 100_001


# --- from the end ------------------------------------------------------------------------


@given(
    lines=st.lists(st.binary(max_size=60).map(lambda data: data.replace(b"\n", b" ")), max_size=40),
    torn=st.binary(max_size=30).map(lambda data: data.replace(b"\n", b" ")),
    block=st.integers(1, 50),
)
def test_lines_are_read_from_the_end_whole_in_blocks_of_any_size_without_a_torn_one(lines, torn, block):
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        path = Path(folder) / "log"
        path.write_bytes(b"".join(line + b"\n" for line in lines) + torn)
        patch.setattr(custody_reading, "_BLOCK", block)
        assert list(custody_reading.lines_backwards(path)) == lines[::-1]


def test_the_newest_entries_are_read_without_the_rest_of_the_log(tmp_path, monkeypatch):
    log = CustodyLog(tmp_path / "custody.jsonl")
    log.append_all(
        [
            Draft(
                actor="Ann",
                action="tried",
                subject=f"S-{n % 7}",
                details={"why": FreeText(f"reason {n}")},
                at=START,
            )
            for n in range(3000)
        ]
    )
    read = []
    parse = custody_module.parse_line
    monkeypatch.setattr(custody_module, "parse_line", lambda line: read.append(line) or parse(line))
    newest = [entry.seq for entry in itertools.islice(log.newest(), 3)]
    assert newest == [3000, 2999, 2998]
    assert len(read) == 3
    [before] = itertools.islice(log.newest(before=1500), 1)
    assert (before.seq, before.details["why"]) == (1499, "reason 1498")
    about = [entry.seq for entry in itertools.islice(log.newest("S-3"), 2)]
    assert about == [3000, 2993]
    assert list(log.newest(before=1)) == []
    [bare] = itertools.islice(log.newest(texts=False), 1)
    assert "reason" not in str(bare.details)
