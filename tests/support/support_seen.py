"""Analyses each photo once in a run of the tests: for tests in which what is seen, and the processes that see, prove nothing."""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from support_kill import HereExecutor

from evidence.model import Look
from evidence.sight import batch, look
from evidence.sight.request import THUMB_SIDES, UNREAD, LookRequest, thumb_path
from evidence.sight.thumbs import keep_thumbs

if TYPE_CHECKING:
    from evidence.sight.cluster import Cluster

_Seen = tuple[Look, dict[int, bytes]]
"""What was found, and the thumbnails."""


class _SharedResults:
    """What was seen, for this process, those forked from it, and the other processes of the same run of the tests."""

    def __init__(self) -> None:
        self._here: dict[object, _Seen] = {}
        self.folder: Path | None = None
        self._replace = os.replace  # tests let the functions of `os` fail

    def get(self, key: object) -> _Seen | None:
        if key not in self._here and self.folder is not None:
            with contextlib.suppress(FileNotFoundError):
                self._here[key] = pickle.loads(self._file(key).read_bytes())
        return self._here.get(key)

    def put(self, key: object, seen: _Seen) -> None:
        self._here[key] = seen
        if self.folder is not None:
            part = self.folder / f"{os.getpid()} {threading.get_ident()}"
            with contextlib.suppress(OSError):
                part.write_bytes(pickle.dumps(seen))
                self._replace(part, self._file(key))

    def _file(self, key: object) -> Path:
        assert self.folder is not None
        return self.folder / hashlib.sha256(repr(key).encode()).hexdigest()


_seen = _SharedResults()


def share_in(folder: Path) -> None:
    """Keep what is seen in this folder too, for all processes that name it."""
    folder.mkdir(exist_ok=True)
    _seen.folder = folder


class SeenOnce(Executor):
    """Does the work in this process, at once, and the analysis of the same bytes with the same options once."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        return HereExecutor().submit(seen_once if fn is batch._look else fn, *args, **kwargs)


def looking(
    *, executor: Executor | None = None, cluster: Cluster | None = None, **more: Any
) -> batch.Looking:
    """The intake's `Looking` without processes; a cluster is used as it is."""
    return batch.Looking(executor=executor if cluster else SeenOnce(), cluster=cluster, **more)


class SeenProcess:
    """A `LookProcess` without a process."""

    def __init__(self, **_kwargs: object) -> None:
        """It waits for nothing."""

    def look(self, request: LookRequest) -> Look:
        """What the process would find."""
        return seen_once(request)

    def close(self) -> None:
        """Nothing to end."""


class LookHere(batch.LookProcess):
    """A `LookProcess` that works in the process of the test: for tests in which no picture harms it."""

    def _run(self, task: Callable[[Any], Any], request: Any) -> Any:
        with self._busy:
            try:
                return task(request)
            except Exception as problem:
                return batch.Failed(
                    fault=batch.Fault.RAISED, detail=f"{type(problem).__name__}: {problem}"[:200]
                )


def seen_once(request: LookRequest) -> Look:
    """What `look` returns and writes for this request. A file that does not have the request's digest is analysed itself."""
    try:
        whole = hashlib.sha256(request.path.read_bytes()).hexdigest() == request.sha256
    except OSError:
        whole = False
    if not whole:
        return look.look(request)
    folder = request.thumb_dir
    key = (replace(request, path=request.path.suffix, thumb_dir=None), folder is not None)
    known = _seen.get(key)
    if known is None:
        found = look.look(request)
        if {flag.code for flag in found.flags} & {*UNREAD, "undecodable"}:
            return found  # a test may have made it so
        made = {} if folder is None else {s: thumb_path(folder, request.sha256, s) for s in THUMB_SIDES}
        _seen.put(key, (found, {side: path.read_bytes() for side, path in made.items() if path.is_file()}))
        return found
    found, thumbs = known
    if folder is None or not thumbs:
        return found
    return replace(found, flags=found.flags + keep_thumbs(thumbs, folder, request.sha256))
