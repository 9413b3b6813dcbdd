"""`python3 tests`: sets up, then runs the linter, the type checker and the tests. Arguments go to pytest."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
MEMORY = Path("/dev/shm")
KEPT = str(1 << 30)
"""Bytes that the C library of Linux keeps for the next picture: giving them back and taking them again costs a tenth
of the processor time of tests with large pictures."""
ROOM_NEEDED = 4_000_000_000
"""Free bytes that the tests need in memory; with less they use the disk, where flushing every copy is slow."""
TYPES = ["-m", "mypy"]
sys.path.insert(0, str(ROOT / "demo_photos"))

from bootstrap import prepared, say  # noqa: E402


def main() -> int:
    """Run the four checks, all of them even if one fails; returns the first status that is not 0."""
    python = str(prepared("test"))
    checks = [
        ["-m", "ruff", "check", "."],
        ["-m", "ruff", "format", "--check", "."],
        TYPES,
        ["-m", "pytest", *(sys.argv[1:] or ["-q", "-n", str(_workers()), "--dist", "worksteal"])],
    ]
    scratch = _scratch()
    # One thread for each process: the tests start processes of their own. Compiled modules are kept beside their
    # sources: all of these processes load the same ones.
    settled = {
        **os.environ,
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "MALLOC_MMAP_THRESHOLD_": KEPT,
        "MALLOC_TRIM_THRESHOLD_": KEPT,
        **scratch,
    }
    settled.pop("PYTHONDONTWRITEBYTECODE", None)
    worst = 0
    try:
        for check in checks:
            say(f"$ python {' '.join(check)}")
            with _compiling(python, settled) if check == TYPES else nullcontext():
                status = subprocess.run([python, *check], cwd=ROOT, check=False, env=settled).returncode
            worst = worst or status
    finally:
        for folder in scratch.values():
            shutil.rmtree(folder, ignore_errors=True)
    return worst


@contextmanager
def _compiling(python: str, settled: dict[str, str]) -> Iterator[None]:
    """Compile the modules of the tests meanwhile, on another core: else each process of tests compiles all of them."""
    nothing = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    listing = subprocess.Popen(
        [python, "-m", "pytest", "--collect-only", "-q"], cwd=ROOT, env=settled, **nothing
    )
    try:
        yield
    finally:
        listing.wait()


def _workers() -> int:
    """One more than there are cores: a test waits for a process, a browser or a disk half of its time."""
    return len(os.sched_getaffinity(0)) + 1 if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1) + 1


def _scratch() -> dict[str, str]:
    """Return a TMPDIR in memory if there is room and the environment names none."""
    if (
        "TMPDIR" in os.environ
        or not os.access(MEMORY, os.W_OK)
        or shutil.disk_usage(MEMORY).free < ROOM_NEEDED
    ):
        return {}
    return {"TMPDIR": tempfile.mkdtemp(dir=MEMORY, prefix="evidence-tests-")}


if __name__ == "__main__":
    sys.exit(main())
