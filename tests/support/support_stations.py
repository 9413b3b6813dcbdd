"""Two stations on one PostgreSQL catalog: made, run in processes of their own, and asked whether all is whole."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import Engine, event, select
from sqlalchemy.engine import make_url
from support_card import CardMaker
from support_cli import CONFIRMED, Ran, cli, make_archive
from support_intake import CLAIMS, PLAIN, actions, filed, set_settings
from support_kill import HereExecutor
from support_retention import reload_assignments

from evidence.catalog import tables as t
from evidence.catalog import totals
from evidence.intake.pipeline import take_in
from evidence.workspace import Workspace

INTAKE = """
import os, sys
sys.path.insert(0, {support!r})
from pathlib import Path
from support_kill import HereExecutor
from evidence.intake.pipeline import take_in
from evidence.workspace import Workspace

from sqlalchemy import event, Engine

killed_at, steps = int(sys.argv[3]) if len(sys.argv) > 3 else 0, [0]


def tick(*_):
    steps[0] += 1
    if steps[0] == killed_at:
        os.kill(os.getpid(), 9)


if __name__ == "__main__":  # a process that analyses imports this file
    with Workspace(Path(sys.argv[1]), actor="Ada Clerk") as here:
        event.listen(Engine, "before_cursor_execute", tick)
        event.listen(Engine, "after_cursor_execute", tick)
        print("open", flush=True)
        sys.stdin.readline()
        report = take_in(here, Path(sys.argv[2]), executor=HereExecutor())
        print(report.kept, report.already_kept, len(report.refused), steps[0], flush=True)
"""
"""An intake in a process of its own; it begins at a line on its standard input, and may be killed before or after a
statement at the database."""


@dataclass
class World:
    """Two archives that share one catalog."""

    folder: Path
    url: str
    first: Path
    second: Path

    @property
    def both(self) -> tuple[Path, Path]:
        return self.first, self.second

    def begin(self, archive: Path, card: Path, *, killed_at: int = 0) -> subprocess.Popen[str]:
        """An intake that is ready to begin; see `go`."""
        script = self.folder / "intake.py"
        script.write_text(INTAKE.format(support=str(Path(__file__).parent)), encoding="utf-8")
        command = [
            sys.executable,
            str(script),
            str(archive),
            str(card),
            str(killed_at),
        ]
        running = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert running.stdout is not None
        if running.stdout.readline() != "open\n":
            raise AssertionError(running.communicate()[1])
        return running

    def take_in(self, archive: Path, card: Path) -> list[int]:
        """One intake here, to its end: files kept, kept already, refused, and events of statements at the database."""
        steps = [0]

        def tick(*_: object) -> None:
            steps[0] += 1

        events = ("before_cursor_execute", "after_cursor_execute")
        with Workspace(archive, actor="Ada Clerk") as here:
            for name in events:
                event.listen(Engine, name, tick)
            try:
                report = take_in(here, card, executor=HereExecutor())
            finally:
                for name in events:
                    event.remove(Engine, name, tick)
        return [report.kept, report.already_kept, len(report.refused), steps[0]]


class Saved:
    """Two stations and their database as they are now, to begin again from."""

    def __init__(self, world: World, name: str = "saved") -> None:
        self.world = world
        self.folder = world.folder.with_name(f"{world.folder.name}-{name}")
        shutil.copytree(world.folder, self.folder, symlinks=True)
        url = make_url(world.url)
        self.server, self.name = url.query["host"], url.database or ""
        self.copy = f"{self.name}_{name}"
        self._database(f'CREATE DATABASE "{self.copy}" TEMPLATE "{self.name}"')

    def again(self) -> World:
        """The same two stations at the same places, as they were saved."""
        shutil.rmtree(self.world.folder)
        shutil.copytree(self.folder, self.world.folder, symlinks=True)
        self._database(f'DROP DATABASE "{self.name}" WITH (FORCE)')
        self._database(f'CREATE DATABASE "{self.name}" TEMPLATE "{self.copy}"')
        return self.world

    def drop(self) -> None:
        """Forget what was saved."""
        shutil.rmtree(self.folder)
        self._database(f'DROP DATABASE "{self.copy}" WITH (FORCE)')

    def _database(self, statement: str) -> None:
        with psycopg.connect(host=self.server, user="office", dbname="postgres", autocommit=True) as db:
            db.execute(statement)  # type: ignore[arg-type]


def go(*running: subprocess.Popen[str], killed: bool = False) -> list[str]:
    """Let them begin at once and wait for their ends; returns what they printed."""
    for one in running:
        if one.stdin is not None:
            try:
                one.stdin.write("go\n")
                one.stdin.flush()
            except BrokenPipeError:
                assert killed
    ended = [one.communicate(timeout=240) for one in running]
    for one, (_, trouble) in zip(running, ended, strict=True):
        assert one.returncode == 0 or killed, trouble
    return [out for out, _ in ended]


def settings(url: str, target: Path | None = None, name: str = "office") -> str:
    place = (
        f"\n[[target]]\nname = '{name}'\npath = '{target.as_posix()}'\noff_computer = false\n"
        if target
        else ""
    )
    return f"{PLAIN}\n[catalog]\nurl = '{url}'\n{place}"


def one_archive(folder: Path, text: str) -> Path:
    archive = make_archive(folder)
    for path in archive.glob("catalog.sqlite*"):
        path.unlink()
    set_settings(archive, text)
    return archive


def two_stations(folder: Path, url: str) -> World:
    """The stations `first` and `second` of one catalog that knows three claims, each with a backup target."""
    disks = [folder / "disk-1", folder / "disk-2"]
    for disk in disks:
        disk.mkdir()
    first = one_archive(folder / "one", settings(url, disks[0], "north"))
    (folder / "claims.csv").write_text(CLAIMS, encoding="utf-8")
    assert cli("assignments", folder / "claims.csv", archive=first).status == 0
    assert cli("station", "add", "first", archive=first).status == 0
    second = one_archive(folder / "two", settings(url, disks[1], "south"))
    added = cli("station", "add", "second", archive=second)
    assert added.status == 0, added.err
    return World(folder=folder, url=url, first=first, second=second)


def card_of(folder: Path, *claims: str, number: int = 1, scenes: int = 3, minutes: int = 0) -> Path:
    """A card of camera `number` with a sheet and scenes of each claim, all on one day."""
    card = CardMaker(folder, serial=f"TC-000{number}", seed=1000 * number)
    card.wait(minutes=minutes)
    for claim in claims:
        card.sheet(claim)
        for _ in range(scenes):
            card.scene()
        card.wait(minutes=40)
    return card.root


def closed_long_ago(archive: Path, *claims: str) -> None:
    """Close claims whose losses were long ago, so that they are due."""
    reload_assignments(archive, CLAIMS.replace("2026-05-01", "2015-01-01"))
    for claim in claims:
        assert cli("close", claim, "--on", "2016-01-04", archive=archive).status == 0


def planned(archive: Path, claim: str) -> Ran:
    return cli("purge", "plan", claim, *CONFIRMED, "--json", archive=archive, actor="Ada Clerk")


def approved(archive: Path, claim: str) -> str:
    """The name of a plan for the claim that a second person approved."""
    plan = planned(archive, claim)
    assert plan.status == 0, plan.err
    name: str = plan.data["plan"]
    assert cli("purge", "approve", name, archive=archive, actor="Ben Witness").status == 0
    return name


def run_plan(archive: Path, plan: str) -> Any:
    """What a run of the plan reports."""
    ran = cli("purge", "run", "--yes", *CONFIRMED, plan, "--json", archive=archive, actor="Ada Clerk")
    assert ran.status == 0, ran.out + ran.err
    return ran.data


def purged(archive: Path, claim: str) -> Any:
    """What the purge of a claim reports, planned, approved and run at one station."""
    return run_plan(archive, approved(archive, claim))


def digests(*cards: Path) -> set[str]:
    files = [path for card in cards for path in card.rglob("*") if path.is_file()]
    return {hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def settle(world: World) -> None:
    """Let each station file what the other one has left for it, as its next commands do."""
    for archive in (*world.both, *world.both):
        ran = cli("backup", "--json", archive=archive)
        assert ran.status == 0, (ran.err, ran.data and ran.data.get("troubles"))


def require_whole(world: World, *cards: Path) -> dict[str, tuple[str, str]]:
    """Assert that every file of the cards stands in one bag of one station, counts agree and both logs verify.

    Returns the claim and the name of each, by digest.
    """
    found: dict[str, tuple[str, str]] = {}
    for archive in world.both:
        mine = filed(archive)
        assert not found.keys() & mine.keys(), "a photo stands in bags of both stations"
        found |= mine
        left = [path for path in (archive / "intake").rglob("*") if path.is_file()]
        assert left == [], "files wait in an intake area"
        assert "archive_made" in actions(archive)
        ran = cli("verify", "--json", archive=archive)
        assert ran.status == 0, ran.out
    assert set(found) == digests(*cards), "a file was lost, or one came from nowhere"
    with Workspace(world.first) as here:
        database = here.catalog._database
        with database.transaction() as db:
            assert set(db.execute(select(t.original.c.sha256)).scalars()) == set(found)
            rows = db.execute(select(t.waiting_at)).all()
            assert rows == []
            assert db.execute(select(t.bag.c.claim).where(t.bag.c.dirty.is_(True))).all() == []
            counted = [sorted(map(tuple, db.execute(select(one)))) for one in COUNTS]
            totals.count_all(database)
            again = [sorted(map(tuple, db.execute(select(one)))) for one in COUNTS]
        assert counted == again, "a count differs from what it counts"
    return found


COUNTS = (t.claim_total, t.copy_total, t.place_set)
