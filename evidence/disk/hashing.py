"""Checksums of files, read from the disk and not from the system's cache where that is possible."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO

from evidence.model import Sha256

CHUNK = 1 << 20
"""Bytes a read of a source that gives its own pieces; see `BUFFER` for files."""
BUFFER = 1 << 18
"""Bytes of a thread's buffer. SHA-256 and disks reach full speed at 256 KiB, and so much fits a core's cache."""

_own = threading.local()


def own_buffer() -> memoryview:
    """The buffer of the calling thread, `BUFFER` bytes, reused for each file: new memory costs as much as copying."""
    buffer: memoryview | None = getattr(_own, "buffer", None)
    if buffer is None:
        buffer = _own.buffer = memoryview(bytearray(BUFFER))
    return buffer


def hash_file(path: Path, *, uncached: bool = False) -> Sha256:
    """SHA-256 (FIPS 180-4) of a file's bytes. Raises OSError.

    `uncached` first asks the system to drop its cached pages of the file, so that the bytes come
    from the disk. Linux and macOS do so for pages already written; elsewhere nothing happens.
    """
    digests, _size = checksums(path, ("sha256",), uncached=uncached)
    return Sha256(digests["sha256"])


def checksums(path: Path, algorithms: Iterable[str], *, uncached: bool = False) -> tuple[dict[str, str], int]:
    """Checksums of a file by the names of `hashlib`, and its size in bytes, read once. Raises OSError.

    `uncached` works as in `hash_file`.
    """
    running = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
    buffer = own_buffer()
    size = 0
    with path.open("rb", buffering=0) as handle:
        if uncached:
            drop_cache(handle)
        while count := handle.readinto(buffer):
            size += count
            for digest in running.values():
                digest.update(buffer[:count])
    return {name: digest.hexdigest() for name, digest in running.items()}, size


def drop_cache(handle: BinaryIO | object) -> None:
    """Ask the system to drop its cached pages of an open file; do nothing where it cannot."""
    descriptor = handle.fileno()  # type: ignore[union-attr]  # any open file has one
    with contextlib.suppress(OSError):
        if sys.platform == "darwin":
            import fcntl  # noqa: PLC0415 - no such module on Windows

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        elif hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
