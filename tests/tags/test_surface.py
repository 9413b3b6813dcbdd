"""Writing counts when it is about the photo: on a board, a card, a sheet or a roof, and not on a sign in the street."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support_models import shipped, words
from support_tags import photo

from evidence.model import Box, Facet, LabelMark, SceneKind, SheetSeen, Source, WritingLine
from evidence.tags.reading.parser import BoardParser
from evidence.tags.suggest import tag_claim

STREET = {SceneKind.HOUSE: 0.6, SceneKind.OTHER: 0.4}
ROOF = {SceneKind.ROOF: 0.5, SceneKind.SHINGLE: 0.4, SceneKind.OTHER: 0.1}


def look_of(*lines, scenes=STREET, size=0.4):
    """A look with these lines of writing, the longest of them `size` of the frame."""
    written = tuple(
        WritingLine(
            text=text,
            confidence=0.97,
            box=Box(left=0.3, right=0.3 + size, top=0.4 + k / 50, bottom=0.41 + k / 50),
        )
        for k, text in enumerate(lines)
    )
    return replace(photo(0, scenes=scenes).look, writing=written)


def read(look):
    return BoardParser(words()).read_photo(look)


SIGNS = [
    ("RIGHT TURN ON RED",),
    ("RIGHT TURN", "ON RED", "AFTER STOP"),
    ("KEEP RIGHT",),
    ("LEFT LANE MUST TURN LEFT",),
    ("FRONT STREET",),
    ("REAR ENTRANCE",),
    ("1408",),
    ("SMITH ROOFING & GUTTERS", "555-0134"),
    ("WINDOWS DOORS SIDING",),
    ("GUTTER CLEANING",),
]


@pytest.mark.parametrize("sign", SIGNS, ids=" ".join)
@pytest.mark.parametrize("size", [0.03, 0.4])
def test_a_sign_in_the_street_gives_no_facet(sign, size):
    """Wordings of road signs as in the United States' Manual on Uniform Traffic Control Devices (from memory)."""
    reading = read(look_of(*sign, size=size))
    assert reading.facets == ()
    assert reading.compass is None
    assert reading.text


def test_a_sign_gives_a_photo_no_tag():
    sign = replace(photo(0, scenes=STREET), look=look_of("RIGHT TURN ON RED"))
    result = tag_claim([sign], person={}, vocabulary=words(), models=shipped())[sign.sha256]
    face = result.tags.get(Facet.FACE)
    assert face is None or face.value != "right" or "board reads" not in face.reason
    assert all(value.source is not Source.WRITING for value in result.by_source)


@pytest.mark.parametrize("board", ["F ELEV", "LEFT SIDE GUTTER NO DMG", "RT SLOPE TS 8", "BACK"])
@pytest.mark.parametrize("size", [0.05, 0.4])
def test_a_board_in_words_of_the_trade_counts_near_and_far(board, size):
    assert read(look_of(board, size=size)).facets


def test_the_same_words_count_where_the_look_shows_a_roof_a_card_or_a_sheet():
    words_of_both = "RIGHT HAIL ZONE"
    assert read(look_of(words_of_both)).best(Facet.FACE) is None
    for seen in (
        look_of(words_of_both, scenes=ROOF),
        replace(look_of(words_of_both), labels=(LabelMark(number=3, code_area=0.05),)),
        replace(look_of(words_of_both), sheet=SheetSeen(area=0.4, confidence=0.9, lines=())),
    ):
        assert read(seen).best(Facet.FACE).value == "right"
