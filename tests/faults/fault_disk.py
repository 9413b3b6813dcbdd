"""A disk that fails on demand, below Python's `os` and `open`, in a child process that ends afterwards.

`FaultyDisk.install` replaces the calls that change or read files. Each call below one of the watched folders is an
`Event`, counted from 0 in the order of the calls. A `Fault` names the event at which the disk fails, and how.
SQLite works below Python, so that one commit is one event; its files count as flushed at each commit, as
`PRAGMA synchronous=FULL` promises. Lock files are left out: nothing depends on what they hold.

What a power failure takes away is modelled strictly: the content of a file that was written after its last fsync,
and each change of a folder's entries until that folder itself is flushed. A rename lasts once one of its two
folders is flushed, since journaling file systems write both entries as one.
"""

# It stands below pathlib, which calls the functions that are replaced here:
# ruff: noqa: PTH100, PTH112, PTH115, PTH118, PTH121, PTH208

from __future__ import annotations

import builtins
import errno
import io
import os
import shutil
import signal
import sqlite3
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy.engine.default import DefaultDialect

from evidence.archive import exchange


class FaultKind(StrEnum):
    """How the disk, or the process, fails."""

    KILL = "kill"
    """SIGKILL just before the event; the system keeps running."""
    TORN = "torn write"
    """SIGKILL after half of the bytes of a write."""
    POWER = "power cut"
    """SIGKILL just before the event, and all that was not flushed is gone."""
    FULL = "disk full"
    """The disk is full from this event on: half of the write, then ENOSPC for everything that takes space."""
    UNREADABLE = "read error"
    """This read and every later read of the same file give EIO."""
    LIE = "lying write"
    """The disk reports that it wrote the bytes, and one bit of them is wrong."""
    LOSS = "lost file"
    """A file is gone while no command runs."""
    FLIP = "flipped bit"
    """One bit of a file changes while no command runs."""
    OLDER = "older target"
    """An older copy of the whole target is put back."""


STANDING = frozenset({FaultKind.LOSS, FaultKind.FLIP, FaultKind.OLDER})
"""Faults between two commands."""


@dataclass(frozen=True, slots=True)
class Event:
    """One call below the watched folders."""

    op: str
    path: str
    """Relative to the folder that holds the watched folders."""

    @property
    def place(self) -> str:
        """The watched folder."""
        return self.path.partition("/")[0]


SPACE = frozenset({"write", "create", "mkdir", "link", "commit"})
"""Events that fail on a full disk."""


def strikes(kind: FaultKind, event: Event) -> bool:
    """True when a fault of this kind can strike at this event."""
    if kind in STANDING:
        return False
    if kind is FaultKind.UNREADABLE:
        return event.op == "read"
    if event.op == "read":
        return False
    if kind is FaultKind.KILL:
        return event.op != "fsync"  # a kill before or after it leaves the same files
    if kind is FaultKind.TORN:
        return event.op == "write"
    if kind is FaultKind.FULL:
        return event.op in SPACE
    if kind is FaultKind.LIE:
        return event.op == "write" and event.place.startswith("target")
    return True


@dataclass(frozen=True, slots=True)
class Fault:
    """The disk fails at the event with this number, counted among those that the kind can strike."""

    kind: FaultKind
    number: int


Real = Callable[..., Any]


class FaultyDisk:
    """Watches the folders below `base` and fails as told. Install it once, in a process of its own."""

    def __init__(self, base: Path, fault: Fault | None = None) -> None:
        self.base = os.path.realpath(base)
        self.fault = fault
        self.events: list[Event] = []
        self.struck: Event | None = None
        """The event at which the fault struck."""
        self._count = 0
        self._lock = threading.RLock()
        self._full: str | None = None
        self._unreadable: set[str] = set()
        self._lose = _Unflushed(Path(base).parent / "lost-and-found")

    # --- counting and failing ------------------------------------------------------------

    def where(self, path: Any, dir_fd: int | None = None) -> str | None:
        """The path relative to `base`; None for a path that is not watched."""
        if isinstance(path, int):
            full = os.readlink(f"/proc/self/fd/{path}")
        else:
            full = os.fsdecode(os.fspath(path))
            if dir_fd is not None:
                full = os.path.join(os.readlink(f"/proc/self/fd/{dir_fd}"), full)
            full = os.path.abspath(full)
        if not (full + os.sep).startswith(self.base + os.sep) or full.endswith((".lock", ".turn")):
            return None
        return full[len(self.base) + 1 :] or "."

    def note(self, op: str, path: str, half: Callable[[], None] | None = None) -> bool:
        """Count one event and fail at it if it is its turn; True when the write must lie.

        `half` does half of a write. Raises OSError.
        """
        with self._lock:
            event = Event(op, path)
            if op == "read" and path in self._unreadable:
                raise OSError(errno.EIO, os.strerror(errno.EIO), path)
            if self._full == event.place and op in SPACE:
                raise self._no_space(event)
            if self.fault is None:
                self.events.append(event)
                return False
            if not strikes(self.fault.kind, event):
                return False
            self._count += 1
            if self._count - 1 != self.fault.number:
                return False
            self.struck = event
            return self._fail(event, half)

    def _fail(self, event: Event, half: Callable[[], None] | None) -> bool:
        assert self.fault is not None
        match self.fault.kind:
            case FaultKind.KILL:
                self._die()
            case FaultKind.TORN:
                if half:
                    half()
                self._die()
            case FaultKind.POWER:
                self._lose.all()
                self._die()
            case FaultKind.FULL:
                self._full = event.place
                if half:
                    half()
                raise self._no_space(event)
            case FaultKind.UNREADABLE:
                self._unreadable.add(event.path)
                raise OSError(errno.EIO, os.strerror(errno.EIO), event.path)
        return True

    def _die(self) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    def _no_space(self, event: Event) -> Exception:
        if event.op == "commit":
            full = sqlite3.OperationalError("database or disk is full")
            full.sqlite_errorcode = sqlite3.SQLITE_FULL  # as the driver sets it
            return full
        return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), event.path)

    # --- the calls -----------------------------------------------------------------------

    def install(self) -> None:
        """Replace the calls of this process."""
        for owner, name, made in self._calls():
            setattr(owner, name, made)

    @contextmanager
    def installed(self) -> Iterator[None]:
        """Replace the calls of this process for a while: to count the events of a run that no fault strikes."""
        assert self.fault is None
        calls = [(owner, name, getattr(owner, name)) for owner, name, _ in self._calls()]
        self.install()
        try:
            yield
        finally:
            for owner, name, real in calls:
                setattr(owner, name, real)
            self._lose.forget()

    def _calls(self) -> list[tuple[Any, str, Real]]:
        """What is replaced, its name there, and by what."""
        makers = {
            **{name: getattr(self, f"_{name}") for name in ("write", "fsync", "fdatasync", "ftruncate")},
            **{
                name: getattr(self, f"_{name}")
                for name in ("truncate", "read", "open", "mkdir", "rmdir", "link")
            },
            "rename": self._rename,
            "replace": self._rename,
            "unlink": self._unlink,
            "remove": self._unlink,
        }
        opener = self._open_file(io.open)
        return [
            *((os, name, make(getattr(os, name))) for name, make in makers.items()),
            (io, "open", opener),
            (builtins, "open", opener),
            (exchange, "exchange_folders", self._exchange(exchange.exchange_folders)),
            (DefaultDialect, "do_commit", self._commit(DefaultDialect.do_commit)),
        ]

    def _write(self, real: Real) -> Real:
        def write(descriptor: int, data: Any) -> int:
            place = self.where(descriptor)
            return int(real(descriptor, data)) if place is None else self.put(descriptor, data, place, real)

        return write

    def put(self, descriptor: int, data: Any, place: str, real: Real) -> int:
        """Write to an open file that is watched."""
        view = memoryview(data).cast("B")
        if not len(view):
            return 0
        self._lose.content(descriptor)
        lie = self.note("write", place, half=lambda: real(descriptor, view[: len(view) // 2]))
        if lie:
            wrong = bytearray(view)
            wrong[len(wrong) // 2] ^= 0x10
            return int(real(descriptor, wrong))
        return int(real(descriptor, view))

    def _fsync(self, real: Real) -> Real:
        def fsync(descriptor: int) -> None:
            number = descriptor if isinstance(descriptor, int) else descriptor.fileno()
            place = self.where(number)
            if place is not None:
                self.note("fsync", place)
            real(number)
            if place is not None:
                self._lose.flushed(number)

        return fsync

    _fdatasync = _fsync

    def _ftruncate(self, real: Real) -> Real:
        def ftruncate(descriptor: int, length: int) -> None:
            place = self.where(descriptor)
            if place is not None:
                self._lose.content(descriptor)
                self.note("truncate", place)
            real(descriptor, length)

        return ftruncate

    def _truncate(self, real: Real) -> Real:
        def truncate(path: Any, length: int) -> None:
            place = self.where(path)
            if place is not None:
                with self._lose.quietly(path) as descriptor:
                    self._lose.content(descriptor)
                self.note("truncate", place)
            real(path, length)

        return truncate

    def _read(self, real: Real) -> Real:
        def read(descriptor: int, size: int) -> bytes:
            place = self.where(descriptor)
            if place is not None:
                self.note("read", place)
            return bytes(real(descriptor, size))

        return read

    def _open(self, real: Real) -> Real:
        def open_(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
            place = self.where(path, dir_fd)
            if place is None or not flags & os.O_CREAT or _exists(path, dir_fd):
                descriptor = int(real(path, flags, mode, dir_fd=dir_fd))
                if place is not None and flags & os.O_TRUNC:
                    self._lose.content(descriptor)  # what it held is gone already: an empty file is the worst
                return descriptor
            self.note("create", place)
            descriptor = int(real(path, flags, mode, dir_fd=dir_fd))
            self._lose.created(path, dir_fd)
            return descriptor

        return open_

    def _mkdir(self, real: Real) -> Real:
        def mkdir(path: Any, mode: int = 0o777, *, dir_fd: int | None = None) -> None:
            place = self.where(path, dir_fd)
            if place is None or _exists(path, dir_fd):
                real(path, mode, dir_fd=dir_fd)
                return
            self.note("mkdir", place)
            real(path, mode, dir_fd=dir_fd)
            self._lose.created(path, dir_fd)

        return mkdir

    def _rmdir(self, real: Real) -> Real:
        def rmdir(path: Any, *, dir_fd: int | None = None) -> None:
            place = self.where(path, dir_fd)
            if place is None or not _exists(path, dir_fd) or _entries(path, dir_fd):
                real(path, dir_fd=dir_fd)
                return
            self.note("rmdir", place)
            self._lose.remove_folder(path, dir_fd)

        return rmdir

    def _unlink(self, real: Real) -> Real:
        def unlink(path: Any, *, dir_fd: int | None = None) -> None:
            place = self.where(path, dir_fd)
            if place is None or not _exists(path, dir_fd):
                real(path, dir_fd=dir_fd)
                return
            self.note("unlink", place)
            undo = self._lose.before_unlink(path, dir_fd)
            real(path, dir_fd=dir_fd)
            undo()

        return unlink

    def _link(self, real: Real) -> Real:
        def link(src: Any, dst: Any, **how: Any) -> None:
            place = self.where(dst, how.get("dst_dir_fd"))
            if place is None or _exists(dst, how.get("dst_dir_fd")):
                real(src, dst, **how)
                return
            self.note("link", place)
            real(src, dst, **how)
            self._lose.created(dst, how.get("dst_dir_fd"))

        return link

    def _rename(self, real: Real) -> Real:
        def rename(src: Any, dst: Any, **how: Any) -> None:
            place = self.where(dst, how.get("dst_dir_fd"))
            if place is None or not _exists(src, how.get("src_dir_fd")) or any(how.values()):
                real(src, dst, **how)
                return
            self.note("rename", place)
            done = self._lose.before_rename(src, dst)
            real(src, dst)
            done()

        return rename

    def _exchange(self, real: Real) -> Real:
        def exchange_folders(one: Path, other: Path) -> bool:
            place = self.where(one)
            if place is not None:
                self.note("exchange", place)
            done = bool(real(one, other))
            if done and place is not None:
                self._lose.exchanged(one, other, real)
            return done

        return exchange_folders

    def _commit(self, real: Real) -> Real:
        def do_commit(dialect: Any, connection: Any) -> None:
            if connection.in_transaction:  # else nothing was changed
                self.note("commit", "archive/catalog.sqlite")
            real(dialect, connection)

        return do_commit

    def _open_file(self, real: Real) -> Real:
        disk = self

        class Raw(io.FileIO):
            """An unbuffered file of the watched folders."""

            def write(self, data: Any) -> int:
                place = disk.where(self.fileno())
                up = super().write
                return (
                    up(data) if place is None else disk.put(self.fileno(), data, place, lambda _fd, d: up(d))
                )

            def readinto(self, buffer: Any) -> int:
                self._count()
                return super().readinto(buffer)

            def read(self, size: int | None = -1) -> bytes:
                self._count()
                return super().read(-1 if size is None else size)

            def readall(self) -> bytes:
                self._count()
                return super().readall()

            def truncate(self, size: int | None = None) -> int:
                disk._lose.content(self.fileno())
                return super().truncate(size)

            def _count(self) -> None:
                place = disk.where(self.fileno())
                if place is not None:
                    disk.note("read", place)

        def open_(
            file: Any,
            mode: str = "r",
            buffering: int = -1,
            encoding: str | None = None,
            errors: str | None = None,
            newline: str | None = None,
            closefd: bool = True,
            opener: Any = None,
        ) -> Any:
            place = disk.where(file)
            if place is None:
                return real(file, mode, buffering, encoding, errors, newline, closefd, opener)
            plain = mode.replace("b", "").replace("t", "")
            fresh = not isinstance(file, int) and any(c in plain for c in "wxa") and not _exists(file, None)
            if fresh:
                disk.note("create", place)
            elif "w" in plain and not isinstance(file, int):
                with disk._lose.quietly(file) as descriptor:
                    disk._lose.content(descriptor)
                disk.note("truncate", place)
            raw = Raw(file, plain, closefd, opener)
            if fresh:
                disk._lose.created(file, None)
            if buffering == 0:
                return raw
            size = buffering if buffering > 1 else io.DEFAULT_BUFFER_SIZE
            buffered: Any
            if "+" in plain:
                buffered = io.BufferedRandom(raw, size)
            else:
                buffered = io.BufferedReader(raw, size) if "r" in plain else io.BufferedWriter(raw, size)
            if "b" in mode:
                return buffered
            text = io.TextIOWrapper(buffered, encoding, errors, newline)
            text.mode = mode  # type: ignore[misc]
            return text

        return open_


def _exists(path: Any, dir_fd: int | None) -> bool:
    try:
        os.stat(path, dir_fd=dir_fd, follow_symlinks=False)
    except OSError:
        return False
    return True


def _entries(path: Any, dir_fd: int | None) -> bool:
    descriptor = _REAL_OPEN(path, os.O_RDONLY | os.O_DIRECTORY, dir_fd=dir_fd)
    try:
        return bool(os.listdir(descriptor))
    finally:
        os.close(descriptor)


_REAL_OPEN, _REAL_RENAME, _REAL_UNLINK = os.open, os.rename, os.unlink
_REAL_LINK, _REAL_TRUNCATE = os.link, os.ftruncate

Key = tuple[int, int]
"""Device and inode."""


class _Unflushed:
    """What was changed and not flushed, and how to undo it, the latest change first."""

    def __init__(self, kept: Path) -> None:
        self._kept = kept
        """Holds files and folders that were removed, on the same file system."""
        kept.mkdir(exist_ok=True)
        self._serial = 0
        self._folders: dict[Key, int] = {}
        self._contents: dict[Key, tuple[int, bytes]] = {}
        self._changes: list[tuple[frozenset[Key], Callable[[], None]]] = []

    # --- contents ------------------------------------------------------------------------

    def content(self, descriptor: int) -> None:
        """Remember what an open file holds on the disk, before its first change since it was flushed."""
        key = _key(os.fstat(descriptor))
        if key in self._contents:
            return
        with self.quietly(f"/proc/self/fd/{descriptor}", os.O_RDONLY) as reader:
            size = os.fstat(reader).st_size
            self._contents[key] = (os.dup(descriptor), os.pread(reader, size, 0))

    @contextmanager
    def quietly(self, path: Any, flags: int = os.O_RDWR) -> Iterator[int]:
        """Open a file without counting it."""
        descriptor = _REAL_OPEN(path, flags)
        try:
            yield descriptor
        finally:
            os.close(descriptor)

    def flushed(self, descriptor: int) -> None:
        """An open file or folder was flushed."""
        found = os.fstat(descriptor)
        key = _key(found)
        if stat.S_ISDIR(found.st_mode):
            self._changes = [one for one in self._changes if key not in one[0]]
        elif key in self._contents:
            os.close(self._contents.pop(key)[0])

    # --- entries of folders --------------------------------------------------------------

    def created(self, path: Any, dir_fd: int | None) -> None:
        """A file, a folder or a link was made."""
        folder, name = self._folder(path, dir_fd)
        self._add([folder], lambda: self._take(folder, name))

    def remove_folder(self, path: Any, dir_fd: int | None) -> None:
        """Remove an empty folder so that it can come back with its inode."""
        folder, name = self._folder(path, dir_fd)
        kept = self._take(folder, name)
        self._add([folder], lambda: self._put_back(kept, folder, name))

    def before_unlink(self, path: Any, dir_fd: int | None) -> Callable[[], None]:
        """Keep a file that is about to be removed; call the result afterwards."""
        folder, name = self._folder(path, dir_fd)
        kept = self._hold(folder, name)
        return lambda: self._add([folder], lambda: self._put_back(kept, folder, name))

    def before_rename(self, src: Any, dst: Any) -> Callable[[], None]:
        """Keep what a rename replaces; call the result afterwards."""
        source, old = self._folder(src, None)
        dest, new = self._folder(dst, None)
        replaced = None
        if _exists(dst, None) and not os.path.samefile(src, dst) and not os.path.isdir(dst):
            replaced = self._hold(dest, new)

        def undo() -> None:
            _REAL_RENAME(new, old, src_dir_fd=dest, dst_dir_fd=source)
            if replaced is not None:
                self._put_back(replaced, dest, new)

        return lambda: self._add([source, dest], undo)

    def exchanged(self, one: Path, other: Path, exchange_folders: Real) -> None:
        """Two folders of one folder were exchanged."""
        folder, _ = self._folder(one, None)
        self._add([folder], lambda: exchange_folders(one, other))

    def all(self) -> None:
        """Undo every change that was not flushed."""
        for _, undo in reversed(self._changes):
            undo()
        for descriptor, before in self._contents.values():
            _REAL_TRUNCATE(descriptor, 0)
            os.pwrite(descriptor, before, 0)

    def forget(self) -> None:
        """Close what it keeps open: everything stays as it is."""
        for descriptor in (*self._folders.values(), *(one for one, _ in self._contents.values())):
            os.close(descriptor)
        self._folders.clear()
        self._contents.clear()
        self._changes.clear()

    def _add(self, folders: list[int], undo: Callable[[], None]) -> None:
        self._changes.append((frozenset(_key(os.fstat(one)) for one in folders), undo))

    def _folder(self, path: Any, dir_fd: int | None) -> tuple[int, str]:
        """A descriptor of the folder above a path, kept open so that its inode stays its own; and the name in it."""
        above, name = os.path.split(os.fsdecode(os.fspath(path)))
        if dir_fd is None:
            found = _REAL_OPEN(above or ".", os.O_RDONLY | os.O_DIRECTORY)
        else:
            found = _REAL_OPEN(above or ".", os.O_RDONLY | os.O_DIRECTORY, dir_fd=dir_fd)
        key = _key(os.fstat(found))
        if key in self._folders:
            os.close(found)
        else:
            self._folders[key] = found
        return self._folders[key], name

    def _next(self) -> str:
        self._serial += 1
        return str(self._kept / str(self._serial))

    def _take(self, folder: int, name: str) -> str:
        kept = self._next()
        with suppress(FileNotFoundError):
            _REAL_RENAME(name, kept, src_dir_fd=folder)
        return kept

    def _hold(self, folder: int, name: str) -> str:
        kept = self._next()
        _REAL_LINK(name, kept, src_dir_fd=folder, follow_symlinks=False)
        return kept

    def _put_back(self, kept: str, folder: int, name: str) -> None:
        _REAL_RENAME(kept, name, dst_dir_fd=folder)


def _key(found: os.stat_result) -> Key:
    return found.st_dev, found.st_ino


def clear_kept(base: Path) -> None:
    """Remove what killed processes kept of the files that they removed."""
    shutil.rmtree(base.parent / "lost-and-found", ignore_errors=True)
