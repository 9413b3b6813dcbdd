"""Signed tree heads: the signature's form against RFC 8032 and RFC 8785, and how a target keeps them."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from evidence.archive.custody import CustodyLog, Draft
from evidence.archive.heads import (
    HEADS,
    fingerprint,
    kept_lines,
    later_head,
    newest_head,
    parse_head,
    read_heads,
    sign_head,
    write_head,
)
from evidence.archive.merkle import merkle_root
from evidence.errors import DestinationError

AT = datetime(2026, 5, 14, 17, 30, tzinfo=UTC)
ARCHIVE = "0f" * 16
KEY = Ed25519PrivateKey.from_private_bytes(
    bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
)
"""The secret key of RFC 8032, section 7.1, test 1."""
PUBLIC = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
"""The public key of the same test."""


def filled(folder, count: int) -> CustodyLog:
    log = CustodyLog(folder / "custody.jsonl")
    log.append_all(
        [
            Draft(actor="dana", action="kept", subject=str(n), at=AT + timedelta(seconds=n))
            for n in range(count)
        ]
    )
    return log


def head_of(log: CustodyLog, **more):
    return sign_head(**{"archive": ARCHIVE, "end": log.head(), "key": KEY, "at": AT, **more})


def test_a_head_is_signed_over_its_canonical_json_and_checks_with_the_library_alone(tmp_path):
    log = filled(tmp_path, 5)
    signed = head_of(log)
    lines = log.path.read_bytes().splitlines()
    expected = {
        "archive": ARCHIVE,
        "last": hashlib.sha256(lines[-1]).hexdigest(),
        "root": merkle_root(lines).hex(),
        "size": 5,
        "time": "2026-05-14T17:30:00.000000Z",
    }
    # RFC 8785: for these ASCII fields, the sorted form without spaces
    signed_bytes = json.dumps(expected, sort_keys=True, separators=(",", ":")).encode()
    Ed25519PublicKey.from_public_bytes(bytes.fromhex(PUBLIC)).verify(
        bytes.fromhex(signed.signature), signed_bytes
    )
    assert signed.key == PUBLIC
    assert signed.is_genuine()
    assert parse_head(json.loads(signed.line())) == signed
    assert signed.text() == (
        f"5 entries, root {expected['root']}, signature {signed.signature[:16]}, "
        f"key {hashlib.sha256(bytes.fromhex(PUBLIC)).hexdigest()[:16]}"
    )
    assert fingerprint(PUBLIC).startswith(signed.text()[-16:])


@pytest.mark.parametrize(
    "change",
    [
        {"size": 4},
        {"root": "0" * 64},
        {"last": "0" * 64},
        {"archive": "aa" * 16},
        {"time": "2026-05-14T17:30:01.000000Z"},
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_head_with_any_other_field_is_not_genuine(tmp_path, change):
    signed = head_of(filled(tmp_path, 5))
    assert not replace(signed, head=replace(signed.head, **change)).is_genuine()


def test_a_head_with_another_key_or_signature_is_not_genuine(tmp_path):
    signed = head_of(filled(tmp_path, 5))
    other = Ed25519PrivateKey.generate()
    assert not replace(signed, key=other.public_key().public_bytes_raw().hex()).is_genuine()
    assert not replace(signed, signature="00" * 64).is_genuine()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda value: value["head"].pop("root"),
        lambda value: value["head"].update(more=1),
        lambda value: value["head"].update(size="5"),
        lambda value: value["head"].update(size=0),
        lambda value: value["head"].update(size=True),
        lambda value: value["head"].update(archive="../../etc"),
        lambda value: value.update(key="short"),
        lambda value: value.update(signature=None),
        lambda value: value.pop("head"),
    ],
)
def test_what_is_not_a_head_is_not_read_as_one(tmp_path, spoil):
    value = json.loads(head_of(filled(tmp_path, 5)).line())
    spoil(value)
    assert parse_head(value) is None


def test_a_target_keeps_every_head_and_none_twice(tmp_path):
    log = filled(tmp_path, 2)
    target = tmp_path / "target"
    target.mkdir()
    first = head_of(log)
    assert newest_head(target, ARCHIVE) is None
    assert write_head(target, first)
    assert not write_head(target, head_of(log, at=AT + timedelta(days=1))), "the log did not grow"
    log.append("dana", "kept", "more", {}, AT)
    second = head_of(log)
    assert write_head(target, second)
    other = head_of(log, archive="aa" * 16)
    assert write_head(target, other)
    assert read_heads(target, ARCHIVE) == (first, second)
    assert read_heads(target) == (first, second, other)
    assert newest_head(target, ARCHIVE) == second
    path = target / HEADS / ARCHIVE / "heads.jsonl"
    assert path.read_bytes() == first.line() + b"\n" + second.line() + b"\n"


def test_a_torn_line_of_a_killed_run_costs_no_other_head(tmp_path):
    log = filled(tmp_path, 2)
    target = tmp_path / "target"
    target.mkdir()
    write_head(target, head_of(log))
    path = target / HEADS / ARCHIVE / "heads.jsonl"
    with path.open("ab") as handle:
        handle.write(b'{"head":{"arch')
    assert newest_head(target, ARCHIVE) == head_of(log)
    log.append("dana", "kept", "more", {}, AT)
    write_head(target, head_of(log))
    assert [line.signed and line.signed.head.size for line in kept_lines(target)] == [2, None, 3]


@pytest.mark.skipif(not hasattr(os, "symlink") or os.name == "nt", reason="needs symbolic links")
@pytest.mark.parametrize("below", ["", ARCHIVE])
def test_links_in_a_target_are_not_followed(tmp_path, below):
    target, elsewhere = tmp_path / "target", tmp_path / "elsewhere"
    (target / HEADS / below).parent.mkdir(parents=True)
    elsewhere.mkdir()
    (target / HEADS / below).symlink_to(elsewhere)
    with pytest.raises(DestinationError, match="link"):
        write_head(target, head_of(filled(tmp_path, 2)))
    assert list(elsewhere.iterdir()) == []


def test_an_older_and_a_diverged_log_are_told_apart_from_one_that_grew(tmp_path):
    target = tmp_path / "target"
    target.mkdir()
    log = filled(tmp_path / "log", 5)
    write_head(target, head_of(log))
    assert later_head(log, target, ARCHIVE) is None
    log.append("dana", "kept", "more", {}, AT)
    assert later_head(log, target, ARCHIVE) is None
    older = filled(tmp_path / "older", 4)
    found = later_head(older, target, ARCHIVE)
    assert found
    assert found.head.size == 5
    older.append("mara", "another", "entry", {}, AT)
    assert later_head(older, target, ARCHIVE), "as long, but another log"


def test_a_forged_line_at_a_target_neither_stops_a_backup_nor_hides_a_later_head(tmp_path):
    target = tmp_path / "target"
    target.mkdir()
    log = filled(tmp_path / "log", 5)
    write_head(target, head_of(log))
    signed = head_of(log)
    forged = replace(signed, head=replace(signed.head, size=999))
    with (target / HEADS / ARCHIVE / "heads.jsonl").open("ab") as handle:
        handle.write(forged.line() + b"\n")
    assert later_head(log, target, ARCHIVE) is None
    assert later_head(filled(tmp_path / "older", 4), target, ARCHIVE) == signed


def test_any_entrys_digest_is_found_without_reading_the_log(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    assert log.digest_of(1) is None
    entries = log.append_all(
        [
            Draft(actor="dana", action="kept", subject="x" * (n * 7919 % 3000), at=AT + timedelta(seconds=n))
            for n in range(1500)
        ]
    )
    for entry in entries:
        assert log.digest_of(entry.seq) == entry.sha256
    assert log.digest_of(0) is None
    assert log.digest_of(1501) is None


def test_the_frontier_beside_the_log_gives_its_root_at_every_length(tmp_path):
    log = CustodyLog(tmp_path / "custody.jsonl")
    for number in range(1, 20):
        log.append("dana", "kept", str(number), {}, AT)
        assert log.head().root == merkle_root(log.path.read_bytes().splitlines()).hex()
    stored = json.loads(log.head_path.read_bytes())
    assert len(stored["frontier"]) == (19).bit_count()


def test_a_head_file_of_an_earlier_version_gets_its_frontier_with_the_next_entry(tmp_path):
    log = filled(tmp_path, 6)
    stored = json.loads(log.head_path.read_bytes())
    del stored["frontier"]
    log.head_path.write_text(json.dumps(stored))
    root = merkle_root(log.path.read_bytes().splitlines()).hex()
    assert log.head().root == root
    assert log.verify().valid
    log.append("dana", "kept", "more", {}, AT)
    assert len(json.loads(log.head_path.read_bytes())["frontier"]) == 3
    assert log.head().root == merkle_root(log.path.read_bytes().splitlines()).hex()


def test_a_frontier_that_does_not_fit_the_log_is_found(tmp_path):
    log = filled(tmp_path, 6)
    stored = json.loads(log.head_path.read_bytes())
    stored["frontier"][0] = "0" * 64
    log.head_path.write_text(json.dumps(stored))
    check = log.verify()
    assert [(f.code, f.subject) for f in check.findings] == [("not_as_noted", "6")]
    assert "Merkle root" in check.findings[0].message
