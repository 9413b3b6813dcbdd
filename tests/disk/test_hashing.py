"""Digests against the published examples of the standard."""

from __future__ import annotations

import errno
import hashlib
import io
import os
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from evidence.disk import hashing
from evidence.disk.hashing import BUFFER, hash_file, own_buffer, skip_cache

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


@pytest.mark.parametrize(
    "size", [0, 1, 4095, 4096, 4097, BUFFER - 1, BUFFER, BUFFER + 1, BUFFER + 4096, 2 * BUFFER + 511]
)
def test_a_file_of_any_size_is_read_to_its_end_past_the_cache(tmp_path, size):
    path = tmp_path / "any"
    content = os.urandom(size)
    path.write_bytes(content)
    assert hashing.checksums(path, ("sha256",), uncached=True) == (
        {"sha256": hashlib.sha256(content).hexdigest()},
        size,
    )


@pytest.mark.skipif(not hasattr(os, "O_DIRECT"), reason="Linux only")
def test_the_flag_for_reads_past_the_cache_is_set_where_the_file_system_allows_it(tmp_path):
    import fcntl

    path = tmp_path / "one"
    path.write_bytes(b"x" * 5000)
    with path.open("rb", buffering=0) as handle:
        direct = skip_cache(handle)
        assert bool(fcntl.fcntl(handle.fileno(), fcntl.F_GETFL) & os.O_DIRECT) == direct
        assert handle.readinto(own_buffer()) == 5000


@pytest.mark.skipif(not hasattr(os, "O_DIRECT"), reason="Linux only")
def test_a_file_system_that_refuses_reads_past_the_cache_is_read_through_it(tmp_path, monkeypatch):
    class Refusing(io.FileIO):
        """Refuses as a file system does whose driver has no such reads."""

        def readinto(self, buffer):
            import fcntl

            if fcntl.fcntl(self.fileno(), fcntl.F_GETFL) & os.O_DIRECT:
                raise OSError(errno.EINVAL, "Invalid argument")
            return super().readinto(buffer)

    path = tmp_path / "one"
    path.write_bytes(b"x" * 5000)
    monkeypatch.setattr(hashing, "open_regular", Refusing)
    assert hash_file(path, uncached=True) == hashlib.sha256(b"x" * 5000).hexdigest()


def test_a_read_error_past_the_cache_is_reported(tmp_path, monkeypatch):
    class Broken(io.FileIO):
        def readinto(self, _buffer):
            raise OSError(errno.EIO, "Input/output error")

    path = tmp_path / "one"
    path.write_bytes(b"x")
    monkeypatch.setattr(hashing, "open_regular", Broken)
    with pytest.raises(OSError, match="Input/output"):
        hash_file(path, uncached=True)


@pytest.fixture
def on_disk():
    """A folder beside the tests: the temporary folder may lie in memory, where every file is always cached."""
    with TemporaryDirectory(prefix=".cache-test-", dir=Path(__file__).parent) as folder:
        yield Path(folder)


@pytest.mark.skipif(not hasattr(os, "RWF_NOWAIT"), reason="Linux only")
def test_a_file_that_was_just_read_is_in_the_cache_and_one_that_was_dropped_is_not(on_disk):
    path = on_disk / "one"
    path.write_bytes(b"x" * 5000)
    path.read_bytes()
    with path.open("rb", buffering=0) as handle:
        if not skip_cache(handle):
            pytest.skip("the checkout lies on a file system that has no cache to go past")
    with path.open("rb", buffering=0) as handle:
        assert hashing.is_cached(handle)
        assert handle.tell() == 0
        os.fsync(handle.fileno())
        os.posix_fadvise(handle.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    with path.open("rb", buffering=0) as handle:
        assert not hashing.is_cached(handle)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
def test_a_forked_process_reads_into_a_buffer_of_its_own():
    own_buffer()[:6] = b"parent"
    child = os.fork()
    if child == 0:
        own_buffer()[:6] = b"child "
        os._exit(0)
    assert os.waitpid(child, 0)[1] == 0
    assert bytes(own_buffer()[:6]) == b"parent"
