"""Many tasks over an executor, where one that crashes, hangs or raises is told of and the others go on."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from enum import StrEnum
from multiprocessing.connection import wait as wait_for_any
from typing import Generic, TypeVar

A = TypeVar("A")
B = TypeVar("B")

START_GRACE_S = 30.0
"""Seconds more for the first tasks of new processes, which load libraries and networks before they work."""


class Fault(StrEnum):
    """What went wrong with one task."""

    CRASHED = "crashed"
    TIMED_OUT = "timed_out"
    RAISED = "raised"


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """A task that gave no result."""

    fault: Fault
    detail: str = ""


def process_pool(processes: int, *, preload: str) -> ProcessPoolExecutor:
    """Processes that work with one thread each and end when this one does, however it ends.

    `preload` is the module the tasks live in. Where the system has a fork server, it imports that
    module once for all processes to come.
    """
    method = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    if method == "forkserver":
        context.set_forkserver_preload(["__main__", preload])
    return ProcessPoolExecutor(processes, mp_context=context, initializer=_settle_in)


def run_each(
    task: Callable[[A], B],
    items: Iterable[A],
    *,
    make_pool: Callable[[], Executor],
    executor: Executor | None = None,
    at_once: int,
    timeout_s: float,
) -> Iterator[tuple[A, B | Failed]]:
    """Each item with the task's result, or with what went wrong, as they finish.

    `at_once` tasks are handed out at a time, so that a task's time begins when it is handed out. When a
    process dies, whichever tasks were out are tried again one at a time, and the one that dies alone is
    the culprit. A task out longer than `timeout_s` seconds is given up and its pool replaced. A given
    `executor` is used first and not closed; once it breaks, pools from `make_pool` take its place.
    """
    run = _Run(task, _Hands(make_pool, executor), items, at_once, timeout_s)
    try:
        while run.unfinished:
            yield from run.step()
    finally:
        run.hands.close(hurry=run.unfinished)


class _Hands:
    """The executor at work, replaced when it breaks."""

    def __init__(self, make_pool: Callable[[], Executor], rented: Executor | None) -> None:
        self._make_pool = make_pool
        self._pool = rented
        self._rented = rented is not None
        self.warm = self._rented

    @property
    def rented(self) -> bool:
        return self._rented

    def submit(self, task: Callable[[A], B], item: A) -> Future[B]:
        if self._pool is None:
            self._pool, self.warm = self._make_pool(), False
        return self._pool.submit(task, item)

    def drop(self) -> None:
        """End the pool's processes whatever they are doing; the next task starts a new one."""
        if self._pool is not None and not self._rented:
            _kill(self._pool)
        self._pool, self._rented = None, False

    def close(self, *, hurry: bool) -> None:
        if hurry:
            self.drop()
        elif self._pool is not None and not self._rented:
            self._pool.shutdown()


class _Task(Generic[A]):
    """An item and how often a pool broke while it was out."""

    def __init__(self, item: A) -> None:
        self.item = item
        self.breaks = 0


class _Run(Generic[A, B]):
    """The books of one `run_each`: who waits, who is out until when, and who is suspected."""

    def __init__(
        self, work: Callable[[A], B], hands: _Hands, items: Iterable[A], at_once: int, timeout_s: float
    ) -> None:
        self.hands = hands
        self._work = work
        self._waiting = deque(_Task(item) for item in items)
        self._suspects: deque[_Task[A]] = deque()
        self._out: dict[Future[B], tuple[_Task[A], float]] = {}
        self._at_once = max(1, at_once)
        self._timeout_s = timeout_s

    @property
    def unfinished(self) -> bool:
        return bool(self._waiting or self._suspects or self._out)

    def step(self) -> Iterator[tuple[A, B | Failed]]:
        """Hand out what there is room for, wait until something happens, and tell of it."""
        broken = self._hand_out()
        for future in self._finished():
            task, _ = self._out.pop(future)
            try:
                result: B | Failed = future.result()
            except BrokenExecutor:
                broken.append(task)
                continue
            except Exception as problem:
                result = Failed(fault=Fault.RAISED, detail=f"{type(problem).__name__}: {problem}"[:200])
            self.hands.warm = True
            yield task.item, result
        if broken:
            yield from self._after_a_crash(broken)
        yield from self._overdue()

    def _hand_out(self) -> list[_Task[A]]:
        """Suspects go out alone. What comes back was meant for a pool that turned out to be broken."""
        queue, room = (self._suspects, 1) if self._suspects else (self._waiting, self._at_once)
        while queue and len(self._out) < room:
            task = queue.popleft()
            try:
                future = self.hands.submit(self._work, task.item)
            except BrokenExecutor:
                return [task]
            grace = 0.0 if self.hands.warm else START_GRACE_S
            self._out[future] = (task, time.monotonic() + self._timeout_s + grace)
        return []

    def _finished(self) -> set[Future[B]]:
        """What is done by the time the first task falls due."""
        if not self._out:
            return set()
        soonest = min(until for _, until in self._out.values())
        return wait(self._out, max(0.0, soonest - time.monotonic()), FIRST_COMPLETED).done

    def _after_a_crash(self, broken: list[_Task[A]]) -> Iterator[tuple[A, B | Failed]]:
        """Everyone who was out is suspected; who breaks a pool a second time was alone in it."""
        suspects = [*broken, *(task for task, _ in self._out.values())]
        self._out.clear()
        self.hands.drop()
        for task in suspects:
            task.breaks += 1
            if task.breaks > 1:
                yield task.item, Failed(fault=Fault.CRASHED)
            else:
                self._suspects.append(task)

    def _overdue(self) -> Iterator[tuple[A, B | Failed]]:
        now = time.monotonic()
        late = [future for future, (_, until) in self._out.items() if until <= now and not future.done()]
        if not late:
            return
        for future in late:
            task, _ = self._out.pop(future)
            future.cancel()
            yield task.item, Failed(fault=Fault.TIMED_OUT, detail=f"{self._timeout_s:g} s")
        if not self.hands.rented:  # a process that hangs can only be ended with its pool
            self._waiting.extendleft(task for task, _ in self._out.values())
            self._out.clear()
            self.hands.drop()


# --- processes -----------------------------------------------------------------------------


def _settle_in() -> None:
    """What a new process does first: leave Ctrl-C to its parent, and go when the parent goes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_follow, args=(parent.sentinel,), daemon=True).start()


def _follow(sentinel: int) -> None:
    wait_for_any([sentinel])
    os._exit(1)  # the parent was killed: nobody is left to give results to


def _kill(pool: Executor) -> None:
    """End a pool without waiting for its tasks."""
    processes = list((getattr(pool, "_processes", None) or {}).values())  # no public way before Python 3.14
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        with contextlib.suppress(OSError, ValueError):
            process.kill()
    for process in processes:
        with contextlib.suppress(OSError, ValueError, AssertionError):
            process.join(5)
