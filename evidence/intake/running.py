"""Which intakes run now: each holds a lock file while it does, so that others leave its photos to it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import filelock

from evidence.disk.durable import discard
from evidence.disk.faults import writing
from evidence.disk.modes import FILE
from evidence.model import IntakeId
from evidence.workspace import Workspace


@contextmanager
def running(workspace: Workspace, intake: IntakeId) -> Iterator[None]:
    """Hold the lock file of an intake. Raises DestinationError."""
    path = _lock_file(workspace, intake)
    lock = filelock.FileLock(path, mode=FILE)
    with writing(path):
        lock.acquire()
    try:
        yield
    finally:
        lock.release()
        discard(path)


def is_running(workspace: Workspace, intake: IntakeId) -> bool:
    """True while a process on this archive works on that intake; a killed one does not count."""
    path = _lock_file(workspace, intake)
    if not path.exists():
        return False
    try:
        with filelock.FileLock(path, timeout=0, mode=FILE):
            pass
    except filelock.Timeout:
        return True
    discard(path)
    return False


def _lock_file(workspace: Workspace, intake: IntakeId) -> Path:
    return workspace.ledgers / f"{intake}.lock"
