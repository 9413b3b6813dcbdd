"""What a person reads while a card is copied and its photos are analysed: files, MB/s, time left, and that a reader does not answer."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import accumulate

from evidence.errors import counted
from evidence.plain_words import duration
from evidence.progress import Progress

Say = Callable[[str], None]
"""Called with one line for people."""
Clock = Callable[[], float]

COPYING = "Reading the card"
ANALYSING = "Analysing the photos"
EVERY_S = 10.0
"""Seconds between two lines about one card's copying."""
STALL_S = 45.0
"""Seconds in which a reader must give a small file."""
SLOWEST = 500_000
"""Bytes in a second that the slowest reader gives; a large file gets that much longer before it counts as stalled."""
CHECK_S = 5.0
"""Seconds between two checks for a reader that does not answer."""
SLEPT_S = 60.0
"""A wait that took this much longer than it should: the computer slept."""


def silent(_line: str) -> None:
    """Say nothing."""


def clock_that_counts_sleep() -> float:
    """Seconds that always go forward, also while the computer sleeps, where the system has such a clock."""
    for name in ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC"):  # Linux; macOS, whose CLOCK_MONOTONIC counts sleep
        number = getattr(time, name, None)
        if number is not None:
            return time.clock_gettime(number)
    return time.monotonic()


class CopySpeed:
    """Passes progress on and says what a person wants to read about it. One for each card."""

    def __init__(
        self, name: str, sizes: Sequence[int], progress: Progress, say: Say, clock: Clock = time.monotonic
    ) -> None:
        """`sizes` are the bytes of the card's files, in the order in which they are copied."""
        self._name, self._sizes, self._progress, self._say, self._clock = name, sizes, progress, say, clock
        self._before = [0, *accumulate(sizes)]
        self._began = self._told = self._last = clock()
        self._begun: set[str] = set()
        """Steps that have begun; photos are looked at while others are still copied."""
        self._done = 0
        """Files copied."""
        self._stalled = False
        self._lock = threading.Lock()

    def __call__(self, what: str, done: int, total: int) -> None:
        """See `Progress`."""
        now = self._clock()
        with self._lock:
            new_step = total > 0 and what not in self._begun
            if new_step:
                self._begun.add(what)
            answered = due = False
            if what == COPYING:
                self._done, self._last = done, now
                answered, self._stalled = self._stalled, False
                if new_step:
                    self._began = self._told = now
                due = now - self._told >= EVERY_S and done < total
                if due:
                    self._told = now
        if answered:
            self._say(f"{self._name}: the reader answers again; the copying continues.")
        if new_step:
            self._say(f"{self._name}: {_first_words(what, total)}.")
        if due:
            self._say(f"{self._name}: {self.copying(done, total, now)}.")
        self._progress(what, done, total)

    def copying(self, done: int, total: int, now: float) -> str:
        """How far the copying is: 'copied 120 of 214 files, 23.1 MB/s, 2 min left'."""
        copied, whole = self._before[min(done, len(self._sizes))], self._before[-1]
        seconds = now - self._began
        text = f"copied {done} of {total} files"
        if copied <= 0 or seconds <= 0:
            return text
        speed = copied / seconds
        return f"{text}, {speed / 1e6:.1f} MB/s, {duration(max(1.0, (whole - copied) / speed))} left"

    def check(self) -> None:
        """Say once when the reader has not given the present file for much longer than it may take."""
        with self._lock:
            if self._stalled or COPYING not in self._begun or self._done >= len(self._sizes):
                return
            waited = self._clock() - self._last
            if waited < STALL_S + self._sizes[self._done] / SLOWEST:
                return
            self._stalled = True
        self._say(
            f"{self._name}: the reader has not answered for {duration(waited)}. The copying continues when it does. "
            f"If it does not, take the card out and put it in again."
        )

    def slept(self) -> None:
        """The computer slept: what passed meanwhile is no fault of the reader."""
        with self._lock:
            self._last = self._clock()


def _first_words(what: str, total: int) -> str:
    """What is said when a step begins."""
    if what == COPYING:
        return f"copying {counted(total, 'file')}"
    if what == ANALYSING:
        return f"analysing {counted(total, 'new photo')}"
    return what[:1].lower() + what[1:]


@contextmanager
def stalls_noticed(speed: CopySpeed, clock: Clock = clock_that_counts_sleep) -> Iterator[None]:
    """Check every few seconds, in a thread, whether the reader still answers."""
    over = threading.Event()

    def check() -> None:
        before = clock()
        while not over.wait(CHECK_S):
            now = clock()
            if now - before > CHECK_S + SLEPT_S:
                speed.slept()
            before = now
            speed.check()

    thread = threading.Thread(target=check, name="reader-answers", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def megabytes(size: int) -> str:
    """Bytes for people: '0.4 MB', '1.2 GB'."""
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.1f} MB"
