"""From a drawn board to its facets: find the writing, recognise it, parse it, as an intake does.

    python tests/bench/reading_facets.py [--each 100] [--seed 5000] [--only "board plain 0.3"] [--show]

The texts of the boards come from simulated inspections (tests/support/support_walks.py), in one to three
lines as a person would break them, in five fonts that look written by hand. Photos are reduced to the
look's 1,600 pixels first. Printed for each ground, trouble and width of the board: the share of facets
(face, component, condition, count) that came out right, that were not found and that came out wrong, the
facets invented where the board names none, and the share of photos whose writing was found and of those
whose facets are all right.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2]))

import support_drawn as drawn
import support_walks as made
from support_models import words

from evidence.model import Facet, WritingLine
from evidence.sight.pictures import READ_SIDE
from evidence.sight.pixels import fitted
from evidence.sight.writing import find_writing, read_writing
from evidence.tags.reading.parser import BoardParser

TROUBLES = {"plain": drawn.PLAIN, "usual": drawn.USUAL, "hard": drawn.HARD}
WIDTHS = {"0.3 to 0.7": (0.3, 0.7), "0.1 to 0.2": (0.1, 0.2), "0.05 to 0.1": (0.05, 0.1)}
FACETS = (Facet.FACE, Facet.COMPONENT, Facet.CONDITION, Facet.COUNT)


def written(truth: made.Truth) -> dict[Facet, str]:
    """The facets that a board for such a photo states."""
    values = {facet: getattr(truth, facet.value) for facet in FACETS}
    if truth.component == "shingle":  # implied on a slope: the boards leave it out
        values[Facet.COMPONENT] = ""
    return {facet: value for facet, value in values.items() if value and value != "none"}


def broken_into_lines(rng: random.Random, text: str) -> list[str]:
    """The words on one to three lines, none of them longer than a board is wide."""
    text = text.replace(" / ", " ").replace(", ", " ")
    left = text.split(" ")
    most = rng.choice((8, 14, 18))
    lines = [left.pop(0)]
    for word in left:
        if len(lines[-1]) + 1 + len(word) <= most or len(lines) == 3:
            lines[-1] += " " + word
        else:
            lines.append(word)
    return lines


@dataclass(frozen=True)
class Sample:
    """A board, the facets that it states, and its photo at the size that is read."""

    lines: list[str]
    says: dict[Facet, str]
    photo: np.ndarray


def samples(
    seed: Sequence[int],
    many: int,
    trouble: drawn.Trouble,
    widths: tuple[float, float],
    *,
    chalk: bool = False,
) -> Iterator[Sample]:
    """Photos of boards, or of chalk on shingles."""
    rng, dice = np.random.default_rng(list(seed)), random.Random(repr(tuple(seed)))
    truths = [t for k in range(20) for t, _ in made.shots(dice, made.persona(dice, str(k)))]
    draw = drawn.chalk_photo if chalk else drawn.board_photo
    for number in range(many):
        truth = dice.choice(truths)
        while not (text := made.board(dice, truth)):
            truth = dice.choice(truths)
        lines = broken_into_lines(dice, text)
        photo = draw(lines, drawn.HANDS[number % len(drawn.HANDS)], rng, trouble, rng.uniform(*widths))
        yield Sample(lines, written(truth), fitted(photo, READ_SIDE))


@dataclass
class Tally:
    """Outcomes of facets, and of whole photos."""

    right: int = 0
    missed: int = 0
    wrong: int = 0
    invented: int = 0
    whole: int = 0
    found: int = 0
    photos: int = 0

    def add(self, says: dict[Facet, str], parser: BoardParser, lines: Sequence[WritingLine]) -> bool:
        """Compare one photo; whether all of it is right."""
        reading = parser.read(lines)
        good = True
        for facet in FACETS:
            best, value = reading.best(facet), says.get(facet, "")
            right = (best.value if best else "") == value
            good &= right
            if value:
                self.right += right
                self.missed += best is None
                self.wrong += best is not None and not right
            else:
                self.invented += not right and not (facet is Facet.COMPONENT and best.value == "shingle")
        self.photos += 1
        self.found += bool(lines)
        self.whole += good
        return good

    def row(self) -> str:
        """As shares of the facets that the boards state, and of the photos."""
        written = max(1, self.right + self.missed + self.wrong)
        return " | ".join(
            [
                f"{self.found / self.photos:.3f}",
                *(f"{n / written:.3f}" for n in (self.right, self.missed, self.wrong)),
                f"{self.invented / written:.4f}",
                f"{self.whole / self.photos:.3f}",
            ]
        )


def main() -> None:
    """Draw the photos, read them, print the table."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--each", type=int, default=100, help="photos of each sort")
    arguments.add_argument("--seed", type=int, default=5000)
    arguments.add_argument("--only", default="", help="rows whose name begins so")
    arguments.add_argument("--show", action="store_true", help="print the boards that were read wrongly")
    options = arguments.parse_args()
    parser = BoardParser(words())
    print("| ground | trouble | width | read | right | not found | wrong | invented | photos all right |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for number, ground in enumerate(("board", "chalk")):
        for name, trouble in TROUBLES.items():
            for width, (least, most) in WIDTHS.items() if ground == "board" else [("0.3 to 0.7", (0.3, 0.7))]:
                if not f"{ground} {name} {width}".startswith(options.only):
                    continue
                tally = Tally()
                seed = [options.seed, number, list(TROUBLES).index(name), int(100 * least)]
                for sample in samples(seed, options.each, trouble, (least, most), chalk=ground == "chalk"):
                    lines = read_writing(sample.photo, spots=find_writing(sample.photo))
                    if not tally.add(sample.says, parser, lines) and options.show:
                        print(f"   {sample.lines} -> {[line.text for line in lines]}")
                print(f"| {ground} | {name} | {width} | {tally.row()} |", flush=True)


if __name__ == "__main__":
    main()
