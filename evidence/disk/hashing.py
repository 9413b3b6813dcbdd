"""SHA-256 of files, read from the disk and not from the system's cache where that is possible."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
from pathlib import Path
from typing import BinaryIO

from evidence.model import Sha256

CHUNK = 1 << 20
"""Bytes a read. SHA-256 and disks reach full speed at about 256 KiB; 1 MiB needs fewer calls."""


def hash_file(path: Path, *, uncached: bool = False) -> Sha256:
    """SHA-256 (FIPS 180-4) of a file's bytes. Raises OSError.

    `uncached` first asks the system to drop its cached pages of the file, so that the bytes come
    from the disk. Linux and macOS do so for pages already written; elsewhere nothing happens.
    """
    digest = hashlib.sha256()
    buffer = bytearray(CHUNK)
    view = memoryview(buffer)
    with path.open("rb", buffering=0) as handle:
        if uncached:
            drop_cache(handle)
        while count := handle.readinto(buffer):
            digest.update(view[:count])
    return Sha256(digest.hexdigest())


def drop_cache(handle: BinaryIO | object) -> None:
    """Ask the system to drop its cached pages of an open file; do nothing where it cannot."""
    descriptor = handle.fileno()  # type: ignore[union-attr]  # any open file has one
    with contextlib.suppress(OSError):
        if sys.platform == "darwin":
            import fcntl  # noqa: PLC0415 - no such module on Windows

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        elif hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
