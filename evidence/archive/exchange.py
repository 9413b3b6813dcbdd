"""Atomic exchange of a folder: a new state replaces the old one in a single step.

The next state of a folder is built in a hidden sibling, `.NAME.next`, on the same file system.
While it is incomplete it holds a file named `building.mark`. When it is complete and flushed, the
mark is removed and the two folders are exchanged. Linux (renameat2 with RENAME_EXCHANGE) and macOS
(renamex_np with RENAME_SWAP) do that in one step: at every instant the folder is the whole old
state or the whole new one. Other systems, and file systems that cannot, need two renames: the
folder to `.NAME.old`, then `.NAME.next` to the folder. A program killed between them leaves the
folder absent until `recover_folders` or the next build completes the exchange.

A reader that opens files by path during an exchange may see the file list of the old state and
files of the new one. A reader that holds the folder itself open (a directory descriptor) stays in
the old state, whose files are then deleted one by one. Neither sees an incomplete file. A reader
detects an exchange by comparing the folder's inode before and after, as `check_bag` does. A file
that is in both states has the same bytes under the same path.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import filecmp
import hashlib
import os
import re
import shutil
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from evidence.disk.durable import ignore_step, make_folder, make_read_only, sync_folder
from evidence.disk.faults import writing
from evidence.disk.modes import FILE
from evidence.errors import LockedError

INCOMPLETE_MARK = "building.mark"
"""Name of the file that marks a folder as incomplete."""

LOCKS = ".locks"
"""Folder of the lock files, beside the bags."""

KnownPaths = Callable[[Path], frozenset[str]]
"""Returns the relative paths in a superseded state that may be deleted with it."""

OnStep = Callable[[str], None]
"""Called with the name of each step after it."""

_LEFTOVER = re.compile(r"\.(?P<name>.+)\.(?:next|old|gone)")

_LOCK_FILES = 64
"""Number of lock files in a folder of bags. They carry no claim's name, so a purge leaves no name behind."""

_LOCK_TIMEOUT = 600.0
"""Seconds to wait for another process that works on the same bag; a full target disk may be slow."""

_NOT_SUPPORTED = {errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EXDEV}
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
"""linux/fs.h"""
_RENAME_SWAP = 2
"""sys/stdio.h of macOS"""


def next_state(folder: Path) -> Path:
    """The hidden sibling in which the next state of `folder` is built."""
    return folder.with_name(f".{folder.name}.next")


def old_state(folder: Path) -> Path:
    """The hidden sibling that holds the superseded state while the exchange takes two renames."""
    return folder.with_name(f".{folder.name}.old")


def removed_state(folder: Path) -> Path:
    """The hidden sibling to which a state is renamed before it is deleted."""
    return folder.with_name(f".{folder.name}.gone")


def hidden_states(folder: Path) -> tuple[Path, ...]:
    """Every hidden sibling of `folder` that this module uses."""
    return (next_state(folder), old_state(folder), removed_state(folder))


@contextlib.contextmanager
def locked(folder: Path, *, timeout: float = _LOCK_TIMEOUT) -> Iterator[None]:
    """Hold the lock of one bag, across threads and processes. Raises LockedError after `timeout` seconds."""
    number = int(hashlib.sha256(folder.name.encode()).hexdigest()[:8], 16) % _LOCK_FILES
    locks = folder.parent / LOCKS
    with writing(locks):
        make_folder(locks)
    lock = FileLock(locks / f"{number:02d}.lock", timeout=timeout, mode=FILE)
    try:
        with writing(locks):
            lock.acquire()
    except Timeout as error:
        raise LockedError(
            f"{folder.name} is being changed by another process.", "Wait for it to end, then run it again."
        ) from error
    try:
        yield
    finally:
        lock.release()


# --- the exchange ------------------------------------------------------------------------


def commit_next_state(folder: Path, known: KnownPaths, on_step: OnStep = ignore_step) -> None:
    """Make the complete, flushed `.NAME.next` the new `folder`, and delete the old state.

    Files of the old state that `known` does not list are moved into the new one, never deleted.
    Call it under `locked`. Raises DestinationError.
    """
    successor = next_state(folder)
    with writing(folder):
        (successor / INCOMPLETE_MARK).unlink(missing_ok=True)
        sync_folder(successor)
        on_step("complete")
        if not folder.exists():
            successor.rename(folder)
        elif not exchange_folders(successor, folder):
            folder.rename(old_state(folder))
            on_step("moved_aside")
            successor.rename(folder)
        sync_folder(folder.parent)
        on_step("exchanged")
        _delete_superseded(folder, known)
        on_step("swept")


def exchange_folders(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False, and nothing done, where the system cannot. Raises OSError."""
    call = _exchange_call()
    if call is None:
        return False
    if call(os.fsencode(one), os.fsencode(other)) == 0:
        return True
    code = ctypes.get_errno()
    if code in _NOT_SUPPORTED:
        return False
    raise OSError(code, os.strerror(code), str(one))


def _exchange_call() -> Callable[[bytes, bytes], int] | None:
    if sys.platform == "linux":
        rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
        if rename is None:
            return None
        return lambda a, b: int(rename(_AT_FDCWD, a, _AT_FDCWD, b, ctypes.c_uint(_RENAME_EXCHANGE)))
    if sys.platform == "darwin":
        rename = getattr(ctypes.CDLL(None, use_errno=True), "renamex_np", None)
        if rename is None:
            return None
        return lambda a, b: int(rename(a, b, ctypes.c_uint(_RENAME_SWAP)))
    return None


# --- after a killed run ------------------------------------------------------------------


def recover_folders(root: Path, known: KnownPaths) -> tuple[str, ...]:
    """Finish or undo every exchange that a killed program left in `root`; returns the names, sorted.

    Afterwards every folder is complete: the new state where that was complete, else the old one;
    incomplete states are deleted. A bag that another process works on is skipped. Raises
    DestinationError.
    """
    names: set[str] = set()
    with writing(root), contextlib.suppress(FileNotFoundError), os.scandir(root) as entries:
        for entry in entries:  # of thousands; only hidden ones are looked at
            match = _LEFTOVER.fullmatch(entry.name) if entry.name.startswith(".") else None
            if match and entry.is_dir(follow_symlinks=False):
                names.add(match["name"])
    done = []
    for name in sorted(names):
        with contextlib.suppress(LockedError), locked(root / name, timeout=0):
            recover_folder(root / name, known)
            done.append(name)
    return tuple(done)


def recover_folder(folder: Path, known: KnownPaths, *, keep_unfinished: bool = False) -> None:
    """`recover_folders` for one folder, under its lock.

    `keep_unfinished` keeps an incomplete next state, so that the build can be resumed.
    """
    successor, superseded = next_state(folder), old_state(folder)
    with writing(folder):
        if not folder.exists() and superseded.is_dir():
            finished = successor.is_dir() and not (successor / INCOMPLETE_MARK).exists()
            (successor if finished else superseded).rename(folder)
            sync_folder(folder.parent)
        if successor.is_dir() and ((successor / INCOMPLETE_MARK).exists() or not folder.exists()):
            if not keep_unfinished:
                delete_state(folder, successor)
            elif not (successor / INCOMPLETE_MARK).exists():
                mark_incomplete(successor)
        _delete_superseded(folder, known)
        remove_tree(removed_state(folder))


def mark_incomplete(folder: Path) -> None:
    """Record on the disk that a folder is incomplete. Raises OSError."""
    make_folder(folder)
    (folder / INCOMPLETE_MARK).touch()
    sync_folder(folder)


def _delete_superseded(folder: Path, known: KnownPaths) -> None:
    """Delete superseded states; their files that `known` does not list move into `folder`. Raises OSError."""
    for state in (next_state(folder), old_state(folder)):
        if not state.is_dir() or not folder.is_dir():
            continue
        if not (state / INCOMPLETE_MARK).exists():
            _move_unlisted(state, folder, known(state))
        elif state == next_state(folder):
            continue
        delete_state(folder, state)
    if os.name == "nt":
        _make_payload_read_only(folder)


def _move_unlisted(state: Path, folder: Path, known: frozenset[str]) -> None:
    """Move what a superseded state holds beyond `known` into `folder`, payload files below `strays/`."""
    for path in sorted(state.rglob("*")):
        relative = path.relative_to(state)
        if relative.as_posix() in known or (path.is_dir() and not path.is_symlink()):
            continue
        if _same_content(path, folder / relative):
            continue  # unlisted only because the old manifest was damaged; the new state has its bytes
        wanted = folder / ("strays" / relative if relative.parts[0] == "data" else relative)
        target, number = wanted, 1
        while os.path.lexists(target):
            target, number = wanted.with_name(f"{wanted.stem}-{number}{wanted.suffix}"), number + 1
        make_folder(target.parent)
        path.rename(target)
        sync_folder(target.parent)


def _same_content(path: Path, other: Path) -> bool:
    return (
        not path.is_symlink()
        and path.is_file()
        and other.is_file()
        and (path.samefile(other) or filecmp.cmp(path, other, shallow=False))
    )


def delete_state(folder: Path, state: Path) -> None:
    """Delete a state of `folder` that is not needed. Raises OSError.

    It is renamed to `.NAME.gone` first, so that a half-deleted state is never taken for a complete one.
    """
    removed = removed_state(folder)
    remove_tree(removed)
    if state.is_dir():
        state.rename(removed)
        sync_folder(folder.parent)
        remove_tree(removed)


def remove_tree(folder: Path) -> None:
    """Remove a folder and all in it, read-only files too; links are not followed. Raises OSError."""
    if not folder.is_dir():
        return
    try:
        shutil.rmtree(folder)
    except PermissionError:
        for path in [folder, *folder.rglob("*")]:
            if not path.is_symlink():
                path.chmod(stat.S_IRWXU)
        shutil.rmtree(folder)


def _make_payload_read_only(folder: Path) -> None:
    """Make every payload file read-only again: on Windows, deleting another hard link had to undo that."""
    for path in (folder / "data").rglob("*"):
        if path.is_file() and not path.is_symlink():
            make_read_only(path)


def remove_folder(folder: Path) -> bool:
    """Remove a folder so that no reader sees half of it; False when it did not exist.

    Call it under `locked`. After a kill, `recover_folders` completes the removal. Raises
    DestinationError.
    """
    with writing(folder):
        existed = folder.is_dir()
        for state in (next_state(folder), old_state(folder), folder):
            delete_state(folder, state)
        sync_folder(folder.parent)
    return existed
