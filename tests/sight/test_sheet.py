"""A sheet of paper is recognised; something long, dull or without writing is not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image
from support_drawn import PLAIN, USUAL, photographed, yard
from support_papers import PRINT, banknote, menu, sheet_page, sheet_photo

from evidence.model import Box, MediaKind, SceneKind
from evidence.sight.contents import see_contents
from evidence.sight.pictures import load_picture
from evidence.sight.sheet import find_paper, see_sheet

LINES = ["CLAIM HX-204881", "M. Ostrander", "418 Larkspur Lane"]


def contents(rgb):
    return see_contents(
        np.ascontiguousarray(rgb),
        lambda _what, step, _otherwise: step(),
        kinds=True,
        words=True,
        labelled=False,
    )


def reduced(photo):
    return cv2.resize(photo, (1600, 1200), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize("face", [PRINT, "kalam"], ids=["printed", "written"])
def test_a_claims_sheet_is_seen_and_its_lines_are_kept_with_it(face):
    seen = contents(reduced(sheet_photo(LINES, np.random.default_rng(12), PLAIN, 0.5, face)))
    assert seen.sheet is not None
    assert seen.sheet.confidence > 0.8
    assert 0.15 < seen.sheet.area < 0.6
    assert [line.text for line in seen.sheet.lines] == LINES


def test_every_real_sheet_is_seen_as_one(real_photos):
    """The eight photographs of `../shared/real_photos/sheets`, taken by others."""
    for path in sorted((real_photos / "sheets").iterdir()):
        with Image.open(path) as photo:
            orientation = photo.getexif().get(274, 1)
        rgb = load_picture(path, MediaKind.PHOTO, orientation).rgb
        from evidence.sight.writing import find_writing

        boxes = [spot.box for spot in find_writing(rgb)]
        assert see_sheet(rgb, boxes, ()) is not None, path.name


def test_no_real_street_or_camera_sample_is_seen_as_one(real_photos):
    for name in (
        "gps_walk/lund_04.jpg",
        "gps_walk/berlin_03.jpg",
        "broken/35-empty.jpg",
        "cameras/Pentax_K10D.jpg",
    ):
        assert contents(load_picture(real_photos / name, MediaKind.PHOTO).rgb).sheet is None, name


@pytest.mark.parametrize(("draw", "seed"), [(banknote, 1), (menu, 2)], ids=["banknote", "dark menu"])
def test_a_lookalike_has_a_lower_confidence_than_a_sheet(draw, seed):
    """Not every lookalike is refused (docs/measurements.md); these score below a plain sheet."""
    boxes = [Box(left=0.4, top=0.4, right=0.6, bottom=0.45), Box(left=0.4, top=0.5, right=0.6, bottom=0.55)]
    usual = {SceneKind.SHEET: 0.5}
    sheet = see_sheet(reduced(sheet_photo(LINES, np.random.default_rng(12), PLAIN)), boxes, (), usual)
    other = see_sheet(reduced(draw(np.random.default_rng(seed), PLAIN)), boxes, (), usual)
    assert sheet is not None
    assert other is None or other.confidence < sheet.confidence


def test_prose_in_two_columns_is_an_open_book():
    picture = np.full((900, 1200, 3), 60, np.uint8)
    cv2.rectangle(picture, (120, 90), (1080, 810), (240, 240, 240), -1)
    rows = [0.15 + 0.08 * n for n in range(9)]
    whole = [Box(left=0.14, top=y, right=0.8, bottom=y + 0.03) for y in rows]
    halves = [Box(left=x, top=y, right=x + 0.3, bottom=y + 0.03) for y in rows for x in (0.14, 0.55)]
    assert see_sheet(picture, whole, ()) is not None
    assert see_sheet(picture, halves, ()) is None


def test_paper_without_writing_is_no_sheet():
    rng = np.random.default_rng(4)
    blank = sheet_page([" "])
    assert see_sheet(blank.astype(np.uint8), [], ()) is None
    assert see_sheet(photographed(yard(rng, 800, 600), rng, USUAL), [], ()) is None


def test_a_low_scene_probability_outweighs_a_bright_rectangle():
    page = sheet_photo(LINES, np.random.default_rng(12), PLAIN)
    boxes = [Box(left=0.4, top=0.4, right=0.6, bottom=0.45)]
    assert see_sheet(page, boxes, (), {SceneKind.SHEET: 0.9}) is not None
    assert see_sheet(page, boxes, (), {SceneKind.SHEET: 0.001}) is None


def test_the_paper_is_measured_as_it_was_laid():
    picture = np.full((900, 1200, 3), 60, np.uint8)
    corners = np.array([[300, 150], [800, 170], [790, 820], [280, 800]], np.int32)
    cv2.fillPoly(picture, [corners], (240, 240, 240))
    paper = find_paper(picture)
    assert paper is not None
    assert abs(paper.area - cv2.contourArea(corners) / (900 * 1200)) < 0.02
    assert paper.four_sided > 0.95
    assert abs(paper.ratio - 650 / 505) < 0.08
    assert not paper.open


@pytest.mark.parametrize("shape", [(1, 1, 3), (2, 700, 3), (700, 2, 3)])
def test_pictures_of_any_shape_are_taken(shape):
    assert see_sheet(np.zeros(shape, np.uint8), [Box(left=0, top=0, right=1, bottom=1)], ()) is None
