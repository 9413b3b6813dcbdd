"""Analyses many photos in worker processes; one photo that fails does not stop the others.

The imaging libraries are loaded in those processes only.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor

from evidence.model import Finding, Look, Sha256
from evidence.sight.request import LookRequest
from evidence.sight.workers import Failed, Fault, process_pool, run_each


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
    at_once = max(1, min(workers or os.cpu_count() or 1, len(requests)))
    results = run_each(
        _look,
        requests,
        make_pool=lambda: process_pool(at_once, preload="evidence.sight.look"),
        executor=executor,
        at_once=at_once,
        timeout_s=timeout_s,
    )
    for request, result in results:
        yield request.sha256, _flagged(result) if isinstance(result, Failed) else result


def _look(request: LookRequest) -> Look:
    from evidence.sight.look import look  # noqa: PLC0415 - loads the imaging libraries, in the worker only

    return look(request)


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
