"""Runs many tasks on an executor; reports those that crash, hang or raise, and continues with the others."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import queue
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from enum import StrEnum
from multiprocessing.connection import wait as wait_for_any
from multiprocessing.util import get_temp_dir
from typing import Any, Generic, Self, TypeVar

from evidence.disk.modes import restrict_umask

A = TypeVar("A")
B = TypeVar("B")

START_GRACE_S = 30.0
"""Extra seconds for the first tasks of new processes, which load libraries and networks first."""

_LONGEST_TEMP = 80
"""Bytes of the temporary folder of this process: a socket's path has at most 104 on macOS, 108 on Linux."""


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
    """A pool of processes that end when this process ends, even if it is killed, and that write for owner and group.

    `preload` is the module that the tasks use. Where the system has a fork server, the module is imported
    there once, for all processes.
    """
    method = _start_method()
    context = multiprocessing.get_context(method)
    if method == "forkserver":
        context.set_forkserver_preload(["__main__", preload])
    return ProcessPoolExecutor(processes, mp_context=context, initializer=_init_worker)


def _start_method() -> str:
    """`forkserver` where the system has it and the path of its socket, in the temporary folder, is not too long."""
    has_it = "forkserver" in multiprocessing.get_all_start_methods()
    return "forkserver" if has_it and len(os.fsencode(get_temp_dir())) <= _LONGEST_TEMP else "spawn"


class Tasks(Generic[A, B]):
    """Runs tasks that are added one after the other, while the caller does other work.

    A thread of its own hands them out, at most `at_once` at a time, so that a task's time starts when it is
    submitted. When a process dies, all tasks that were running are tried again one at a time; the one that breaks its
    pool again is reported as crashed. A task that runs longer than `timeout_s` seconds is abandoned and its pool
    replaced. A given `executor` is used first and not closed; once it breaks, pools from `make_pool` replace it.
    Use it as a context manager: at its end, tasks that still run are abandoned and their processes ended.
    """

    def __init__(
        self,
        task: Callable[[A], B],
        *,
        make_pool: Callable[[], Executor],
        executor: Executor | None = None,
        at_once: int,
        timeout_s: float,
    ) -> None:
        self._run: _TaskRun[A, B] = _TaskRun(task, _PoolHolder(make_pool, executor), at_once, timeout_s)
        self._done: queue.SimpleQueue[tuple[A, B | Failed] | BaseException] = queue.SimpleQueue()
        self._open = 0
        self._first: Callable[[], object] | None = None
        self._begin = threading.Event()
        self._begun = self._closing = False
        self._thread = threading.Thread(target=self._work, name="tasks", daemon=True)

    def start(self, first: Callable[[], object]) -> None:
        """Start the processes now; each runs `first`, which may load what the tasks need. Its result is dropped."""
        if not self._begun:
            self._first = first
            self._start_thread()

    def add(self, item: A) -> None:
        """Hand in one more item."""
        self._open += 1
        self._run.add(item)
        self._begin.set()
        if not self._begun:
            self._start_thread()

    def _start_thread(self) -> None:
        self._begun = True
        self._thread.start()

    @property
    def hungry(self) -> bool:
        """True when no item waits for a process."""
        return not self._run.waiting

    def finished(self) -> Iterator[tuple[A, B | Failed]]:
        """What has finished since, without waiting."""
        while self._open:
            try:
                yield self._taken(self._done.get_nowait())
            except queue.Empty:
                return

    def rest(self) -> Iterator[tuple[A, B | Failed]]:
        """What is still to come, in the order of completion."""
        while self._open:
            yield self._taken(self._done.get())

    def _taken(self, result: tuple[A, B | Failed] | BaseException) -> tuple[A, B | Failed]:
        if isinstance(result, BaseException):
            raise result
        self._open -= 1
        return result

    def _work(self) -> None:
        try:
            if self._first is not None:
                self._run.pools.start(self._first, self._run.at_once)
            while not self._closing:
                if not self._run.unfinished:
                    self._begin.wait()
                    self._begin.clear()
                for result in self._run.step():
                    self._done.put(result)
        except BaseException as trouble:
            self._done.put(trouble)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self._closing = True
        self._begin.set()
        self._run.wake()
        if self._begun:
            self._thread.join()
        self._run.pools.close(kill=self._run.unfinished)


class _PoolHolder:
    """Holds the current executor and replaces it when it breaks."""

    def __init__(self, make_pool: Callable[[], Executor], borrowed: Executor | None) -> None:
        self._make_pool = make_pool
        self._pool = borrowed
        self._borrowed = borrowed is not None
        self.warm = self._borrowed

    @property
    def borrowed(self) -> bool:
        return self._borrowed

    def submit(self, task: Callable[[A], B], item: A) -> Future[B]:
        if self._pool is None:
            self._pool, self.warm = self._make_pool(), False
        return self._pool.submit(task, item)

    def start(self, first: Callable[[], object], processes: int) -> None:
        """Start the pool's processes, each with a task whose result is dropped; does nothing with a caller's executor."""
        if self._pool is None:
            self._pool, self.warm = self._make_pool(), False
            with contextlib.suppress(BrokenExecutor):  # then the first task breaks it too, and is reported
                for _ in range(processes):
                    self._pool.submit(first)

    def drop(self) -> None:
        """Kill the pool's processes; the next task starts a new pool."""
        if self._pool is not None and not self._borrowed:
            kill_pool(self._pool)
        self._pool, self._borrowed = None, False

    def close(self, *, kill: bool) -> None:
        if kill:
            self.drop()
        elif self._pool is not None and not self._borrowed:
            self._pool.shutdown()


class _Task(Generic[A]):
    """An item, and how often a pool broke while it was running."""

    def __init__(self, item: A) -> None:
        self.item = item
        self.breaks = 0


class _TaskRun(Generic[A, B]):
    """The state of `Tasks`: tasks waiting, tasks running with their deadlines, and suspects."""

    def __init__(self, work: Callable[[A], B], pools: _PoolHolder, at_once: int, timeout_s: float) -> None:
        self.pools = pools
        self._work = work
        self._waiting: deque[_Task[A]] = deque()
        self._suspects: deque[_Task[A]] = deque()
        self._running: dict[Future[B], tuple[_Task[A], float]] = {}
        self.at_once = max(1, at_once)
        self._timeout_s = timeout_s
        self._woken: Future[None] = Future()
        self._waking = threading.Lock()

    @property
    def unfinished(self) -> bool:
        return bool(self._waiting or self._suspects or self._running)

    @property
    def waiting(self) -> int:
        """Items that no process works on yet."""
        return len(self._waiting)

    def add(self, item: A) -> None:
        """One more item, also from another thread while `step` waits."""
        self._waiting.append(_Task(item))
        self.wake()

    def wake(self) -> None:
        """Let a `step` that waits end at once."""
        with self._waking:
            if not self._woken.done():
                self._woken.set_result(None)

    def step(self) -> Iterator[tuple[A, B | Failed]]:
        """Submit tasks, wait for the first result or deadline, and yield what finished."""
        broken = self._submit()
        for future in self._finished():
            task, _ = self._running.pop(future)
            try:
                result: B | Failed = future.result()
            except BrokenExecutor:
                broken.append(task)
                continue
            except Exception as problem:
                result = Failed(fault=Fault.RAISED, detail=f"{type(problem).__name__}: {problem}"[:200])
            self.pools.warm = True
            yield task.item, result
        if broken:
            yield from self._after_a_crash(broken)
        yield from self._overdue()

    def _submit(self) -> list[_Task[A]]:
        """Submit tasks, suspects one at a time. Returns the task whose pool turned out to be broken."""
        queue, room = (self._suspects, 1) if self._suspects else (self._waiting, self.at_once)
        while queue and len(self._running) < room:
            task = queue.popleft()
            try:
                future = self.pools.submit(self._work, task.item)
            except BrokenExecutor:
                return [task]
            grace = 0.0 if self.pools.warm else START_GRACE_S
            self._running[future] = (task, time.monotonic() + self._timeout_s + grace)
        return []

    def _finished(self) -> set[Future[B]]:
        """The futures that finished before the earliest deadline."""
        if not self._running:
            return set()
        soonest = min(until for _, until in self._running.values())
        awaited: set[Future[Any]] = {*self._running, self._woken}
        done = wait(awaited, max(0.0, soonest - time.monotonic()), FIRST_COMPLETED).done
        with self._waking:
            if self._woken.done():
                self._woken = Future()
        return {future for future in self._running if future in done}

    def _after_a_crash(self, broken: list[_Task[A]]) -> Iterator[tuple[A, B | Failed]]:
        """Every running task becomes a suspect; a task that breaks a second pool ran alone there, so it crashed."""
        suspects = [*broken, *(task for task, _ in self._running.values())]
        self._running.clear()
        self.pools.drop()
        for task in suspects:
            task.breaks += 1
            if task.breaks > 1:
                yield task.item, Failed(fault=Fault.CRASHED)
            else:
                self._suspects.append(task)

    def _overdue(self) -> Iterator[tuple[A, B | Failed]]:
        now = time.monotonic()
        late = [future for future, (_, until) in self._running.items() if until <= now and not future.done()]
        if not late:
            return
        for future in late:
            task, _ = self._running.pop(future)
            future.cancel()
            yield task.item, Failed(fault=Fault.TIMED_OUT, detail=f"{self._timeout_s:g} s")
        if not self.pools.borrowed:  # a process that hangs can only be ended together with its pool
            self._waiting.extendleft(task for task, _ in self._running.values())
            self._running.clear()
            self.pools.drop()


# --- processes -----------------------------------------------------------------------------


def _init_worker() -> None:
    """Initialise a worker process: ignore Ctrl-C, which the parent handles, and exit when the parent exits.

    Decoders write what they dislike about a damaged file to standard error, past Python. It says nothing that the
    photo's flag does not say, and may hold anything that the file holds: it does not come to the terminal.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    restrict_umask()  # a fork server has the umask of the moment at which it was started
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_exit_with_parent, args=(parent.sentinel,), daemon=True).start()


def _exit_with_parent(sentinel: int) -> None:
    wait_for_any([sentinel])
    os._exit(1)  # the parent is gone, so nothing can take the results


def kill_pool(pool: Executor) -> None:
    """Kill a pool without waiting for its tasks."""
    processes = list((getattr(pool, "_processes", None) or {}).values())  # no public API before Python 3.14
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        with contextlib.suppress(OSError, ValueError):
            process.kill()
    for process in processes:
        with contextlib.suppress(OSError, ValueError, AssertionError):
            process.join(5)
