"""How often a chalked test square is found, and how well its marks are counted, on drawn roofs.

    python tests/bench/reading_chalk.py [--each 40] [--seed 1]

Squares with 0 to 13 circled hits and in half of them up to 4 slashed ones, a third with gaps in their
sides; and pictures without a square: shingles, houses, words in chalk, boards.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import support_drawn as drawn

from evidence.sight.chalk import see_chalk

TROUBLES = {"plain": drawn.PLAIN, "usual": drawn.USUAL, "hard": drawn.HARD}


def reduced(photo: np.ndarray) -> np.ndarray:
    """At the size a look sees it."""
    return cv2.resize(photo, (1600, 1200), interpolation=cv2.INTER_AREA)


def main() -> None:
    """Draw, look, count, print."""
    talk = argparse.ArgumentParser(description=__doc__)
    talk.add_argument("--each", type=int, default=40)
    talk.add_argument("--seed", type=int, default=1)
    asked = talk.parse_args()
    print("| squares | found | count exact | within 1 | none given |\n| --- | --- | --- | --- | --- |")
    spent = 0.0
    for name, trouble in TROUBLES.items():
        rng = np.random.default_rng([asked.seed, len(name)])
        found, off, none = 0, [], 0
        for number in range(asked.each):
            circles, slashes = int(rng.integers(0, 14)), int(rng.integers(0, 5)) * (number % 2)
            photo = reduced(
                drawn.square_photo(
                    rng, trouble, circles, slashes, rng.uniform(0.35, 0.7), gaps=number % 3 == 0
                )
            )
            start = time.process_time()
            seen = see_chalk(photo)
            spent += time.process_time() - start
            if seen is None or seen.square < 0.5:
                continue
            found += 1
            if seen.marks is None and circles + slashes:
                none += 1
            else:
                off.append(abs((seen.marks or 0) - circles - slashes))
        exact, near = np.mean(np.array(off) == 0), np.mean(np.array(off) <= 1)
        print(f"| {name} | {found} of {asked.each} | {exact:.2f} | {near:.2f} | {none} |", flush=True)
    rng = np.random.default_rng([asked.seed, 77])
    grounds = {
        "shingles": lambda: drawn.photographed(
            drawn.shingles(rng, course=int(rng.uniform(60, 250))), rng, drawn.USUAL
        ),
        "house": lambda: drawn.photographed(drawn.yard(rng), rng, drawn.USUAL),
        "words in chalk": lambda: drawn.chalk_photo(["F TS 8"], "kalam", rng, drawn.USUAL, 0.5),
        "board": lambda: drawn.board_photo(["LEFT GUTTER"], "kalam", rng, drawn.USUAL, 0.5),
    }
    print("\n| no square | found all the same |\n| --- | --- |")
    for name, draw in grounds.items():
        wrong = sum(
            seen is not None and seen.square >= 0.5
            for seen in (see_chalk(reduced(draw())) for _ in range(asked.each))
        )
        print(f"| {name} | {wrong} of {asked.each} |", flush=True)
    print(f"\n{spent / (3 * asked.each):.3f} s of processor a photo")


if __name__ == "__main__":
    main()
