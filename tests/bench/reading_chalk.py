"""How often a chalked test square is found, and how well its marks are counted, on drawn roofs.

    python tests/bench/reading_chalk.py [--each 40] [--seed 1] [--only squares|rings|others] [--ground picture]

Squares with 0 to 13 circled hits and in half of them up to 4 slashed ones, a third with gaps in their
sides; and pictures without a square: shingles, houses, words in chalk, boards. Rings without a square, of four
sizes and three degrees of closing; and things on a roof that resemble chalk. With `--ground`, rings and things are
drawn on cuttings of that picture instead of on drawn shingles.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import support_chalk
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
    talk.add_argument("--only", choices=("squares", "rings", "others"))
    talk.add_argument("--ground", type=Path)
    asked = talk.parse_args()
    if asked.only in (None, "rings"):
        rings(asked.each, asked.seed, asked.ground)
    if asked.only in (None, "others"):
        others(asked.each, asked.seed, asked.ground)
    if asked.only in (None, "squares"):
        squares(asked)


def ground(rng: np.random.Generator, picture: Path | None) -> np.ndarray:
    """Drawn shingles, or a cutting of a picture, mirrored to the size of a photo."""
    if picture is None:
        return drawn.shingles(rng, course=int(rng.uniform(60, 250)))
    whole = cv2.cvtColor(cv2.imread(str(picture)), cv2.COLOR_BGR2RGB)
    side = int(min(whole.shape[:2]) * rng.uniform(0.6, 1))
    top, left = (int(rng.integers(0, length - side + 1)) for length in whole.shape[:2])
    part = whole[top : top + int(side * 0.75), left : left + side]
    row = np.concatenate([part, part[:, ::-1]], axis=1)
    tiled = np.concatenate([row, row[::-1]], axis=0)
    size = (drawn.WIDE, drawn.HIGH)
    return cv2.resize(tiled, size, interpolation=cv2.INTER_CUBIC).astype(np.float32) * 0.8


def rings(each: int, seed: int, picture: Path | None) -> None:
    """Print how many pictures of ringed hits get a count, and how good it is."""
    print(
        "| radius, share of the long side | drawn round | counted | exact | within 1 |\n| --- | --- | --- | --- | --- |"
    )
    for low, high in ((0.02, 0.03), (0.04, 0.07), (0.09, 0.12)):
        for closed in (1.03, 0.93, 0.85):
            off = []
            for number in range(each):
                rng = np.random.default_rng([seed, number, int(1000 * low), int(100 * closed)])
                many = int(rng.integers(2, 5 if high > 0.1 else 8))
                colour = sorted(support_chalk.CHALKS)[number % 4]
                photo = support_chalk.marked(
                    ground(rng, picture), rng, many, reach=(low, high), closed=closed, colour=colour
                )
                seen = see_chalk(reduced(photo))
                if seen is not None and seen.rings is not None:
                    off.append(abs(seen.rings - many))
            exact, near = sum(one == 0 for one in off), sum(one <= 1 for one in off)
            print(f"| {low} to {high} | {closed:.2f} | {len(off)} of {each} | {exact} | {near} |", flush=True)


def others(each: int, seed: int, picture: Path | None) -> None:
    """Print how often things on a roof that are not chalk are taken for a square or for rings."""
    print("\n| on the roof | taken for a square | for rings |\n| --- | --- | --- |")
    for name, draw in support_chalk.NOT_CHALK.items():
        found = []
        for number in range(each):
            rng = np.random.default_rng([seed, number, len(name), ord(name[0])])
            photo = drawn.photographed(draw(ground(rng, picture), rng), rng, drawn.USUAL)
            found.append(see_chalk(reduced(photo)))
        square = sum(one is not None and one.square >= 0.5 for one in found)
        ringed = sum(one is not None and one.rings is not None for one in found)
        print(f"| {name} | {square} of {each} | {ringed} of {each} |", flush=True)


def squares(asked: argparse.Namespace) -> None:
    """Print how often squares are found, how well their marks are counted, and what is taken for one."""
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
