"""Shared by the tests of the archive: invented photos, an independent check of bags, and kills."""

from __future__ import annotations

import hashlib
import itertools
import logging
import os
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import bagit

from evidence.archive import exchange
from evidence.archive.assembly import PayloadFile
from evidence.archive.targets import FolderTarget
from evidence.model import Sha256

INFO = (
    ("Source-Organization", "Hilltop Claims"),
    ("External-Identifier", "HT-1001"),
    ("Bagging-Date", "2026-03-04"),
)


def photo(folder: Path, name: str, content: bytes | None = None) -> PayloadFile:
    """A kept original in `folder`; the same name gives the same bytes."""
    content = name.encode() * 50 if content is None else content
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / hashlib.sha256(name.encode()).hexdigest()[:16]
    if not path.exists():
        path.write_bytes(content)
    return PayloadFile(sha256=Sha256(hashlib.sha256(content).hexdigest()), size=len(content), source=path)


def photos(folder: Path, *names: str) -> dict[str, PayloadFile]:
    return {name: photo(folder, name) for name in names}


def outside_verdict(bag: Path) -> str:
    """What the `bagit` library (Library of Congress) says: empty when the bag is valid, else why not."""
    logging.getLogger("bagit").setLevel(logging.CRITICAL)
    try:
        bagit.Bag(str(bag)).validate()
    except bagit.BagError as error:
        return str(error) or type(error).__name__
    except (OSError, UnicodeDecodeError) as error:
        return f"unreadable: {error}"
    return ""


def put_in_new_target(bag: Path, root: Path) -> None:
    """Copy the bag to a new target at `root`."""
    root.mkdir()
    target = FolderTarget(name="t", root=root, off_computer=True, archive=bag.parent)
    target.prepare()
    target.put_bag(bag, bag.name)


def in_two_renamings(action: Callable[[], object]) -> None:
    """Run `action` in this process as on a file system that cannot exchange two folders."""
    exchange.exchange_folders = lambda one, other: False
    action()


# --- a real kill, at every touch of the disk ---------------------------------------------

TOUCHES = ("open", "os.", "shutil.", "ctypes.dlsym")
"""Audit events (PEP 578) that come before Python touches a file, a folder, or calls the system's renaming."""


def killed_at(number: int, action: Callable[[], object]) -> bool:
    """Run `action` in a child that is killed (SIGKILL) just before its touch `number`; False when it ended first."""
    child = os.fork()
    if child == 0:
        _die_at(number, action)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(status) == 0, "the action failed by itself; its traceback is above"
    return False


def _die_at(number: int, action: Callable[[], object]) -> NoReturn:
    count = itertools.count(1)  # its next() is one step for several threads

    def hook(event: str, _args: object) -> None:
        if event.startswith(TOUCHES) and next(count) == number:
            os.kill(os.getpid(), signal.SIGKILL)

    try:
        sys.addaudithook(hook)
        action()
        os._exit(0)
    except BaseException:
        traceback.print_exc()
        os._exit(1)


def fast_folder(fallback: Path) -> Path:
    """A folder in memory where the system has one, for tests that flush to the disk thousands of times."""
    memory = Path("/dev/shm")
    if memory.is_dir() and os.access(memory, os.W_OK):
        return Path(tempfile.mkdtemp(prefix="archive-test-", dir=memory))
    return fallback
