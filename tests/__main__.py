"""`python3 tests`: sets up, then runs the linter, the type checker and the tests. Arguments go to pytest."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "demo_photos"))

from bootstrap import prepared, say  # noqa: E402


def main() -> int:
    """The worst status of the three; everything runs even when one fails."""
    python = str(prepared("test"))
    checks = [
        ["-m", "ruff", "check", "."],
        ["-m", "ruff", "format", "--check", "."],
        ["-m", "mypy"],
        ["-m", "pytest", *(sys.argv[1:] or ["-q"])],
    ]
    # One thread a process: the tests start processes of their own, and two cores thrash otherwise.
    quiet = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    worst = 0
    for check in checks:
        say(f"$ python {' '.join(check)}")
        status = subprocess.run([python, *check], cwd=ROOT, check=False, env=quiet).returncode
        worst = worst or status
    return worst


if __name__ == "__main__":
    sys.exit(main())
