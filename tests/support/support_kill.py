"""Kills a forked child with SIGKILL just before its Nth change of the disk or commit of the catalog."""

from __future__ import annotations

import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event

CHANGES = frozenset(
    {"os.rename", "os.link", "os.remove", "os.mkdir", "os.chmod", "os.rmdir", "os.truncate", "shutil.rmtree"}
)


class HereExecutor(Executor):
    """Does the work in this process, at once: a forked child has no pool of its own."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except BaseException as trouble:
            future.set_exception(trouble)
        return future


def changes_of(work: Callable[[], object], below: Path) -> int:
    """How many changes `work` makes below a folder when nobody kills it; runs it in a child, whose work stays."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        counted = _count(below, at=None)
        _run(work)
        os.write(writer, str(counted[0]).encode())
        os._exit(0)
    os.close(writer)
    _, status = os.waitpid(child, 0)
    assert status == 0, "the undisturbed run failed"
    with os.fdopen(reader) as pipe:
        return int(pipe.read())


def killed_at(work: Callable[[], object], below: Path, number: int) -> bool:
    """Run `work` in a child that dies before its change `number`; True when it did, False when it came to its end."""
    child = os.fork()
    if child == 0:
        _count(below, at=number)
        _run(work)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.waitstatus_to_exitcode(status) == 0
    return False


def _run(work: Callable[[], object]) -> None:
    try:
        work()
    except BaseException:
        traceback.print_exc()
        os._exit(9)


def _count(below: Path, *, at: int | None) -> list[int]:
    counted = [0]
    root = str(below)

    one_at_a_time = threading.Lock()  # files are copied by several threads

    def tick() -> None:
        with one_at_a_time:
            if at is not None and counted[0] == at:
                os.kill(os.getpid(), signal.SIGKILL)
            counted[0] += 1

    def hook(name: str, arguments: tuple[Any, ...]) -> None:
        if (name in CHANGES and str(arguments[0]).startswith(root)) or (
            name == "open" and str(arguments[0]).startswith(root) and _writes(arguments[1], arguments[2])
        ):
            tick()

    sys.addaudithook(hook)
    event.listen(Engine, "commit", lambda _connection: tick())
    return counted


def _writes(mode: object, flags: object) -> bool:
    if isinstance(mode, str):
        return any(letter in mode for letter in "wax+")
    return isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR))
