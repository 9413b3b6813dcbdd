"""Checksums of files, read from the disk and not from the system's cache where that is possible."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import mmap
import os
import stat
import sys
import threading
from collections.abc import Iterable, Iterator
from io import FileIO, RawIOBase
from pathlib import Path

from evidence.model import Sha256

CHUNK = 1 << 20
"""Bytes a read of a source that gives its own pieces; see `BUFFER` for files."""
BUFFER = 1 << 18
"""Bytes of a thread's buffer. Those of four threads fit two cores' caches, and so does a piece of a copy, which is read,
then written. Smaller reads gain nothing, and would make a rotating disk seek between files all the time."""
_ALIGNMENT = 4096
"""Bytes: a read past the system's cache begins at a multiple of a disk's block, and no block is larger."""

_own = threading.local()


def own_buffer() -> memoryview:
    """The buffer of the calling thread, `BUFFER` bytes, reused for each file: new memory costs as much as copying.

    It begins at a page of memory, as reads past the system's cache require. A forked process has a copy.
    """
    buffer: memoryview | None = getattr(_own, "buffer", None)
    if buffer is None:
        buffer = _own.buffer = memoryview(_pages(BUFFER))
    return buffer


def _pages(octets: int) -> mmap.mmap:
    """New memory that begins at a page. Without the flag, forked processes would write into the same memory."""
    if sys.platform == "win32":
        return mmap.mmap(-1, octets)
    return mmap.mmap(-1, octets, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)


def hash_file(path: Path, *, uncached: bool = False) -> Sha256:
    """SHA-256 (FIPS 180-4) of a file's bytes. Raises OSError.

    With `uncached` the bytes come from the disk and not from the system's cache, on Linux and macOS where
    the file system allows it. Elsewhere it changes nothing.
    """
    digests, _size = checksums(path, ("sha256",), uncached=uncached)
    return Sha256(digests["sha256"])


def digest_if_readable(path: Path) -> str:
    """SHA-256 of the file as the disk has it, or '' when it cannot be read."""
    try:
        return hash_file(path, uncached=True)
    except OSError:
        return ""


def checksums(path: Path, algorithms: Iterable[str], *, uncached: bool = False) -> tuple[dict[str, str], int]:
    """Checksums of a file by the names of `hashlib`, and its size in bytes, read once. Raises OSError.

    `uncached` works as in `hash_file`.
    """
    running = {name: hashlib.new(name, usedforsecurity=False) for name in algorithms}
    size = 0
    with open_regular(path) as handle:
        for piece in pieces(handle, own_buffer(), uncached=uncached):
            size += len(piece)
            for digest in running.values():
                digest.update(piece)
    return {name: digest.hexdigest() for name, digest in running.items()}, size


def open_regular(path: Path) -> FileIO:
    """Open a regular file for reading, without a buffer. Raises OSError, also for a pipe, which would wait for ever."""
    handle: FileIO = open(path, "rb", buffering=0, opener=_without_waiting)  # noqa: SIM115 - the caller closes it
    if not stat.S_ISREG(os.fstat(handle.fileno()).st_mode):
        handle.close()
        raise OSError(errno.EINVAL, "not a regular file", str(path))
    return handle


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def pieces(handle: RawIOBase, buffer: memoryview, *, uncached: bool) -> Iterator[memoryview]:
    """The bytes of an open file up to its end, each time at the beginning of `buffer`. Raises OSError.

    `uncached` works as in `hash_file`; then the buffer begins at a page of memory and is a multiple of 4096 bytes.
    """
    direct = uncached and skip_cache(handle)
    while True:
        try:
            count = handle.readinto(buffer) or 0
        except OSError as error:
            if not direct or error.errno != errno.EINVAL:
                raise
            _use_cache(handle)  # the file system allows the flag but not such reads
            direct = False
            continue
        if not count:
            return
        yield buffer[:count]
        if direct and count % _ALIGNMENT:  # the end of the file: no further read begins at a block
            _use_cache(handle)
            direct = False


def skip_cache(handle: RawIOBase) -> bool:
    """Let the reads of an open file come from its disk, where the system can do that.

    True on Linux when reads now have to begin at a block and to fill page-aligned memory (O_DIRECT). Where the
    file system has no such reads, its cached pages are dropped.
    """
    descriptor = handle.fileno()
    with contextlib.suppress(OSError):
        if sys.platform == "darwin":
            import fcntl  # noqa: PLC0415 - no such module on Windows

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        elif hasattr(os, "O_DIRECT"):
            import fcntl  # noqa: PLC0415 - no such module on Windows

            fcntl.fcntl(descriptor, fcntl.F_SETFL, fcntl.fcntl(descriptor, fcntl.F_GETFL) | os.O_DIRECT)
            return True
    _drop_pages(descriptor)
    return False


def is_cached(handle: RawIOBase) -> bool:
    """True when the system's cache holds the beginning of an open file; False where it cannot tell."""
    try:
        return os.preadv(handle.fileno(), [bytearray(1)], 0, os.RWF_NOWAIT) > 0
    except (OSError, AttributeError):
        return False


def _use_cache(handle: RawIOBase) -> None:
    """Read the rest of an open file through the system's cache, without the pages that are there now."""
    import fcntl  # noqa: PLC0415 - no such module on Windows

    descriptor = handle.fileno()
    fcntl.fcntl(descriptor, fcntl.F_SETFL, fcntl.fcntl(descriptor, fcntl.F_GETFL) & ~os.O_DIRECT)
    _drop_pages(descriptor)


def _drop_pages(descriptor: int) -> None:
    with contextlib.suppress(OSError):
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
