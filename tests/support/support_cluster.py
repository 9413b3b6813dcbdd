"""A real scheduler and workers of a cluster as processes on this computer's loopback."""

from __future__ import annotations

import atexit
import gc
import importlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections import deque
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any, Self

ROOT = Path(__file__).resolve().parents[2]
OF_EACH_PROCESS = {
    "PYTHONPATH": str(ROOT),
    "DASK_CONFIG": str(ROOT / "no settings"),
    "OMP_NUM_THREADS": "1",
    # each process would look at its own work 50 times a second
    "DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL": "500ms",
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
}


class Forked:
    """A process forked by `Loaded`: what these tests use of `subprocess.Popen`."""

    def __init__(self, kind: str, arguments: list[str], folder: Path) -> None:
        log = folder / f"log {next(_numbers)}"
        os.mkfifo(log)
        loaded().tell({"fork": kind, "arguments": arguments, "folder": str(folder), "log": str(log)})
        self.stderr = log.open()
        self.pid = loaded().answer()

    def poll(self) -> int | None:
        """0 when it has ended."""
        loaded().tell({"ended": self.pid})
        return 0 if loaded().answer() else None

    def kill(self) -> None:
        """End it, if it has not ended."""
        if self.poll() is None:
            os.kill(self.pid, signal.SIGKILL)

    def wait(self) -> None:
        """Return when it has ended."""
        loaded().tell({"wait": self.pid})
        loaded().answer()


_numbers = count()


class Loaded:
    """A process that loads once what schedulers and workers need, a second of work, and forks them."""

    def __init__(self) -> None:
        code = f"import sys; sys.path.append({str(Path(__file__).parent)!r}); from support_cluster import serve; serve()"
        self._process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | OF_EACH_PROCESS,
        )
        atexit.register(self._process.communicate)

    def tell(self, request: dict[str, Any]) -> None:
        """Send one request."""
        assert self._process.stdin is not None
        print(json.dumps(request), file=self._process.stdin, flush=True)

    def answer(self) -> int:
        """The number that answers it."""
        assert self._process.stdout is not None
        return int(self._process.stdout.readline())


@cache
def loaded() -> Loaded:
    """The one of this process."""
    return Loaded()


def serve() -> None:
    """Be `Loaded` until the process of the tests ends."""
    from evidence.sight import cluster, look
    from evidence.sight.request import LookOptions

    commands = {
        kind: importlib.import_module(f"distributed.cli.dask_{kind}") for kind in ("scheduler", "worker")
    }
    look.load(LookOptions())
    cluster.this_program()
    gc.freeze()
    ended = set()
    for line in iter(sys.stdin.readline, ""):
        request = json.loads(line)
        if "fork" in request:
            log = os.open(request["log"], os.O_WRONLY)
            answer = os.fork()
            if not answer:
                _become(commands[request["fork"]].main, request, log)
            os.close(log)
        else:
            ((how, pid),) = request.items()
            if pid not in ended and os.waitpid(pid, 0 if how == "wait" else os.WNOHANG)[0]:
                ended.add(pid)
            answer = int(pid in ended)
        print(answer, flush=True)


def _become(command: Any, request: dict[str, Any], log: int) -> None:
    """Run a command in this process and end it."""
    nothing = os.open(os.devnull, os.O_RDWR)
    for here, stream in ((nothing, 0), (nothing, 1), (log, 2)):
        os.dup2(here, stream)
    os.chdir(request["folder"])
    try:
        command(request["arguments"])
    finally:
        os._exit(1)


Process = Forked | subprocess.Popen[str]


class LoopbackCluster:
    """A context manager; `scheduler` and `workers` are processes that a test may kill."""

    def __init__(self, folder: Path, *, workers: int = 2, tls: tuple[Path, Path] | None = None) -> None:
        self._folder, self._count, self._tls = folder, workers, tls
        self.workers: list[Process] = []
        self._all: list[Process] = []

    def __enter__(self) -> Self:
        self._start()
        return self

    def _start(self) -> None:
        protocol = "tls" if self._tls else "tcp"
        self.scheduler = self._started(
            "scheduler", "--host", f"{protocol}://127.0.0.1", "--port", "0", "--no-dashboard", *self._files()
        )
        self.address = self._line(self.scheduler, r"Scheduler at:\s+(\S+)")
        self._fill()

    def _fill(self) -> None:
        added = range(self._count - len(self.workers))
        for _ in added:
            self.add_worker()
        for worker in self.workers[len(self.workers) - len(added) :]:
            self._line(worker, r"(Registered to)")

    def heal(self) -> None:
        """Let processes that were stopped go on, and start others for those that were killed."""
        for process in (self.scheduler, *self.workers):
            if process.poll() is None and hasattr(signal, "SIGCONT"):
                os.kill(process.pid, signal.SIGCONT)
        self.workers = [one for one in self.workers if one.poll() is None]
        if self.scheduler.poll() is None:
            self._fill()
        else:
            self._end()
            self._start()

    def add_worker(self, program: Path = ROOT, *, wait: bool = False) -> None:
        """One more worker, with the program of that folder."""
        options = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(self._folder))
        worker = self._started("worker", self.address, *options, *self._files(), program=program)
        self.workers.append(worker)
        if wait:
            self._line(worker, r"(Registered to)")

    def _files(self) -> list[str]:
        if self._tls is None:
            return []
        cert, key = map(str, self._tls)
        return ["--tls-ca-file", cert, "--tls-cert", cert, "--tls-key", key]

    def _started(self, kind: str, *arguments: str, program: Path = ROOT) -> Process:
        if program == ROOT and hasattr(os, "fork"):
            started: Process = Forked(kind, list(arguments), self._folder)
        else:
            started = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.dask_{kind}", *arguments],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
                env=os.environ | OF_EACH_PROCESS | {"PYTHONPATH": str(program)},
                cwd=self._folder,
            )
        self._all.append(started)
        return started

    def _line(self, process: Process, pattern: str) -> str:
        """What the pattern finds in the process's log."""
        log = []
        for line in process.stderr:
            log.append(line)
            if found := re.search(pattern, line):
                # the rest is dropped as it comes: a process waits when nobody empties its pipe
                threading.Thread(target=deque, args=(process.stderr, 0), daemon=True).start()
                return found[1]
        raise AssertionError("".join(log))

    def __exit__(self, *_error: object) -> None:
        self._end()

    def _end(self) -> None:
        for process in self._all:
            process.kill()
        for process in self._all:
            process.wait()
        self._all, self.workers = [], []
