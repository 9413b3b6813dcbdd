"""Damaged photos through the camera data, the decoders, the look and the intake: what crashes, hangs or takes too much.

    python tests/bench/fuzz.py --inputs 100000 --seed 15 --log fuzz.txt

A run that was stopped continues: the log says what was tried. `--only N` repeats one input and shows what happens.
`--others` instead takes in a card of 308 odd names and one of 10,000 files in one folder, and looks at bombs.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import Counter
from itertools import count
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from support_fuzz import mutated, odd_names  # noqa: E402
from support_fuzz_run import Tried, try_all, try_bombs, try_input, try_names  # noqa: E402

EVERY = 500
"""Inputs between two lines of the log."""


class Log:
    """The tallies so far, one JSON line each time; faults have a line of their own."""

    def __init__(self, path: Path, seed: int) -> None:
        self._path, self._seed = path, seed
        self.tallies: Counter[str] = Counter()
        self.next = 0
        self.slowest = self.most_mb = 0.0
        for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
            entry = json.loads(line)
            if entry.get("seed") == seed and "next" in entry:
                self.next, self.tallies = entry["next"], Counter(entry["tallies"])
                self.slowest, self.most_mb = entry["slowest_s"], entry["most_mb"]

    def add(self, one: Tried) -> None:
        """Count one input."""
        self.tallies.update({"inputs": one.inputs, one.step: one.inputs})
        self.next = one.number + 1
        self.slowest, self.most_mb = max(self.slowest, one.seconds), max(self.most_mb, one.megabytes)
        if one.fault:
            self.tallies[one.fault] += 1
            self._write({"seed": self._seed, "number": one.number, "fault": one.fault, "detail": one.detail})
        if self.next % EVERY == 0 or one.fault:
            self.save()

    def save(self) -> None:
        """Write down how far the run is."""
        line = {"seed": self._seed, "next": self.next, "tallies": dict(self.tallies)}
        self._write({**line, "slowest_s": round(self.slowest, 2), "most_mb": round(self.most_mb)})

    def _write(self, entry: dict[str, object]) -> None:
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(entry) + "\n")


def others() -> None:
    """Odd names, many files and bombs; tells the time and memory of each."""
    with tempfile.TemporaryDirectory() as name:
        start = time.perf_counter()
        print(f"{try_names(odd_names(), Path(name) / 'odd')} odd names: {time.perf_counter() - start:.0f} s")
        many = [f"IMG_{number}.JPG".encode() for number in range(10_000)]
        start = time.perf_counter()
        print(
            f"{try_names(many, Path(name) / 'many')} files in one folder: {time.perf_counter() - start:.0f} s"
        )
    for one in try_bombs():
        print(
            f"{one.step}: {one.fault or 'no fault'} {one.detail}, {one.seconds:.1f} s, {one.megabytes:.0f} MB"
        )


def main() -> None:
    """Run as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=15)
    parser.add_argument("--log", type=Path, default=Path("fuzz.txt"))
    parser.add_argument("--only", type=int)
    parser.add_argument("--others", action="store_true")
    given = parser.parse_args()
    if given.only is not None:
        one, data = mutated(given.only, given.seed)
        print(f"from {one.name}, {len(data)} bytes")
        with tempfile.TemporaryDirectory() as name:
            try_input(given.only, given.seed, Path(name))
        return
    if given.others:
        others()
        return
    log = Log(given.log, given.seed)
    start = time.perf_counter()
    if log.tallies["inputs"] < given.inputs:
        for one in try_all(count(log.next), given.seed):
            log.add(one)
            if log.tallies["inputs"] >= given.inputs:
                break
    log.save()
    print(f"{dict(log.tallies)}; slowest {log.slowest:.1f} s, at most {log.most_mb:.0f} MB; "
          f"{time.perf_counter() - start:.0f} s this time")  # fmt: skip


if __name__ == "__main__":
    main()
