"""A real scheduler and workers of a cluster as processes on this computer's loopback."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from collections import deque
from pathlib import Path
from typing import Self

ROOT = Path(__file__).resolve().parents[2]


class LoopbackCluster:
    """A context manager; `scheduler` and `workers` are processes that a test may kill."""

    def __init__(self, folder: Path, *, workers: int = 2, tls: tuple[Path, Path] | None = None) -> None:
        self._folder, self._count, self._tls = folder, workers, tls
        self.workers: list[subprocess.Popen[str]] = []
        self._all: list[subprocess.Popen[str]] = []

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

    def _started(self, kind: str, *arguments: str, program: Path = ROOT) -> subprocess.Popen[str]:
        environment = os.environ | {
            "PYTHONPATH": str(program),
            "DASK_CONFIG": str(self._folder / "no settings"),
            "OMP_NUM_THREADS": "1",
            # each process would look at its own work 50 times a second
            "DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL": "500ms",
            "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
        }
        started = subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.dask_{kind}", *arguments],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
            cwd=self._folder,
        )
        self._all.append(started)
        return started

    def _line(self, process: subprocess.Popen[str], pattern: str) -> str:
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
