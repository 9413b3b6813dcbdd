"""Small archives for the fault trials: a card of a few tiny photos, an archive, a backup target, and one command each.

The pixels of each photo are analysed once in the parent process; the children that it forks reuse the result, so
that one run of a command takes a fraction of a second.
"""

from __future__ import annotations

import functools
import hashlib
import io
import json
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self
from unittest.mock import patch

import cv2
import numpy as np
from PIL import Image
from support_card import CardMaker
from support_cli import CONFIRMED, Ran, cli, make_archive
from support_copy import copy_tree
from support_intake import CLAIMS, PLAIN
from support_kill import HereExecutor
from support_retention import reload_assignments

from evidence.catalog import opening
from evidence.cli.main import app
from evidence.disk import parallel
from evidence.retention.purge.plan_files import load_plan
from evidence.sight import batch, look
from evidence.sight.codes import divider_qr
from evidence.sight.request import LookRequest
from evidence.sight.thumbs import keep_thumbs
from evidence.sight.workers import Failed, Fault

ARCHIVE, TARGET, SECOND, CARD, CARD_2, RESTORED, OLDER = (
    "archive",
    "target",
    "target2",
    "card",
    "card2",
    "restored",
    "older",
)
LONG_AGO = "2016-01-04"


@contextmanager
def warm() -> Iterator[None]:
    """Make this process do all work in its own thread, and repeat no work that depends on its input alone."""
    cv2.setNumThreads(1)
    with ExitStack() as stack:
        for module, name, other in _replacements():
            stack.enter_context(patch.object(module, name, other))
        yield


@functools.cache
def _replacements() -> list[tuple[Any, str, object]]:
    """What is replaced, made once: the caches stay filled from one use of `warm` to the next."""
    pool = lambda *_, **__: _HerePool()  # noqa: E731
    engine = functools.cache(opening.create_engine)  # closed and opened again, as engines may be
    return [
        (parallel, "ThreadPoolExecutor", _HerePool),
        (batch, "process_pool", pool),
        (batch, "Tasks", _HereTasks),
        (batch, "_look", _look_once),
        (opening, "create_engine", engine),
    ]


class _HerePool(HereExecutor):
    def __init__(self, *_: object, **__: object) -> None:
        super().__init__()


class _HereTasks:
    """Does each task when it is added, so that the events come in the same order each time."""

    def __init__(self, task: Callable[..., object], **_given: object) -> None:
        self._task = task
        self._done: list[tuple[object, object]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        """Nothing runs."""

    hungry = True

    def start(self, _first: object) -> None:
        """Nothing to start."""

    def add(self, item: object) -> None:
        try:
            result = self._task(item)
        except Exception as problem:
            result = Failed(fault=Fault.RAISED, detail=f"{type(problem).__name__}: {problem}"[:200])
        self._done.append((item, result))

    def finished(self) -> Iterator[object]:
        while self._done:
            yield self._done.pop(0)

    rest = finished


_looks: dict[str, tuple[object, np.ndarray]] = {}


def photos_seen() -> int:
    """How many photos were looked at so far."""
    return len(_looks)


def _look_once(request: LookRequest) -> object:
    if request.sha256 not in _looks:
        pixels = np.asarray(Image.open(request.path).convert("RGB"))
        _looks[request.sha256] = (look.look(request), pixels)
        return _looks[request.sha256][0]
    found, pixels = _looks[request.sha256]
    if request.thumb_dir is not None:
        keep_thumbs(look._thumbs(pixels), request.thumb_dir, request.sha256)
    return found


# --- cards -------------------------------------------------------------------------------


class SmallCard(CardMaker):
    """A card whose files have a few kilobytes each."""

    def sheet(self, claim: str) -> str:
        frame = np.full((480, 640, 3), 215, dtype=np.uint8)
        frame[:, :, 0] += np.uint8(self.number)  # each sheet its own bytes
        png = io.BytesIO()
        divider_qr(claim).save(png, kind="png", scale=6, border=4)  # type: ignore[arg-type]
        code = np.array(Image.open(png).convert("L").resize((300, 300), Image.Resampling.NEAREST))
        frame[60:360, 60:360] = code[..., None]
        cv2.putText(frame, claim, (60, 430), cv2.FONT_HERSHEY_SIMPLEX, 1.6, (20, 20, 20), 4)
        return self.save(frame)

    def scene(self, *, gps: tuple[float, float] | None = None) -> str:
        self.seed += 1
        noise = np.random.default_rng(self.seed)
        return self.save(noise.integers(0, 255, (24, 32, 3), dtype=np.uint8), gps=gps)


def first_card(root: Path) -> None:
    """Two houses: TC-1001 with a sheet, two scenes and a sound note; TC-1002 with a sheet and a scene."""
    card = SmallCard(root)
    card.sheet("TC-1001")
    card.scene()
    card.scene()
    card.put("TEST0003.WAV", b"RIFF....WAVE")
    card.wait(minutes=40)
    card.sheet("TC-1002")
    card.scene()


def second_card(root: Path) -> None:
    """The same camera later that day: one more scene of TC-1002, TC-1003 with a sheet and a scene, and a note."""
    card = SmallCard(root, number=6, seed=90)
    card.wait(minutes=41)
    card.scene()
    card.wait(minutes=40)
    card.sheet("TC-1003")
    card.scene()
    card.put("NOTES.TXT", b"gate code 4410")


def digests_of(*folders: Path) -> dict[str, str]:
    """Digest -> name of every file below these folders."""
    files = [p for one in folders if one.is_dir() for p in sorted(one.rglob("*")) if p.is_file()]
    return {hashlib.sha256(p.read_bytes()).hexdigest(): p.name for p in files}


# --- worlds ------------------------------------------------------------------------------


@dataclass(frozen=True)
class World:
    """The folders of one trial."""

    base: Path
    before: tuple[int, ...] = ()
    """Exit statuses of the run that met the fault; none when it was killed."""

    @property
    def archive(self) -> Path:
        return self.base / ARCHIVE

    @property
    def target(self) -> Path:
        return self.base / TARGET

    def settings(self, *targets: str) -> None:
        text = PLAIN
        for name in targets:
            text += f"\n[[target]]\nname = '{name}'\npath = '{(self.base / name).as_posix()}'\n"
        (self.archive / "evidence.toml").write_text(text, encoding="utf-8")

    def run(self, *arguments: object, actor: str = "Ada Clerk") -> Ran:
        return cli(*arguments, archive=self.archive, actor=actor)

    def sure(self, *arguments: object, actor: str = "Ada Clerk") -> Ran:
        ran = self.run(*arguments, actor=actor)
        assert ran.status in {0, 1}, f"{arguments}: {ran.status} {ran.err}"
        return ran


Commands = Callable[[World], Sequence[Ran]]


@dataclass(frozen=True)
class Scenario:
    """A prepared world, the command that the fault strikes, and what brings the work to its end afterwards."""

    name: str
    prepare: Callable[[World], None]
    command: Commands
    """The command under test."""
    finish: Commands
    """The same command without the fault, and what a person runs next."""
    kept: tuple[str, ...] = (CARD,)
    """The cards of which every file must be in the archive once."""
    needs: tuple[str, ...] = ()
    """Commands of the program without which there is no such scenario."""
    purged: str = ""
    """A claim of which nothing may be left."""
    home: str = ARCHIVE
    """The folder of the archive that is judged."""
    standing: str = ""
    """The folder whose files are damaged while no command runs; the scenario then has no command."""


def _make(world: World) -> None:
    """An archive that knows three claims, its target's empty folder, and the first card."""
    first_card(world.base / CARD)
    make_archive(world.base)
    world.target.mkdir()
    world.settings()
    (world.base / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    world.sure("assignments", world.base / "claims.csv")
    (world.base / "claims.csv").unlink()


def _prepare_intake(world: World) -> None:
    _make(world)
    world.settings(TARGET)


def _take_in(world: World) -> None:
    """An archive that took its first card in; made once, since most scenarios begin with it."""
    kept = world.base.with_name("taken-in")
    if kept.exists():
        copy_tree(kept, world.base, dirs_exist_ok=True)
    else:
        _prepare_intake(world)
        world.sure("intake", world.base / CARD)
        copy_tree(world.base, kept)


def _prepare_next(world: World) -> None:
    _take_in(world)
    second_card(world.base / CARD_2)


def _prepare_backup(world: World) -> None:
    _make(world)
    world.sure("intake", world.base / CARD)
    world.settings(TARGET)


def _prepare_move(world: World) -> None:
    _take_in(world)


def _prepare_purge(world: World) -> None:
    _take_in(world)
    _plan_purge(world, "TC-1001")


def _prepare_quarantine(world: World) -> None:
    _take_in(world)
    settings = world.archive / "evidence.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("quarantine_days = 0", "quarantine_days = 14"), encoding="utf-8")
    _plan_purge(world, "TC-1001")


def _undo_purge(world: World) -> Ran:
    plan = next(path for path in (world.archive / "purges").iterdir() if path.is_dir())
    return world.run("purge", "undo", plan.name)


def _purge_what_was_moved(world: World) -> None:
    world.sure("move", "TEST0002.JPG", "--to", "TC-1003")
    _plan_purge(world, "TC-1003")
    assert _purge(world).status == 0


PLANNED = "planned.json"
"""Beside an archive: the digests of the files of its purge plan."""


def _plan_purge(world: World, claim: str) -> None:
    assert reload_assignments(world.archive, CLAIMS.replace("2026-05-01", "2015-01-01")).status == 0
    (world.base / "again.csv").unlink(missing_ok=True)
    world.sure("close", claim, "--on", LONG_AGO)
    world.sure("backup")
    plan = world.sure("purge", "plan", *CONFIRMED, claim, "--json").data["plan"]
    photos = load_plan(world.archive / "purges" / plan).plan.claims[0].photos
    (world.base / PLANNED).write_text(json.dumps(photos))  # the plan itself forgets them with the purge
    world.sure("purge", "approve", plan, actor="Ben Witness")


def _purge(world: World) -> Ran:
    plan = next(path for path in (world.archive / "purges").iterdir() if path.is_dir())
    return world.run("purge", "run", "--yes", *CONFIRMED, plan.name)


def _one(*arguments: str) -> Commands:
    return lambda world: [world.run(*arguments)]


def _card(name: str) -> Commands:
    return lambda world: [world.run("intake", world.base / name)]


def _move(world: World) -> Sequence[Ran]:
    return [world.run("move", "TEST0002.JPG", "--to", "TC-1003"), world.run("backup")]


def _nothing(_world: World) -> Sequence[Ran]:
    return []


def _replace(world: World) -> Sequence[Ran]:
    return [world.run("target", "replace", TARGET, world.base / SECOND), world.run("backup")]


def _prepare_lost(world: World) -> None:
    """Two targets; the disk of the second one is gone, and one person has declared it lost."""
    _prepare_move(world)
    (world.base / SECOND).mkdir()
    world.settings(TARGET, SECOND)
    world.sure("backup")
    shutil.rmtree(world.base / SECOND)
    world.sure("target", "lost", SECOND, "--reason", "stolen")


def _lost(world: World) -> Sequence[Ran]:
    confirmed = world.run("target", "lost", SECOND, "--confirm", actor="Ben Witness")
    return [confirmed, world.run("backup")]


def _prepare_undo(world: World) -> None:
    _prepare_move(world)
    world.sure("move", "TEST0002.JPG", "--to", "TC-1003")
    world.sure("backup")


def _undo(world: World) -> Sequence[Ran]:
    ran = world.run("undo")
    if ran.status == 2 and "nothing to undo" in ran.err:
        ran = Ran(0, ran.out, ran.err)  # the run before had come to its end
    return [ran, world.run("backup")]


def _prepare_repair(world: World) -> None:
    _prepare_move(world)
    here = sorted((world.archive / "claims").rglob("data/**/*.JPG"))
    there = sorted(world.target.rglob("data/**/*.JPG"))
    flip_a_bit(here[0])
    there[-1].unlink()
    flip_a_bit(there[-2])
    flip_a_bit(next(world.target.rglob("manifest-sha256.txt")))


def _repair(world: World) -> Sequence[Ran]:
    return [world.run("repair", "--all"), world.run("backup"), world.run("verify")]


def _prepare_restore(world: World) -> None:
    _prepare_move(world)
    world.sure("backup")
    shutil.rmtree(world.archive)


def _restore(world: World) -> Sequence[Ran]:
    into = world.base / RESTORED
    if world.before[:1] == (1,):
        shutil.rmtree(into)  # it named what it could not read: once more, from the start
    ran = cli("restore", world.target, into, actor="Ada Clerk")
    if ran.status == 2 and not (into / "restoring.mark").exists() and "empty folder" in ran.err:
        ran = Ran(0, ran.out, ran.err)  # the run before had come to its end
    return [ran, cli("backup", archive=into, actor="Ada Clerk")]


def _prepare_damaged_restore(world: World) -> None:
    _prepare_move(world)
    world.settings(TARGET, SECOND)
    (world.base / SECOND).mkdir()
    world.sure("backup")
    shutil.rmtree(world.archive)


def _restore_from_a_damaged_target(world: World) -> Sequence[Ran]:
    """One target is damaged, the other one is whole: what the restore leaves out is repaired from there."""
    into = world.base / RESTORED
    ran = cli("restore", world.target, into, actor="Ada Clerk")
    if ran.status == 1:
        ran = Ran(0, ran.out, ran.err)  # it names what is damaged
    more = [
        cli(*one, archive=into, actor="Ada Clerk") for one in (["repair", "--all"], ["backup"], ["verify"])
    ]
    return [ran, *more]


def _prepare_rebuild(world: World) -> None:
    _prepare_move(world)
    world.sure("backup")
    for path in world.archive.glob("catalog.sqlite*"):
        path.unlink()


def _rebuild(world: World) -> Sequence[Ran]:
    ran = world.run("rebuild", "--json")
    if ran.status == 1 and {one["code"] for one in ran.data["findings"]} == {"bag_behind"}:
        ran = Ran(0, ran.out, ran.err)  # the next command builds that bag again, and the judge looks at it
    return [ran, world.run("backup")]


def _prepare_older(
    step: Callable[[World], object], prepare: Callable[[World], None]
) -> Callable[[World], None]:
    def prepared(world: World) -> None:
        prepare(world)
        world.sure("backup")
        copy_tree(world.target, world.base / OLDER)
        step(world)
        world.sure("backup")

    return prepared


def _next_card(world: World) -> None:
    second_card(world.base / CARD_2)
    world.sure("intake", world.base / CARD_2)


def _found_and_repaired(world: World) -> Sequence[Ran]:
    world.run("verify")
    if "repair" in commands_known():
        world.run("repair", "--all")
    return [world.run("backup"), world.run("verify")]


def flip_a_bit(path: Path) -> None:
    """Change one bit in the middle of a file, of whatever permissions."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x10
    mode = path.stat().st_mode
    path.chmod(0o644)
    path.write_bytes(content)
    path.chmod(mode)


SCENARIOS: dict[str, Scenario] = {
    one.name: one
    for one in (
        Scenario("intake", _prepare_intake, _card(CARD), _card(CARD)),
        Scenario("intake-next", _prepare_next, _card(CARD_2), _card(CARD_2), kept=(CARD, CARD_2)),
        Scenario("backup", _prepare_backup, _one("backup"), _one("backup")),
        Scenario("move", _prepare_move, _move, _move),
        Scenario(
            "purge",
            _prepare_purge,
            lambda w: [_purge(w)],
            lambda w: [_purge(w), w.run("backup")],
            purged="TC-1001",
        ),
        Scenario(
            "purge-undo",
            _prepare_quarantine,
            lambda w: [_purge(w), _undo_purge(w)],
            lambda w: [_undo_purge(w), w.run("backup")],
        ),
        Scenario("target-replace", _prepare_move, _replace, _replace, needs=("target",)),
        Scenario("target-lost", _prepare_lost, _lost, _lost, needs=("target",)),
        Scenario("undo", _prepare_undo, _undo, _undo),
        Scenario("repair", _prepare_repair, _repair, _repair, needs=("repair",)),
        Scenario("restore", _prepare_restore, _restore, _restore, needs=("restore",), home=RESTORED),
        Scenario(
            "restore-stands",
            _prepare_damaged_restore,
            _nothing,
            _restore_from_a_damaged_target,
            needs=("restore", "repair"),
            home=RESTORED,
            standing=TARGET,
        ),
        Scenario("rebuild", _prepare_rebuild, _rebuild, _rebuild, needs=("rebuild",)),
        Scenario("target-stands", _prepare_move, _nothing, _found_and_repaired, standing=TARGET),
        Scenario(
            "archive-stands",
            _prepare_move,
            _nothing,
            _found_and_repaired,
            needs=("repair",),
            standing=ARCHIVE,
        ),
        Scenario(
            "older-card",
            _prepare_older(_next_card, _prepare_move),
            _nothing,
            _found_and_repaired,
            kept=(CARD, CARD_2),
            standing=OLDER,
        ),
        Scenario(
            "older-move", _prepare_older(_move, _prepare_move), _nothing, _found_and_repaired, standing=OLDER
        ),
        Scenario(
            "older-moved-purge",
            _prepare_older(_purge_what_was_moved, _prepare_move),
            _nothing,
            _found_and_repaired,
            purged="TC-1003",
            standing=OLDER,
        ),
        Scenario(
            "older-purge",
            _prepare_older(_purge, _prepare_purge),
            _nothing,
            _found_and_repaired,
            purged="TC-1001",
            standing=OLDER,
        ),
    )
}


def available() -> dict[str, Scenario]:
    """The scenarios whose commands this program has."""
    known = commands_known()
    return {name: one for name, one in SCENARIOS.items() if set(one.needs) <= known}


def commands_known() -> set[str]:
    """The commands and groups of the program."""
    groups = {
        str(one.name or (one.typer_instance and one.typer_instance.info.name))
        for one in app.registered_groups
    }
    return groups | {one.name or one.callback.__name__ for one in app.registered_commands if one.callback}


# --- templates ---------------------------------------------------------------------------


def planned_photos(world: World) -> frozenset[str]:
    """Digests of the files that the prepared purge plan names."""
    return frozenset(json.loads((world.base / PLANNED).read_bytes()))


def build_template(base: Path, scenario: Scenario) -> Path:
    """Prepare the scenario's world at `base`, and keep a copy beside it; returns the copy."""
    kept = base.with_name(f"prepared-{scenario.name}")
    if not kept.exists():
        shutil.rmtree(base, ignore_errors=True)
        base.mkdir(parents=True)
        scenario.prepare(World(base))
        subprocess.run(["cp", "-a", str(base), str(kept)], check=True)
    return kept


def restore(base: Path, kept: Path) -> World:
    """The prepared world again, at the same path: the settings name their folders by it."""
    shutil.rmtree(base, ignore_errors=True)
    subprocess.run(["cp", "-a", str(kept), str(base)], check=True)
    return World(base)
