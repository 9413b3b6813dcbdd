"""Whether the board is ready: the catalog answers and the archive can be written."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field

from evidence.board.monitoring.limited import WAIT_S, LimitedChecks
from evidence.office.target_list import view_target
from evidence.workspace import Workspace

OK = "ok"


@dataclass(frozen=True, slots=True, kw_only=True)
class Readiness:
    """What the checks came to."""

    ready: bool
    """True when catalog and archive are as they must be. Targets do not count: cards are taken in without them."""
    checks: dict[str, str]
    """`ok`, or what is wrong in a few words, for `catalog` and `archive`."""
    targets: dict[str, str] = field(default_factory=dict)
    """The state of each backup target by name."""


class HealthChecks:
    """The checks of one board."""

    def __init__(self, workspace: Workspace, *, wait_s: float = WAIT_S) -> None:
        self._workspace = workspace
        self._checks = LimitedChecks[str](wait_s=wait_s)

    def close(self) -> None:
        """Begin no more checks."""
        self._checks.close()

    def ready(self) -> Readiness:
        """Run all checks at once."""
        here = self._workspace
        targets = {f"target {one.name}": one for one in here.settings.target}
        work: dict[str, Callable[[], str]] = {
            "catalog": lambda: _catalog(here),
            "archive": lambda: _archive(here),
        }
        for name, one in targets.items():
            work[name] = lambda one=one: str(view_target(here, one).state.value)  # type: ignore[misc]
        found = {name: _words(one) for name, one in self._checks.run(work).items()}
        checks = {name: found[name] for name in ("catalog", "archive")}
        return Readiness(
            ready=all(one == OK for one in checks.values()),
            checks=checks,
            targets={one.name: found[name] for name, one in targets.items()},
        )


def _words(found: str | Exception) -> str:
    """The kind of an error alone: its text may hold a name or a path."""
    if isinstance(found, TimeoutError):
        return "no answer in time"
    return found if isinstance(found, str) else type(found).__name__


def _catalog(workspace: Workspace) -> str:
    workspace.catalog.users.all()
    return OK


def _archive(workspace: Workspace) -> str:
    """Write a few bytes where the program writes, and remove them."""
    path = workspace.root / f".health-{os.getpid()}-{secrets.token_hex(4)}.part"
    try:
        path.write_bytes(b"health\n")
        return OK if path.read_bytes() == b"health\n" else "what was written is not what is read"
    except OSError as trouble:
        return trouble.strerror or "cannot be written"
    finally:
        path.unlink(missing_ok=True)
