"""Two stations on one PostgreSQL catalog: made, run in processes of their own, and asked whether all is whole."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import psycopg
from sqlalchemy import Engine, event, select
from sqlalchemy.engine import make_url
from support_card import CardMaker
from support_cli import CONFIRMED, cli, make_archive
from support_connections import KEPT
from support_copy import copy_tree
from support_intake import CLAIMS, PLAIN, actions, filed, set_settings
from support_kill import HereExecutor
from support_postgres import copy, drop
from support_retention import approved, reload_assignments

from evidence.catalog import tables as t
from evidence.catalog import totals
from evidence.intake.pipeline import take_in
from evidence.workspace import Workspace


class OtherIntake:
    """An intake in a forked process of its own: it opens the archive, waits for `go`, and takes the card in.

    It may be killed before or after a statement at the database.
    """

    def __init__(self, archive: Path, card: Path, killed_at: int) -> None:
        begin, self._begin = os.pipe()
        said, say = os.pipe()
        self.returncode: int | None = None
        self.pid = os.fork()
        if self.pid == 0:
            os.close(self._begin)  # so that it ends when the test does
            _intake(archive, card, killed_at, begin, say)
        os.close(begin)
        os.close(say)
        self._said = os.fdopen(said)
        if (first := self._said.readline()) != "open\n":
            raise AssertionError(first + self.ended())

    def go(self) -> None:
        """Let it begin."""
        os.write(self._begin, b"go")

    def poll(self) -> int | None:
        """Its status as subprocess gives it; None while it runs."""
        if self.returncode is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def ended(self) -> str:
        """Wait for its end; returns what it told: files kept, kept already, refused and steps at the database."""
        with self._said:
            told = self._said.read()
        if self.returncode is None:
            self.returncode = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        return told

    def kill(self) -> None:
        """End it, whatever it does."""
        self.send_signal(signal.SIGKILL)
        if not self._said.closed:
            self.ended()
        os.close(self._begin)


def _intake(archive: Path, card: Path, killed_at: int, begin: int, say: int) -> NoReturn:
    steps = [0]

    def tick(*_: object) -> None:
        steps[0] += 1
        if steps[0] == killed_at:
            os.kill(os.getpid(), signal.SIGKILL)

    try:
        with Workspace(archive, actor="Ada Clerk") as here:
            event.listen(Engine, "before_cursor_execute", tick)
            event.listen(Engine, "after_cursor_execute", tick)
            os.write(say, b"open\n")
            if os.read(begin, 2) == b"go":
                report = take_in(here, card, executor=HereExecutor())
                told = f"{report.kept} {report.already_kept} {len(report.refused)} {steps[0]}\n"
                os.write(say, told.encode())
        os._exit(0)
    except BaseException:
        os.write(say, traceback.format_exc().encode())
        os._exit(1)


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

    def begin(self, archive: Path, card: Path, *, killed_at: int = 0) -> OtherIntake:
        """An intake that is ready to begin; see `go`."""
        return OtherIntake(archive, card, killed_at)

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
        copy_tree(world.folder, self.folder)
        url = make_url(world.url)
        self.server, self.name = url.query["host"], url.database or ""
        self.copy = f"{self.name}_{name}"
        KEPT.forget(self.name)  # a database that is in use cannot be copied
        with self._server() as db:
            copy(db, self.name, self.copy)

    def again(self) -> World:
        """The same two stations at the same places, as they were saved."""
        shutil.rmtree(self.world.folder)
        copy_tree(self.folder, self.world.folder)
        with self._server() as db:
            drop(db, self.name)
            copy(db, self.copy, self.name)
        return self.world

    def drop(self) -> None:
        """Forget what was saved."""
        shutil.rmtree(self.folder)
        with self._server() as db:
            drop(db, self.copy)

    def _server(self) -> psycopg.Connection:
        return psycopg.connect(host=self.server, user="office", dbname="postgres", autocommit=True)


def go(*running: OtherIntake, killed: bool = False) -> list[str]:
    """Let them begin at once and wait for their ends; returns what they told."""
    for one in running:
        one.go()
    told = [one.ended() for one in running]
    for one, text in zip(running, told, strict=True):
        assert one.returncode == 0 or killed, text
        one.kill()
    return told


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
