"""Time of an append and of a whole verification, by the length of the custody log. Run it as a script.

The append's own time is the processor time of this process: waiting for the disk is not in it.
"""

from __future__ import annotations

import hashlib
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

START = datetime(2026, 3, 4, 17, 30, tzinfo=UTC)
SIZES = (0, 1_000, 10_000, 100_000, 200_000, 400_000)
APPENDS = 300


def write_log(path: Path, count: int) -> None:
    """A log of `count` entries with its head, made with json and hashlib."""
    from evidence.archive.custody_head import StoredHead, head_bytes
    from evidence.archive.merkle import Frontier
    from evidence.model import Sha256

    prev, tree = "0" * 64, Frontier()
    with path.open("wb") as handle:
        for seq in range(1, count + 1):
            value = {
                "action": "photo_kept",
                "actor": "dana",
                "at": (START + timedelta(seconds=seq)).strftime("%Y-%m-%dT%H:%M:%S.000000Z"),
                "details": {"name": f"A{seq:06}.JPG", "claim": f"HT-{seq % 7000:05}"},
                "prev": prev,
                "seq": seq,
                "subject": f"{seq:064x}",
            }
            line = json.dumps(value, sort_keys=True, separators=(",", ":")).encode()
            prev = hashlib.sha256(line).hexdigest()
            tree.add(line)
            handle.write(line + b"\n")
        size = handle.tell()
    if count:
        head = StoredHead(seq=count, sha256=Sha256(prev), size=size, frontier=tree.hashes)
        path.with_name(path.name + ".head").write_bytes(head_bytes(head))


def measure(path: Path) -> dict[str, float]:
    """In a process of its own: appends, then one verification, and the greatest memory."""
    from evidence.archive.custody import CustodyLog

    log = CustodyLog(path)
    log.append("dana", "first", "x", {}, START + timedelta(days=30))
    cpu, wall = [], []
    for number in range(APPENDS):
        begun, begun_wall = time.process_time(), time.perf_counter()
        log.append(
            "dana", "photo_kept", f"{number:064x}", {"n": number}, START + timedelta(days=31, seconds=number)
        )
        cpu.append(time.process_time() - begun)
        wall.append(time.perf_counter() - begun_wall)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun = time.process_time()
    check = log.verify()
    assert check.valid, check.findings
    return {
        "entries": check.entries,
        "append_cpu_ms": statistics.mean(cpu) * 1000,
        "append_wall_ms": statistics.median(wall) * 1000,
        "verify_s": time.process_time() - begun,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "before_mb": before / 1024,
    }


def main() -> None:
    """Print one row for each length."""
    print(
        "| entries | append, own ms | append, ms with the disk | verify, s | µs an entry | peak, MB (before verify) |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for size in SIZES:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "custody.jsonl"
            write_log(path, size)
            ran = subprocess.run(
                [sys.executable, __file__, str(path)], capture_output=True, text=True, check=True
            )
        r = json.loads(ran.stdout)
        print(
            f"| {size:,} | {r['append_cpu_ms']:.2f} | {r['append_wall_ms']:.2f} | {r['verify_s']:.2f} | "
            f"{r['verify_s'] / r['entries'] * 1e6:.0f} | {r['peak_mb']:.0f} ({r['before_mb']:.0f}) |"
        )


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    if len(sys.argv) > 1:
        print(json.dumps(measure(Path(sys.argv[1]))))
    else:
        main()
