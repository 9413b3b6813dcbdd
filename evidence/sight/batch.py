"""Analyses many photos in worker processes; one photo that fails does not stop the others.

The imaging libraries are loaded in those processes only.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Self, TypeVar

from evidence.model import Finding, Look, Sha256
from evidence.sight.request import LookOptions, LookRequest, ReduceRequest, TileRequest, TilesMade
from evidence.sight.thumbs import keep_thumbs
from evidence.sight.workers import START_GRACE_S, Failed, Fault, Tasks, kill_pool, process_pool

if TYPE_CHECKING:
    from evidence.sight.cluster import Cluster, SeenPhoto

A = TypeVar("A")
B = TypeVar("B")


def look_all(
    requests: Sequence[LookRequest],
    *,
    workers: int = 0,
    executor: Executor | None = None,
    timeout_s: float = 60.0,
) -> Iterator[tuple[Sha256, Look]]:
    """Analyse every request; yields each photo's result once, in the order of completion.

    `workers` processes work at a time (0: one for each core), or the caller's `executor` with that many photos
    handed out. A photo that ends its process, takes longer than `timeout_s` seconds or makes the look raise
    gets an empty look with a flag (`look_crashed`, `look_timed_out`, `look_failed`); the others go on.
    """
    with Looking(workers=workers, executor=executor, timeout_s=timeout_s) as looking:
        for request in requests:
            looking.add(request)
        yield from looking.rest()


class Looking:
    """Analyses photos that are added one after the other, while the caller does other work; flags as `look_all`.

    A context manager: at its end, photos that are still analysed are given up.
    """

    def __init__(
        self,
        *,
        workers: int = 0,
        executor: Executor | None = None,
        cluster: Cluster | None = None,
        timeout_s: float = 60.0,
    ) -> None:
        """`workers` and `executor` as in `look_all`; what `cluster` does not finish is analysed by them."""
        at_once = max(1, workers or os.cpu_count() or 1)
        self._tasks = Tasks(
            _look,
            make_pool=lambda: process_pool(at_once, preload="evidence.sight.look"),
            executor=executor,
            at_once=at_once,
            timeout_s=timeout_s,
        )
        self._cluster = cluster
        self._sent: Tasks[LookRequest, SeenPhoto] | None = None
        if cluster is not None:
            from evidence.sight.cluster import look_at_sent  # noqa: PLC0415 - only where there is a cluster

            look: Callable[[Any], SeenPhoto] = look_at_sent  # the cluster sends each request as a photo
            self._sent = Tasks(
                look,
                make_pool=lambda: cluster,
                executor=cluster,
                at_once=cluster.at_once,
                timeout_s=START_GRACE_S + 2 * timeout_s,  # a photo may wait for the one before it
            )

    def start(self, options: LookOptions) -> None:
        """Start the processes now, and let them load what these options need; a cluster runs already."""
        if self._sent is None:
            self._tasks.start(partial(_load, options))

    def add(self, request: LookRequest) -> None:
        """Hand in one photo."""
        (self._sent or self._tasks).add(request)

    @property
    def hungry(self) -> bool:
        """True when no photo waits for a process."""
        return (self._sent or self._tasks).hungry

    def finished(self) -> Iterator[tuple[Sha256, Look]]:
        """The photos that are done since, without waiting."""
        if self._sent is not None:
            yield from self._came_back(self._sent.finished())
        yield from map(_result, self._tasks.finished())

    def rest(self) -> Iterator[tuple[Sha256, Look]]:
        """The photos that are still to come; those of a cluster first, then in the order of completion."""
        if self._sent is not None:
            yield from self._came_back(self._sent.rest())
        yield from map(_result, self._tasks.rest())

    def trouble(self) -> list[Finding]:
        """What to report of the cluster, if there is one."""
        return self._cluster.trouble() if self._cluster is not None else []

    def _came_back(
        self, results: Iterator[tuple[LookRequest, SeenPhoto | Failed]]
    ) -> Iterator[tuple[Sha256, Look]]:
        """What the cluster found; its thumbnails are stored. A photo that it did not finish goes to the processes here."""
        assert self._cluster is not None
        for request, result in results:
            if isinstance(result, Failed):
                self._cluster.failed(too_late=result.fault is Fault.TIMED_OUT)
                self._tasks.add(request)
                continue
            flags = result.look.flags
            if request.thumb_dir is not None:
                flags += keep_thumbs(result.thumbs, request.thumb_dir, request.sha256)
            yield request.sha256, replace(result.look, flags=flags)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        if self._sent is not None:
            self._sent.__exit__(*error)
        self._tasks.__exit__(*error)


class LookProcess:
    """One worker process that works on single photos on request, so that a bad one cannot harm the caller's process.

    The process starts at first use, and again after a photo that ended it or took too long. Safe for threads:
    one photo is worked on at a time. `preload` is the module with the tasks that it is used for.
    """

    def __init__(self, *, timeout_s: float, preload: str = "evidence.sight.look") -> None:
        self._timeout_s = timeout_s
        self._preload = preload
        self._pool: ProcessPoolExecutor | None = None
        self._busy = threading.Lock()

    def look(self, request: LookRequest) -> Look:
        """Analyse one photo; flags as `look_all` gives them."""
        result = self._run(_look, request)
        return _flagged(result) if isinstance(result, Failed) else result

    def tiles(self, request: TileRequest) -> TilesMade:
        """Write the tiles of one photo; a message when its process ended or took too long."""
        result = self._run(_tiles, request)
        if not isinstance(result, Failed):
            return result
        why = {
            Fault.CRASHED: "decoding it ended its process",
            Fault.TIMED_OUT: f"decoding it took longer than {result.detail}",
            Fault.RAISED: result.detail,
        }[result.fault]
        return TilesMade(message=f"The full size cannot be shown: {why}.")

    def reduced(self, request: ReduceRequest) -> bytes | None:
        """A picture made from a thumbnail; None when it is missing or damaged, ended the process or took too long."""
        result = self._run(_reduced, request)
        return None if isinstance(result, Failed) else result

    def _run(self, task: Callable[[A], B], request: A) -> B | Failed:
        with self._busy:
            cold = self._pool is None
            if self._pool is None:
                self._pool = process_pool(1, preload=self._preload)
            try:
                return self._pool.submit(task, request).result(
                    self._timeout_s + (START_GRACE_S if cold else 0.0)
                )
            except BrokenExecutor:
                failure = Failed(fault=Fault.CRASHED)
            except TimeoutError:
                failure = Failed(fault=Fault.TIMED_OUT, detail=f"{self._timeout_s:g} s")
            except Exception as problem:
                return Failed(fault=Fault.RAISED, detail=f"{type(problem).__name__}: {problem}"[:200])
            self._drop()
        return failure

    def close(self) -> None:
        """End the process; the next request starts a new one."""
        with self._busy:
            self._drop()

    def _drop(self) -> None:
        if self._pool is not None:
            kill_pool(self._pool)
            self._pool = None


def _look(request: LookRequest) -> Look:
    from evidence.sight.look import look  # noqa: PLC0415 - loads the imaging libraries, in the worker only

    return look(request)


def _load(options: LookOptions) -> None:
    from evidence.sight.look import load  # noqa: PLC0415 - as above

    load(options)


def _tiles(request: TileRequest) -> TilesMade:
    from evidence.sight.tiles import make_tiles  # noqa: PLC0415 - as above

    return make_tiles(request)


def _reduced(request: ReduceRequest) -> bytes | None:
    from evidence.sight.reduced import reduced  # noqa: PLC0415 - loads Pillow, in the worker only

    return reduced(request)


def _result(told: tuple[LookRequest, Look | Failed]) -> tuple[Sha256, Look]:
    request, result = told
    return request.sha256, _flagged(result) if isinstance(result, Failed) else result


def _flagged(failure: Failed) -> Look:
    code, message = {
        Fault.CRASHED: (
            "look_crashed",
            "Analysing this photo ended its process. The photo is kept unchanged.",
        ),
        Fault.TIMED_OUT: ("look_timed_out", f"Analysing this photo took longer than {failure.detail}."),
        Fault.RAISED: ("look_failed", f"The analysis failed: {failure.detail}"),
    }[failure.fault]
    return Look(flags=(Finding(code=code, message=message),))
