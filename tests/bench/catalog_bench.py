"""What the catalog's work costs with 10 k, 100 k and 1.05 M photos: `python tests/bench/catalog_bench.py`.

Makes archives with filled catalogs (`support_filled`) in a temporary folder (--folder; 1.05 M photos need some 9 GB on each
database, 18 GB while tables are moved) on SQLite and on a PostgreSQL server of its own, and measures each in processes of
their own. `--sizes 10000,100000,1050000`, `--databases sqlite,postgresql`. Times are the least of several, in
milliseconds, those of the processor in brackets. --json FILE adds the
results to a file. With --folder and --keep the catalogs stay, and the next run measures them without filling.
--picture FILE draws the processor time by the number of photos as SVG, of the results in --json, too (`--sizes ""` measures nothing).
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support"), str(ROOT / "tests" / "bench")]

SIZES = (10_000, 100_000, 1_050_000)
WORKS = {
    "list": "claims list",
    "board": "board's first page",
    "page": "a claim's page",
    "page_mb": "the same, peak MB",
    "free": "settle 150 photos, free day",
    "free_claims": "the same, claims touched",
    "busy": "settle 150 photos, day with 1,200",
    "busy_claims": "the same, claims touched",
    "backup": "backup of unchanged bags, catalog",
    "payloads": "what every bag holds",
    "name": "find by name",
    "digest": "find by digest",
    "retention": "retention with forecast",
}
"""What is measured, in milliseconds unless the words say otherwise."""
FIRST_NEW = 90_000
"""The number of the first claim whose card is taken in; those of an earlier run stay."""


@dataclass(frozen=True)
class Time:
    """What some work took, in milliseconds."""

    elapsed: float
    cpu: float
    """Processor time of this process and of the database server's."""


class Server:
    """The server of the measured catalog, and what its processes have worked."""

    main: psutil.Process | None = None

    @classmethod
    def find(cls, url: str) -> None:
        """Measure the server at this address; none for an SQLite file."""
        if "host=" in url:
            marker = Path(url.partition("host=")[2]) / "data" / "postmaster.pid"
            cls.main = psutil.Process(int(marker.read_text().split()[0]))

    @classmethod
    def worked(cls) -> float:
        """Seconds of the processor, of the processes that are there and of those that ended."""
        if cls.main is None:
            return 0.0
        ended = cls.main.cpu_times()
        total = ended.children_user + ended.children_system
        for one in cls.main.children():
            with suppress(psutil.NoSuchProcess):
                times = one.cpu_times()
                total += times.user + times.system
        return total


def taken(work: Callable[[], object]) -> Time:
    """The time of one run."""
    begun, worked = time.perf_counter(), time.process_time() + Server.worked()
    work()
    ended = time.process_time() + Server.worked()
    return Time(1000 * (time.perf_counter() - begun), 1000 * (ended - worked))


def least(work: Callable[[], object], times: int = 5) -> Time:
    """The least of several times; a run before them loads the libraries."""
    work()
    return least_of([taken(work) for _ in range(times)])


def least_of(found: Sequence[Time]) -> Time:
    """The least elapsed time and the least processor time."""
    return Time(min(one.elapsed for one in found), min(one.cpu for one in found))


def measure(archive: Path, photos: int) -> dict[str, Any]:
    """Everything but the peak memory; garbage is collected as rarely as in the program."""
    from support_filled import DISK, Filler, digest_of

    from evidence.analysis.tallies import tally_basis
    from evidence.cli.main import GC_THRESHOLD
    from evidence.office.retention import review_and_forecast
    from evidence.reports.views import claim_views
    from evidence.workspace import Workspace

    gc.set_threshold(GC_THRESHOLD)
    filler = Filler(photos)
    now = filler.days[-1][0].replace(tzinfo=UTC) + timedelta(days=1)
    with Workspace(archive, actor="Ada Clerk", now=lambda: now) as workspace:
        catalog = workspace.catalog
        Server.find(workspace.settings.catalog.url)
        tally_basis(workspace)
        found: dict[str, Any] = {"list": least(lambda: claim_views(workspace))}
        client, number = logged_in(workspace), claim_in_the_middle(filler)
        found["board"] = least(lambda: client.get("/").raise_for_status())
        found["page"] = least(lambda: client.get(f"/claim?number={number}").raise_for_status())

        def unchanged() -> None:
            """What a backup asks when nothing changed."""
            catalog.pushes.begin(DISK, "office", head=1)
            catalog.keeping.dirty()
            catalog.pushes.due(DISK)

        def compared() -> None:
            """What `verify` and a backup to a disk that was put back ask: what every bag holds."""
            for claim in catalog.keeping.bags():
                catalog.keeping.payload(claim)

        found["backup"] = least(unchanged, 2)
        found["payloads"] = least(compared, 1)
        found["name"] = least(lambda: catalog.photos.find("TEST9999.JPG"))
        found["digest"] = least(lambda: catalog.photos.find(digest_of(7, 7)[:12]))

        found["retention"] = least(lambda: review_and_forecast(workspace), 2)
        found |= settle(workspace, filler)
    return {name: asdict(one) if isinstance(one, Time) else one for name, one in found.items()}


def claim_in_the_middle(filler: Any) -> str:
    """A claim that is open."""
    from support_filled import claim_of

    return claim_of(filler.claims - 7)


def logged_in(workspace: Any) -> Any:
    """A client of the board's pages, without a network."""
    from starlette.testclient import TestClient

    from evidence.board.app import make_app
    from evidence.model import Duty

    app = make_app(workspace, background=False)
    client = TestClient(app, base_url="http://127.0.0.1")
    sessions = app.state.board.sessions
    session, cookie = sessions.start("Rita", Duty.REVIEWER, listed=False)
    assert session
    client.cookies.set(sessions.cookie, cookie)
    assert "claim?number=" in client.get("/").text
    return client


def settle(workspace: Any, filler: Any) -> dict[str, Any]:
    """Take in cards of 150 photos of one claim, on days without other photos and on the last busy day."""
    from support_filled import claim_of

    from evidence.analysis.refresh import refresh_beside_others, refresh_days

    earlier = sum(str(claim) >= claim_of(FIRST_NEW) for claim in workspace.catalog.claims.numbers())
    days = [(day, numbers) for day, numbers in filler.days if len(numbers) == 8]
    busy = days[-1 - earlier // 4 % len(days)]
    free = filler.days[-1][0] + timedelta(days=30 + earlier)
    times: dict[str, list[Time]] = {"free": [], "busy": []}
    touched: dict[str, int] = {"free": 0, "busy": 0}
    with workspace.locked():  # brings the day to what the present program makes of it
        refresh_days(workspace, workspace.catalog.photos.of_days([f"{busy[0]:%Y-%m-%d}"]))
    for turn, later in enumerate((-60, 560)):
        for kind, at in (
            ("free", free + timedelta(days=turn)),
            ("busy", busy[0] + timedelta(minutes=later)),
        ):
            card = put_card(workspace, filler, at, FIRST_NEW + earlier + 2 * turn + (kind == "busy"))
            done: list[Any] = []
            times[kind].append(
                taken(lambda card=card, done=done: done.append(refresh_beside_others(workspace, card)))  # type: ignore[misc]
            )
            touched[kind] = max(touched[kind], len(done[0].touched - {None}))
    return {
        **{kind: least_of(each) for kind, each in times.items()},
        **{f"{kind}_claims": many for kind, many in touched.items()},
    }


def put_card(workspace: Any, filler: Any, at: datetime, number: int) -> list[Any]:
    """Keep and describe the photos of one new claim, as an intake leaves them before the split."""
    from support_catalog import copied
    from support_filled import PHOTOS, claim_of, digest_of, house_of

    from evidence.catalog.intakes import IntakeRow
    from evidence.model import Claim, ClaimId, DcfName, IntakeId, Sha256

    claim, intake = ClaimId(claim_of(number)), IntakeId(f"{at:%Y%m%d-%H%M%S}-{number:x}")
    shas = [Sha256(digest_of(number, k)) for k in range(PHOTOS)]
    taken = [at + timedelta(seconds=20 * k) for k in range(PHOTOS)]
    with workspace.catalog.transaction():
        loaded = Claim(claim=claim, insured="Moss", peril="hail", place=house_of(number))
        workspace.catalog.claims.put([loaded], at=workspace.now())
        came = at.replace(tzinfo=UTC) + timedelta(hours=20)
        workspace.catalog.photos.put_intake(
            IntakeRow(intake=intake, source=f"/media/{number}", label="card", actor="Ada Clerk", started_at=came,
                      finished_at=came, refused=())
        )  # fmt: skip
        workspace.catalog.photos.add_originals(
            intake,
            [
                copied(f"DCIM/300TESTC/TEST{k:04}.JPG", sha, size=3_000_000, modified=taken[k],
                       dcf=DcfName(folder_number=300, file_number=k), object_key=f"300{k:04}")
                for k, sha in enumerate(shas)
            ],
        )  # fmt: skip
        workspace.catalog.photos.describe(
            [(sha, filler.facts(number, k, taken[k]), filler.look(number, k)) for k, sha in enumerate(shas)]
        )
    return shas


def peak(archive: Path, photos: int) -> float:
    """Megabytes at most of a process that opens the archive and makes one claim's page."""
    from support_filled import Filler

    from evidence.workspace import Workspace

    filler = Filler(photos)
    with Workspace(archive, actor="Ada Clerk") as workspace:
        client = logged_in(workspace)
        client.get(f"/claim?number={claim_in_the_middle(filler)}").raise_for_status()
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def make(archive: Path, photos: int, url: str) -> dict[str, float]:
    """A new archive with a filled catalog; the seconds of filling and of the migrations since its shape."""
    from support_filled import Filler, fill, leave_ledger

    from evidence.analysis.tallies import tally_basis
    from evidence.workspace import Workspace, make_archive

    make_archive(archive).close()
    with Workspace(archive) as workspace:
        basis = tally_basis(workspace)
    if url:
        (archive / "evidence.toml").write_text(f'[catalog]\nurl = "{url}"\n', encoding="utf-8")
    for old in archive.glob("catalog.sqlite*"):
        old.unlink()
    begun = time.perf_counter()
    filler = Filler(photos, basis=basis)
    fill(url or f"sqlite:///{archive / 'catalog.sqlite'}", filler)
    leave_ledger(archive, filler)
    filled = time.perf_counter()
    with Workspace(archive) as workspace:
        workspace.hash_index.save()  # as every intake does
    return {"fill_s": filled - begun, "migrate_s": time.perf_counter() - filled}


class OwnServer:
    """A PostgreSQL server of the bench's own, made where the folder has none."""

    def __init__(self, folder: Path) -> None:
        from support_postgres import NOBODY, binaries

        self.folder, self.place = folder, binaries()
        self.user: dict[str, Any] = (
            {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}
        )
        folder.mkdir(exist_ok=True)
        if self.user:
            os.chown(folder, NOBODY, NOBODY)
        assert self.place, "no PostgreSQL server is installed here"
        if not (folder / "data").exists():
            made = ("-D", folder / "data", "-U", "office", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8")
            self._run("initdb", *made)
        options = f"-k {folder} -c listen_addresses='' -c fsync=off -c shared_buffers=512MB -c maintenance_work_mem=512MB"
        self._run("pg_ctl", "-D", folder / "data", "-l", folder / "log", "-w", "-o", options, "start")

    def _run(self, name: str, *arguments: object) -> None:
        assert self.place
        command = [str(self.place / name), *map(str, arguments)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=self.folder, **self.user)

    def database(self, name: str) -> str:
        """The address of a new database."""
        self._sql(f"CREATE DATABASE {name}")
        return f"postgresql+psycopg://office@/{name}?host={self.folder}"

    def drop(self, name: str) -> None:
        """Delete a database."""
        self._sql(f"DROP DATABASE {name}")

    def _sql(self, statement: str) -> None:
        import psycopg

        with psycopg.connect(host=str(self.folder), user="office", dbname="postgres", autocommit=True) as db:
            db.execute(statement)  # type: ignore[arg-type]

    def stop(self) -> None:
        """Stop the server."""
        self._run("pg_ctl", "-D", self.folder / "data", "-m", "fast", "-t", "600", "stop")


def in_a_process(*arguments: object) -> Any:
    """What this program prints when it runs with these arguments."""
    command = [sys.executable, __file__, *map(str, arguments)]
    return json.loads(subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True).stdout)


def run(sizes: list[int], databases: list[str], folder: Path, keep: bool) -> list[dict[str, Any]]:
    """Make and measure every archive, one after the other."""
    results = []
    for database in databases:
        server = OwnServer(folder / "server") if database == "postgresql" else None
        try:
            for photos in sizes:
                archive = folder / f"{database}-{photos}"
                told = {"database": database, "photos": photos}
                if not archive.exists():
                    url = server.database(f"of_{photos}") if server else ""
                    told |= in_a_process(
                        "--work", "make", "--archive", archive, "--photos", photos, "--url", url
                    )
                    print(json.dumps(told), file=sys.stderr, flush=True)
                told["page_mb"] = in_a_process("--work", "peak", "--archive", archive, "--photos", photos)
                told |= in_a_process("--work", "measure", "--archive", archive, "--photos", photos)
                results.append(told)
                print(json.dumps(told), file=sys.stderr, flush=True)
                if not keep:
                    shutil.rmtree(archive)
                    if server:
                        server.drop(f"of_{photos}")
        finally:
            if server:
                server.stop()
                if not keep:
                    shutil.rmtree(server.folder, ignore_errors=True)
    return results


def main() -> None:
    """Measure, print a table and write what was asked for."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--sizes", default=",".join(map(str, SIZES)))
    options.add_argument("--databases", default="sqlite,postgresql")
    options.add_argument("--folder", type=Path)
    options.add_argument("--keep", action="store_true", help="leave the catalogs in --folder")
    options.add_argument("--json", type=Path)
    options.add_argument("--picture", type=Path)
    for hidden in ("--work", "--archive", "--photos", "--url"):
        options.add_argument(hidden, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.work:
        archive, photos = Path(given.archive), int(given.photos)
        works: dict[str, Callable[[], object]] = {
            "make": lambda: make(archive, photos, given.url or ""),
            "peak": lambda: peak(archive, photos),
            "measure": lambda: measure(archive, photos),
        }
        print(json.dumps(works[given.work]()))
        return
    results: list[dict[str, Any]] = []
    if given.json and given.json.exists():
        results = json.loads(given.json.read_text())
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as temporary:
        Path(temporary).chmod(0o755)
        folder = given.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        sizes = [int(one) for one in given.sizes.split(",") if one]
        results += run(sizes, [one for one in given.databases.split(",") if one], folder, given.keep)
    if given.json:
        given.json.write_text(json.dumps(results, indent=1) + "\n")
    if given.picture:
        given.picture.write_text(drawn(results), encoding="utf-8")
    with suppress(BrokenPipeError):
        print(table(results))


DRAWN = {
    "busy": ("settle, busy day", "#7a3b9a"),
    "free": ("settle, free day", "#1f5fa8"),
    "retention": ("retention", "#a86a1f"),
    "page": ("a claim's page", "#1a7a55"),
    "board": ("first page", "#b03060"),
    "backup": ("backup, unchanged", "#666666"),
    "name": ("find by name", "#333333"),
}
"""What the picture shows, with its label and colour."""


def drawn(results: Sequence[dict[str, Any]]) -> str:
    """Processor time by the number of photos, both on logarithmic scales; SQLite as a line, PostgreSQL dashed."""
    from math import log10

    width, height, left, bottom, right = 720, 430, 70, 380, 520
    photos = sorted({one["photos"] for one in results})

    def at(many: float, milliseconds: float) -> tuple[float, float]:
        across = (log10(many) - log10(photos[0])) / max(1e-9, log10(photos[-1]) - log10(photos[0]))
        return left + across * (right - left), bottom - (log10(max(milliseconds, 0.1)) + 1) / 5 * (
            bottom - 40
        )

    parts = [f'<rect width="{width}" height="{height}" fill="white"/>']
    parts.append(
        f'<text x="{left}" y="20">Milliseconds of the processor, by the photos in the catalog</text>'
    )
    for power in range(-1, 5):
        _, y = at(photos[0], 10.0**power)
        parts.append(f'<line x1="{left}" x2="{right}" y1="{y:.0f}" y2="{y:.0f}" stroke="#ddd"/>')
        parts.append(f'<text x="{left - 8}" y="{y + 4:.0f}" text-anchor="end">{10.0**power:,g}</text>')
    for many in photos:
        x, _ = at(many, 1)
        parts.append(f'<text x="{x:.0f}" y="{bottom + 20}" text-anchor="middle">{many:,}</text>')
    heights: list[float] = []
    for name, (label, colour) in DRAWN.items():
        for database, dashes in (("sqlite", ""), ("postgresql", ' stroke-dasharray="6 4"')):
            mine = sorted((one["photos"], one[name]["cpu"]) for one in results if one["database"] == database)
            line = " ".join("{:.0f},{:.0f}".format(*at(*one)) for one in mine)
            parts.append(
                f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2"{dashes}/>'
            )
        last = [one[name]["cpu"] for one in results if one["photos"] == photos[-1]]
        y = at(photos[-1], max(last))[1]
        y = max([y, *(other + 16 for other in heights[-1:])])
        heights.append(y)
        parts.append(f'<text x="{right + 10}" y="{y + 4:.0f}" fill="{colour}">{label}</text>')
    parts.append(f'<text x="{left}" y="{height - 8}">line: SQLite, dashes: PostgreSQL with its server</text>')
    start = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif"'
    return f'{start} font-size="12">{"".join(parts)}</svg>\n'


def table(results: list[dict[str, Any]]) -> str:
    """The results as a table in Markdown, a line for each kind of work."""
    heads = [f"{one['database']} {one['photos']:,}" for one in results]
    lines = ["| | " + " | ".join(heads) + " |", "| --- " * (len(heads) + 1) + "|"]
    for name, words in WORKS.items():
        values = [shown(one[name]) for one in results]
        lines.append(f"| {words} | " + " | ".join(values) + " |")
    return "\n".join(lines)


def shown(value: Any) -> str:
    """A number, or a time with its processor time in brackets."""
    if isinstance(value, dict):
        return f"{shown(value['elapsed'])} ({shown(value['cpu'])})"
    return f"{value:,.1f}" if 0 < value < 10 and isinstance(value, float) else f"{value:,.0f}"


if __name__ == "__main__":
    main()
