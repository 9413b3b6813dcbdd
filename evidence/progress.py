"""How long work reports its progress: it calls a function that the caller passes."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""Called with the name of the step, the number of items done, and the total."""


def quiet(_what: str, _done: int, _total: int) -> None:
    """Ignore the progress."""
