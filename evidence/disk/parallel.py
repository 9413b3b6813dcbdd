"""Work on several files at once, in threads: hashing and disk calls run outside Python's global lock."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import chain, islice
from typing import TypeVar

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")

FILES_AT_ONCE = 4
"""Files read or copied at the same time unless the settings say otherwise.

While one thread waits for the disk, others hash. More than four gained nothing on two cores (docs/measurements.md).
"""


def in_parallel(
    work: Callable[[_Item], _Result], items: Iterable[_Item], *, at_once: int = FILES_AT_ONCE
) -> Iterator[_Result]:
    """The results of `work`, in the order of `items`; at most `at_once` run and as many wait. One item needs no thread.

    The first exception is raised in its turn, after the work that has already begun has ended.
    """
    rest = iter(items)
    first = list(islice(rest, 2))
    if at_once <= 1 or len(first) < 2:
        yield from map(work, chain(first, rest))
        return
    with ThreadPoolExecutor(at_once, thread_name_prefix="files") as pool:
        pending: deque[Future[_Result]] = deque()
        try:
            for item in chain(first, rest):
                pending.append(pool.submit(work, item))
                if len(pending) >= 2 * at_once:
                    yield pending.popleft().result()
            while pending:
                yield pending.popleft().result()
        finally:
            for one in pending:
                one.cancel()
