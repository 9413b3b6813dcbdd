"""The store of objects: their names, damaged ones, and what killed runs left."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from support_cards import files_below, flip, lay_out

from evidence.disk.copying import NameTakenError
from evidence.disk.durable import sweep_folder
from evidence.disk.objects import (
    add_object,
    find_object,
    has_sound_object,
    incoming_folder,
    object_path,
    sweep_parts,
)
from evidence.model import Sha256

CONTENT = b"shingle" * 500
DIGEST = Sha256(hashlib.sha256(CONTENT).hexdigest())


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


def a_part(store: Path) -> Path:
    return lay_out(incoming_folder(store), {"1-0123456789abcdef.part": CONTENT}) / "1-0123456789abcdef.part"


def test_an_added_object_is_found_by_its_digest_whatever_its_extension(store):
    assert find_object(store, DIGEST) is None
    assert not has_sound_object(store, DIGEST)
    added = add_object(a_part(store), store, DIGEST, ".JPG")
    assert added == object_path(store, DIGEST, ".jpg") == find_object(store, DIGEST)
    assert has_sound_object(store, DIGEST)
    assert files_below(incoming_folder(store)) == set()


def test_a_sound_twin_under_another_extension_counts_when_the_first_is_damaged(store):
    flip(add_object(a_part(store), store, DIGEST, ".jpeg"))
    sound = add_object(a_part(store), store, DIGEST, ".jpg")
    assert has_sound_object(store, DIGEST)
    assert find_object(store, DIGEST) == sound


def test_an_object_is_never_overwritten(store):
    add_object(a_part(store), store, DIGEST, ".jpg")
    with pytest.raises(NameTakenError):
        add_object(a_part(store), store, DIGEST, ".jpg")
    assert has_sound_object(store, DIGEST)


def test_a_folder_that_filing_removes_meanwhile_holds_no_object(store, monkeypatch):
    sha = Sha256("0" * 64)
    (store / sha[:2]).mkdir(parents=True)
    real = os.listdir

    def emptied(folder):
        Path(folder).rmdir()  # as `discard_filed_originals` does
        return real(folder)

    monkeypatch.setattr(os, "listdir", emptied)
    assert find_object(store, sha) is None


def test_a_damaged_object_is_moved_aside_and_kept(store):
    flip(add_object(a_part(store), store, DIGEST, ".jpg"))
    assert not has_sound_object(store, DIGEST)
    assert find_object(store, DIGEST) is None
    (aside,) = store.glob("??/*.damaged")
    assert len(aside.read_bytes()) == len(CONTENT)
    assert aside.read_bytes() != CONTENT


@pytest.mark.parametrize(
    ("suffix", "ending"),
    [
        (".JPG", ".jpg"),
        (".heic", ".heic"),
        ("", ""),
        (".a b", ""),
        (".../../x", ""),
        (".verylongending", ""),
        (".é", ""),
    ],
)
def test_a_stored_name_takes_over_only_plain_endings(tmp_path, suffix, ending):
    digest = Sha256("ab" * 32)
    assert object_path(tmp_path, digest, suffix) == tmp_path / "ab" / f"{digest}{ending}"


# --- sweeping ----------------------------------------------------------------------------


def test_only_parts_of_dead_runs_are_swept(store):
    incoming = store / "incoming"
    dead, alive = (
        "4194305-0123456789abcdef.part",
        f"{os.getpid()}-0123456789abcdef.part",
    )  # no pid is that high
    others = ["notes.part", "1-xyz.part", "photo.jpg", f"{dead}.jpg"]
    lay_out(incoming, dict.fromkeys([dead, alive, *others], b"x"))
    lay_out(store, {f"ab/{dead}": b"x"})
    assert sweep_parts(store) == (incoming / dead,)
    assert files_below(incoming) == {alive, *others}
    assert (store / "ab" / dead).exists()


@pytest.mark.parametrize("hours", [1, 14])
def test_the_part_of_a_running_process_stays_though_the_clock_or_the_disk_keeps_another_time(store, hours):
    other = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    try:
        folder = lay_out(store, {f"incoming/{other.pid}-0123456789abcdef.part": b"x"}) / "incoming"
        (part,) = folder.iterdir()
        before = part.stat().st_mtime - hours * 3600
        os.utime(part, (before, before))
        assert sweep_parts(store) == ()
    finally:
        other.kill()
        other.wait()
    assert sweep_parts(store) == (part,)


def test_a_part_older_than_the_process_with_its_number_is_swept(store):
    part = lay_out(store, {f"incoming/{os.getpid()}-0123456789abcdef.part": b"x"}) / "incoming"
    (old,) = part.iterdir()
    os.utime(old, (1_000_000_000, 1_000_000_000))
    assert sweep_parts(store) == (old,)


def test_sweeping_where_there_is_nothing_is_no_trouble(tmp_path):
    assert sweep_parts(tmp_path / "none") == ()
    assert sweep_folder(tmp_path) == ()
