"""Copying off a card: the bytes are verified, the card is unchanged, and a failure leaves nothing behind."""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_cards import (
    DCIM,
    FaultyCard,
    a_card,
    files_below,
    flip,
    found_for,
    lay_out,
    make_read_only,
    small_disk,
)

from evidence.cards.copying import copy_in
from evidence.cards.files import list_card
from evidence.cards.volumes import open_source
from evidence.disk.durable import CopyStep
from evidence.disk.hashing import hash_file
from evidence.disk.objects import find_object
from evidence.errors import CardReadError, CopyMismatchError, DestinationError
from evidence.model import Outcome, Sha256

PHOTO = f"{DCIM}/IMG_0001.JPG"


@pytest.fixture
def card(tmp_path: Path) -> Path:
    return a_card(tmp_path / "card")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


@pytest.mark.parametrize(
    ("message", "digest"),
    [  # FIPS 180-4, the worked examples published with the standard (SHA256.pdf of the NIST example set)
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ],
)
def test_an_object_is_named_by_the_digest_of_the_standard(tmp_path, store, message, digest):
    card = lay_out(tmp_path / "card", {PHOTO: message})
    assert copy_in(open_source(card), found_for(card, PHOTO), store).sha256 == digest
    assert (store / digest[:2] / f"{digest}.jpg").read_bytes() == message


def test_every_file_of_a_card_arrives_whole_read_only_and_once(card, store):
    source = open_source(card)
    results = [copy_in(source, found, store) for found in list_card(card).found]
    for result in results:
        kept = find_object(store, result.sha256)
        assert kept is not None
        assert kept.read_bytes() == (card / result.found.card_path).read_bytes()
        assert hashlib.sha256(kept.read_bytes()).hexdigest() == result.sha256
        assert stat.S_IMODE(kept.stat().st_mode) & 0o222 == 0
    kept_now = [r for r in results if r.outcome is Outcome.KEPT]
    assert len(files_below(store)) == len(kept_now) == len({r.sha256 for r in results}) == len(results) - 1
    assert [r.found.card_path for r in results if r.outcome is Outcome.ALREADY_KEPT] == [
        "DCIM/101ABCDE/IMG_0001.JPG"
    ]


def test_the_same_card_again_brings_nothing_new_and_one_more_photo_brings_one(card, store):
    source = open_source(card)
    for found in list_card(card).found:
        copy_in(source, found, store)
    before = files_below(store)
    lay_out(card, {f"{DCIM}/IMG_0008.JPG": b"new"})
    sizes = {found.size for found in list_card(card).found}
    again = [copy_in(source, found, store, same_size=sizes.__contains__) for found in list_card(card).found]
    assert [r.found.card_path for r in again if r.outcome is Outcome.KEPT] == [f"{DCIM}/IMG_0008.JPG"]
    assert len(files_below(store) - before) == 1


def test_the_same_bytes_under_another_extension_are_not_kept_twice(tmp_path, store):
    card = lay_out(tmp_path / "card", {"a.JPG": b"same", "b.jpeg": b"same", "c": b"same"})
    source = open_source(card)
    outcomes = [copy_in(source, found, store).outcome for found in list_card(card).found]
    assert outcomes == [Outcome.KEPT, Outcome.ALREADY_KEPT, Outcome.ALREADY_KEPT]
    assert len(files_below(store)) == 1


@pytest.mark.parametrize("hash_first", [False, True])
def test_what_the_archive_has_already_is_not_copied(card, store, hash_first):
    digest = hashlib.sha256((card / PHOTO).read_bytes()).hexdigest()
    asked = []

    def known(sha256: Sha256) -> bool:
        asked.append(sha256)
        return True

    result = copy_in(
        open_source(card), found_for(card, PHOTO), store, known=known, same_size=lambda _size: hash_first
    )
    assert result.outcome is Outcome.ALREADY_KEPT
    assert asked == [digest]
    assert files_below(store) == set()


def test_a_file_that_may_be_known_is_read_once_when_it_is_and_nothing_is_written(card, store):
    faulty = FaultyCard("", step=1 << 20)
    copy_in(
        open_source(card),
        found_for(card, PHOTO),
        store,
        opener=faulty,
        known=lambda _: True,
        same_size=lambda _: True,
    )
    assert faulty.reads == 2  # the bytes, and the end
    assert not (store / "incoming").exists()


@pytest.mark.parametrize("script", ["E", "rE", "rrE", "rrrrrrrE"])
@pytest.mark.parametrize("hash_first", [False, True])
def test_a_card_pulled_mid_copy_leaves_nothing_at_the_destination(card, store, script, hash_first):
    with pytest.raises(CardReadError) as caught:
        copy_in(
            open_source(card),
            found_for(card, PHOTO),
            store,
            opener=FaultyCard(script),
            same_size=lambda _: hash_first,
        )
    assert PHOTO in str(caught.value)
    assert "\n" not in str(caught.value)
    assert files_below(store) == set()


def test_after_a_failed_read_the_next_try_succeeds(card, store):
    source, found = open_source(card), found_for(card, PHOTO)
    with pytest.raises(CardReadError):
        copy_in(source, found, store, opener=FaultyCard("rrE"))
    assert copy_in(source, found, store, opener=FaultyCard("rrr")).outcome is Outcome.KEPT
    assert len(files_below(store)) == 1


@settings(max_examples=60, deadline=None)
@given(st.text(alphabet="rE", max_size=12), st.integers(1, 100_000))
def test_whatever_the_reads_do_the_store_holds_the_whole_file_or_nothing(tmp_path_factory, script, step):
    root = tmp_path_factory.mktemp("fault")
    card = lay_out(root / "card", {PHOTO: bytes(range(256)) * 120})
    try:
        result = copy_in(
            open_source(card), found_for(card, PHOTO), root / "store", opener=FaultyCard(script, step=step)
        )
    except CardReadError:
        assert files_below(root / "store") == set()
    else:
        assert result.sha256 == hash_file(card / PHOTO)
        assert len(files_below(root / "store")) == 1


def test_a_file_that_grows_while_it_is_read_is_refused(card, store):
    with pytest.raises(CardReadError, match="changed while it was read"):
        copy_in(open_source(card), found_for(card, PHOTO), store, opener=FaultyCard("rgr"))
    assert files_below(store) == set()


@pytest.mark.parametrize("hash_first", [False, True])
def test_a_reader_that_ends_a_file_early_is_detected(card, store, hash_first):
    opener = FaultyCard("rrz")
    with pytest.raises(CardReadError, match="20000 bytes were read from the card and 70001 were expected"):
        copy_in(
            open_source(card), found_for(card, PHOTO), store, opener=opener, same_size=lambda _: hash_first
        )
    assert files_below(store) == set()


@pytest.mark.parametrize("delta", [-1, 1])
def test_a_file_of_another_size_than_listed_is_refused(card, store, delta):
    found = found_for(card, PHOTO)
    with pytest.raises(CardReadError, match="listed with"):
        copy_in(open_source(card), replace(found, size=found.size + delta), store)
    assert files_below(store) == set()


def test_a_reader_that_gives_different_bytes_each_time_is_detected(card, store):
    bad = FaultyCard("rrrrrrrrr" + "w", step=10_000)  # 8 reads and the end for the digest, then a wrong byte
    with pytest.raises(CardReadError, match="two reads"):
        copy_in(open_source(card), found_for(card, PHOTO), store, opener=bad, same_size=lambda _: True)
    assert files_below(store) == set()


@pytest.mark.skipif(not hasattr(os, "posix_fadvise"), reason="this system takes no such advice")
def test_the_copy_is_flushed_then_forgotten_then_read_back(card, store, monkeypatch):
    order = []
    sync, advise = os.fsync, os.posix_fadvise
    monkeypatch.setattr(os, "fsync", lambda d: (order.append("flush"), sync(d))[1])
    monkeypatch.setattr(os, "posix_fadvise", lambda *a: (order.append(a[3]), advise(*a))[1])
    copy_in(open_source(card), found_for(card, PHOTO), store, on_step=lambda step, _path: order.append(step))
    part = order[order.index(CopyStep.WRITTEN) : order.index(CopyStep.READ_BACK)]
    assert part == [CopyStep.WRITTEN, "flush", CopyStep.SYNCED, os.POSIX_FADV_DONTNEED]
    assert "flush" in order[order.index(CopyStep.READ_BACK) : order.index(CopyStep.PUBLISHED)]  # the folder


@pytest.mark.parametrize(
    "damage", [flip, lambda p: os.truncate(p, 69_000), lambda p: p.open("ab").write(b"x")]
)
def test_a_copy_that_reads_back_different_is_detected_and_removed(card, store, damage):
    def on_step(step: CopyStep, path: Path) -> None:
        if step is CopyStep.SYNCED:
            path.chmod(0o644)
            damage(path)

    with pytest.raises(CopyMismatchError, match=r"IMG_0001\.JPG"):
        copy_in(open_source(card), found_for(card, PHOTO), store, on_step=on_step)
    assert files_below(store) == set()


def test_a_damaged_kept_copy_is_moved_aside_and_replaced_not_overwritten(card, store):
    source, found = open_source(card), found_for(card, PHOTO)
    digest = copy_in(source, found, store).sha256
    kept = find_object(store, digest)
    flip(kept)
    bad = kept.read_bytes()
    assert copy_in(source, found, store).outcome is Outcome.KEPT
    assert hash_file(find_object(store, digest)) == digest
    (aside,) = store.glob("??/*.damaged")
    assert aside.read_bytes() == bad


def test_a_folder_that_turned_into_a_link_out_of_the_card_is_refused(tmp_path, card, store):
    outside = lay_out(tmp_path / "outside", {"IMG_0001.JPG": (card / PHOTO).read_bytes()})
    found, source = found_for(card, PHOTO), open_source(card)
    (card / DCIM).rename(card / "moved")
    (card / DCIM).symlink_to(outside)
    with pytest.raises(CardReadError, match="link"):
        copy_in(source, found, store)
    assert files_below(store) == set()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such files")
@pytest.mark.parametrize("put", [lambda p: p.symlink_to(p.with_name("moved.jpg")), os.mkfifo, Path.mkdir])
def test_a_file_that_turned_into_something_else_is_refused_and_never_hangs(card, store, put):
    found, source = found_for(card, PHOTO), open_source(card)
    (card / PHOTO).rename(card / DCIM / "moved.jpg")
    put(card / PHOTO)
    with pytest.raises(CardReadError):
        copy_in(source, found, store)
    assert files_below(store) == set()


def test_a_file_that_is_gone_is_a_read_error_of_the_card(card, store):
    found, source = found_for(card, PHOTO), open_source(card)
    (card / PHOTO).unlink()
    with pytest.raises(CardReadError, match="not there"):
        copy_in(source, found, store)


def test_a_full_destination_stops_cleanly_and_a_larger_one_takes_it(tmp_path):
    card = lay_out(
        tmp_path / "card", {PHOTO: os.urandom(400_000), f"{DCIM}/IMG_0002.JPG": os.urandom(100_000)}
    )
    source = open_source(card)
    with small_disk(tmp_path / "small", kib=256) as disk:
        with pytest.raises(DestinationError, match="full") as caught:
            copy_in(source, found_for(card, PHOTO), disk / "store")
        assert "\n" not in str(caught.value)
        assert files_below(disk) == set()
        assert (
            copy_in(source, found_for(card, f"{DCIM}/IMG_0002.JPG"), disk / "store").outcome is Outcome.KEPT
        )
    assert copy_in(source, found_for(card, PHOTO), tmp_path / "large").outcome is Outcome.KEPT


def test_a_destination_that_refuses_writes_is_its_own_error(tmp_path, card):
    with small_disk(tmp_path / "small") as disk:
        make_read_only(disk)
        with pytest.raises(DestinationError, match="read-only"):
            copy_in(open_source(card), found_for(card, PHOTO), disk / "store")


def test_a_file_where_the_store_should_be_is_a_destination_error(tmp_path, card):
    lay_out(tmp_path, {"store": b"x"})
    with pytest.raises(DestinationError):
        copy_in(open_source(card), found_for(card, PHOTO), tmp_path / "store")
    assert (tmp_path / "store").read_bytes() == b"x"


def test_a_file_that_another_intake_files_just_now_is_already_kept(card, store):
    """The other one moves it out of the store between the two questions of where it is."""
    source, found = open_source(card), found_for(card, PHOTO)
    stored = copy_in(source, found, store)
    filed: list[Path] = []

    def known(sha: Sha256) -> bool:
        present = find_object(store, sha)
        if present is None:
            return True
        filed.append(present)
        return False

    def vanishing(size: int) -> bool:
        return size == found.size

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("evidence.disk.objects._matches", lambda path, _sha: path.unlink() or False)
        again = copy_in(source, found, store, known=known, same_size=vanishing)
    assert filed
    assert again.sha256 == stored.sha256
    assert again.outcome is Outcome.ALREADY_KEPT
