"""Chalked squares are found on shingles and their marks counted; window frames are not taken for squares."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from support_drawn import HARD, PLAIN, USUAL, chalk_photo, photographed, shingles, square_photo, yard

from evidence.model import Box, WritingLine
from evidence.sight import chalk
from evidence.sight.chalk import see_chalk


def reduced(photo):
    return cv2.resize(photo, (1200, 900), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize(
    ("trouble", "circles", "slashes", "gaps"),
    [(PLAIN, 9, 0, False), (USUAL, 6, 0, True), (USUAL, 4, 3, False), (HARD, 8, 0, False)],
    ids=["plain", "gaps", "slashes", "hard"],
)
def test_a_square_is_found_and_its_marks_are_counted_to_within_one(trouble, circles, slashes, gaps):
    photo = square_photo(np.random.default_rng(31), trouble, circles, slashes, 0.6, gaps=gaps)
    seen = see_chalk(reduced(photo))
    assert seen is not None
    assert seen.square > 0.8
    assert seen.marks is not None
    assert abs(seen.marks - circles - slashes) <= 1


def test_an_empty_square_has_no_count():
    seen = see_chalk(reduced(square_photo(np.random.default_rng(7), PLAIN, 0, 0)))
    assert seen is not None
    assert seen.square > 0.8
    assert seen.marks is None


def test_writing_inside_the_square_is_not_counted():
    photo = reduced(square_photo(np.random.default_rng(31), PLAIN, 9, 0, 0.6))
    whole = WritingLine(text="F TS 9", confidence=0.9, box=Box(left=0, top=0, right=1, bottom=1))
    tally = WritingLine(text="O O0", confidence=0.9, box=Box(left=0, top=0, right=1, bottom=1))
    counted = see_chalk(photo).marks
    assert see_chalk(photo, [whole]).marks is None
    assert see_chalk(photo, [tally]).marks == counted


@pytest.mark.parametrize("seed", [1, 2])
def test_shingles_houses_and_chalked_words_are_not_squares(seed):
    rng = np.random.default_rng(seed)
    for photo in (
        photographed(shingles(rng, course=90 + 40 * seed), rng, USUAL),
        photographed(yard(rng), rng, USUAL),
        chalk_photo(["F TS 8"], "kalam", rng, USUAL, 0.5),
    ):
        seen = see_chalk(reduced(photo))
        assert seen is None or seen.square < 0.5


def test_real_streets_show_no_square(real_photos):
    for name in ("lund_01.jpg", "lund_09.jpg", "berlin_01.jpg"):
        rgb = cv2.cvtColor(cv2.imread(str(real_photos / "gps_walk" / name)), cv2.COLOR_BGR2RGB)
        seen = see_chalk(rgb)
        assert seen is None or seen.square < 0.5, name


def test_strokes_are_thin_and_stand_out_whatever_their_colour():
    ground = np.full((300, 400, 3), 90, np.uint8)
    cv2.line(ground, (50, 50), (350, 50), (90, 90, 190), 5)
    cv2.line(ground, (50, 120), (350, 120), (220, 220, 220), 5)
    cv2.rectangle(ground, (50, 180), (350, 280), (220, 220, 220), -1)
    strokes = chalk._strokes_in(chalk._relief(ground))
    assert strokes[50, 60:340].mean() > 0.95
    assert strokes[120, 60:340].mean() > 0.95
    assert strokes[215:245, 100:300].mean() < 0.05


@pytest.mark.parametrize("shape", [(1, 1, 3), (2, 900, 3), (900, 2, 3)])
def test_pictures_of_any_shape_are_taken(shape):
    assert see_chalk(np.zeros(shape, np.uint8)) is None
