"""How well writing is found and read, on drawn boards and chalk whose text is known.

    python tests/bench/reading_report.py [--each 40] [--seed 1]

Prints, for boards and for chalk under three troubles, the share of photos whose writing was found by the
first look, the character error rate (Levenshtein distance / length, letter case and runs of spaces
ignored), the share of lines read exactly, and seconds a photo on one thread. Also how often the first
look fires on drawn photos without any writing.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
from rapidfuzz.distance import Levenshtein

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import support_drawn as drawn

from evidence.sight.writing import find_writing, read_writing

PHRASES = (
    ["LEFT SIDE GUTTER", "NO DMG"],
    ["R SLOPE 10+"],
    ["F TS 8"],
    ["8/12"],
    ["2 LAYERS", "DRIP EDGE Y"],
    ["FRONT ELEVATION"],
    ["BACK SLOPE", "TEST SQUARE 6"],
    ["PIPE BOOT OK"],
    ["RIDGE NO DAMAGE"],
    ["A/C CONDENSER", "FINS BENT"],
    ["RIGHT DOWNSPOUT", "3 HITS"],
    ["WINDOW SCREEN", "TORN"],
    ["TURTLE VENT X4"],
    ["7/12 PITCH", "3-TAB"],
    ["REAR FASCIA", "N/D"],
    ["GARAGE DOOR", "DENTS"],
)
TROUBLES = {"plain": drawn.PLAIN, "usual": drawn.USUAL, "hard": drawn.HARD}


def plain(text: str) -> str:
    """Upper case, single spaces."""
    return " ".join(text.upper().split())


def main() -> None:
    """Draw, read, compare, print."""
    talk = argparse.ArgumentParser(description=__doc__)
    talk.add_argument("--each", type=int, default=40, help="photos of each sort")
    talk.add_argument("--seed", type=int, default=1)
    talk.add_argument("--show", action="store_true", help="print what was read wrongly")
    asked = talk.parse_args()
    print("| ground | trouble | found | CER | CER no spaces | exact lines | exact no spaces | s/photo |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for ground, draw in (("board", drawn.board_photo), ("chalk", drawn.chalk_photo)):
        for name, trouble in TROUBLES.items():
            rng = np.random.default_rng([asked.seed, len(name), len(ground)])
            found = wrong = length = tight = exact = near = lines = 0
            spent = 0.0
            for number in range(asked.each):
                phrase = PHRASES[int(rng.integers(len(PHRASES)))]
                photo = draw(
                    phrase, drawn.HANDS[number % len(drawn.HANDS)], rng, trouble, rng.uniform(0.3, 0.7)
                )
                start = time.perf_counter()
                spots = find_writing(photo)
                read = [plain(line.text) for line in read_writing(photo, spots=spots)]
                spent += time.perf_counter() - start
                found += bool(spots)
                truth = plain(" ".join(phrase))
                got = " ".join(read)
                wrong += Levenshtein.distance(truth, got)
                tight += Levenshtein.distance(truth.replace(" ", ""), got.replace(" ", ""))
                length += len(truth)
                lines += len(phrase)
                exact += sum(line in read for line in phrase)
                near += sum(line.replace(" ", "") in [r.replace(" ", "") for r in read] for line in phrase)
                if asked.show and truth != got:
                    print(f"   {number} {truth!r} -> {got!r}")
            each = asked.each
            print(
                f"| {ground} | {name} | {found / each:.3f} | {wrong / length:.3f} | {tight / length:.3f} "
                f"| {exact / lines:.3f} | {near / lines:.3f} | {spent / each:.2f} |",
                flush=True,
            )
    rng = np.random.default_rng([asked.seed, 99])
    fired = sum(
        bool(find_writing(drawn.photographed(draw(rng), rng, drawn.USUAL)))
        for _ in range(asked.each // 2)
        for draw in (drawn.yard, drawn.shingles)
    )
    print(f"first look fires on {fired} of {asked.each // 2 * 2} drawn photos without writing")


if __name__ == "__main__":
    main()
