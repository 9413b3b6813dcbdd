"""Tries damaged files in worker processes of limited time and memory, and counts what went wrong.

A crash is a process that ended, or an exception that is none of the program's own errors. A look that a damaged
file makes fail is no crash: the photo gets a flag and is kept.
"""

from __future__ import annotations

import multiprocessing
import os
import shutil
import tempfile
import time
import traceback
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path

from support_fuzz import Seed, bombs, mutated

from evidence.cards.exif import read_facts
from evidence.model import PICTURE_KINDS, Sha256
from evidence.sight.request import PICTURE_MEMORY_MB, LookOptions, LookRequest

HANG_S = 60.0
"""Seconds an input may take: the setting `look_timeout_s` of an archive as it is made."""
MEMORY_MB = PICTURE_MEMORY_MB + 400
"""Megabytes a process may hold: what decoding one picture may take, and the libraries and networks."""
WALL_MB = 8_000
"""Megabytes of address space: more fails in the worker, before it harms the machine."""
CARD = 40
"""Damaged files on each card that is taken in."""
PLAIN = LookOptions(read_writing=False, scene_kinds=False)


@dataclass(frozen=True, kw_only=True)
class Tried:
    """What one input came to; `fault` is empty when nothing went wrong."""

    number: int
    step: str
    inputs: int
    fault: str = ""
    detail: str = ""
    seconds: float = 0.0
    megabytes: float = 0.0


def step_of(number: int) -> str:
    """What an input goes through: of 500, 420 camera data and the decoder, 75 the look, 4 the networks too, 1 a card."""
    place = number % 500
    return "card" if place == 499 else "networks" if place >= 495 else "look" if place >= 420 else "decode"


def try_input(number: int, seed: int, folder: Path) -> int:
    """Put one input through its step; returns how many damaged files were tried. Raises what it raises."""
    step = step_of(number)
    if step == "card":
        return _take_in(number, seed, folder)
    one, data = mutated(number, seed)
    path = folder / f"input{one.suffix}"
    path.write_bytes(data)
    facts = read_facts(path, one.kind)
    if one.kind not in PICTURE_KINDS:
        return 1
    if step == "decode":
        _decode(path, one.kind, facts.orientation)
        return 1
    from evidence.sight.look import look

    options = PLAIN if step == "look" else LookOptions()
    request = LookRequest(
        path=path,
        sha256=Sha256("0" * 64),
        kind=one.kind,
        orientation=facts.orientation,
        thumb_dir=folder / "thumbs",
        options=options,
    )
    look(request)
    return 1


def _decode(path: Path, kind, orientation: int) -> None:
    from evidence.sight.pictures import PictureError, load_picture

    try:
        load_picture(path, kind, orientation)
    except (PictureError, Exception):
        return


def _take_in(number: int, seed: int, folder: Path) -> int:
    """A card of damaged files through the whole intake: each is kept byte for byte or refused with a reason."""
    from support_card import CardMaker  # noqa: F401 - loads what the archive's helpers need
    from support_intake import filed, loaded_archive, taken_in

    home = Path(tempfile.mkdtemp(dir=folder))
    card = home / "card" / "DCIM" / "100TESTC"
    card.mkdir(parents=True)
    digests = set()
    for place in range(CARD):
        one, data = mutated(10_000_000 + number * CARD + place, seed)
        (card / f"TEST{place:04d}{one.suffix}").write_bytes(data)
        digests.add(_digest(data))
    archive = loaded_archive(home)
    report = taken_in(archive, home / "card")
    assert report.kept + report.already_kept + len(report.refused) == CARD, report
    assert not report.refused, report.refused
    assert set(filed(archive)) == digests
    shutil.rmtree(home)
    return CARD


def try_names(names: Sequence[bytes], folder: Path) -> int:
    """A card of files with these names through the intake, `claims`, `photos` and `verify`; returns how many were kept.

    Each is kept byte for byte, and nothing printed holds a character that moves the cursor or turns the text.
    """
    from support_cli import cli
    from support_intake import filed, loaded_archive

    card = os.fsencode(folder / "card" / "DCIM" / "100TESTC")
    os.makedirs(card)  # noqa: PTH103 - a path of bytes
    for name in names:
        Path(os.fsdecode(card + b"/" + name)).write_bytes(b"bytes of " + name)
    archive = loaded_archive(folder)
    ran = cli("intake", folder / "card", "--json", archive=archive)
    report = ran.data
    assert report["kept"] + len(report["refused"]) == len(names), ran
    litter = {one["path"] for one in report["refused"]}
    assert all(one["code"] == "system_litter" for one in report["refused"]), litter
    kept = {_digest(b"bytes of " + name) for name in names}
    assert set(filed(archive)) <= kept
    assert len(filed(archive)) == report["kept"]
    for command in (
        ("photos", "unassigned", "--all"),
        ("verify",),
        ("cards",),
        ("photos", "unassigned", "--json"),
    ):
        shown = cli(*command, archive=archive)
        assert shown.status in (0, 1), shown.err
        raw = {one for one in shown.out + shown.err if one != "\n" and is_unsafe(one)}
        assert not raw, (command, raw)
    return len(names)


def is_unsafe(character: str) -> bool:
    """True for control characters, those that turn the direction of text, and surrogates."""
    kind = unicodedata.category(character)
    return (
        kind in ("Cc", "Cs")
        or character in "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029"
    )


def _digest(data: bytes) -> str:
    import hashlib

    return hashlib.sha256(data).hexdigest()


# --- workers --------------------------------------------------------------------------------


def try_all(numbers: Iterator[int], seed: int, *, hang_s: float = HANG_S) -> Iterator[Tried]:
    """Try these inputs one after the other, in a process that is replaced when it ends or hangs."""
    worker = _Worker(seed)
    try:
        for number in numbers:
            yield worker.tried(number, hang_s)
    finally:
        worker.close()


def try_bombs() -> Iterator[Tried]:
    """Look at each bomb, in a process; `step` is its name."""
    worker = _Worker(0)
    try:
        for one in bombs():
            yield replace(worker.tried(one.name, HANG_S), step=one.name)
    finally:
        worker.close()


def _look_at_bomb(one: Seed, folder: Path) -> int:
    from evidence.sight.look import look

    path = folder / one.name
    path.write_bytes(one.data)
    facts = read_facts(path, one.kind)
    look(
        LookRequest(
            path=path, sha256=Sha256("0" * 64), kind=one.kind, orientation=facts.orientation, options=PLAIN
        )
    )
    return 1


class _Worker:
    """A process that tries inputs."""

    def __init__(self, seed: int) -> None:
        self._seed = seed
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None

    def tried(self, number: int | str, hang_s: float) -> Tried:
        if self._process is None:
            self._start()
        assert self._pipe is not None
        assert self._process is not None
        named = isinstance(number, str)
        count = partial(Tried, number=-1 if named else number, step=number if named else step_of(number))
        self._pipe.send(number)
        try:
            if not self._pipe.poll(hang_s):
                self.close()
                return count(inputs=1, fault="hang", detail=f"more than {hang_s:g} s", seconds=hang_s)
            inputs, fault, detail, seconds, megabytes = self._pipe.recv()
        except (EOFError, ConnectionError):
            self._process.join(10)
            code = self._process.exitcode
            self.close()
            return count(inputs=1, fault="crash", detail=f"the process ended with {code}")
        if not fault and megabytes > MEMORY_MB:
            fault, detail = "over the limit", f"{megabytes:.0f} MB"
        return count(inputs=inputs, fault=fault, detail=detail, seconds=seconds, megabytes=megabytes)

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_work, args=(theirs, self._seed), daemon=True)
        self._process.start()
        theirs.close()

    def close(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join()
        if self._pipe is not None:
            self._pipe.close()
        self._process = self._pipe = None


def _work(pipe: Connection, seed: int) -> None:
    with suppress(ImportError):  # Windows has no such limits
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (WALL_MB << 20, WALL_MB << 20))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with tempfile.TemporaryDirectory() as name:
        while True:
            try:
                number = pipe.recv()
            except EOFError:
                return
            if isinstance(number, str):
                bomb = next(one for one in bombs() if one.name == number)
                work = partial(_look_at_bomb, bomb, Path(name))
            else:
                work = partial(try_input, number, seed, Path(name))
            pipe.send(_measured(work))


def _measured(work: Callable[[], int]) -> tuple[int, str, str, float, float]:
    _forget_peak()
    start = time.perf_counter()
    fault = detail = ""
    inputs = 1
    try:
        inputs = work()
    except (Exception, SystemExit, RecursionError):
        fault, detail = "crash", traceback.format_exc()[-1500:]
    return inputs, fault, detail, time.perf_counter() - start, _peak_mb()


def _forget_peak() -> None:
    """Let the kernel begin a new greatest resident memory (proc(5), clear_refs), where it can."""
    try:
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    except OSError:
        return


def _peak_mb() -> float:
    """The greatest resident memory since `_forget_peak`; 0 where the system does not tell it."""
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
    except OSError:
        return 0.0
    return next(
        (int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM")), 0.0
    )
