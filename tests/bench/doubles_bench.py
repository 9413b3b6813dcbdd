"""How long a question to the index of near pictures takes, and from what size on the index is worth it.

    python tests/bench/doubles_bench.py

Prints milliseconds a question and, what matters, the ratio of comparing outright to using the index.
"""

from __future__ import annotations

import random
import time

from evidence.coverage import doubles
from evidence.coverage.doubles import DoubleIndex

SIZES = (10_000, 100_000, 300_000, 1_000_000, 3_000_000)
QUESTIONS = 60


def measure(index: DoubleIndex, asked: list[str], bits: int, *, outright: bool) -> float:
    """Milliseconds a question, the best of three rounds."""
    always, never = dict.fromkeys(range(3), 0), dict.fromkeys(range(3), 10**12)
    doubles._OUTRIGHT_BELOW = never if outright else always
    index.near(asked[0], bits)
    best = float("inf")
    for _ in range(3):
        start = time.perf_counter()
        for phash in asked:
            index.near(phash, bits)
        best = min(best, time.perf_counter() - start)
    return best / len(asked) * 1000


def main() -> None:
    chance = random.Random(1)
    hashes = [f"{chance.getrandbits(64):016x}" for _ in range(max(SIZES))]
    print(f"{'hashes':>10} {'bits':>5} {'outright ms':>12} {'index ms':>10} {'ratio':>7}")
    for size in SIZES:
        start = time.perf_counter()
        index = DoubleIndex(hashes[:size])
        built = time.perf_counter() - start
        for bits in (3, 6, 10):
            slow, quick = (measure(index, hashes[:QUESTIONS], bits, outright=o) for o in (True, False))
            print(f"{size:>10} {bits:>5} {slow:>12.3f} {quick:>10.3f} {slow / quick:>7.2f}")
        print(f"{size:>10} read in {built:.2f} s")


if __name__ == "__main__":
    main()
