"""What filing and backing up one claim costs, by the size of the archive: `python tests/bench/size_bench.py`.

Makes an archive of N claims of 150 photos without pixels with one target, both in a temporary folder (--folder; the
target is below --disk, on another file system), then keeps, files and backs up --repeat more claims of 150 photos and
prints the least cost of one, measured in a process of its own.

The earlier claims are written straight into the catalog and on the disk: real bags with files of some 20 bytes
(--real N: up to so many claims), or bags that have everything but their payload files. `--sizes 0,10,100,1000,7000`.
With --picture FILE the ratios are drawn as SVG.
"""

from __future__ import annotations

import argparse
import gc
import hashlib
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

PHOTOS = 150
SIZES = (0, 10, 100, 1000, 7000)


# --- the earlier claims ------------------------------------------------------------------


def fill(workspace: Any, disk: Path, claims: int, *, payload: bool) -> None:
    """Write so many claims, filed, backed up and verified, into the catalog and on both disks."""
    from support_size import claim_of

    from evidence.catalog.pushes import files_changed

    template = shape_of(workspace)
    marker = json.loads((disk / "backup-target.json").read_text())["id"]
    db = workspace.catalog._database.engine.raw_connection()
    shares: list[list[dict[str, Any]]] = []
    names: list[str] = []
    for number in range(claims):
        digests = [digest(number + 1, photo) for photo in range(PHOTOS)]
        seal = write_bags(workspace, disk, number, digests, payload=payload)
        rows = list(rows_of(template, number, digests, marker, seal))
        shares.append(rows)
        if len(shares) == 50 or number == claims - 1:
            insert(db, [row for share in shares for row in share])
            shares = []
        names += write_files(workspace.root, number)
    db.commit()
    db.close()
    files_changed(workspace.catalog._database, names)
    assert workspace.catalog.claims.get(claim_of(claims))


def digest(number: int, photo: int) -> str:
    from support_size import content_of

    return hashlib.sha256(content_of(number, photo)).hexdigest()


def shape_of(workspace: Any) -> dict[str, list[dict[str, Any]]]:
    """The rows that the program itself made of the claim of number 0, by table: the others are made like them."""
    rows: dict[str, list[dict[str, Any]]] = workspace.catalog.records.every_row()
    return rows


def rows_of(
    template: dict[str, list[dict[str, Any]]], number: int, digests: list[str], marker: str, seal: str
) -> Iterator[dict[str, Any]]:
    """The rows of one claim: those of claim 0 with another number, time and digests."""
    from support_size import claim_of, intake_of, moment_of

    claim, intake, at = claim_of(number + 1), intake_of(number + 1), moment_of(number + 1)
    first = {digest_of_first: k for k, digest_of_first in enumerate(FIRST)}
    day = f"{at:%Y-%m-%d}"
    change = {
        "claim": claim,
        "intake": intake,
        "folder": f"{claim} Moss",
        "segment": f"{day}/{number + 1}",
        "day": day,
        "source": f"/media/card-{number + 1}",
        "started_at": f"{at:%Y-%m-%dT%H:%M:%S}.000000Z",
    }
    for table in ("claim", "intake", "original", "sighting", "segment", "held_in", "copy", "bag"):
        for row in template[table]:
            made = {name: change.get(name, value) if value else value for name, value in row.items()}
            for name in ("sha256", "first"):
                if name in row:
                    made[name] = digests[first[row[name]]]
            made.pop("id", None)
            yield {"": table, **made}
    yield {"": "pushed_bag", "disk": marker, "claim": claim, "tag_manifest": seal, "due": 0}
    if number % 3 == 0:
        number_of = 1_000_000 + number
        yield {
            "": "decision",
            "id": number_of,
            "at": change["started_at"],
            "actor": "Ada Clerk",
            "kind": "move",
            "claim": claim,
            "before": json.dumps({digests[0]: None}),
            "after": json.dumps({"photos": [digests[0]], "claim": claim}),
            "undone": 0,
        }
        yield {"": "decision_photo", "sha256": digests[0], "decision": number_of}


FIRST: list[str] = []
"""The digests of the claim of number 0."""


def insert(db: Any, rows: list[dict[str, Any]]) -> None:
    by_table: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_table.setdefault(row.pop(""), []).append(row)
    for table, each in by_table.items():
        names = list(each[0])
        marks = ", ".join("?" for _ in names)
        quoted = ", ".join(f'"{name}"' for name in names)
        values = [tuple(row[name] for name in names) for row in each]
        db.cursor().executemany(f"INSERT INTO {table} ({quoted}) VALUES ({marks})", values)


def write_bags(workspace: Any, disk: Path, number: int, digests: list[str], *, payload: bool) -> str:
    """Write the claim's bag in the archive and at the target; returns the digest of its tag manifest."""
    from support_size import claim_of, content_of

    name = f"{claim_of(number + 1)} Moss"
    bag, copy = workspace.claims / name, disk / name
    files = {f"data/2019-03-04 card 0000/100TESTC/TEST{k:04d}.JPG": sha for k, sha in enumerate(digests)}
    sidecar = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>\n"
    sidecars = {f"{path}.xmp": hashlib.sha256(sidecar).hexdigest() for path in files}
    listed = sorted({**files, **sidecars}.items())
    octets = sum(len(content_of(number + 1, k)) for k in range(PHOTOS)) + len(sidecar) * PHOTOS
    tags = {
        "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "bag-info.txt": f"Payload-Oxum: {octets}.{2 * PHOTOS}\n".encode(),
        "manifest-sha256.txt": "".join(f"{sha}  {path}\n" for path, sha in listed).encode(),
        "records/claim.json": b'{"claim": null}\n',
        "records/photos.json": json.dumps([{"payload_path": path[5:]} for path in files]).encode(),
    }
    seals = sorted((path, hashlib.sha256(content).hexdigest()) for path, content in tags.items())
    tags["tagmanifest-sha256.txt"] = "".join(f"{sha}  {path}\n" for path, sha in seals).encode()
    for place in (bag, copy):
        (place / "records").mkdir(parents=True)
        for path, content in tags.items():
            (place / path).write_bytes(content)
        if not payload:
            continue
        (place / "data/2019-03-04 card 0000/100TESTC").mkdir(parents=True)
        for k, path in enumerate(files):
            (place / path).write_bytes(content_of(number + 1, k))
            (place / f"{path}.xmp").write_bytes(sidecar)
    return hashlib.sha256(tags["tagmanifest-sha256.txt"]).hexdigest()


def write_files(root: Path, number: int) -> list[str]:
    """What the archive keeps of each intake and claim outside the bags, a ledger and record files; their names."""
    from support_size import claim_of, intake_of, moment_of

    from evidence.catalog.records import Kind
    from evidence.filing.record_files import record_path

    ledger = root / "ledgers" / f"{intake_of(number + 1)}.jsonl"
    ledger.write_bytes(b'{"event":"finished"}\n' * PHOTOS)
    names = [ledger]
    day = f"{moment_of(number + 1):%Y-%m-%d}"
    for kind, key in (
        (Kind.INTAKE, intake_of(number + 1)),
        (Kind.BAG, claim_of(number + 1)),
        (Kind.DAY, day),
    ):
        path = record_path(root, kind, key)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps({"kind": kind.value, "key": key, "rows": {}}))
        names.append(path)
    return [path.relative_to(root).as_posix() for path in names]


# --- measuring ---------------------------------------------------------------------------


def make(claims: int, folder: Path, disk: Path, *, payload: bool) -> float:
    """Make the archive; returns how long it took, in seconds."""
    from support_size import add_claim, file_and_back_up, intake_of, new_archive

    begun = time.perf_counter()
    workspace = new_archive(folder, claims + 1, [disk])
    add_claim(workspace, 0, PHOTOS)
    FIRST[:] = [digest(0, photo) for photo in range(PHOTOS)]
    file_and_back_up(workspace, intake_of(0))
    fill(workspace, disk, claims, payload=payload)
    file_and_back_up(workspace, intake_of(0))  # the archive's own files reach the target
    workspace.close()
    return time.perf_counter() - begun


def measure(claims: int, folder: Path, repeat: int) -> dict[str, float]:
    """File and back up `repeat` more claims; the least cost of one. In a process of its own, for the peak memory."""
    from support_size import add_claim, counted, file_and_back_up, intake_of, moment_of

    from evidence.workspace import Workspace

    workspace = Workspace(folder / "archive", actor="Ada Clerk", now=lambda: moment_of(claims + 1))
    found = []
    for number in range(claims + 1, claims + 1 + repeat):
        add_claim(workspace, number, PHOTOS)
        gc.collect()
        cpu = time.process_time()
        file_and_back_up(workspace, intake_of(number))
        found.append(time.process_time() - cpu)
    add_claim(workspace, claims + 1 + repeat, PHOTOS)
    with counted(workspace) as work:
        file_and_back_up(workspace, intake_of(claims + 1 + repeat))
    workspace.close()
    return {
        "claims": claims,
        "cpu_s": min(found),
        "statements": work.statements,
        "opened": work.opened,
        "listed": work.listed,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "catalog_mb": (workspace.root / "catalog.sqlite").stat().st_size / 1e6,
    }


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--sizes", default=",".join(map(str, SIZES)))
    options.add_argument("--real", type=int, default=1000)
    options.add_argument("--repeat", type=int, default=3)
    options.add_argument("--folder", type=Path)
    options.add_argument("--disk", type=Path, default=Path("/dev/shm"))
    options.add_argument("--picture", type=Path)
    options.add_argument("--measured", type=int, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.measured is not None:
        print(json.dumps(measure(given.measured, given.folder, given.repeat)), flush=True)
        return
    print("| claims | photos | CPU, s | ratio | SQL statements | files opened | folders listed | peak, MB |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |", flush=True)
    results = []
    for size in map(int, given.sizes.split(",")):
        folder, disk = (Path(tempfile.mkdtemp(dir=each)) for each in (given.folder, given.disk))
        try:
            made_s = make(size, folder, disk, payload=size <= given.real)
            command = [sys.executable, __file__, "--measured", str(size), "--folder", str(folder)]
            ran = subprocess.run(
                [*command, "--repeat", str(given.repeat)], stdout=subprocess.PIPE, text=True, check=True
            )
            r = json.loads(ran.stdout)
        finally:
            for each in (folder, disk):
                shutil.rmtree(each, ignore_errors=True)
        results.append(r)
        print(
            f"| {size:,} | {size * PHOTOS:,} | {r['cpu_s']:.2f} | {r['cpu_s'] / results[0]['cpu_s']:.2f} | "
            f"{r['statements']} | {r['opened']} | {r['listed']} | {r['peak_mb']:.0f} |",
            flush=True,
        )
        print(f"made in {made_s:.0f} s, {r['catalog_mb']:.0f} MB of catalog", file=sys.stderr, flush=True)
    if given.picture:
        draw(results, given.picture)


def draw(results: list[dict[str, float]], picture: Path) -> None:
    """Processor time relative to the empty archive, by the number of claims, with the limit of 1.3."""
    width, height, left, bottom = 640, 300, 60, 250
    most = max(results[-1]["claims"], 1)
    top = max(2.0, *(r["cpu_s"] / results[0]["cpu_s"] for r in results))

    def at(claims: float, ratio: float) -> tuple[float, float]:
        return left + claims / most * (width - left - 40), bottom - ratio / top * (bottom - 30)

    points = [at(r["claims"], r["cpu_s"] / results[0]["cpu_s"]) for r in results]
    right = at(most, 1.3)
    marks = "".join(f'<circle cx="{x:.0f}" cy="{y:.0f}" r="4" fill="#1f5fa8"/>' for x, y in points)
    labels = "".join(
        f'<text x="{at(r["claims"], 0)[0]:.0f}" y="{bottom + 18}" text-anchor="middle">{r["claims"]:,.0f}</text>'
        for r in results
        if r["claims"] in (0, most) or r["claims"] / most > 0.1
    )
    scale = "".join(
        f'<text x="{left - 8}" y="{at(0, y)[1] + 4:.0f}" text-anchor="end">{y:.1f}</text>'
        f'<line x1="{left}" x2="{right[0]:.0f}" y1="{at(0, y)[1]:.0f}" y2="{at(0, y)[1]:.0f}" stroke="#ddd"/>'
        for y in (0, 0.5, 1.0, 1.5, 2.0)
    )
    line = " ".join(f"{x:.0f},{y:.0f}" for x, y in points)
    picture.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" '
        f'font-size="12"><rect width="{width}" height="{height}" fill="white"/>{scale}'
        f'<text x="{left}" y="16">Processor time of filing and backing up one claim of {PHOTOS} photos, '
        f"relative to an empty archive</text>"
        f'<line x1="{left}" x2="{right[0]:.0f}" y1="{right[1]:.0f}" y2="{right[1]:.0f}" stroke="#b03030" '
        f'stroke-dasharray="5 4"/><text x="{right[0]:.0f}" y="{right[1] - 5:.0f}" text-anchor="end" '
        f'fill="#b03030">limit 1.3</text><polyline points="{line}" fill="none" stroke="#1f5fa8" '
        f'stroke-width="2"/>{marks}{labels}'
        f'<text x="{(left + right[0]) / 2:.0f}" y="{height - 12}" text-anchor="middle">claims in the archive</text>'
        "</svg>\n",
        encoding="utf-8",
    )


if __name__ == "__main__":
    main()
