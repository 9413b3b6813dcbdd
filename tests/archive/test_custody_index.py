"""The index of the custody log: it gives what a full scan gives, and is made anew when it does not fit the log."""

from __future__ import annotations

import hashlib
import os
import shutil
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

import pytest
from support_custody import START, scanned, value_of, write_log

from evidence.archive import custody_index
from evidence.archive.custody import CustodyLog
from evidence.archive.custody_index import BLOCK, LogIndex
from evidence.archive.custody_tree import LogTree
from evidence.archive.merkle import consistency_proof, consistency_ranges, merkle_root, verify_inclusion

ENTRIES = 5 * BLOCK + 300
WORDS = [
    ("f" * 64,),
    (f"{3 * 7919 % 4000:064x}",),
    ("HT-00007", "HT-00031"),
    ("Zoë",),
    ("photo_kept",),
    ("subject",),
    (":",),
    ("A000001.JPG", "no such word"),
    (value_of(BLOCK)["at"],),
    ("",),
]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    path = tmp_path_factory.mktemp("log") / "custody.jsonl"
    write_log(path, ENTRIES)
    return path


@pytest.fixture
def log(made, tmp_path):
    """The same log without an index."""
    for end in ("", ".head"):
        shutil.copy(f"{made}{end}", tmp_path)
    return CustodyLog(tmp_path / "custody.jsonl")


def found(log, *words, **options):
    return [entry.seq for entry in log.newest(*words, **options)]


@pytest.mark.parametrize("words", WORDS)
def test_what_is_found_equals_a_full_scan_in_both_directions(log, words):
    expected = scanned(log.path, *words)
    for _without_index_then_with_it in range(2):
        assert [entry.seq for entry in log.about(*words)] == expected
        assert found(log, *words) == expected[::-1]
        assert found(log, *words, before=2500) == [seq for seq in expected[::-1] if seq < 2500]
    assert len(log.index.blocks()) == 5
    assert [entry.seq for entry in CustodyLog(log.path).about(*words)] == expected


def test_entries_that_come_later_are_found_before_and_after_their_block_is_whole(log):
    log.index.blocks()
    for start in (0, BLOCK - 300 - 10, BLOCK):
        log.append_all([_draft(start + n) for n in range(20)])
    assert found(log, "late") == scanned(log.path, "late")[::-1]
    assert len(LogIndex(log.path).blocks(most_new=0)) == len(log.index.blocks())


def _draft(number):
    from evidence.archive.custody import Draft

    return Draft(actor="late", action="tried", subject=f"thing {number}", at=START)


def test_a_search_reads_only_the_blocks_that_hold_the_word(log, monkeypatch):
    from evidence.archive import custody_search

    log.index.make_anew()
    read = []
    lines_in = custody_search._lines_in
    monkeypatch.setattr(
        custody_search,
        "_lines_in",
        lambda path, start, stop, quoted: read.append(start) or lines_in(path, start, stop, quoted),
    )
    assert found(log, "HT-00008") == list(range(9 * 150 - 1, 8 * 150 - 1, -1))
    starts = {block.start for block in log.index.blocks()}
    assert len(set(read) & starts) == 1


@pytest.mark.parametrize(
    "at", ["first line", "header", "times", "words", "last byte", "cut", "more", "empty"]
)
def test_a_damaged_index_is_noticed_and_made_anew(log, at):
    log.index.make_anew()
    whole = log.index.path.read_bytes()
    block = log.index.blocks()[2]
    damaged = bytearray(whole)
    places = {"first line": 3, "header": block.at + 9, "times": block.at + 130, "words": block.next_at - 7}
    if at in places or at == "last byte":
        damaged[places.get(at, -1)] ^= 0x10
    elif at == "cut":
        damaged = damaged[: block.next_at - 1]
    elif at == "more":
        damaged += b"\0" * 99
    else:
        damaged = bytearray()
    log.index.path.write_bytes(damaged)
    for one in (CustodyLog(log.path), log):
        assert found(one, "HT-00007", "HT-00031") == scanned(log.path, "HT-00007", "HT-00031")[::-1]
        assert list(one.about("Zoë"))[-1].seq == scanned(log.path, "Zoë")[-1]
    CustodyLog(log.path).index.blocks()
    assert log.index.path.read_bytes().startswith(whole)  # what follows goes when the next block is added


def test_every_flipped_byte_of_a_record_leaves_the_results_as_they_are(log):
    log.index.make_anew()
    whole = log.index.path.read_bytes()
    expected = scanned(log.path, "HT-00007")[::-1]
    block = log.index.blocks()[1]
    for place in range(block.at, block.next_at, 613):
        log.index.path.write_bytes(whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :])
        assert found(CustodyLog(log.path), "HT-00007") == expected


def test_an_index_of_another_log_is_made_anew(log, tmp_path):
    log.index.make_anew()
    other = tmp_path / "other" / "custody.jsonl"
    other.parent.mkdir()
    write_log(other, ENTRIES, {1500: {"actor": "Mallory"}})
    shutil.copy(log.index.path, CustodyLog(other).index.path)
    assert found(CustodyLog(other), "Mallory") == [1500]
    shutil.copy(
        other, log.path
    )  # the log is replaced while it is open, by one of the same length but for the name
    assert found(log, "Mallory") == [1500]
    write_log(log.path, 2 * BLOCK + 5)
    assert found(log, "Zoë") == scanned(log.path, "Zoë")[::-1]
    assert len(log.index.blocks()) == 2


def test_what_the_index_says_of_an_entry_that_was_altered_in_the_log_is_not_shown(log):
    log.index.make_anew()
    lines = log.path.read_bytes()
    old = f"{3 * 7919 % 4000:064x}".encode()
    log.path.write_bytes(lines.replace(old, b"e" * 64))
    assert found(log, old.decode()) == []
    assert not log.verify().valid


def test_lines_that_are_no_entries_are_in_no_block_and_are_searched_all_the_same(log):
    lines = log.path.read_bytes().splitlines(keepends=True)
    lines[BLOCK + 7] = b'{"actor":"Mallory"}\n'
    log.path.write_bytes(b"".join(lines))
    assert len(log.index.blocks()) == 1
    assert found(log, "HT-00031") == scanned(log.path, "HT-00031")[::-1]


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs permissions that hold for this user")
def test_a_folder_that_cannot_be_written_gives_the_same_results_as_a_file_permission(log):
    log.path.parent.chmod(0o500)
    try:
        assert found(log, "HT-00007") == scanned(log.path, "HT-00007")[::-1]
    finally:
        log.path.parent.chmod(0o700)


def test_a_disk_that_cannot_be_written_gives_the_same_results(log, monkeypatch):
    def refuse(*_, **__):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(custody_index, "FileLock", refuse)
    assert found(log, "HT-00007") == scanned(log.path, "HT-00007")[::-1]
    log.index.make_anew()
    assert not log.index.path.exists()


def test_threads_that_search_while_another_writes_the_index_find_the_same(log):
    expected = scanned(log.path, "HT-00031")[::-1]
    logs = [CustodyLog(log.path) for _ in range(3)]
    with ThreadPoolExecutor(6) as pool:
        jobs = [pool.submit(found, logs[n % 3], "HT-00031") for n in range(18)]
        jobs += [pool.submit(lambda: logs[0].index.make_anew() or expected)]
        assert all(job.result() == expected for job in jobs)


def test_searching_four_times_the_entries_takes_no_more_memory(tmp_path):
    peaks = []
    for count in (4 * BLOCK, 16 * BLOCK):
        log = CustodyLog(tmp_path / f"{count}.jsonl")
        write_log(log.path, count)
        log.index.make_anew()
        tracemalloc.start()
        for _ in log.about("HT-00007"):
            pass
        for _ in log.newest("bag_built", texts=False):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 100_000


def test_the_times_of_the_index_are_those_of_the_entries(log):
    log.index.make_anew()
    hours = [one for content in log.index.contents(log.index.blocks()) for one in content.hours]
    entries = [datetime.fromisoformat(value_of(seq)["at"]) for seq in range(1, 5 * BLOCK + 1)]
    assert set(hours) >= {one for one in entries if (one - START).total_seconds() % 3600 == 0}
    assert set(hours) <= set(entries)
    blocks = log.index.blocks()
    assert [one.earliest for one in blocks] == [min(entries[n * BLOCK : (n + 1) * BLOCK]) for n in range(5)]
    assert [one.latest for one in blocks] == [max(entries[n * BLOCK : (n + 1) * BLOCK]) for n in range(5)]


# --- the tree ----------------------------------------------------------------------------


@pytest.mark.parametrize("size", [1, 7, BLOCK, BLOCK + 1, 3 * BLOCK, 5 * BLOCK + 299])
def test_the_tree_through_the_index_is_that_of_all_lines(log, size):
    lines = log.path.read_bytes().splitlines()[:size]
    log.index.make_anew()
    for tree in (LogTree(log.path, size, log.index), LogTree(log.path, size)):
        root = tree.root()
        assert root == merkle_root(lines)
        for number in {1, size, (size + 1) // 2, min(size, BLOCK)}:
            assert tree.leaf(number) == lines[number - 1]
            assert verify_inclusion(lines[number - 1], number - 1, size, tree.path(number), root)
        for earlier in {1, size, (size + 1) // 2, min(size, 2 * BLOCK)}:
            path = tuple(tree.subtree(*each) for each in consistency_ranges(earlier, size))
            assert path == consistency_proof(lines, earlier)


def test_a_tree_of_more_entries_than_the_log_has_is_refused(log):
    log.index.make_anew()
    with pytest.raises(ValueError, match=f"no entry {ENTRIES + 1}"):
        LogTree(log.path, ENTRIES + 1, log.index).root()


def test_a_root_of_the_index_that_is_wrong_leads_to_another_root(log):
    """The digest of its record fits: only the signed root tells."""
    import zlib

    log.index.make_anew()
    content = bytearray(log.index.path.read_bytes())
    block = log.index.blocks()[1]
    root = block.at + 16 + 32
    content[root : root + 32] = hashlib.sha256(b"forged").digest()
    size = custody_index._HEADER.size
    content[block.at + size : block.at + size + 4] = custody_index._CRC.pack(
        zlib.crc32(bytes(content[block.at : block.at + size]))
    )
    log.index.path.write_bytes(content)
    fresh = LogIndex(log.path)
    assert len(fresh.blocks()) == 5
    assert LogTree(log.path, ENTRIES, fresh).root() != LogTree(log.path, ENTRIES).root()
