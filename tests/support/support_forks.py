"""A small process that forks: forking the process of the tests, with all that they loaded, takes ten times as long."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from support_archive import killed_at

START = "import sys; sys.path[:0] = {paths!r}; from support_forks import serve; serve()"


class SmallProcess:
    """Does what it is asked, here or in children that it forks. Functions and arguments must be picklable."""

    def __init__(self) -> None:
        paths = [str(Path(__file__).parent), *sys.path]
        self._process = subprocess.Popen(
            [sys.executable, "-c", START.format(paths=paths)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    def run(self, action: Callable[[], object]) -> None:
        """Run the action in the process itself: what it imports is then there for every child."""
        self._ask(None, action)

    def killed_at(self, number: int, action: Callable[[], object]) -> bool:
        """`support_archive.killed_at` there."""
        return self._ask(number, action)

    def close(self) -> None:
        """End it."""
        self._process.communicate(timeout=60)

    def _ask(self, number: int | None, action: Callable[[], object]) -> bool:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        pickle.dump((number, action), self._process.stdin)
        self._process.stdin.flush()
        answer: bool = pickle.load(self._process.stdout)
        return answer


def serve() -> None:
    """Answer until the process that asks ends or closes its end."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what an action prints is no answer
    while True:
        try:
            asked: tuple[int | None, Callable[[], Any]] = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        number, action = asked
        killed = False if number is None else killed_at(number, action)
        if number is None:
            action()
        pickle.dump(killed, answers)
        answers.flush()
