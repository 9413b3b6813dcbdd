"""One trial: a command with one fault in a child process, then the command without it, then the judge."""

from __future__ import annotations

import gc
import json
import os
import shutil
import signal
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fault_disk import STANDING, Event, Fault, FaultKind, FaultyDisk, clear_kept, strikes
from fault_judge import DOUBLED, LOST, Expected, Problem, expected_of, judge
from fault_worlds import (
    ARCHIVE,
    OLDER,
    RESTORED,
    Scenario,
    World,
    available,
    build_template,
    flip_a_bit,
    photos_seen,
    planned_photos,
    restore,
    warm,
)

from evidence.archive.target_marker import MARKER

MEMORY = Path("/dev/shm")


@dataclass(frozen=True)
class Trial:
    """A scenario, and the event at which its command meets the fault."""

    scenario: str
    kind: FaultKind
    number: int

    def __str__(self) -> str:
        return f"{self.scenario}/{self.kind.name.lower()}/{self.number}"


@dataclass
class Outcome:
    """What a trial came to."""

    trial: Trial
    event: str = ""
    """Where the fault struck; empty when it did not."""
    traceback: str = ""
    """How the command ended under the fault, when it was not by an exit status."""
    blocked: str = ""
    """Why the run without the fault did not come to its end."""
    problems: list[Problem] = field(default_factory=list)

    @property
    def lost(self) -> bool:
        return any(one.code == LOST for one in self.problems)

    @property
    def doubled(self) -> bool:
        return any(one.code == DOUBLED for one in self.problems)

    @property
    def untidy(self) -> bool:
        """Something else than a loss or a double is not as it must be."""
        return any(one.code not in {LOST, DOUBLED} for one in self.problems) or bool(self.traceback)

    @property
    def clean(self) -> bool:
        return not self.problems and not self.blocked and not self.traceback

    def text(self) -> str:
        lines = [f"{self.trial} at {self.event or 'no event'}"]
        if self.blocked:
            lines.append(f"  blocked: {self.blocked}")
        lines += [f"  {one.code}: {one.text}" for one in self.problems]
        if self.traceback:
            lines.append("  " + self.traceback.strip().replace("\n", "\n  "))
        return "\n".join(lines)


class Bench:
    """A folder in which trials run one after the other, and what is known of each scenario."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.base = folder / "world"
        self.scenarios = available()
        self._known: dict[str, tuple[Path, Expected, list[Event], list[int]]] = {}
        self._struck: dict[tuple[str, FaultKind], list[Event]] = {}

    def events(self, scenario: str) -> list[Event]:
        """The events of an undisturbed run of the scenario's command."""
        return self._of(scenario)[2]

    def trials(self, scenario: str, kind: FaultKind) -> list[Trial]:
        """Every trial of one kind, in the order of the events."""
        self._of(scenario)
        if self.scenarios[scenario].standing:
            count = len(_damages(self.base.with_name(f"prepared-{scenario}"), self.scenarios[scenario], kind))
        else:
            count = len(self._strikes(scenario, kind))
        return [Trial(scenario, kind, number) for number in range(count)]

    def event_of(self, trial: Trial) -> str:
        """The event of an undisturbed run at which the trial's fault strikes, as `operation path`."""
        event = self._strikes(trial.scenario, trial.kind)[trial.number]
        return f"{event.op} {event.path}"

    def _strikes(self, scenario: str, kind: FaultKind) -> list[Event]:
        """The events of an undisturbed run at which a fault of that kind strikes; asked for once for each trial."""
        if (scenario, kind) not in self._struck:
            self._struck[scenario, kind] = [one for one in self.events(scenario) if strikes(kind, one)]
        return self._struck[scenario, kind]

    def run(self, trial: Trial) -> Outcome:
        """Run one trial."""
        scenario = self.scenarios[trial.scenario]
        kept, expected, _, statuses = self._of(trial.scenario)
        world = restore(self.base, kept)
        if trial.kind in STANDING:
            struck = {"event": _damage(world, scenario, trial)}
        else:
            disk = FaultyDisk(self.base, Fault(trial.kind, trial.number))
            struck = _in_child(lambda: _ran(scenario, world, disk))
        clear_kept(self.base)
        outcome = Outcome(trial, event=struck.get("event", ""), traceback=struck.get("traceback", ""))
        if struck.get("killed"):
            outcome.event = self.event_of(trial)
        world = World(self.base, before=tuple(struck.get("statuses", ())))
        try:
            ran = scenario.finish(world)
            wrong = [one for one, status in zip(ran, statuses, strict=True) if one.status != status]
            said = (f"status {one.status}: {(one.err or one.out).strip()[-400:]}" for one in wrong)
            outcome.blocked = "; ".join(said)
            outcome.problems = judge(world, expected, home=scenario.home, cards=scenario.kept)
        except Exception:
            outcome.blocked = outcome.blocked or traceback.format_exc()
        return outcome

    def _of(self, name: str) -> tuple[Path, Expected, list[Event], list[int]]:
        if name not in self._known:
            self._known[name] = self._undisturbed(self.scenarios[name])
        return self._known[name]

    def _undisturbed(self, scenario: Scenario) -> tuple[Path, Expected, list[Event], list[int]]:
        kept = build_template(self.base, scenario)
        world = restore(self.base, kept)
        seen = photos_seen()
        purged: frozenset[str] = frozenset()
        if scenario.purged:
            purged = planned_photos(world)
            assert purged
        events = self._counted(scenario, world)
        if photos_seen() != seen:  # a first look reads the photo, and in the trials each photo was looked at
            world = restore(self.base, kept)
            events = self._counted(scenario, world)
        statuses = [one.status for one in scenario.finish(world)]
        assert all(status in {0, 1} for status in statuses), statuses
        expected = expected_of(world, home=scenario.home, cards=scenario.kept, purged=purged)
        wrong = judge(world, expected, home=scenario.home, cards=scenario.kept)
        assert not wrong, f"{scenario.name} without a fault: {wrong}"
        return kept, expected, events, statuses

    def _counted(self, scenario: Scenario, world: World) -> list[Event]:
        """The events of the command, which runs in this process: its children inherit what is cached."""
        disk = FaultyDisk(self.base)
        with disk.installed():
            statuses = [one.status for one in scenario.command(world)]
        assert all(status in {0, 1} for status in statuses), statuses
        clear_kept(self.base)
        return disk.events


@contextmanager
def bench() -> Iterator[Bench]:
    """A bench in memory where the system has such a folder; it is removed at the end."""
    with cold_bench() as made, warm():
        yield made


@contextmanager
def cold_bench() -> Iterator[Bench]:
    """The same, for several uses of `warm`, without which no trial may run."""
    folder = Path(tempfile.mkdtemp(prefix="evidence-faults-", dir=MEMORY if MEMORY.is_dir() else None))
    try:
        yield Bench(folder.resolve())
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _damages(base: Path, scenario: Scenario, kind: FaultKind) -> list[Path]:
    """The files of a world that a standing fault can strike, relative to it; for an older target its folder.

    The mark by which a target's disk is recognised is left out: without it a disk counts as another one, which
    is meant. So are the catalog (`evidence rebuild`), the settings, the log (`evidence custody`) and lock files.
    """
    if kind not in STANDING or (kind is FaultKind.OLDER) != (scenario.standing == OLDER):
        return []
    if kind is FaultKind.OLDER:
        return [Path(OLDER)]
    root = base / scenario.standing
    # Of these two a restore can only say that they are lost; tests/filing/test_restore.py has those cases.
    without = {"custody.jsonl", "evidence.toml"} if scenario.home == RESTORED else set()
    if scenario.standing == ARCHIVE:
        files = [*(root / "claims").rglob("*"), *(root / "unassigned").rglob("*")]
    else:
        files = list(root.rglob("*"))
    return sorted(
        one.relative_to(base)
        for one in files
        if one.is_file()
        and one.name not in {MARKER, *without}
        and not one.name.endswith(".lock")
        and one.stat().st_size
    )


def _damage(world: World, scenario: Scenario, trial: Trial) -> str:
    """Do the damage; returns what was damaged."""
    path = _damages(world.base, scenario, trial.kind)[trial.number]
    match trial.kind:
        case FaultKind.OLDER:
            shutil.rmtree(world.target)
            (world.base / OLDER).rename(world.target)
        case FaultKind.LOSS:
            (world.base / path).unlink()
        case _:
            flip_a_bit(world.base / path)
    return str(path)


def _ran(scenario: Scenario, world: World, disk: FaultyDisk) -> dict[str, Any]:
    disk.install()
    try:
        statuses = [one.status for one in scenario.command(world)]
        trouble = ""
    except BaseException:
        statuses, trouble = [], traceback.format_exc()
    event = f"{disk.struck.op} {disk.struck.path}" if disk.struck else ""
    return {"statuses": statuses, "traceback": trouble, "event": event}


def _in_child(work: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """What `work` returns in a forked child; `killed` when it died by SIGKILL, `traceback` when it raised."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        gc.disable()  # the collector would copy the pages of this process
        real_write, real_exit = os.write, os._exit
        try:
            os.close(reader)
            try:
                result = work()
            except BaseException:
                result = {"traceback": traceback.format_exc()}
            data = json.dumps(result).encode()
            while data:
                data = data[real_write(writer, data) :]
        finally:
            real_exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as pipe:
        said = pipe.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return {"killed": True}
    return dict(json.loads(said))
