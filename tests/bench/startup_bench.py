"""Times the start of `evidence` as a ratio to `python -c pass`: `python tests/bench/startup_bench.py`.

Each command runs in a process of its own, by turns with the empty program, so that a busy machine slows both.
Reports the least processor time (user and system, seconds) and the greatest peak memory (resident, MB).
Needs `os.wait4` (Linux, macOS).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
EVIDENCE = "import sys; from evidence.cli.main import run; run(sys.argv[1:])"
CLAIMS = "claim,insured,peril\n" + "".join(f"TC-{1000 + n},Ann Example,hail\n" for n in range(50))
COMMANDS = (
    ("--help",),
    ("--version",),
    ("intake", "--help"),
    ("claims",),
    ("photos", "unassigned"),
    ("hold", "list"),
)


@dataclass(frozen=True)
class Cost:
    cpu_s: float
    peak_mb: float


def cost_of(code: str, *arguments: str) -> Cost:
    """One run of Python in a process of its own; raises CalledProcessError when it fails."""
    command = [sys.executable, "-c", code, *arguments]
    process = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    unit = 1 if sys.platform == "darwin" else 1024  # ru_maxrss: bytes on macOS, KiB on Linux
    return Cost(used.ru_utime + used.ru_stime, used.ru_maxrss * unit / 1e6)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--runs", type=int, default=10)
    runs: int = options.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        archive = Path(folder) / "archive"
        claims = Path(folder) / "claims.csv"
        claims.write_text(CLAIMS, encoding="utf-8")
        cost_of(EVIDENCE, "init", str(archive))
        cost_of(EVIDENCE, "assignments", str(claims), "--archive", str(archive))
        print(f"{'command':20} {'CPU s':>6} {'ratio':>6} {'peak MB':>8}")
        for command in COMMANDS:
            known = [] if command[-1].startswith("--") else ["--archive", str(archive)]
            pairs = [(cost_of("pass"), cost_of(EVIDENCE, *command, *known)) for _ in range(runs)]
            nothing = min(one.cpu_s for one, _ in pairs)
            ours = min(one.cpu_s for _, one in pairs)
            peak = max(one.peak_mb for _, one in pairs)
            print(f"{' '.join(command):20} {ours:6.2f} {ours / nothing:6.1f} {peak:8.0f}", flush=True)
        print(f"{'python -c pass':20} {nothing:6.3f} {1:6.1f} {max(one.peak_mb for one, _ in pairs):8.0f}")


if __name__ == "__main__":
    main()
