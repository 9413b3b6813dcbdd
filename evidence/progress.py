"""How far a long job is: told to whoever passes a function for it."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""Called with the name of the step, how much of it is done, and of how much."""


def quiet(_what: str, _done: int, _total: int) -> None:
    """Show no progress."""
