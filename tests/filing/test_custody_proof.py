"""A proof that the log holds an entry, checked by a program that knows nothing but RFC 9162 and RFC 8032."""

from __future__ import annotations

import hashlib
import json

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from support_cli import cli, make_archive

from evidence.archive.custody_key import KEY_FILE, log_of
from evidence.archive.merkle import merkle_root


@pytest.fixture
def archive(tmp_path):
    made = make_archive(tmp_path)
    claims = tmp_path / "claims.csv"
    claims.write_text("claim,insured\nTC-1,Ann Exámple\nTC-2,Bea\n", encoding="utf-8")
    assert cli("assignments", claims, archive=made).status == 0
    for number in range(5):
        assert (
            cli("hold", "place", "TC-1", "--reason", f"suit № {number}", archive=made, actor="Zoë").status
            == 0
        )
    return made


def checked_by_a_third_party(proof) -> bool:
    """RFC 9162, section 2.1.3.2, in its own words, and the signature; shares no code with the program."""
    fn, sn = proof["index"], proof["size"] - 1
    r = hashlib.sha256(b"\x00" + proof["leaf"].encode("utf-8")).digest()
    for text in proof["path"]:
        p = bytes.fromhex(text)
        if sn == 0:
            return False
        if fn % 2 == 1 or fn == sn:
            r = hashlib.sha256(b"\x01" + p + r).digest()
            while fn % 2 == 0 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            r = hashlib.sha256(b"\x01" + r + p).digest()
        fn, sn = fn >> 1, sn >> 1
    head = proof["head"]["head"]
    signed = json.dumps(head, sort_keys=True, separators=(",", ":"))  # RFC 8785 for these ASCII fields
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(proof["head"]["key"])).verify(
            bytes.fromhex(proof["head"]["signature"]), signed.encode()
        )
    except InvalidSignature:
        return False
    return sn == 0 and r.hex() == proof["root"] == head["root"] and head["size"] == proof["size"]


def test_a_third_party_checks_the_proof_of_every_entry(archive):
    lines = log_of(archive).path.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines, start=1):
        ran = cli("custody", "--verify", "--prove", number, archive=archive)
        assert ran.status == 0
        proof = json.loads(ran.out)
        assert proof["leaf"] == line
        assert checked_by_a_third_party(proof)


def test_a_proof_file_is_checked_without_an_archive(archive, tmp_path):
    file = tmp_path / "proof.json"
    file.write_text(cli("custody", "--prove", 4, "--since", 3, archive=archive).out, encoding="utf-8")
    ran = cli("custody", "--check-proof", file, "--json")
    assert ran.status == 0
    assert ran.data["entry"]["details"]["reason"] == "suit № 1"
    assert ran.data["entry"]["actor"] == "Zoë"
    assert (ran.data["entries"], ran.data["extends"]) == (7, 3)
    said = cli("custody", "--check-proof", file).out
    assert "Entry 4: " in said
    assert f"Key {ran.data['key'][:16]}" in said
    earlier = json.loads(file.read_text(encoding="utf-8"))["extends"]
    lines = log_of(archive).path.read_bytes().splitlines()
    assert earlier["root"] == merkle_root(lines[:3]).hex()


SPOIL = {
    "another entry": lambda proof: proof.update(leaf=proof["leaf"].replace("hold_placed", "hold_lifted")),
    "another text": lambda proof: proof["texts"][0].update(text="sued"),
    "another place": lambda proof: proof.update(index=4),
    "another size": lambda proof: proof.update(size=8),
    "a path that is cut": lambda proof: proof["path"].pop(),
    "another path": lambda proof: proof["path"].__setitem__(0, "0" * 64),
    "another root": lambda proof: proof.update(root="0" * 64),
    "another head": lambda proof: proof["head"]["head"].update(size=8),
    "another time": lambda proof: proof["head"]["head"].update(time="2020-01-01T00:00:00.000000Z"),
    "another signature": lambda proof: proof["head"].update(signature="00" * 64),
    "another key": lambda proof: proof["head"].update(key="00" * 32),
    "another earlier log": lambda proof: proof["extends"].update(root="0" * 64),
    "another earlier length": lambda proof: proof["extends"].update(size=2),
}


@pytest.mark.parametrize("what", SPOIL)
def test_a_proof_with_anything_changed_proves_nothing(archive, tmp_path, what):
    proof = json.loads(cli("custody", "--prove", 4, "--since", 3, archive=archive).out)
    SPOIL[what](proof)
    file = tmp_path / "proof.json"
    file.write_text(json.dumps(proof), encoding="utf-8")
    ran = cli("custody", "--check-proof", file, "--json")
    assert ran.status == 1
    assert ran.data["valid"] is False
    assert ran.data["troubles"]


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff", b"[]", b"{}", b"null", b'{"leaf":1,"index":0,"size":1,"path":[],"root":"","head":{}}'],
)
def test_a_file_that_is_no_proof_is_bad_input(tmp_path, content):
    file = tmp_path / "proof.json"
    file.write_bytes(content)
    ran = cli("custody", "--check-proof", file)
    assert ran.status == 2
    assert "not a proof" in ran.err
    assert cli("custody", "--check-proof", tmp_path / "none.json").status == 2


@pytest.mark.parametrize(
    "given", [["--prove", 0], ["--prove", 8], ["--prove", 3, "--since", 9], ["--since", 3]]
)
def test_an_entry_that_is_not_there_is_bad_input(archive, given):
    assert cli("custody", *given, archive=archive).status == 2


def test_nothing_is_proved_from_a_log_that_is_not_intact(archive):
    log = log_of(archive)
    log.path.write_bytes(log.path.read_bytes().replace(b"hold_placed", b"hold_lifted", 1))
    ran = cli("custody", "--prove", 2, "--json", archive=archive)
    assert ran.status == 1
    assert ran.data["valid"] is False


@pytest.mark.parametrize("what", ["archive", "key"])
def test_a_key_that_cannot_be_locked_is_one_clear_error(archive, monkeypatch, what):
    import filelock

    def refused(*_given, **_more):
        raise filelock.Timeout("lock") if what == "key" else OSError(30, "read-only")

    monkeypatch.setattr("evidence.archive.custody_key.FileLock.acquire", refused)
    ran = cli("custody", "--prove", 2, archive=archive)
    assert ran.status == (27 if what == "key" else 23)
    assert ran.err.count("\n") == 1


def test_without_the_key_the_last_signed_head_serves(archive):
    assert cli("custody", "--prove", 7, archive=archive).status == 0
    (archive / "custody" / KEY_FILE).unlink()
    assert cli("close", "TC-2", "--on", "2026-05-01", archive=archive).status == 0
    proof = json.loads(cli("custody", "--prove", 7, archive=archive).out)
    assert (proof["size"], checked_by_a_third_party(proof)) == (7, True)
    assert cli("custody", "--prove", 8, archive=archive).status == 2
