"""A lock across the threads and processes of one computer that whoever waited first gets first."""

from __future__ import annotations

import threading
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
        self._path = path
        self._made: tuple[filelock.BaseFileLock, filelock.BaseFileLock] | None = None
        self._making = threading.Lock()

    def _locks(self) -> tuple[filelock.BaseFileLock, filelock.BaseFileLock]:
        """The lock and the turn to wait for it, the same for all threads; most commands take few of an archive's locks."""
        with self._making:
            if self._made is None:
                turn = self._path.with_name(f"{self._path.name}.turn")
                self._made = filelock.FileLock(self._path, mode=FILE), filelock.FileLock(turn, mode=FILE)
            return self._made

    @contextmanager
    def held(self, wait_s: float, busy: LockedError) -> Iterator[None]:
        """Hold the lock; a thread that holds it may take it again. Raises `busy` after `wait_s` seconds."""
        until = time.monotonic() + wait_s
        lock, turn = self._locks()
        try:
            if lock.is_locked:
                lock.acquire(timeout=0)
            else:
                with turn.acquire(timeout=wait_s):
                    lock.acquire(timeout=max(0.0, until - time.monotonic()))
        except filelock.Timeout:
            raise busy from None
        try:
            yield
        finally:
            lock.release()
