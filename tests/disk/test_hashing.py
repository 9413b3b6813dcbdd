"""Digests against the published examples of the standard."""

from __future__ import annotations

import pytest

from evidence.disk.hashing import hash_file

# FIPS 180-4, the worked examples published with the standard (SHA256.pdf of the NIST example set)
# and the one-million-letter message of its predecessors.
FIPS_180_4 = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (
        b"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu",
        "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@pytest.mark.parametrize("uncached", [False, True])
@pytest.mark.parametrize(
    ("message", "digest"), FIPS_180_4, ids=["empty", "24-bit", "448-bit", "896-bit", "million"]
)
def test_digests_are_those_of_the_standard(tmp_path, message, digest, uncached):
    path = tmp_path / "message"
    path.write_bytes(message)
    assert hash_file(path, uncached=uncached) == digest
