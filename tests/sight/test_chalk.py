"""Chalked squares and ringed hits are found on shingles and their marks counted; window frames are not taken for squares."""

from __future__ import annotations

import functools

import cv2
import numpy as np
import pytest
from support_chalk import CHALKS, NOT_CHALK, marked
from support_drawn import (
    HARD,
    PLAIN,
    USUAL,
    chalk_photo,
    photographed,
    rings_photo,
    shingles,
    square_photo,
    yard,
)

from evidence.model import Box, MediaKind, SceneKind, WritingLine
from evidence.sight import chalk, contents
from evidence.sight.chalk import see_chalk
from evidence.sight.pictures import load_picture


def reduced(photo):
    return cv2.resize(photo, (1200, 900), interpolation=cv2.INTER_AREA)


def large(photo):
    return cv2.resize(photo, (1600, 1200), interpolation=cv2.INTER_AREA)


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


@functools.cache
def plain_square():
    """A square with nine ringed hits, which several tests look at and none changes; 1200 by 900."""
    return reduced(square_photo(np.random.default_rng(31), PLAIN, 9, 0, 0.6))


def test_an_empty_square_has_no_count():
    seen = see_chalk(reduced(square_photo(np.random.default_rng(7), PLAIN, 0, 0)))
    assert seen is not None
    assert seen.square > 0.8
    assert seen.marks is None


def test_writing_inside_the_square_is_not_counted():
    photo = plain_square()
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


@pytest.mark.parametrize(
    ("seed", "trouble", "rings"), [(0, PLAIN, 3), (1, USUAL, 5), (2, USUAL, 2), (3, USUAL, 6), (4, HARD, 4)]
)
def test_rings_without_a_square_are_counted_and_are_no_square(seed, trouble, rings):
    seen = see_chalk(reduced(rings_photo(np.random.default_rng(seed), trouble, rings)))
    assert seen is not None
    assert seen.square == 0.0
    assert abs(seen.rings - rings) <= 1


def test_bare_shingles_and_a_single_ring_give_no_count_of_rings():
    for seed in range(2):
        assert see_chalk(reduced(rings_photo(np.random.default_rng(seed), USUAL, seed % 2))) is None


def test_marks_in_a_square_are_not_counted_again_as_rings():
    seen = see_chalk(plain_square())
    assert seen.rings is None


def test_a_grid_of_lines_is_no_square():
    """Mortar between bricks, or the joints of tiles: the lines go on beyond every corner."""
    wall = np.full((900, 1200, 3), (150, 90, 70), np.uint8)
    for x in range(60, 1200, 300):
        cv2.line(wall, (x, 0), (x, 899), (205, 200, 190), 8)
    for y in range(40, 900, 260):
        cv2.line(wall, (0, y), (1199, y), (205, 200, 190), 8)
    assert see_chalk(wall) is None


@pytest.mark.parametrize("seed", [22, 53])
def test_sunlit_courses_with_staggered_joints_are_no_square(seed):
    """Each has an outline that is no square only because its lines go on: 22 along a bend, 53 at most corners."""
    rng = np.random.default_rng([seed, 13, ord("s"), 0])
    ground = shingles(rng, course=int(rng.uniform(60, 250)))
    seen = see_chalk(large(photographed(NOT_CHALK["shingle edges"](ground, rng), rng, USUAL)))
    assert seen is None or (seen.square < 0.5 and seen.rings is None)


@pytest.mark.parametrize(
    ("name", "seed"),
    [*((name, 7) for name in sorted(NOT_CHALK)), ("pipes in collars", 9), ("shingle edges", 9)],
)
def test_things_on_a_roof_that_resemble_chalk_are_none(name, seed):
    """With seed 9 a collar is no ring only for its colour inside, and an edge none for its shape."""
    rng = np.random.default_rng([seed, len(name)])
    ground = shingles(rng, course=int(rng.uniform(60, 250)))
    seen = see_chalk(reduced(photographed(NOT_CHALK[name](ground, rng), rng, USUAL)))
    assert seen is None or (seen.square < 0.5 and seen.rings is None)


@pytest.mark.parametrize(
    ("closed", "colour"), [(1.03, "white"), (0.93, "white"), *((0.85, colour) for colour in sorted(CHALKS))]
)
def test_rings_that_do_not_close_are_counted_in_every_colour(closed, colour):
    rng = np.random.default_rng([9, len(colour)])
    ground = shingles(rng, course=int(rng.uniform(60, 250)))
    seen = see_chalk(reduced(marked(ground, rng, 5, reach=(0.04, 0.06), closed=closed, colour=colour)))
    assert seen is not None
    assert seen.rings is not None
    assert abs(seen.rings - 5) <= 1


@pytest.mark.parametrize(
    ("scenes", "searched"),
    [
        ({SceneKind.ROOF: 0.3, SceneKind.SHINGLE: 0.3, SceneKind.OTHER: 0.4}, True),
        ({SceneKind.OTHER: 0.7, SceneKind.ROOF: 0.3}, False),
        ({SceneKind.GAUGE: 0.9, SceneKind.SHINGLE: 0.1}, False),
        ({}, False),
    ],
    ids=["roof", "other", "gauge", "unknown"],
)
def test_chalk_is_searched_on_roofs_and_shingles_only(scenes, searched, monkeypatch):
    photo = plain_square()
    monkeypatch.setattr(contents, "_scene", lambda *_: (scenes, b""))
    seen = contents.see_contents(
        photo, lambda _what, step, _else: step(), kinds=True, words=False, labelled=False
    )
    assert (seen.chalk is not None) is searched


def test_no_real_photo_shows_chalk(real_photos):
    """45 photos of streets, cameras and papers (../shared/real_photos): none was taken on a roof."""
    for path in sorted((real_photos / "gps_walk").glob("*.jpg")) + sorted(
        (real_photos / "sheets").glob("*.jpg")
    ):
        rgb = load_picture(path, MediaKind.PHOTO).rgb
        seen = contents.see_contents(
            rgb, lambda _what, step, _else: step(), kinds=True, words=False, labelled=False
        )
        assert seen.chalk is None, path.name
