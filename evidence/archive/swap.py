"""One folder takes another's place in a single step, and a killed program leaves nothing half done.

The next state of a folder `home` is built in a hidden sibling, `.home.next`, on the same file
system. While it is being built it holds a file named `building.mark`; when it is whole and on
the disk, the mark goes and the two folders change places. Linux (renameat2 with
RENAME_EXCHANGE) and macOS (renamex_np with RENAME_SWAP) do that in one step: at every instant
`home` is the whole old state or the whole new one. Elsewhere, and on file systems that cannot,
it takes two renamings, `home` to `.home.old` and `.home.next` to `home`; a program killed
between them leaves `home` absent until `recover` or the next build finishes the exchange.

What a reader sees that is half-way through `home` when the exchange happens: whoever opens
files by path reads the rest from the new state, so that a list read before and files read
after may disagree; whoever holds the folder itself open (a directory descriptor) keeps to the
old state, whose files then vanish one by one. Neither sees a half-written file. `check_bag`
notices the exchange and begins again; another reader compares the folder's inode before and
after. A file that stays in the bag has the same bytes under the same path in both states.
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

from evidence.disk.durable import make_folder, sync_folder
from evidence.disk.faults import writing
from evidence.errors import LockedError

MARK = "building.mark"
"""Stands in a folder that is not whole yet."""

Keep = Callable[[Path], frozenset[str]]
"""Given a superseded state, the relative paths in it that are known and may go with it."""

Step = Callable[[str], None]
"""Told the name of each step once it is done."""

_LEFTOVER = re.compile(r"\.(?P<name>.+)\.(?:next|old|gone)")
LOCKS = ".locks"
"""Folder of the lock files, beside the bags."""

_STRIPES = 64
"""Lock files a folder of bags gets at most; they carry no claim's name, so a purge leaves none behind."""

_PATIENCE = 600.0
"""Seconds to wait for another process that works on the same bag; a full target disk may be slow."""

_CANNOT = {errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EXDEV}
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
"""linux/fs.h"""
_RENAME_SWAP = 2
"""sys/stdio.h of macOS"""


def quiet(_step: str) -> None:
    """Nobody listens."""


def next_of(home: Path) -> Path:
    """The hidden sibling in which the next state of `home` is built."""
    return home.with_name(f".{home.name}.next")


def old_of(home: Path) -> Path:
    """The hidden sibling that holds the superseded state for a moment, where the exchange takes two steps."""
    return home.with_name(f".{home.name}.old")


def gone_of(home: Path) -> Path:
    """The hidden sibling that a removed folder becomes before it is deleted."""
    return home.with_name(f".{home.name}.gone")


def hidden_siblings(home: Path) -> tuple[Path, ...]:
    """Every hidden name that this module uses for `home`."""
    return (next_of(home), old_of(home), gone_of(home))


@contextlib.contextmanager
def exclusively(home: Path, *, patience: float = _PATIENCE) -> Iterator[None]:
    """Hold the lock of one bag, across threads and processes. Raises LockedError after `patience` seconds."""
    stripe = int(hashlib.sha256(home.name.encode()).hexdigest()[:8], 16) % _STRIPES
    folder = home.parent / LOCKS
    with writing(folder):
        make_folder(folder)
    lock = FileLock(folder / f"{stripe:02d}.lock", timeout=patience)
    try:
        with writing(folder):
            lock.acquire()
    except Timeout as error:
        raise LockedError(
            f"{home.name} is being changed by another process.", "Wait for it to end, then run it again."
        ) from error
    try:
        yield
    finally:
        lock.release()


# --- the exchange ------------------------------------------------------------------------


def put_in_place(home: Path, known: Keep, step: Step = quiet) -> None:
    """Make the whole, synced `.home.next` the new `home`, and clear the old state away.

    Files in the old state that `known` does not name (a note someone dropped there) are moved
    into the new one, never deleted. Call it under `exclusively`. Raises DestinationError.
    """
    fresh = next_of(home)
    with writing(home):
        (fresh / MARK).unlink(missing_ok=True)
        sync_folder(fresh)
        step("complete")
        if not home.exists():
            fresh.rename(home)
        elif not exchange(fresh, home):
            home.rename(old_of(home))
            step("moved_aside")
            fresh.rename(home)
        sync_folder(home.parent)
        step("exchanged")
        _retire(home, known)
        step("swept")


def exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step; False, and nothing done, where the system cannot. Raises OSError."""
    call = _exchange_call()
    if call is None:
        return False
    if call(os.fsencode(one), os.fsencode(other)) == 0:
        return True
    code = ctypes.get_errno()
    if code in _CANNOT:
        return False
    raise OSError(code, os.strerror(code), str(one))


def _exchange_call() -> Callable[[bytes, bytes], int] | None:
    if sys.platform == "linux":
        rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
        if rename is None:
            return None
        return lambda a, b: int(rename(_AT_FDCWD, a, _AT_FDCWD, b, ctypes.c_uint(_RENAME_EXCHANGE)))
    if sys.platform == "darwin":
        swap = getattr(ctypes.CDLL(None, use_errno=True), "renamex_np", None)
        if swap is None:
            return None
        return lambda a, b: int(swap(a, b, ctypes.c_uint(_RENAME_SWAP)))
    return None


# --- after a killed run ------------------------------------------------------------------


def recover(root: Path, known: Keep) -> tuple[str, ...]:
    """Finish or undo every exchange that a killed program left in `root`; the names concerned, sorted.

    Afterwards every folder is whole: the new state where that was complete, else the old one;
    unfinished states are removed. A bag that another process works on is left to it. A folder
    that does not exist has nothing to recover. Raises DestinationError.
    """
    names: set[str] = set()
    with writing(root):
        entries = list(root.iterdir()) if root.is_dir() else []
    for entry in entries:
        match = _LEFTOVER.fullmatch(entry.name)
        if match and entry.is_dir() and not entry.is_symlink():
            names.add(match["name"])
    done = []
    for name in sorted(names):
        with contextlib.suppress(LockedError), exclusively(root / name, patience=0):
            settle(root / name, known)
            done.append(name)
    return tuple(done)


def settle(home: Path, known: Keep, *, keep_unfinished: bool = False) -> None:
    """`recover` for one folder, under its lock; `keep_unfinished` leaves a half-built next state to be resumed."""
    fresh, old = next_of(home), old_of(home)
    with writing(home):
        if not home.exists() and old.is_dir():
            finished = fresh.is_dir() and not (fresh / MARK).exists()
            (fresh if finished else old).rename(home)
            sync_folder(home.parent)
        if fresh.is_dir() and ((fresh / MARK).exists() or not home.exists()):
            if not keep_unfinished:
                throw_away(home, fresh)
            elif not (fresh / MARK).exists():
                mark(fresh)
        _retire(home, known)
        remove_tree(gone_of(home))


def mark(folder: Path) -> None:
    """Say on the disk that a folder is not whole yet. Raises OSError."""
    make_folder(folder)
    (folder / MARK).touch()
    sync_folder(folder)


def _retire(home: Path, known: Keep) -> None:
    """Remove superseded states; what they hold that nobody listed moves into `home`. Raises OSError."""
    fresh, old = next_of(home), old_of(home)
    for stale in (fresh, old):
        if not stale.is_dir() or not home.is_dir():
            continue
        if not (stale / MARK).exists():
            _rescue(stale, home, known(stale))
        elif stale == fresh:
            continue
        throw_away(home, stale)
    if os.name == "nt":
        protect(home)


def _rescue(stale: Path, home: Path, known: frozenset[str]) -> None:
    for path in sorted(stale.rglob("*")):
        relative = path.relative_to(stale)
        if relative.as_posix() in known or (path.is_dir() and not path.is_symlink()):
            continue
        if _same_content(path, home / relative):
            continue  # listed no more because the old manifest was damaged; its bytes are in the new state
        wanted = home / ("strays" / relative if relative.parts[0] == "data" else relative)
        target, number = wanted, 1
        while os.path.lexists(target):
            target, number = wanted.with_name(f"{wanted.stem}-{number}{wanted.suffix}"), number + 1
        make_folder(target.parent)
        path.rename(target)
        sync_folder(target.parent)


def _same_content(path: Path, twin: Path) -> bool:
    return (
        not path.is_symlink()
        and path.is_file()
        and twin.is_file()
        and (path.samefile(twin) or filecmp.cmp(path, twin, shallow=False))
    )


def throw_away(home: Path, stale: Path) -> None:
    """Remove a state of `home` that is of no use any more. Raises OSError.

    It is renamed first: what a kill leaves of it bears the name of something worthless, and is
    never taken for a state that was whole.
    """
    gone = gone_of(home)
    remove_tree(gone)
    if stale.is_dir():
        stale.rename(gone)
        sync_folder(home.parent)
        remove_tree(gone)


def remove_tree(folder: Path) -> None:
    """Remove a folder and all in it, read-only files too; following no link. Raises OSError."""
    if not folder.is_dir():
        return
    try:
        shutil.rmtree(folder)
    except PermissionError:
        for path in [folder, *folder.rglob("*")]:
            if not path.is_symlink():
                path.chmod(stat.S_IRWXU)
        shutil.rmtree(folder)


def protect(home: Path) -> None:
    """Make every payload file read-only. On Windows the removal of another hard link had to undo it."""
    for path in (home / "data").rglob("*"):
        if path.is_file() and not path.is_symlink():
            with contextlib.suppress(PermissionError, NotImplementedError):
                path.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)


def vanish(home: Path) -> bool:
    """Remove a folder so that no reader sees half of it: renamed away first. False when it was not there.

    Call it under `exclusively`. A kill after the renaming is finished by `recover`. Raises
    DestinationError.
    """
    with writing(home):
        there = home.is_dir()
        for state in (next_of(home), old_of(home), home):
            throw_away(home, state)
        sync_folder(home.parent)
    return there
