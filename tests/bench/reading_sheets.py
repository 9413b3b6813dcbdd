"""How often a sheet is seen where there is one, and where there is something like one.

    python tests/bench/reading_sheets.py [--each 20] [--seed 1]

Drawn claim sheets, printed and written, and drawn lookalikes (yard signs, made-up banknotes, open books,
menus); then, where ../shared/real_photos is there, its sheets and all its other photos. For drawn sheets
also the character error of what was read off them.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np
from PIL import Image
from rapidfuzz.distance import Levenshtein

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import support_drawn as drawn
import support_papers as papers

from evidence.model import MediaKind
from evidence.sight.contents import Contents, see_contents
from evidence.sight.pictures import PictureError, load_picture

REAL = Path(__file__).parents[3] / "shared" / "real_photos"
LINES = ["CLAIM HX-204881", "M. Ostrander", "418 Larkspur Lane"]


def seen(rgb: np.ndarray) -> Contents:
    """What the look would see, at the size it sees it."""
    scale = 1600 / max(rgb.shape[:2])
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else rgb
    return see_contents(
        np.ascontiguousarray(small),
        lambda _what, step, _otherwise: step(),
        kinds=True,
        words=True,
        labelled=False,
    )


def main() -> None:
    """Draw, look, count, print."""
    talk = argparse.ArgumentParser(description=__doc__)
    talk.add_argument("--each", type=int, default=20)
    talk.add_argument("--seed", type=int, default=1)
    asked = talk.parse_args()
    print("| photos | seen as a sheet | character error |\n| --- | --- | --- |")
    for face, name in ((papers.PRINT, "printed"), ("kalam", "written"), ("caveat", "written, narrow")):
        for trouble in (drawn.USUAL, drawn.HARD):
            rng = np.random.default_rng([asked.seed, len(name)])
            found = wrong = length = 0
            for _ in range(asked.each):
                contents = seen(papers.sheet_photo(LINES, rng, trouble, rng.uniform(0.3, 0.6), face))
                found += contents.sheet is not None
                got = "".join(line.text for line in contents.writing).upper().replace(" ", "")
                truth = "".join(LINES).upper().replace(" ", "")
                wrong += Levenshtein.distance(truth, got)
                length += len(truth)
            kind = "usual" if trouble is drawn.USUAL else "hard"
            print(
                f"| drawn sheet, {name}, {kind} | {found} of {asked.each} | {wrong / length:.3f} |",
                flush=True,
            )
    for name, draw in papers.LOOKALIKES.items():
        rng = np.random.default_rng([asked.seed, len(name), 3])
        found = sum(seen(draw(rng, drawn.USUAL)).sheet is not None for _ in range(asked.each))
        print(f"| drawn {name} | {found} of {asked.each} | |", flush=True)
    if REAL.is_dir():
        for name, files in (
            ("real sheets", sorted((REAL / "sheets").iterdir())),
            (
                "other real photos",
                sorted(f for d in ("cameras", "gps_walk", "broken") for f in (REAL / d).iterdir()),
            ),
        ):
            results = [result for file in files if (result := _real(file)) is not None]
            print(f"| {name} | {sum(results)} of {len(results)} | |")


def _real(file: Path) -> bool | None:
    try:
        with Image.open(file) as photo:
            orientation = photo.getexif().get(274, 1)
        return seen(load_picture(file, MediaKind.PHOTO, orientation).rgb).sheet is not None
    except (PictureError, OSError, SyntaxError, ValueError):
        return None


if __name__ == "__main__":
    main()
