"""Compares reading back and backing up a bag with other programs: `python tests/bench/disk_bench.py`.

300 files of 5 MB (--files, --size-mb) in one bag or in several (--bags), in a temporary folder (--folder chooses the
disk). Programs take turns, each in a process of its own. Before each run the system is asked to drop its cached pages
of the files, so that every program starts from the disk; with --warm they are read once instead. Prints the median
wall time and processor time (user and system, seconds), the greatest peak memory (resident, MB; the greatest of its
processes), and the ratio: how many times faster we are.

* verify: our check of each bag, and `bagit.Bag.validate(processes=2)`.
* the ceiling of verify: SHA-256 of so many bytes from memory alone, in two processes; and reading the files alone,
  past the system's cache and through it, in two processes. No program that reads and hashes is faster than the slower.
* the same together, reading and SHA-256 and nothing else, in two and in four threads, through the cache and past it, in
  pieces of 256 KiB and without a line of our code: the ratio of the fastest is the part of the possible that verify reaches.
* backup: our copy of a bag to an empty target, read back from the disk and compared, against `rsync --checksum` as
  it is (it reads nothing back and leaves the writing to the system) and with `--fsync`. Skipped without rsync.
* the ceiling of backup: each file read, written, flushed, read back past the cache and hashed, and nothing else, in four
  threads, without a line of our code.

Needs `os.wait4` (Linux, macOS).
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PREPARE = """
import hashlib, os, sys
from pathlib import Path
from evidence.archive.assembly import PayloadFile
from evidence.archive.bags import build_bag
bag, kept, first, last, size = Path(sys.argv[1]), Path(sys.argv[2]), *map(int, sys.argv[3:6])
kept.mkdir(exist_ok=True)
payload = {}
for number in range(first, last):
    content = os.urandom(size)
    path = kept / f"{number:05}"
    path.write_bytes(content)
    digest = hashlib.sha256(content).hexdigest()
    payload[f"100TESTC/IMG_{number:04}.JPG"] = PayloadFile(sha256=digest, size=size, source=path)
build_bag(bag, payload, {"records/claim.json": b"{}"}, ())
"""
CHECK = """
import sys
from pathlib import Path
from evidence.archive.bagcheck import check_bag
for bag in sorted(Path(sys.argv[1]).glob("bag-???")):
    check = check_bag(bag)
    assert check.valid, check
"""
LIBRARY = """
import sys
from pathlib import Path
import bagit
for bag in sorted(Path(sys.argv[1]).glob("bag-???")):
    bagit.Bag(str(bag)).validate(processes=2)
"""
HASH_ALONE = """
import hashlib, os, sys
files, size = int(sys.argv[1]), int(sys.argv[2])
child = os.fork()
content = os.urandom(size)
for number in range(files // 2):
    hashlib.sha256(content).digest()
if child:
    assert os.waitpid(child, 0)[1] == 0
else:
    os._exit(0)
"""
READ_ALONE = """
import os, sys
from pathlib import Path
from evidence.disk.hashing import own_buffer, pieces
files = sorted(Path(sys.argv[1]).rglob("data/**/*.JPG"))
child = os.fork()
for path in files[bool(child)::2]:
    with path.open("rb", buffering=0) as handle:
        for _ in pieces(handle, own_buffer(), uncached=sys.argv[2] == "past"):
            pass
if child:
    assert os.waitpid(child, 0)[1] == 0
else:
    os._exit(0)
"""
READ_AND_HASH = """
import hashlib, mmap, os, sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
threads, flags = int(sys.argv[2]), os.O_RDONLY | (getattr(os, "O_DIRECT", 0) if sys.argv[3] == "past" else 0)
files = sorted(Path(sys.argv[1]).rglob("data/**/*.JPG"))
def digest(path):
    descriptor = os.open(path, flags)
    found, buffer = hashlib.sha256(), mmap.mmap(-1, 1 << 18)
    while count := os.readv(descriptor, [buffer]):
        found.update(memoryview(buffer)[:count])
        if count % 4096:
            break
    os.close(descriptor)
    return found.hexdigest()
with ThreadPoolExecutor(threads) as pool:
    assert len(set(pool.map(digest, files))) == len(files)
"""
BACK_UP = """
import sys
from pathlib import Path
from evidence.archive.targets import FolderTarget
bags, root = Path(sys.argv[1]), Path(sys.argv[2])
target = FolderTarget(name="bench", root=root, off_computer=True)
target.prepare()
for bag in sorted(bags.glob("bag-???")):
    target.put_bag(bag, bag.name)
"""

COPY_AND_HASH = """
import hashlib, mmap, os, sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
bags, copies, threads, direct = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), getattr(os, "O_DIRECT", 0)
files = sorted(bags.rglob("data/**/*.JPG"))
def pieces(path):
    descriptor, buffer = os.open(path, os.O_RDONLY | direct), mmap.mmap(-1, 1 << 18)
    while count := os.readv(descriptor, [buffer]):
        yield memoryview(buffer)[:count]
        if count % 4096:
            break
    os.close(descriptor)
def copy(numbered):
    number, path = numbered
    made, found = copies / str(number), hashlib.sha256()
    descriptor = os.open(made, os.O_WRONLY | os.O_CREAT)
    for piece in pieces(path):
        os.write(descriptor, piece)
    os.fsync(descriptor)
    os.close(descriptor)
    for piece in pieces(made):
        found.update(piece)
    return found.hexdigest()
with ThreadPoolExecutor(threads) as pool:
    assert len(set(pool.map(copy, enumerate(files)))) == len(files)
"""


@dataclass(frozen=True)
class Cost:
    wall_s: float
    cpu_s: float
    peak_mb: float


def cost_of(command: list[str]) -> Cost:
    """One run in a process of its own; raises CalledProcessError when it fails."""
    start = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)})
    _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    unit = 1 if sys.platform == "darwin" else 1024  # ru_maxrss: bytes on macOS, KiB on Linux
    return Cost(wall, used.ru_utime + used.ru_stime, used.ru_maxrss * unit / 1e6)


def forget(folder: Path, *, warm: bool = False) -> None:
    """Write everything out, then ask the system to drop its cached pages of the files below `folder`, or to have them."""
    os.sync()
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb") as handle:
                if warm:
                    handle.read()
                elif hasattr(os, "posix_fadvise"):
                    os.posix_fadvise(handle.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def python(code: str, *arguments: object) -> list[str]:
    return [sys.executable, "-c", code, *map(str, arguments)]


def compare(named: dict[str, list[str]], bags: Path, copies: Path, runs: int, *, warm: bool) -> None:
    """Run the commands by turns and print their costs; the first is ours."""
    costs: dict[str, list[Cost]] = {name: [] for name in named}
    for turn in range(runs):
        order = list(named) if turn % 2 == 0 else list(reversed(named))
        for name in order:
            shutil.rmtree(copies, ignore_errors=True)
            copies.mkdir()
            forget(bags, warm=warm)
            costs[name].append(cost_of(named[name]))
    ours = costs[next(iter(named))]
    for name, each in costs.items():
        wall = statistics.median(one.wall_s for one in each)
        cpu = statistics.median(one.cpu_s for one in each)
        faster = statistics.median(one.wall_s / own.wall_s for one, own in zip(each, ours, strict=True))
        lighter = statistics.median(one.cpu_s / own.cpu_s for one, own in zip(each, ours, strict=True))
        peak = max(one.peak_mb for one in each)
        print(f"{name:26} {wall:7.2f} {cpu:7.2f} {faster:7.2f} {lighter:7.2f} {peak:7.0f}", flush=True)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--files", type=int, default=300)
    options.add_argument("--size-mb", type=float, default=5)
    options.add_argument("--bags", type=int, default=1)
    options.add_argument("--runs", type=int, default=7)
    options.add_argument("--warm", action="store_true", help="with the files in the system's cache")
    options.add_argument("--only", choices=["verify", "backup"])
    options.add_argument("--folder", type=Path)
    given = options.parse_args()
    rsync = shutil.which("rsync")
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        bags, copies = (Path(folder) / name for name in ("bags", "copies"))
        prepare(
            bags, Path(folder) / "kept", files=given.files, size=int(given.size_mb * 1e6), number=given.bags
        )
        print(f"{'':26} {'wall s':>7} {'CPU s':>7} {'ratio':>7} {'by CPU':>7} {'peak MB':>7}")
        verify = {
            "verify": python(CHECK, bags),
            "bagit, 2 processes": python(LIBRARY, bags),
            "SHA-256 alone, memory": python(HASH_ALONE, given.files, int(given.size_mb * 1e6)),
            "reading alone, past cache": python(READ_ALONE, bags, "past"),
            "reading alone": python(READ_ALONE, bags, "through"),
            **{
                f"read and hash, {threads}, {how}": python(READ_AND_HASH, bags, threads, how)
                for threads in (2, 4)
                for how in ("through", "past")
            },
            "an empty program": python("import evidence.archive.bagcheck"),
        }
        if given.only != "backup":
            compare(verify, bags, copies, given.runs, warm=given.warm)
        if rsync is None:
            print("rsync is not installed: the backup is not compared.")
            return
        checksum = [rsync, "--archive", "--checksum"]
        backup = {
            "backup": python(BACK_UP, bags, copies),
            "copy and hash, 4 threads": python(COPY_AND_HASH, bags, copies, 4),
            "rsync --checksum": [*checksum, str(bags), str(copies)],
            "rsync --checksum --fsync": [*checksum, "--fsync", str(bags), str(copies)],
        }
        if given.only != "verify":
            compare(backup, bags, copies, given.runs, warm=given.warm)


def prepare(bags: Path, kept: Path, *, files: int, size: int, number: int) -> None:
    """Make so many bags that share the files."""
    bags.mkdir()
    for bag in range(number):
        first, last = files * bag // number, files * (bag + 1) // number
        subprocess.run(
            python(PREPARE, bags / f"bag-{bag:03}", kept, first, last, size),
            check=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )


if __name__ == "__main__":
    main()
