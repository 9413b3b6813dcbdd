"""Writing is found and read, none is invented, and nothing is downloaded."""

from __future__ import annotations

import socket

import cv2
import numpy as np
import pytest
from support_drawn import (
    HANDS,
    HARD,
    PLAIN,
    USUAL,
    board,
    board_photo,
    chalk_photo,
    fine_noise,
    lay,
    photographed,
    shingles,
    yard,
)

from evidence.model import WritingLine
from evidence.sight import writing
from evidence.sight.weights import NetworkError
from evidence.sight.writing import ReadingBudget, TextSpot, find_writing, read_writing


def texts(photo, **more):
    return [line.text.upper() for line in read_writing(photo, **more)]


@pytest.mark.parametrize(
    ("lines", "hand", "trouble"),
    [
        (["LEFT SIDE GUTTER", "NO DMG"], "kalam", USUAL),
        (["RIGHT DOWNSPOUT", "3 HITS"], "permanent-marker", HARD),
        (["FRONT ELEVATION"], "indie-flower", PLAIN),
    ],
    ids=["usual", "hard", "plain"],
)
def test_a_board_held_up_is_read_in_its_order(lines, hand, trouble):
    assert texts(board_photo(lines, hand, np.random.default_rng(21), trouble, 0.5)) == lines


def test_chalk_on_shingles_is_read():
    assert texts(chalk_photo(["BACK SLOPE", "10+"], "kalam", np.random.default_rng(5), USUAL, 0.6)) == [
        "BACK SLOPE",
        "10+",
    ]


def test_a_line_is_boxed_where_it_stands():
    rng = np.random.default_rng(3)
    patch = board(["RIDGE VENT"], "kalam", rng)
    corners = np.array([[1200, 300], [1700, 300], [1700, 460], [1200, 460]], np.float32)
    (line,) = read_writing(photographed(lay(yard(rng), patch, corners), rng, PLAIN))
    box = line.box
    assert 0.58 <= box.left < box.right <= 0.87
    assert 0.18 <= box.top < box.bottom <= 0.33
    assert 0.9 < line.confidence <= 1


def small_board(lines, seed, width):
    """A photo of 3,200 pixels with a board that takes `width` of them, and its copy of 1,600."""
    rng = np.random.default_rng(seed)
    patch = board(lines, "kalam", rng)
    grain = 6 * fine_noise(rng, 2400, 3200)
    ground = cv2.merge([grain + np.float32(one) for one in (120, 130, 110)])
    high = width * patch.shape[0] / patch.shape[1]
    corners = np.array(
        [[1900, 900], [1900 + width, 900], [1900 + width, 900 + high], [1900, 900 + high]], np.float32
    )
    photo = photographed(lay(ground, patch, corners), rng, PLAIN)
    return photo, np.asarray(cv2.resize(photo, (1600, 1200), interpolation=cv2.INTER_AREA))


def test_small_writing_is_read_from_the_full_picture():
    """A board on a fourteenth of the width: its letters are a few pixels high where it is first seen."""
    photo, reduced = small_board(["REAR DOWNSPOUT", "NO DMG"], 3, 230)
    grey = cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY)
    lines = read_writing(reduced, full=lambda: grey)
    assert [line.text.upper() for line in lines] == ["REAR DOWNSPOUT", "NO DMG"]
    for line in lines:
        assert 0.59 <= line.box.left < line.box.right <= 0.67
        assert 0.37 <= line.box.top < line.box.bottom <= 0.42
    assert lines[0].box.bottom < lines[1].box.bottom


def test_the_full_picture_is_not_used_for_large_writing():
    photo = board_photo(["LEFT GUTTER"], "kalam", np.random.default_rng(12), PLAIN, 0.6)
    assert texts(photo, full=lambda: pytest.fail("decoded in full for nothing")) == ["LEFT GUTTER"]


def test_a_board_held_sideways_is_read_in_its_order():
    photo = board_photo(["WINDOW SCREEN", "TORN"], "kalam", np.random.default_rng(8), PLAIN, 0.6)
    sideways = np.ascontiguousarray(np.rot90(photo))
    assert texts(sideways) == ["WINDOW SCREEN", "TORN"]


def test_a_picture_without_writing_gives_none():
    rng = np.random.default_rng(2)
    assert read_writing(np.full((600, 800, 3), 128, np.uint8)) == ()
    assert texts(photographed(shingles(rng, 800, 600), rng, USUAL)) == []


@pytest.mark.parametrize("shape", [(1, 1, 3), (3, 900, 3), (900, 3, 3), (40, 40, 3)])
def test_pictures_of_any_shape_are_taken(shape):
    assert read_writing(np.zeros(shape, np.uint8), budget=ReadingBudget(gate_side=192)) == ()
    spot = TextSpot(corners=np.array([[-0.2, -0.1], [1.2, 0], [1.1, 1.3], [0, 1]], np.float32), score=1.0)
    for line in read_writing(np.zeros(shape, np.uint8), spots=[spot]):
        assert 0 <= line.box.left <= line.box.right <= 1


def test_the_tallest_lines_are_read_first_when_there_are_more_than_the_budget():
    rng = np.random.default_rng(6)
    big, small = board(["ROOF"], "kalam", rng, size=200), board(["SMALL PRINT"], "kalam", rng, size=90)
    ground = lay(yard(rng), big, np.array([[200, 200], [900, 200], [900, 600], [200, 600]], np.float32))
    ground = lay(
        ground, small, np.array([[1100, 1200], [1500, 1200], [1500, 1290], [1100, 1290]], np.float32)
    )
    photo = photographed(ground, rng, PLAIN)
    assert texts(photo, budget=ReadingBudget(most_lines=1)) == ["ROOF"]
    assert sorted(texts(photo)) == ["ROOF", "SMALL PRINT"]


def test_nothing_is_downloaded(monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("a connection was tried")

    for name in ("socket", "create_connection", "getaddrinfo"):
        monkeypatch.setattr(socket, name, refuse)
    for opened in (writing._detector, writing._reader, writing._alphabet):
        opened.cache_clear()
    assert texts(board_photo(["TURTLE VENT"], HANDS[0], np.random.default_rng(1), PLAIN, 0.5)) == [
        "TURTLE VENT"
    ]


def test_another_model_than_the_known_one_is_refused():
    with pytest.raises(NetworkError, match="not the file"):
        writing._model(writing._DETECTOR[0], "0" * 64)
    with pytest.raises(NetworkError, match="cannot be read"):
        writing._model("absent.onnx", "0" * 64)


def test_real_print_is_read(real_photos):
    """Words that stand on the printed forms, read off the photos by eye."""
    from PIL import Image, ImageOps

    with Image.open(real_photos / "sheets" / "om_omr_survey_1.jpg") as photo:
        lines = read_writing(
            np.asarray(ImageOps.exif_transpose(photo).convert("RGB")), budget=ReadingBudget(most_lines=40)
        )
    assert all(isinstance(line, WritingLine) for line in lines)
    words = " ".join(line.text for line in lines)
    for phrase in ("guest satisfaction survey", "check-in process", "hotel staff members"):
        assert phrase in words


def test_the_first_look_sorts_by_size():
    spots = find_writing(
        board_photo(["LEFT SIDE GUTTER", "OK"], "kalam", np.random.default_rng(4), PLAIN, 0.6)
    )
    assert [spot.box.area for spot in spots] == sorted((spot.box.area for spot in spots), reverse=True)
    assert all(0.5 <= spot.score <= 1 for spot in spots)
