"""A step of a purge that the board runs: it may take minutes, so it runs in a thread, one at a time."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from evidence.errors import EvidenceError, LockedError

log = logging.getLogger(__name__)

PAGE_WAIT_S = 3.0
"""Seconds that the page waits for the step before it says that it is still running."""

Tell = Callable[[str, str], None]
"""Shows a message and its kind (`good` or `bad`) on the next page of whoever began the step."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A step that is running."""

    words: str
    """What it does, to complete 'is running: ...'."""
    by: str
    since: datetime
    """Aware."""


class JobRunner:
    """Runs one step at a time. Safe for many threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._job: Job | None = None
        self._thread: threading.Thread | None = None

    @property
    def running(self) -> Job | None:
        """The step that is running now."""
        return self._job

    def run(self, job: Job, work: Callable[[], str], tell: Tell) -> bool:
        """Run the step and tell what it says, or its error; returns True when it ended before the page is sent.

        Raises LockedError while another step is running.
        """
        with self._lock:
            if self._job is not None:
                raise LockedError(
                    f"{self._job.by}'s step is running: {self._job.words}.", "Wait until it has ended."
                )
            self._job = job
            thread = threading.Thread(target=self._work, args=(work, tell), name="board-desk-job")
            self._thread = thread
            thread.start()
        thread.join(PAGE_WAIT_S)
        return not thread.is_alive()

    def close(self) -> None:
        """Wait for the step that is running."""
        if self._thread is not None:
            self._thread.join()

    def _work(self, work: Callable[[], str], tell: Tell) -> None:
        try:
            tell(work(), "good")
        except EvidenceError as error:
            tell(str(error), "bad")
        except Exception:
            log.exception("desk_job_failed")
            tell("The step failed and can be run again. The board's log has the details.", "bad")
        finally:
            self._job = None
