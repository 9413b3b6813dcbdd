"""Bags against RFC 8493, the bagit library of the Library of Congress, and coreutils."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import threading

import bagit
import pytest
from support_archive import INFO, outside_verdict, photo, photos

from evidence.archive import exchange
from evidence.archive.bagcheck import PayloadReading, check_bag
from evidence.archive.bagread import read_manifest, read_tags
from evidence.archive.bags import build_bag, recover, remove_bag
from evidence.errors import BadInputError, BagError, DestinationError

RECORDS = {"records/claim.json": b'{"claim":"HT-1001"}\n', "records/photos/a.xmp": b"<x/>"}


@pytest.fixture
def kept(tmp_path):
    return tmp_path / "kept"


@pytest.fixture
def bag_dir(tmp_path):
    return tmp_path / "bags" / "HT-1001"


def test_a_new_bag_is_valid_for_the_reference_library_and_for_us(bag_dir, kept):
    built = build_bag(bag_dir, photos(kept, "100AAAAA/A0001.JPG", "100AAAAA/A0002.JPG"), RECORDS, INFO)
    bag = bagit.Bag(str(bag_dir))
    assert bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.algorithms == ["sha256"]
    assert bag.info["External-Identifier"] == "HT-1001"
    assert bag.info["Payload-Oxum"] == f"{built.octets}.2"
    check = check_bag(bag_dir)
    assert check.valid
    assert check.checked == 2
    assert check.warnings == ()
    assert built.added == ("100AAAAA/A0001.JPG", "100AAAAA/A0002.JPG")


def test_the_tag_files_are_the_ones_the_standard_prescribes(bag_dir, kept):
    # RFC 8493: 2.1.1 bagit.txt; 2.1.3 manifest; 2.2.1 tag manifest lists every payload manifest
    build_bag(bag_dir, {"hello.txt": photo(kept, "h", b"hello\n")}, RECORDS, INFO)
    assert (bag_dir / "bagit.txt").read_bytes() == (
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    )
    # sha256 of "hello\n" by coreutils
    assert (bag_dir / "manifest-sha256.txt").read_text() == (
        "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03  data/hello.txt\n"
    )
    listed = {line.split("  ")[1] for line in (bag_dir / "tagmanifest-sha256.txt").read_text().splitlines()}
    assert listed == {"bagit.txt", "bag-info.txt", "manifest-sha256.txt", *RECORDS}
    assert (bag_dir / "bag-info.txt").read_text().splitlines() == [
        "Source-Organization: Hilltop Claims",
        "External-Identifier: HT-1001",
        "Bagging-Date: 2026-03-04",
        "Payload-Oxum: 6.1",
    ]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this system")
def test_coreutils_alone_can_prove_a_bag(bag_dir, kept):
    build_bag(bag_dir, photos(kept, "100AAAAA/A0001.JPG", "note with blanks.txt"), RECORDS, INFO)
    for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        done = subprocess.run(
            ["sha256sum", "-c", manifest], cwd=bag_dir, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
    victim = bag_dir / "data" / "note with blanks.txt"
    victim.chmod(0o644)
    victim.write_bytes(b"altered")
    done = subprocess.run(
        ["sha256sum", "-c", "manifest-sha256.txt"], cwd=bag_dir, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "data/note with blanks.txt: FAILED" in done.stdout


def test_photos_are_added_and_removed_and_the_rest_stays_the_same_file(bag_dir, kept):
    build_bag(bag_dir, photos(kept, "A1.JPG", "A2.JPG"), RECORDS, INFO)
    before = (bag_dir / "data" / "A2.JPG").stat().st_ino
    built = build_bag(bag_dir, photos(kept, "A2.JPG", "A3.JPG"), RECORDS, INFO)
    assert (built.added, built.removed) == (("A3.JPG",), ("A1.JPG",))
    assert outside_verdict(bag_dir) == ""
    assert not (bag_dir / "data" / "A1.JPG").exists()
    assert (bag_dir / "data" / "A2.JPG").stat().st_ino == before
    assert sorted(read_manifest(bag_dir)) == ["A2.JPG", "A3.JPG"]
    assert [p.name for p in bag_dir.parent.iterdir() if p.name != ".locks"] == ["HT-1001"]


def test_building_the_same_bag_again_changes_nothing(bag_dir, kept):
    first = build_bag(bag_dir, photos(kept, "A1.JPG"), RECORDS, INFO)
    before = bag_dir.stat()
    again = build_bag(bag_dir, photos(kept, "A1.JPG"), RECORDS, INFO)
    assert (again.added, again.removed, again.tag_manifest_sha256) == ((), (), first.tag_manifest_sha256)
    assert bag_dir.stat() == before


def test_a_changed_record_alone_makes_a_new_valid_state(bag_dir, kept):
    first = build_bag(bag_dir, photos(kept, "A1.JPG"), RECORDS, INFO)
    again = build_bag(bag_dir, photos(kept, "A1.JPG"), {"records/claim.json": b"{}"}, INFO)
    assert again.tag_manifest_sha256 != first.tag_manifest_sha256
    assert not (bag_dir / "records" / "photos").exists()
    assert outside_verdict(bag_dir) == ""


def test_a_photo_may_move_within_its_bag_when_its_only_copy_is_there(bag_dir, kept):
    build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    shutil.rmtree(kept)
    item = photo(kept, "A1.JPG")
    inside = type(item)(sha256=item.sha256, size=item.size, source=bag_dir / "data" / "A1.JPG")
    shutil.rmtree(kept)
    built = build_bag(bag_dir, {"100AAAAA/A1.JPG": inside}, {}, INFO)
    assert (built.added, built.removed, built.damaged) == ((), ("A1.JPG",), ())
    assert outside_verdict(bag_dir) == ""


def test_an_empty_claim_is_a_valid_bag(bag_dir):
    build_bag(bag_dir, {}, RECORDS, INFO)
    assert outside_verdict(bag_dir) == ""
    assert check_bag(bag_dir).valid


def test_payload_files_are_read_only(bag_dir, kept):
    build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    assert not (bag_dir / "data" / "A1.JPG").stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)


def test_a_source_that_changed_since_it_was_taken_in_never_enters_a_bag(bag_dir, kept):
    good = photos(kept, "A1.JPG")
    build_bag(bag_dir, good, {}, INFO)
    bad = photo(kept, "A2.JPG")
    bad.source.write_bytes(b"x" * bad.size)
    with pytest.raises(BagError, match="no longer the file"):
        build_bag(bag_dir, {**good, "A2.JPG": bad}, {}, INFO)
    assert outside_verdict(bag_dir) == ""
    assert sorted(read_manifest(bag_dir)) == ["A1.JPG"]
    recover(bag_dir.parent)
    assert [p.name for p in bag_dir.parent.iterdir() if p.name != ".locks"] == ["HT-1001"]


def test_a_file_that_somebody_dropped_into_the_bag_is_kept(bag_dir, kept):
    build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    (bag_dir / "note.txt").write_text("call the roofer")
    (bag_dir / "data" / "extra.txt").write_text("mine")
    (bag_dir / "data" / "Thumbs.db").write_text("litter")
    assert outside_verdict(bag_dir) != ""
    build_bag(bag_dir, photos(kept, "A1.JPG", "A2.JPG"), {}, INFO)
    assert outside_verdict(bag_dir) == ""
    assert (bag_dir / "note.txt").read_text() == "call the roofer"
    assert (bag_dir / "strays" / "data" / "extra.txt").read_text() == "mine"
    build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    assert (bag_dir / "strays" / "data" / "extra.txt").read_text() == "mine"
    assert outside_verdict(bag_dir) == ""
    assert not list(bag_dir.rglob("Thumbs.db"))


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps folder entries in its journal")
def test_the_next_state_is_on_the_disk_before_it_takes_its_place(bag_dir, kept, monkeypatch):
    build_bag(bag_dir, photos(kept, "A1.JPG"), RECORDS, INFO)
    flushed = set()
    fsync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: flushed.add(os.fstat(fd).st_ino) or fsync(fd))
    steps = []

    def listen(step: str) -> None:
        steps.append(step)
        if step == "complete":
            fresh = exchange.next_state(bag_dir)
            folders = [fresh, *(path for path in fresh.rglob("*") if path.is_dir())]
            tags = [
                path for path in fresh.rglob("*") if path.is_file() and path.parts[len(fresh.parts)] != "data"
            ]
            assert {path.stat().st_ino for path in (*folders, *tags)} <= flushed

    elsewhere = photos(kept, "A1.JPG", "B/A2.JPG")
    build_bag(bag_dir, elsewhere, RECORDS, INFO, on_step=listen)
    assert steps == ["begun", "placed A1.JPG", "placed B/A2.JPG", "written", "complete", "exchanged", "swept"]


def test_a_folder_that_is_no_bag_is_not_replaced(bag_dir, kept):
    bag_dir.mkdir(parents=True)
    (bag_dir / "thesis.doc").write_text("years of work")
    with pytest.raises(DestinationError, match="other things than a bag"):
        build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    assert (bag_dir / "thesis.doc").read_text() == "years of work"


def test_a_link_in_the_place_of_a_bag_is_not_followed(bag_dir, kept, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    bag_dir.parent.mkdir()
    try:
        bag_dir.symlink_to(elsewhere, target_is_directory=True)
    except OSError:
        pytest.skip("no symbolic links here")
    with pytest.raises(DestinationError, match="in the way"):
        build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize(
    ("label", "value", "repeat"),
    [
        ("Payload-Oxum", "1.1", False),
        ("two\nlines", "x", False),
        ("a:b", "x", False),
        ("", "x", False),
        ("Bag-Size", "1 KB", True),
    ],
)
def test_labels_that_the_standard_forbids_are_refused(bag_dir, label, value, repeat):
    # RFC 8493, 2.2.2: Payload-Oxum is counted, never given; some labels stand at most once
    info = ((label, value),) * (2 if repeat else 1)
    with pytest.raises(BadInputError):
        build_bag(bag_dir, {}, {}, info)
    assert not bag_dir.exists()


def test_a_line_break_in_a_value_stays_in_its_value(bag_dir):
    build_bag(bag_dir, {}, {}, (("External-Description", "two\nlines: here"),))
    assert bagit.Bag(str(bag_dir)).info["External-Description"] == "two lines: here"


@pytest.mark.parametrize(
    "name",
    ["bagit.txt", "data/x", "manifest-md5.txt", "fetch.txt", "strays/x", "../x", "TagManifest-sha256.txt"],
)
def test_a_record_cannot_take_the_place_of_a_part_of_the_bag(bag_dir, name):
    with pytest.raises(BadInputError):
        build_bag(bag_dir, {}, {name: b""}, INFO)


def test_the_tag_files_of_one_state_are_read_together(bag_dir, kept):
    built = build_bag(bag_dir, photos(kept, "A1.JPG"), RECORDS, INFO)
    tags = read_tags(bag_dir)
    assert tags["records/claim.json"] == RECORDS["records/claim.json"]
    (bag_dir / "records" / "claim.json").write_bytes(b"forged")
    with pytest.raises(BagError, match="do not match its tag manifest"):
        read_tags(bag_dir)
    assert built.tag_manifest_sha256


def test_a_bag_that_is_removed_is_gone_with_all_that_was_in_it(bag_dir, kept):
    build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    (bag_dir / "note.txt").write_text("x")
    assert remove_bag(bag_dir)
    assert not remove_bag(bag_dir)
    assert [p.name for p in bag_dir.parent.iterdir() if p.name != ".locks"] == []
    assert not any("HT-1001" in name for _, _, names in os.walk(bag_dir.parent) for name in names)


@pytest.mark.parametrize(
    ("files", "octets", "several"), [(5, 100, False), (40, 100, True), (3, 1 << 20, True)]
)
def test_only_few_and_small_files_are_read_by_one_thread(bag_dir, kept, files, octets, several):
    names = [f"A{number}.JPG" for number in range(files)]
    build_bag(bag_dir, {name: photo(kept, name, name.encode() * octets) for name in names}, {}, INFO)
    readers = set()
    reading = PayloadReading(stop=lambda: readers.add(threading.current_thread()) or False)
    check = check_bag(bag_dir, reading=reading)
    assert check.verified == {f"data/{name}" for name in names}
    assert check.valid
    assert (threading.current_thread() not in readers) is several


def test_a_state_is_renamed_before_it_is_deleted(bag_dir, kept, monkeypatch):
    # a kill in the middle of a deletion may leave any part of a folder, its lists gone first
    deleted = []
    rmtree = shutil.rmtree
    monkeypatch.setattr(
        exchange.shutil, "rmtree", lambda folder: deleted.append(folder.name) or rmtree(folder)
    )
    build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    build_bag(bag_dir, photos(kept, "A2.JPG"), {}, INFO)
    exchange.mark_incomplete(exchange.next_state(bag_dir))
    recover(bag_dir.parent)
    remove_bag(bag_dir)
    assert deleted == [".HT-1001.gone"] * 3


def test_where_the_system_cannot_exchange_folders_two_renamings_do(bag_dir, kept, monkeypatch):
    monkeypatch.setattr(exchange, "exchange_folders", lambda one, other: False)
    build_bag(bag_dir, photos(kept, "A1.JPG"), {}, INFO)
    build_bag(bag_dir, photos(kept, "A1.JPG", "A2.JPG"), {}, INFO)
    assert outside_verdict(bag_dir) == ""
    assert [p.name for p in bag_dir.parent.iterdir() if p.name != ".locks"] == ["HT-1001"]
