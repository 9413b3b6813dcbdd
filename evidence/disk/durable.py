"""Writing that survives a pulled plug: .part, flush to disk, read back, rename to a free name.

Nothing here overwrites. A file appears under its final name whole, read back and equal, or
not at all; what a killed run leaves is a `.part` file that `sweep_folder` removes.
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
from collections.abc import Callable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO, Protocol

import psutil

from evidence.errors import CardReadError, CopyMismatchError, DestinationError
from evidence.model import Sha256

log = logging.getLogger(__name__)

CHUNK = 1 << 20
"""Bytes a read. SHA-256 and the disk are both at full speed from about 256 KiB on; 1 MiB keeps calls few."""

READ_ONLY = 0o444

_PART = re.compile(r"(?P<pid>\d+)-[0-9a-f]{16}\.part")
_NO_LINKS = {errno.EPERM, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EMLINK, errno.EXDEV}
_NO_FOLDER_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EACCES, errno.EBADF, errno.ENOSYS}
_CLOCK_SLACK = 1.0
"""Seconds by which a file's time stamp and a process's start may disagree."""


READ_REMEDY = "Nothing was changed; try the card in another reader, then run the intake again."
STORED_REMEDY = (
    "Nothing was changed; check that its disk is connected and sound, then run the same command again."
)


class NameTakenError(DestinationError):
    """Another file already stands under the name a copy was to have; neither was changed."""


class CopyStep(StrEnum):
    """Where a copy stands; told to whoever listens, in this order."""

    OPENED = "opened"
    CREATED = "created"
    WRITTEN = "written"
    SYNCED = "synced"
    READ_BACK = "read_back"
    PUBLISHED = "published"


OnStep = Callable[[CopyStep, Path], None]
"""Called at each step with the file it concerns: the source when opened, the .part until it is published."""


def no_listener(_step: CopyStep, _path: Path) -> None:
    """Nobody listens."""


class Chunks(Protocol):
    """What a copy needs of an open file: `read` and `close`."""

    def read(self, size: int, /) -> bytes:
        """At most `size` bytes; none at the end."""
        ...

    def close(self) -> None:
        """Give the file back."""
        ...


def one_line(text: str | Path) -> str:
    """A path as it may stand in a message: what would break the line or is no text is written as an escape."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in str(text))


# --- whose fault it was ------------------------------------------------------------------


@contextlib.contextmanager
def reading(name: str, remedy: str = READ_REMEDY) -> Iterator[None]:
    """Turn an OSError inside into CardReadError that names the file. Wrap reads only."""
    try:
        yield
    except OSError as error:
        raise CardReadError(
            f"{one_line(name)} could not be read: {_why(error)}.",
            remedy,
        ) from error


@contextlib.contextmanager
def writing(place: Path) -> Iterator[None]:
    """Turn an OSError inside into DestinationError that names the place. Wrap writes only."""
    try:
        yield
    except DestinationError:
        raise
    except OSError as error:
        raise DestinationError(
            f"{one_line(place)} could not be written: {_why(error)}.", _remedy(error)
        ) from error


def _why(error: OSError) -> str:
    return {
        errno.ENOSPC: "the disk is full",
        errno.EROFS: "the disk is read-only",
        errno.EACCES: "permission denied",
        errno.EPERM: "not permitted",
        errno.EIO: "the device reports a read or write error",
        errno.ENODEV: "the device is gone",
        errno.ENXIO: "the device is gone",
        errno.ENOENT: "it is not there any more",
    }.get(error.errno or 0) or (error.strerror or str(error) or type(error).__name__).lower()


def _remedy(error: OSError) -> str:
    if error.errno in {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}:
        return "Free some space there or choose another disk, then run the same command again."
    if error.errno in {errno.EROFS, errno.EACCES, errno.EPERM}:
        return "Give this user the right to write there or choose another folder, then run it again."
    return "Check that the disk is connected and sound, then run the same command again."


# --- reading back ------------------------------------------------------------------------


def hash_file(path: Path, *, uncached: bool = False) -> Sha256:
    """SHA-256 (FIPS 180-4) of a file's bytes.

    `uncached` asks the system to forget its cached pages first, so that the disk is read and
    not the memory; honoured on Linux and macOS for pages that are already on the disk, and a
    no-op elsewhere. Raises OSError: only the caller knows whose fault it is.
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
    """Ask the system to forget its cached pages of an open file; where it cannot, do nothing."""
    descriptor = handle.fileno()  # type: ignore[union-attr]  # any open file has one
    with contextlib.suppress(OSError):
        if sys.platform == "darwin":
            import fcntl  # noqa: PLC0415 - no such module on Windows

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        elif hasattr(os, "posix_fadvise"):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)


# --- writing -----------------------------------------------------------------------------


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
    """Flush a folder's entries to the disk, where the system can; Windows keeps them in its journal."""
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
    """Flush a file to the disk; on macOS through the drive's own cache too."""
    if sys.platform == "darwin":
        import fcntl  # noqa: PLC0415 - no such module on Windows

        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)


def write_part(
    source: Chunks, name: str, folder: Path, *, remedy: str = READ_REMEDY, on_step: OnStep = no_listener
) -> tuple[Path, Sha256, int]:
    """Read `source` once to its end into a new .part file; its path, the SHA-256 and the bytes read.

    The .part is on the disk (fsync), read-only, and has been read back equal. On any failure
    it is gone again: CardReadError (reading `name`), DestinationError (writing),
    CopyMismatchError (reading back).
    """
    part = folder / f"{os.getpid()}-{secrets.token_hex(8)}.part"
    try:
        with writing(folder):
            make_folder(folder)
            descriptor = os.open(
                part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600
            )
        try:
            on_step(CopyStep.CREATED, part)
            sha256, size = _pour(source, name, remedy, descriptor, folder)
            on_step(CopyStep.WRITTEN, part)
            with writing(folder):
                _make_read_only(part)
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
    return part, sha256, size


def _read_back(part: Path, expect: Sha256, name: str) -> None:
    with writing(part.parent):
        found = hash_file(part, uncached=True)
    if found != expect:
        raise CopyMismatchError(Path(one_line(name)))


def _pour(source: Chunks, name: str, remedy: str, descriptor: int, folder: Path) -> tuple[Sha256, int]:
    digest = hashlib.sha256()
    size = 0
    while True:
        with reading(name, remedy):
            chunk = source.read(CHUNK)
        if not chunk:
            return Sha256(digest.hexdigest()), size
        digest.update(chunk)
        size += len(chunk)
        rest = memoryview(chunk)
        with writing(folder):
            while rest:
                rest = rest[os.write(descriptor, rest) :]


def _make_read_only(path: Path) -> None:
    """Take the write permission away; a file system without permissions keeps what it has."""
    with contextlib.suppress(PermissionError, NotImplementedError):
        path.chmod(READ_ONLY)


def publish(part: Path, final: Path) -> None:
    """Give a .part its final name, never over another file, and flush the folder.

    Raises FileExistsError when the name is taken, OSError otherwise; the .part is then still
    there. On a file system without hard links the check for a free name and the renaming are
    two steps: whoever writes there holds the archive's lock.
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
        sync_folder(final.parent)
    else:
        sync_folder(final.parent)
        part.unlink()


def discard(part: Path) -> None:
    """Remove a .part of our own, read-only or not; what cannot be removed waits for the sweep."""
    try:
        if os.name == "nt" and part.exists():
            part.chmod(stat.S_IWRITE)
        part.unlink(missing_ok=True)
    except OSError as error:
        log.warning("part_left_behind path=%s why=%s", part, error)


# --- one known file to one place ---------------------------------------------------------


def place_copy(
    source: Path, dest: Path, expect: Sha256, *, parts: Path | None = None, on_step: OnStep = no_listener
) -> None:
    """Copy one file to one free name, and prove that the copy is `expect`.

    Written as .part in the folder of `dest`, or in `parts` (same file system) where readers
    must not see it; flushed, read back from the disk, compared, renamed, read-only. A `dest`
    that already holds exactly these bytes is left as it is: doing it twice is doing it once.

    Raises CardReadError (source), CopyMismatchError (either differs from `expect`),
    NameTakenError (another file stands there), DestinationError (any other write trouble).
    Nothing is left at the destination in either case.
    """
    if _stands_already(dest, expect):
        return
    with reading(str(source), STORED_REMEDY):
        handle = source.open("rb", buffering=0)
    with handle:
        on_step(CopyStep.OPENED, source)
        with writing(dest.parent):
            make_folder(dest.parent)
        part, sha256, _size = write_part(
            handle, str(source), parts or dest.parent, remedy=STORED_REMEDY, on_step=on_step
        )
    try:
        _publish_or_explain(part, dest, sha256 == expect, source)
    except BaseException:
        discard(part)
        raise
    on_step(CopyStep.PUBLISHED, dest)


def link_or_copy(source: Path, dest: Path, expect: Sha256, *, parts: Path | None = None) -> None:
    """Give one file a second name on the same disk, or copy it with `place_copy` where that cannot be.

    The bytes are read from the disk and compared with `expect` before the link is made, so
    the promise is the same. Raises as `place_copy` does.
    """
    if _stands_already(dest, expect):
        return
    with reading(str(source), STORED_REMEDY):
        if not stat.S_ISREG(source.lstat().st_mode):
            raise OSError(errno.EINVAL, "not a regular file", str(source))
    with writing(dest.parent):
        make_folder(dest.parent)
    with reading(str(source), STORED_REMEDY):
        matches = hash_file(source, uncached=True) == expect
    if not matches:
        raise CopyMismatchError(source)
    try:
        os.link(source, dest)
    except FileExistsError as error:
        raise _taken(dest) from error
    except (OSError, NotImplementedError):
        place_copy(source, dest, expect, parts=parts)
    else:
        _make_read_only(dest)
        with writing(dest.parent):
            sync_folder(dest.parent)


def _stands_already(dest: Path, expect: Sha256) -> bool:
    with writing(dest):
        if not os.path.lexists(dest):
            return False
        if not stat.S_ISREG(dest.lstat().st_mode) or hash_file(dest, uncached=True) != expect:
            raise _taken(dest)
    return True


def _publish_or_explain(part: Path, dest: Path, matches: bool, source: Path) -> None:
    if not matches:
        raise CopyMismatchError(source)
    try:
        with writing(dest.parent):
            publish(part, dest)
    except DestinationError as error:
        if isinstance(error.__cause__, FileExistsError):
            raise _taken(dest) from error
        raise


def _taken(dest: Path) -> NameTakenError:
    return NameTakenError(
        f"{one_line(dest)} already holds another file.",
        "Neither was changed; move that file aside, then run the same command again.",
    )


# --- after a killed run ------------------------------------------------------------------


def sweep_folder(folder: Path) -> tuple[Path, ...]:
    """Remove the .part files that killed runs left in a folder; those removed, sorted.

    Only regular files with our own kind of name go, and none that belongs to a process which
    still runs on this computer. Run it under the archive's lock: a process on another
    computer cannot be seen from here. Raises DestinationError.
    """
    removed: list[Path] = []
    with writing(folder):
        entries = sorted(folder.iterdir()) if folder.is_dir() else []
    for path in entries:
        match = _PART.fullmatch(path.name)
        if match is None or path.is_symlink() or not path.is_file():
            continue
        if _still_writing(int(match["pid"]), path):
            continue
        discard(path)
        removed.append(path)
    return tuple(removed)


def _still_writing(pid: int, part: Path) -> bool:
    """True when the process of that number was there before the .part was: it may be writing it."""
    try:
        process = psutil.Process(pid)
        gone = process.status() == psutil.STATUS_ZOMBIE
        return not gone and bool(process.create_time() <= part.stat().st_mtime + _CLOCK_SLACK)
    except (psutil.NoSuchProcess, FileNotFoundError):
        return False
    except psutil.Error:
        return True


def free_bytes(folder: Path) -> int:
    """Bytes free for this user on the disk of a folder or its nearest existing parent. Raises OSError."""
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free
