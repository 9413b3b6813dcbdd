"""How long a rebuild of the catalog takes: an archive of 10,000 photos without pixels, in claims of 150.

Run: python tests/bench/rebuild_bench.py [PHOTOS]
"""

from __future__ import annotations

import hashlib
import resource
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from evidence.catalog.intakes import IntakeRow
from evidence.catalog.segments import Placing, SegmentRow
from evidence.disk.objects import object_path
from evidence.filing.bags import file_away
from evidence.filing.rebuild import rebuild
from evidence.model import CameraFacts, Claim, ClaimId, Found, IntakeId, Look, MediaKind, Sha256
from evidence.workspace import Workspace, make_archive

PER_CLAIM = 150
EMBEDDING = b"\x00\x3c" * 1280
"""1,280 numbers of two bytes, as the analysis keeps them."""


def fill(workspace: Workspace, photos: int) -> None:
    """One intake and one claim for each 150 photos, analysed, placed and filed."""
    start = datetime(2026, 5, 1, 8, tzinfo=UTC)
    for number in range(0, photos, PER_CLAIM):
        claim, intake = ClaimId(f"TC-{number:06d}"), IntakeId(f"20260501-080000-{number:04x}")
        at = start + timedelta(days=number // PER_CLAIM)
        kept = []
        for k in range(number, min(number + PER_CLAIM, photos)):
            content = f"photo {k} ".encode() * 40
            sha = Sha256(hashlib.sha256(content).hexdigest())
            path = object_path(workspace.store, sha, ".jpg")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
            found = Found(
                card_path=f"DCIM/100TESTC/TEST{k % 10_000:04d}.JPG",
                size=len(content),
                kind=MediaKind.PHOTO,
                modified=at,
                dcf=None,
                object_key=str(k),
            )
            kept.append((found, sha, ".jpg"))
        shas = [sha for _, sha, _ in kept]
        catalog = workspace.catalog
        with catalog.transaction():
            catalog.claims.put([Claim(claim=claim, insured="Ada Moss", peril="hail")], at=at)
            run = IntakeRow(
                intake=intake,
                source="card",
                label="card",
                actor="bench",
                started_at=at,
                finished_at=at,
                refused=(),
            )
            catalog.photos.put_intake(run)
            catalog.photos.add_originals(intake, kept)
            look = Look(embedding=EMBEDDING, phash="0123456789abcdef")
            catalog.photos.describe([(sha, CameraFacts(make="Test", model="One"), look) for sha in shas])
            one = Placing(
                sha256=shas[0],
                claim=claim,
                position=0,
                segment=f"{at:%Y-%m-%d}/1",
                confidence=1.0,
                to_confirm=False,
                reasons=("a sheet",),
                corrected=at.replace(tzinfo=None),
                correction="",
                utc=at,
            )
            segment = SegmentRow(
                segment=one.segment,
                claim=claim,
                unknown=False,
                first=shas[0],
                photos=len(shas),
                day=f"{at:%Y-%m-%d}",
                position=0,
                probability=1.0,
                to_confirm=False,
                reasons=(),
            )
            catalog.photos.place(
                [replace(one, sha256=sha, position=k) for k, sha in enumerate(shas)], [segment]
            )
            catalog.mark_changed([claim])
    file_away(workspace)


def main(photos: int) -> None:
    """Fill, lose the catalog, rebuild, compare."""
    with tempfile.TemporaryDirectory(dir=Path("/dev/shm") if Path("/dev/shm").is_dir() else None) as folder:
        root = Path(folder) / "archive"
        with make_archive(root, actor="bench") as workspace:
            fill(workspace, photos)
            before = workspace.catalog.records.every_row()
        size = (root / "catalog.sqlite").stat().st_size
        for path in root.glob("catalog.sqlite*"):
            path.unlink()
        wall, cpu = time.perf_counter(), time.process_time()
        report = rebuild(root, actor="bench")
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        with Workspace(root, actor="bench") as workspace:
            same = workspace.catalog.records.every_row() == before
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{report.photos} photos in {report.bags} bags, catalog of {size >> 20} MiB")
    print(
        f"rebuild: {wall:.1f} s, {cpu:.1f} s of processor; equal row for row: {same}; findings: {len(report.findings)}"
    )
    print(f"peak memory of filling and rebuilding: {peak:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
