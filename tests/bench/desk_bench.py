"""How long the desk's pages take to make on 2,000 claims with 200,000 files: `python tests/bench/desk_bench.py`.

Then the log's page, and Today, with 1,000,000 entries in the custody log.
"""

from __future__ import annotations

import random
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from datetime import date, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from support_board import new_archive, put_claim, put_photos

from evidence.archive.custody import Draft
from evidence.board.desk.claims import ShownClaims, claims_page
from evidence.board.desk.log_view import LogFilter, log_page
from evidence.board.desk.retention_view import ShownVerdicts, retention_page
from evidence.board.desk.today import today_of
from evidence.catalog.decisions import Close
from evidence.model import ClaimId, ClaimState
from evidence.workspace import CATALOG, Workspace

CLAIMS, FILES = 2_000, 200_000
ENTRIES = 1_000_000


def fill(workspace: Workspace) -> None:
    """Claims closed over ten years, one in forty open, and rows of as many files."""
    chance = random.Random(14)
    with workspace.catalog.transaction():
        for n in range(CLAIMS):
            number = ClaimId(f"ST-{n:04}")
            put_claim(workspace, number, insured=f"Insured {n}", peril=("hail", "wind", "fire")[n % 3])
            if n % 40:
                on = date(2017, 1, 1) + timedelta(days=chance.randrange(3560))
                workspace.catalog.claims.record(
                    Close(on=on), claim=number, at=workspace.now(), actor="office"
                )
                workspace.catalog.claims.set_state(number, ClaimState.CLOSED, closed_on=on)
    put_photos(workspace, "ST-0000", 1, originals=False)
    database = sqlite3.connect(workspace.root / CATALOG)
    columns = [row[1] for row in database.execute("pragma table_info(original)")]
    own = {"sha256": "lower(hex(randomblob(32)))", "claim": f"printf('ST-%04d', n % {CLAIMS})"}
    values = ", ".join(own.get(one, one) for one in columns)
    database.execute(
        f"with recursive k(n) as (select 0 union all select n + 1 from k where n < {FILES - 2}) "
        f"insert into original ({', '.join(columns)}) select {values} from k, (select * from original limit 1)"
    )
    database.commit()
    database.close()


def write_log(workspace: Workspace) -> None:
    """Entries such as a reviewer's tagging leaves, an hour or less apart."""
    now, people = workspace.now(), ("Ann", "Bo", "Rhea")
    for start in range(0, ENTRIES, 10_000):
        workspace.custody.append_all(
            [
                Draft(
                    actor=people[n % 3],
                    action="tagged",
                    subject=f"photo {n}",
                    details={"photos": [f"{n:064x}"], "facets": {"face": "left"}, "decision": n},
                    at=now + timedelta(seconds=n),
                )
                for n in range(start, start + 10_000)
            ]
        )
    workspace.now = lambda: now + timedelta(seconds=ENTRIES)  # type: ignore[method-assign]


def main() -> None:
    """Print the shortest of three times for each page, and its processor time."""
    with tempfile.TemporaryDirectory() as folder, new_archive(Path(folder)) as workspace:
        fill(workspace)
        pages = {
            "retention": lambda: retention_page(workspace, search="", show=ShownVerdicts.ALL, page=1),
            "today": lambda: today_of(workspace),
            "claims": lambda: claims_page(workspace, search="", show=ShownClaims.ALL, page=1),
        }
        measure(pages)
        write_log(workspace)
        measure(
            {
                "today, long log": lambda: today_of(workspace),
                "log": lambda: log_page(workspace, LogFilter()),
                "log, nothing found": lambda: log_page(workspace, LogFilter(who="nobody")),
                "a claim's entries": lambda: list(workspace.custody.newest("ST-0000")),
            }
        )


def measure(pages: Mapping[str, Callable[[], object]]) -> None:
    """Print the shortest of three times for each."""
    for name, make in pages.items():
        times = []
        for _ in range(3):
            begun, worked = time.perf_counter(), time.process_time()
            make()
            times.append((time.perf_counter() - begun, time.process_time() - worked))
        shortest, processor = min(times)
        print(f"{name}: {shortest:.2f} s, {processor:.2f} s of processor", flush=True)


if __name__ == "__main__":
    main()
