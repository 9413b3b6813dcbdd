"""Hands the analysis of photos to the workers of a cluster; whatever fails there is analysed on this computer.

The engine is dask's `distributed`. Only this module loads it, and only when a cluster is asked for. Photos travel as
bytes with their digest, never as paths, and thumbnails come back as bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import platform
import re
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import cache, partial
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from evidence.errors import BadInputError, one_line
from evidence.model import Finding, Look, MediaKind, Sha256
from evidence.sight.request import THUMB_SIDES, UNREAD, LookOptions, LookRequest, thumb_path

ADDRESS = re.compile(r"(tcp|tls)://([^\s/:@\[\]]+|\[[0-9A-Fa-f:.]+\]):\d{1,5}")
CONNECT_S = 10.0
"""Seconds in which the scheduler has to answer."""
CHECK_S = 60.0
"""Seconds in which each worker has to say which program it has: a new one loads its libraries first."""
WATCH_S = 0.25
"""Seconds between two looks at the connection."""
AT_ONCE = 2
"""Photos handed out for each worker: one is analysed while the next one travels."""
DECIDING = (
    "numpy",
    "Pillow",
    "pi-heif",
    "pyvips",
    "opencv-python-headless",
    "zxing-cpp",
    "imagehash",
    "onnxruntime",
    "rapidocr",
)
"""Packages of which another version may give another result."""

_one_photo = threading.Lock()
"""A worker with several threads analyses one photo at a time all the same, in the memory of one."""

Program = Mapping[str, str]
"""What decides the result of an analysis, each by its digest or its version."""


class NotDoneError(Exception):
    """A worker did not analyse a photo, or not as this computer would."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SentPhoto:
    """A photo on its way to a worker."""

    data: bytes
    sha256: Sha256
    kind: MediaKind
    suffix: str
    """Of the file's name, with its dot."""
    orientation: int
    """EXIF orientation, 1 to 8."""
    thumbs: bool
    options: LookOptions
    program: Program
    """What the worker must have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPhoto:
    """What comes back: what was found, and the JPEG of each thumbnail by its long side in pixels."""

    look: Look
    thumbs: Mapping[int, bytes]


class Cluster(Executor):
    """Workers of a cluster that all have this computer's program; `cluster_at` makes it.

    As an executor it analyses a `LookRequest` and returns a `SeenPhoto`; every error that it gives is the engine's.
    """

    def __init__(self, client: Any, workers: int) -> None:
        self._client, self.at_once = client, AT_ONCE * workers
        self._executor: Executor = client.get_executor(pure=False)
        self.lost = False
        """True when no more photos are handed out: the connection broke, or a worker took too long."""
        self.redone = 0
        """Photos that the cluster did not finish."""
        self._out: set[Future[Any]] = set()
        self._taking = threading.Lock()

    def submit(self, task: Callable[..., Any], /, *args: Any, **_kwargs: Any) -> Future[Any]:
        """Hand out one photo: `task` runs at a worker with the photo as it is sent; every failure is a NotDoneError of the future.

        To cancel the future does not cancel the work there: that waits for the scheduler's answer, perhaps in vain.
        """
        (request,) = args
        future: Future[Any] = Future()
        try:
            if self.lost or self._client.status != "running":
                raise NotDoneError("the connection to the cluster is lost")  # noqa: TRY301 - as all other failures
            sent = self._executor.submit(task, _packed(request))
        except Exception as problem:
            future.set_exception(NotDoneError(_brief(problem)))
        else:
            self._out.add(future)
            sent.add_done_callback(partial(self._answer, future))
        return future

    def _answer(self, future: Future[Any], sent: Future[Any] | None = None) -> None:
        """End a future that is out, as `sent` ended; without it the connection is lost. Only the first answer counts."""
        with self._taking:
            if future not in self._out:
                return
            self._out.remove(future)
        if not future.set_running_or_notify_cancel():
            return
        try:
            if sent is None:
                raise NotDoneError("the connection to the cluster is lost")  # noqa: TRY301 - as all other failures
            future.set_result(sent.result())
        except BaseException as problem:
            future.set_exception(NotDoneError(_brief(problem)))

    def watch(self, ended: threading.Event) -> None:
        """Give up what is out as soon as the connection is lost, until `ended`.

        The engine cancels what it knows of at that moment, and never answers for a photo that is handed out just then.
        """
        while not ended.wait(WATCH_S):
            if self._client.status != "running":
                for future in list(self._out):
                    self._answer(future)

    def failed(self, *, too_late: bool) -> None:
        """A photo was not analysed there; after a lost connection or a wait that was too long, no others are handed out."""
        self.redone += 1
        self.lost = self.lost or too_late or self._client.status != "running"

    def trouble(self) -> list[Finding]:
        """What to report of the cluster when the work is done."""
        if not self.redone:
            return []
        message = (
            f"Photos that the cluster did not finish and that were analysed on this computer: {self.redone}."
        )
        if self.lost:
            message += (
                " The connection was lost, or a worker took too long: check the scheduler and its workers."
            )
        return [Finding(code="cluster_failed", message=message)]


@contextlib.contextmanager
def cluster_at(address: str) -> Iterator[Cluster]:
    """The cluster with this scheduler, `tcp://HOST:PORT` or `tls://HOST:PORT`; TLS as the engine's own settings say.

    Raises BadInputError when nothing answers there, and when a worker has another program, networks or libraries.
    """
    if not ADDRESS.fullmatch(address):
        raise BadInputError(
            f"'{one_line(address)}' is not the address of a cluster.",
            "Write --cluster tcp://HOST:PORT or --cluster tls://HOST:PORT, as its scheduler printed it.",
        )
    try:
        import distributed  # noqa: PLC0415 - large, and only with --cluster
    except ImportError as problem:
        raise BadInputError(
            f"The library for clusters cannot be loaded: {problem}.",
            "Install it: pip install 'photo-evidence-archive[cluster]'",
        ) from problem
    engine: Any = distributed
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # failures are handled, and reported in one line
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of large photos, and of packages that do not decide a result
        try:
            client: Any = engine.Client(address, timeout=CONNECT_S, set_as_default=False)
        except Exception as problem:
            raise BadInputError(
                f"No cluster can be reached at {address}: {_brief(problem)}.",
                "Start its scheduler, correct the address, or run it without --cluster.",
            ) from problem
        ended = threading.Event()
        try:
            cluster = Cluster(client, _checked(client, address))
            threading.Thread(target=cluster.watch, args=(ended,), name="cluster", daemon=True).start()
            yield cluster
        finally:
            ended.set()
            with contextlib.suppress(Exception):
                client.close(timeout=2)


def _checked(client: Any, address: str) -> int:
    """The number of workers; raises BadInputError unless each one has this computer's program."""
    workers = sorted(client.scheduler_info(n_workers=-1)["workers"])
    if not workers:
        raise BadInputError(
            f"The cluster at {address} has no workers.",
            f"Start one on each computer with `dask worker {address}`, or run it without --cluster.",
        )
    mine = this_program()
    asked = {one: client.submit(this_program, workers=[one], pure=False) for one in workers}
    for worker, future in asked.items():
        try:
            theirs = future.result(timeout=CHECK_S)
        except Exception as problem:
            wrong = f"it cannot run this program: {_brief(problem)}"
        else:
            other = [what for what in mine if theirs.get(what) != mine[what]]
            wrong = f"it has another version of {', '.join(other)}" if other else ""
        if wrong:
            raise BadInputError(
                f"The worker {worker} cannot be used: {wrong}.",
                "Install the same program and packages there as here, restart it, or run it without --cluster.",
            )
    return len(workers)


def _brief(problem: BaseException) -> str:
    text = one_line(" ".join(str(problem).split())).rstrip(".")
    return f"{type(problem).__name__}: {text}"[:200] if text else type(problem).__name__


def _packed(request: LookRequest) -> SentPhoto:
    """The photo with its bytes. Raises OSError when it cannot be read."""
    return SentPhoto(
        data=request.path.read_bytes(),
        sha256=request.sha256,
        kind=request.kind,
        suffix=request.path.suffix,
        orientation=request.orientation,
        thumbs=request.thumb_dir is not None,
        options=request.options,
        program=this_program(),
    )


# --- on a worker ---------------------------------------------------------------------------


@cache
def this_program() -> Program:
    """What decides the result here: the digest of the program, those of its networks, and versions of libraries.

    Raises NetworkError when a network is missing or altered.
    """
    from evidence.sight.scene_head import head_bytes  # noqa: PLC0415 - these load the imaging libraries
    from evidence.sight.weights import network_bytes  # noqa: PLC0415
    from evidence.sight.writing import model_bytes  # noqa: PLC0415

    package = Path(str(files("evidence")))
    program = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        program.update(path.relative_to(package).as_posix().encode() + b"\0")
        program.update(hashlib.sha256(path.read_bytes()).digest())
    networks = hashlib.sha256()
    for data in (network_bytes(), head_bytes(), *model_bytes()):
        networks.update(hashlib.sha256(data).digest())
    return {
        "the program": program.hexdigest(),
        "the networks": networks.hexdigest(),
        "Python": ".".join(platform.python_version_tuple()[:2]),
        **{name: _version(name) for name in DECIDING},
    }


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "none"


def look_at_sent(photo: SentPhoto) -> SeenPhoto:
    """Analyse a photo that was sent here. Raises NotDoneError when this worker cannot be relied on for it."""
    from evidence.sight.look import look  # noqa: PLC0415 - loads the imaging libraries

    if photo.program != this_program():
        raise NotDoneError("this worker has another program")
    if hashlib.sha256(photo.data).hexdigest() != photo.sha256:
        raise NotDoneError("the bytes do not have the photo's digest")
    with _one_photo, TemporaryDirectory(prefix="evidence-") as name:
        folder = Path(name)
        path = folder / f"photo{photo.suffix}"
        path.write_bytes(photo.data)
        seen = look(
            LookRequest(
                path=path,
                sha256=photo.sha256,
                kind=photo.kind,
                orientation=photo.orientation,
                thumb_dir=folder if photo.thumbs else None,
                options=photo.options,
            )
        )
        unsure = [flag.code for flag in seen.flags if flag.code in UNREAD]
        if unsure:
            raise NotDoneError(f"the analysis gave {unsure[0]}")
        thumbs = {side: thumb_path(folder, photo.sha256, side) for side in THUMB_SIDES}
        return SeenPhoto(
            look=seen, thumbs={side: file.read_bytes() for side, file in thumbs.items() if file.is_file()}
        )
