"""A lock across the threads and processes of one computer that whoever waited first gets first."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import filelock

from evidence.disk.modes import FILE
from evidence.errors import LockedError


class TurnLock:
    """A lock across threads and processes. The first to wait gets it first, even if another loop takes it again and again."""

    def __init__(self, path: Path) -> None:
        self._lock = filelock.FileLock(path, mode=FILE)
        self._turn = filelock.FileLock(path.with_name(f"{path.name}.turn"), mode=FILE)

    @contextmanager
    def held(self, wait_s: float, busy: LockedError) -> Iterator[None]:
        """Hold the lock; a thread that holds it may take it again. Raises `busy` after `wait_s` seconds."""
        until = time.monotonic() + wait_s
        try:
            if self._lock.is_locked:
                self._lock.acquire(timeout=0)
            else:
                with self._turn.acquire(timeout=wait_s):
                    self._lock.acquire(timeout=max(0.0, until - time.monotonic()))
        except filelock.Timeout:
            raise busy from None
        try:
            yield
        finally:
            self._lock.release()
