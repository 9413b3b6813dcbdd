"""Writes that survive a power failure: write a .part file, flush it, read it back, rename it.

A file appears under its final name complete and verified, or not at all, and never replaces
another file. A killed run leaves a `.part` file, which `sweep_folder` removes.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import logging
import os
import re
import secrets
import shutil
import stat
import sys
from collections.abc import Callable
from enum import StrEnum
from io import RawIOBase
from pathlib import Path
from typing import Protocol

from evidence.disk.faults import READ_REMEDY, reading, writing
from evidence.disk.hashing import CHUNK, hash_file, is_cached, own_buffer, pieces
from evidence.disk.modes import FILE, ORIGINAL
from evidence.errors import CopyMismatchError, one_line
from evidence.model import Sha256

log = logging.getLogger(__name__)

_PART = re.compile(r"(?P<pid>\d+)-[0-9a-f]{16}\.part")
_NO_LINKS = {errno.EPERM, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EMLINK, errno.EXDEV}
_NO_FOLDER_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EACCES, errno.EBADF, errno.ENOSYS}
_CLOCK_SLACK = 86_400.0
"""Seconds by which a file may seem older than the process that writes it: the clock was set, or a memory card or a share
keeps local time or its own. A dead run's file whose number another process has stays for that long."""


class CopyStep(StrEnum):
    """The steps of a copy, in order."""

    OPENED = "opened"
    CREATED = "created"
    WRITTEN = "written"
    SYNCED = "synced"
    READ_BACK = "read_back"
    PUBLISHED = "published"


OnCopyStep = Callable[[CopyStep, Path], None]
"""Called after each step with the source when it is opened, the .part file, and at the end the final file."""


def ignore_step(*_step: object) -> None:
    """Do nothing: the default of every `on_step`."""


class Chunks(Protocol):
    """An open file that can be read in pieces."""

    def read(self, size: int, /) -> bytes:
        """At most `size` bytes; none at the end."""
        ...

    def close(self) -> None:
        """Close the file."""
        ...


# --- folders and descriptors -------------------------------------------------------------


def make_folder(folder: Path) -> None:
    """Create a folder and its parents, each flushed to the disk. Raises OSError."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "a file is in the way", str(folder))
    sync_folder(folder.parent)


def sync_folder(folder: Path) -> None:
    """Flush a folder's entries to the disk, where the system can. Raises OSError.

    Windows has no such call: its file system keeps folder entries in a journal.
    """
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        sync_descriptor(descriptor)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(descriptor)


def sync_descriptor(descriptor: int) -> None:
    """Flush an open file to the disk, on macOS through the drive's own cache too. Raises OSError."""
    if sys.platform == "darwin":
        import fcntl  # noqa: PLC0415 - no such module on Windows

        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)


def write_all(descriptor: int, content: bytes | memoryview) -> None:
    """Write every byte to an open file; `os.write` alone may write fewer. Raises OSError."""
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def make_read_only(path: Path) -> None:
    """Give a file the permissions of an original, without writing; do nothing on a file system without permissions."""
    with contextlib.suppress(PermissionError, NotImplementedError):
        path.chmod(ORIGINAL)


def free_bytes(folder: Path) -> int:
    """Bytes free for this user on the disk of a folder or its nearest existing parent. Raises OSError."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free


# --- small files -------------------------------------------------------------------------


def write_new_file(path: Path, content: bytes) -> None:
    """Write a new file and flush it; flushing its folder is left to the caller. Raises OSError.

    Others than the owner and the group cannot read it, whatever the umask.
    """
    with open(path, "xb", opener=_private) as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, FILE)


def replace_file(path: Path, content: bytes) -> None:
    """Write `content` beside `path`, flush it and rename it over `path`. Raises OSError.

    A reader finds the old content or the new one. One writer at a time: the .part file has a
    fixed name, so a killed run leaves at most one; `discard_replaced` removes it with its file.
    """
    part = _part_of(path)
    part.unlink(missing_ok=True)
    try:
        write_new_file(part, content)
        part.replace(path)
    except BaseException:
        discard(part)
        raise


def discard_replaced(path: Path) -> None:
    """Remove a file that `replace_file` wrote, and what a killed run left of its next content; see `discard`."""
    discard(_part_of(path))
    discard(path)


def discard_part(path: Path) -> None:
    """Remove what a killed `replace_file` left of a file's next content; see `discard`."""
    discard(_part_of(path))


def discard_parts(folder: Path) -> None:
    """Remove what killed runs of `replace_file` left in a folder, for files that no later run writes; see `discard`.

    Hold the lock under which the folder's files are written. Raises OSError.
    """
    for path in folder.glob("*.part") if folder.is_dir() else ():
        discard(path)


def _part_of(path: Path) -> Path:
    return path.with_name(f"{path.name}.part")


# --- large files -------------------------------------------------------------------------


def write_part(
    source: Chunks, name: str, folder: Path, *, remedy: str = READ_REMEDY, on_step: OnCopyStep = ignore_step
) -> tuple[Path, Sha256, int]:
    """Read `source` once to its end into a new .part file; returns its path, SHA-256 and size in bytes.

    The .part is flushed, read-only, read back and equal. On a failure it is removed and
    CardReadError (reading `name`), DestinationError (writing) or CopyMismatchError (reading back)
    is raised.
    """
    size = 0

    def fill(descriptor: int) -> Sha256:
        nonlocal size
        sha256, size = _copy_chunks(source, name, remedy, descriptor, folder)
        return sha256

    part, sha256 = _filled_part(fill, name, folder, on_step)
    return part, sha256, size


def copy_to_part(
    source: RawIOBase,
    name: str,
    folder: Path,
    expect: Sha256,
    *,
    remedy: str = READ_REMEDY,
    on_step: OnCopyStep = ignore_step,
) -> Path:
    """Copy an open file to a new .part file that reads back with the digest `expect`; returns its path.

    Only what is read back is hashed. Raises as `write_part` does.
    """

    def fill(descriptor: int) -> Sha256:
        buffer = own_buffer()
        with reading(name, remedy):
            copied = pieces(source, buffer, uncached=not is_cached(source))
        while True:
            with reading(name, remedy):
                piece = next(copied, None)
            if piece is None:
                return expect
            with writing(folder):
                write_all(descriptor, piece)

    return _filled_part(fill, name, folder, on_step)[0]


def _filled_part(
    fill: Callable[[int], Sha256], name: str, folder: Path, on_step: OnCopyStep
) -> tuple[Path, Sha256]:
    """A new .part file: `fill` writes it and returns the digest that reading back must give."""
    part = folder / f"{os.getpid()}-{secrets.token_hex(8)}.part"
    try:
        with writing(folder):
            make_folder(folder)
            descriptor = os.open(
                part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600
            )
        try:
            on_step(CopyStep.CREATED, part)
            sha256 = fill(descriptor)
            on_step(CopyStep.WRITTEN, part)
            with writing(folder):
                make_read_only(part)
                sync_descriptor(descriptor)
        finally:
            with writing(folder):
                os.close(descriptor)
        on_step(CopyStep.SYNCED, part)
        _read_back(part, sha256, name)
        on_step(CopyStep.READ_BACK, part)
    except BaseException:
        discard(part)
        raise
    return part, sha256


def _read_back(part: Path, expect: Sha256, name: str) -> None:
    with writing(part.parent):
        found = hash_file(part, uncached=True)
    if found != expect:
        raise CopyMismatchError(Path(one_line(name)))


def _copy_chunks(source: Chunks, name: str, remedy: str, descriptor: int, folder: Path) -> tuple[Sha256, int]:
    """Copy `source` to an open file; returns the SHA-256 and the number of bytes."""
    digest = hashlib.sha256()
    size = 0
    while True:
        with reading(name, remedy):
            chunk = source.read(CHUNK)
        if not chunk:
            return Sha256(digest.hexdigest()), size
        digest.update(chunk)
        size += len(chunk)
        with writing(folder):
            write_all(descriptor, chunk)


def publish(part: Path, final: Path, *, sync_names: bool = True) -> None:
    """Give a .part its final name, never over another file, and flush the folder.

    Without `sync_names` the caller flushes the folder later. Raises FileExistsError when the name is taken, OSError otherwise; the .part is then still
    there. Without hard links the check and the renaming are two steps, so hold the archive's lock.
    """
    if os.name == "nt":
        part.rename(final)  # refuses a taken name on Windows
        return
    try:
        os.link(part, final)
    except FileExistsError:
        raise
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(final):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final)) from error
        part.rename(final)
        if sync_names:
            sync_folder(final.parent)
    else:
        if sync_names:
            sync_folder(final.parent)
        part.unlink()


def discard(part: Path) -> None:
    """Remove a file of our own, read-only or not; a failure is logged and left to the next sweep."""
    try:
        if os.name == "nt" and part.exists():
            part.chmod(stat.S_IWRITE)
        part.unlink(missing_ok=True)
    except OSError as error:
        log.warning("part_left_behind path=%s why=%s", part, error)


# --- after a killed run ------------------------------------------------------------------


def sweep_folder(folder: Path) -> tuple[Path, ...]:
    """Remove the .part files that killed runs left in a folder; returns those removed, sorted.

    A .part of a process that still runs on this computer stays. Hold the archive's lock:
    processes of other computers cannot be seen from here. Raises DestinationError.
    """
    removed: list[Path] = []
    with writing(folder):
        entries = sorted(folder.iterdir()) if folder.is_dir() else []
    for path in entries:
        match = _PART.fullmatch(path.name)
        if match is None or path.is_symlink() or not path.is_file():
            continue
        if _may_be_written_by(int(match["pid"]), path):
            continue
        discard(path)
        removed.append(path)
    return tuple(removed)


def _may_be_written_by(pid: int, part: Path) -> bool:
    """True when the process runs and started before the .part was made."""
    import psutil  # noqa: PLC0415 - slow to import, and only the .part of a killed run needs it

    try:
        process = psutil.Process(pid)
        gone = process.status() == psutil.STATUS_ZOMBIE
        return not gone and bool(process.create_time() <= part.stat().st_mtime + _CLOCK_SLACK)
    except (psutil.NoSuchProcess, FileNotFoundError):
        return False
    except psutil.Error:
        return True
