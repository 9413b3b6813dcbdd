"""What a person answered while reviewing a claim by question, so that one key undoes the latest answer."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field

from evidence.model import ClaimId

MAX_VISITS = 2000
"""Visits held at once, the oldest is dropped: 40 claims a day of 50 people."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerStep:
    """One answer: the decisions that it made, or the questions that it put off or closed without one."""

    decisions: tuple[int, ...] = ()
    passed: frozenset[str] = frozenset()


@dataclass(kw_only=True)
class Visit:
    """One person's answers about one claim, in order."""

    steps: list[AnswerStep] = field(default_factory=list)

    @property
    def passed(self) -> frozenset[str]:
        """Keys of the questions that were put off or closed without a decision."""
        return frozenset(key for step in self.steps for key in step.passed)


class VisitStore:
    """The visits of a running board, held in memory. Safe for many threads."""

    def __init__(self) -> None:
        self._visits: OrderedDict[tuple[str, ClaimId], Visit] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, session: str, claim: ClaimId) -> Visit:
        """The visit of that session to that claim; a new one when there is none."""
        with self._lock:
            visit = self._visits.setdefault((session, claim), Visit())
            self._visits.move_to_end((session, claim))
            while len(self._visits) > MAX_VISITS:
                self._visits.popitem(last=False)
            return visit
