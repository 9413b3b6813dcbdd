"""How long the desk's pages take to make on 2,000 claims with 200,000 files: `python tests/bench/desk_bench.py`."""

from __future__ import annotations

import random
import sqlite3
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from support_board import new_archive, put_claim, put_photos

from evidence.board.desk.claims import ShownClaims, claims_page
from evidence.board.desk.retention_view import ShownVerdicts, retention_page
from evidence.board.desk.today import today_of
from evidence.catalog.decisions import Close
from evidence.model import ClaimId, ClaimState
from evidence.workspace import CATALOG, Workspace

CLAIMS, FILES = 2_000, 200_000


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


def main() -> None:
    """Print the shortest of three times for each page, and its processor time."""
    with tempfile.TemporaryDirectory() as folder, new_archive(Path(folder)) as workspace:
        fill(workspace)
        pages = {
            "retention": lambda: retention_page(workspace, search="", show=ShownVerdicts.ALL, page=1),
            "today": lambda: today_of(workspace),
            "claims": lambda: claims_page(workspace, search="", show=ShownClaims.ALL, page=1),
        }
        for name, make in pages.items():
            times = []
            for _ in range(3):
                begun, worked = time.perf_counter(), time.process_time()
                make()
                times.append((time.perf_counter() - begun, time.process_time() - worked))
            shortest, processor = min(times)
            print(f"{name}: {shortest:.2f} s, {processor:.2f} s of processor")


if __name__ == "__main__":
    main()
