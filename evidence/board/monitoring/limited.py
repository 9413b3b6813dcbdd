"""Runs checks with a time limit in threads: a network share that hangs must hang no answer."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as LateError
from typing import Generic, TypeVar

T = TypeVar("T")
WAIT_S = 5.0
"""Seconds that one check may take."""


class LimitedChecks(Generic[T]):
    """A check that hangs is not begun a second time until it has ended, so hanging checks do not pile up."""

    def __init__(self, *, wait_s: float = WAIT_S) -> None:
        self._wait_s = wait_s
        self._pool = ThreadPoolExecutor(max_workers=32, thread_name_prefix="board-check")
        self._running: dict[str, Future[T]] = {}
        self._lock = threading.Lock()

    def close(self) -> None:
        """Begin no more checks."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    def run(self, checks: Mapping[str, Callable[[], T]]) -> dict[str, T | Exception]:
        """Run all at once; gives for each what it returned, its error, or a TimeoutError."""
        with self._lock:
            for name, check in checks.items():
                before = self._running.get(name)
                if before is None or before.done():
                    self._running[name] = self._pool.submit(check)
            running = {name: self._running[name] for name in checks}
        return {name: self._result(one) for name, one in running.items()}

    def _result(self, running: Future[T]) -> T | Exception:
        try:
            return running.result(timeout=self._wait_s)
        except LateError:
            return TimeoutError("no answer in time")
        except Exception as trouble:
            return trouble
