"""How long a rebuild of the catalog takes: an archive of 10,000 photos without pixels, in claims of 150.

Run: python tests/bench/rebuild_bench.py [PHOTOS]
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from support_size import add_claim

from evidence.catalog.records import Row
from evidence.filing.bags import file_away
from evidence.filing.rebuild import rebuild
from evidence.model import Look
from evidence.workspace import Workspace, make_archive

PER_CLAIM = 150
EMBEDDING = b"\x00\x3c" * 1280
"""1,280 numbers of two bytes, as the analysis keeps them."""


def fill(workspace: Workspace, photos: int) -> None:
    """One intake and one claim for each 150 photos, analysed, placed and filed."""
    look = Look(embedding=EMBEDDING, phash="0123456789abcdef")
    for number, first in enumerate(range(0, photos, PER_CLAIM)):
        add_claim(workspace, number, min(PER_CLAIM, photos - first), look)
    file_away(workspace)


def every_row(workspace: Workspace) -> dict[str, list[Row]]:
    """Every row of the catalog, without the counts of marks, which only a run that builds a bag reads."""
    rows = workspace.catalog.records.every_row()
    return {
        table: [{k: v for k, v in row.items() if k != "changes"} for row in rows[table]] for table in rows
    }


def main(photos: int) -> None:
    """Fill, lose the catalog, rebuild, compare."""
    with tempfile.TemporaryDirectory(dir=Path("/dev/shm") if Path("/dev/shm").is_dir() else None) as folder:
        root = Path(folder) / "archive"
        with make_archive(root, actor="bench") as workspace:
            fill(workspace, photos)
            before = every_row(workspace)
        size = (root / "catalog.sqlite").stat().st_size
        for path in root.glob("catalog.sqlite*"):
            path.unlink()
        wall, cpu = time.perf_counter(), time.process_time()
        report = rebuild(root, actor="bench")
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        with Workspace(root, actor="bench") as workspace:
            same = every_row(workspace) == before
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{report.photos} photos in {report.bags} bags, catalog of {size >> 20} MiB")
    print(
        f"rebuild: {wall:.1f} s, {cpu:.1f} s of processor; equal row for row: {same}; findings: {len(report.findings)}"
    )
    print(f"peak memory of filling and rebuilding: {peak:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
