"""What the custody log costs by its length, up to a million entries. Run it as a script.

For each length: an append (the processor time of this process, and with the disk), the entries about a photo, the
verification of the last 2,000 entries and of the whole log, a proof, the date check, two pages of the desk's log and its
Today page, all in a process of its own; and the greatest memory after each part.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

START = datetime.now(UTC).replace(microsecond=0) - timedelta(days=7 * 365 + 1)
SIZES = (1_000, 10_000, 100_000, 1_000_000)
APPENDS = 300
NEW = 2_000
"""Entries after the proved head."""
SPAN_S = 7 * 365 * 86_400
"""Seconds over which the entries are spread: seven years."""


def fill_log(archive: Path, count: int) -> None:
    """Continue the log of a new archive up to `count` entries, of a kept photo each, with its head."""
    import hashlib

    from evidence.archive.custody_head import StoredHead, head_bytes, read_head
    from evidence.archive.custody_key import log_of
    from evidence.model import Sha256

    path = log_of(archive).path
    head = read_head(log_of(archive).head_path)
    assert head is not None
    tree, prev = head.tree(path), str(head.sha256)
    write = json.JSONEncoder(sort_keys=True, separators=(",", ":")).encode
    with path.open("ab") as handle:
        for seq in range(head.seq + 1, count + 1):
            at = START + timedelta(seconds=seq * SPAN_S // count)
            value = {
                "action": "photo_kept",
                "actor": "dana",
                "at": f"{at:%Y-%m-%dT%H:%M:%S}.000000Z",
                "details": {"name": f"A{seq:06}.JPG", "claim": f"HT-{seq // 150:05}"},
                "prev": prev,
                "seq": seq,
                "subject": f"{seq:064x}",
            }
            line = write(value).encode()
            prev = hashlib.sha256(line).hexdigest()
            tree.add(line)
            handle.write(line + b"\n")
        size = handle.tell()
    stored = StoredHead(seq=max(count, head.seq), sha256=Sha256(prev), size=size, frontier=tree.hashes)
    log_of(archive).head_path.write_bytes(head_bytes(stored))


def measure(archive: Path, count: int) -> dict[str, float]:
    """Milliseconds of wall and of processor time of each part, and the memory."""
    from evidence.board.desk.log_view import LogFilter, log_page
    from evidence.board.desk.today import today_of
    from evidence.filing.custody_check import check_log
    from evidence.filing.custody_heads import signed_head
    from evidence.filing.custody_report import check_new_entries, custody_report, prove
    from evidence.office.date_check import require_right_date
    from evidence.workspace import Workspace

    found: dict[str, float] = {}

    def timed(name: str, work: Callable[[], object], rounds: int = 1) -> None:
        taken, cpu = [], []
        for _ in range(rounds):
            begun, own = time.perf_counter(), time.process_time()
            work()
            taken.append(time.perf_counter() - begun)
            cpu.append(time.process_time() - own)
        found[name] = min(taken) * 1000
        found[f"{name}, cpu"] = min(cpu) * 1000
        found[f"{name} MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    with Workspace(archive, actor="dana") as here:
        here.now = lambda: START + timedelta(seconds=SPAN_S, days=1)
        log = here.custody
        cpu, wall = [], []
        for number in range(APPENDS):
            begun, begun_wall = time.process_time(), time.perf_counter()
            log.append("dana", "photo_kept", f"{number:063x}a", {"n": number}, here.now())
            cpu.append(time.process_time() - begun)
            wall.append(time.perf_counter() - begun_wall)
        found["append cpu"] = statistics.mean(cpu) * 1000
        found["append"] = statistics.median(wall) * 1000
        photo = f"{count // 2:064x}"
        found["start MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        timed("photo, no index", lambda: custody_report(here, about=[photo], last=30))
        signed_head(here)
        timed("verify", lambda: check_log(here))
        log.append_all(_drafts(here.now()))
        timed("verify new", lambda: _require(check_new_entries(here)), 3)
        timed("photo", lambda: custody_report(here, about=[photo], last=30), 3)
        fresh = [Workspace(archive, actor="dana") for _ in range(3)]
        timed("photo, first time", lambda: custody_report(fresh.pop(), about=[photo], last=30), 3)
        timed("claim", lambda: custody_report(here, about=[f"HT-{count // 300:05}"], last=0), 3)
        timed("head", lambda: signed_head(here), 3)
        timed("proof", lambda: prove(here, count // 3, since=count // 5))
        timed("date, index", lambda: require_right_date(here, by_index=True), 3)
        timed("date, whole", lambda: require_right_date(here))
        timed("page", lambda: log_page(here, LogFilter()), 3)
        timed("page, none", lambda: log_page(here, LogFilter(who="nobody")), 3)
        timed("page, about", lambda: log_page(here, LogFilter(about=f"ht-{count // 300:05}")), 3)
        timed("today", lambda: today_of(here), 3)
        found["index MB"] = log.index.path.stat().st_size / 1e6 if log.index.path.exists() else 0
        found["log MB"] = log.path.stat().st_size / 1e6
    return found


def _drafts(at: datetime) -> list:
    from evidence.archive.custody import Draft

    return [Draft(actor="dana", action="tried", subject=f"{n}", at=at) for n in range(NEW)]


def _require(report: object) -> None:
    assert report.valid, report.findings  # type: ignore[attr-defined]
    assert report.since, report.findings  # type: ignore[attr-defined]


def main(sizes: tuple[int, ...]) -> None:
    """Print one column for each length."""
    columns = {}
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder:
            archive = Path(folder) / "archive"
            run = [sys.executable, __file__, "--measure", str(archive), str(size)]
            ran = subprocess.run(run, capture_output=True, text=True, check=False)
            if ran.returncode:
                sys.exit(ran.stderr)
            columns[size] = json.loads(ran.stdout)
    print("| what | " + " | ".join(f"{size:,}" for size in sizes) + " |")
    print("| --- |" + " --- |" * len(sizes))
    for name in columns[sizes[0]]:
        print(f"| {name} | " + " | ".join(f"{columns[size][name]:,.1f}" for size in sizes) + " |")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    if sys.argv[1:2] == ["--measure"]:
        import os

        os.environ["PYTHON_KEYRING_BACKEND"] = "keyring.backends.null.Keyring"
        from evidence.workspace import make_archive

        where = Path(sys.argv[2])
        make_archive(where, now=lambda: START).close()
        fill_log(where, int(sys.argv[3]))
        print(json.dumps(measure(where, int(sys.argv[3]))))
    else:
        main(tuple(map(int, sys.argv[1:])) or SIZES)
