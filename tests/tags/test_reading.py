"""Boards as adjusters write them. The spellings are common practice, no source."""

from __future__ import annotations

import random
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evidence.model import Box, Facet, OtherReading, WritingLine
from evidence.settings import default_text
from evidence.tags.reading.lexicon import as_number, similarity
from evidence.tags.reading.parser import BoardParser, parser_of
from evidence.tags.vocabulary import load_vocabulary

WORDS = load_vocabulary(default_text("tags.toml"), "tags.toml")
OTHER_WORDS = load_vocabulary(
    default_text("tags.toml").replace('["right", "back"]', '["back", "right"]'), "x"
)
PARSER = BoardParser(WORDS)


def said(text):
    """The value taken for each facet, as plain words."""
    reading = PARSER.read_text(text)
    return {f.value: reading.best(f).value for f in Facet if reading.best(f)}


NO_DAMAGE = {"condition": "no_damage", "role": "no_damage_proof"}


@pytest.mark.parametrize(
    ("board", "facets"),
    [
        ("LEFT SIDE GUTTER NO DMG", {"face": "left", "component": "gutter", **NO_DAMAGE}),
        ("R SLOPE 10+", {"face": "right", "role": "slope", "count": "10"}),
        ("F TS 8", {"face": "front", "role": "test_square", "count": "8"}),
        ("8/12", {"component": "pitch_gauge", "role": "measurement"}),
        ("2 LAYERS, DRIP EDGE Y", {"component": "layers", "role": "measurement"}),
        ("left gutter no damage", {"face": "left", "component": "gutter", **NO_DAMAGE}),
        ("L GUTTER N/D", {"face": "left", "component": "gutter", **NO_DAMAGE}),
        ("L. Gutter - no dmg.", {"face": "left", "component": "gutter", **NO_DAMAGE}),
        ("L+GUTTER+NO DMG", {"face": "left", "component": "gutter", **NO_DAMAGE}),
        ("LEFT/GUTTER/NO DMG", {"face": "left", "component": "gutter", **NO_DAMAGE}),
        ("REAR ELEV", {"face": "back", "role": "elevation"}),
        ("BACK ELEVATION", {"face": "back", "role": "elevation"}),
        ("B/TS/12", {"face": "back", "role": "test_square", "count": "12"}),
        ("F-TS-8", {"face": "front", "role": "test_square", "count": "8"}),
        ("TS8 BACK", {"face": "back", "role": "test_square", "count": "8"}),
        ("FRONT TEST SQUARE 0", {"face": "front", "role": "test_square", "count": "0"}),
        ("REAR SLOPE 0 HITS", {"face": "back", "role": "slope", "count": "0"}),
        ("10X10 F 8 HITS", {"face": "front", "role": "test_square", "count": "8", "condition": "damage"}),
        ("A/C UNIT", {"component": "ac_unit"}),
        ("AC NO DMG", {"component": "ac_unit", **NO_DAMAGE}),
        ("LT DS DMG", {"face": "left", "component": "downspout", "condition": "damage", "role": "close_up"}),
        ("WINDOW SCREEN", {"component": "screen"}),
        ("FRONT WINDOW SCREEN DENTED", {"face": "front", "component": "screen", "condition": "damage", "role": "close_up"}),
        ("RT SIDING N/D", {"face": "right", "component": "siding", **NO_DAMAGE}),
        ("SHINGLE GAUGE", {"component": "shingle_gauge", "role": "measurement"}),
        ("PITCH 6/12", {"component": "pitch_gauge", "role": "measurement"}),
        ("SLOPE 7/12", {"component": "pitch_gauge", "role": "measurement"}),
        ("PIPE BOOT", {"component": "pipe_boot"}),
        ("PIPE JACK NO DMG", {"component": "pipe_boot", **NO_DAMAGE}),
        ("B VENT", {"component": "vent"}),
        ("TURTLE VENT DMG", {"component": "vent", "condition": "damage", "role": "close_up"}),
        ("RIDGE", {"component": "ridge"}),
        ("ROOF OVERVIEW", {"component": "roof", "role": "overview"}),
        ("FRONT DOOR", {"face": "front", "component": "door"}),
        ("KITCHEN CEILING", {"component": "ceiling"}),
        ("KITCHEN OVERVIEW", {"component": "kitchen", "role": "overview"}),
        ("LEFTGUTTER NODMG", {"face": "left", "component": "gutter", **NO_DAMAGE}),
        ("SOFT SPOT", {"component": "soft_spot"}),
        ("MOISTURE 18%", {"component": "moisture_reading", "role": "measurement"}),
    ],
)  # fmt: skip
def test_a_board_is_understood(board, facets):
    assert said(board) == facets


@pytest.mark.parametrize(
    ("misread", "meant"),
    [
        ("LEFT GUTTFR N0 DMG", "LEFT GUTTER NO DMG"),
        ("LEFI GUTTER", "LEFT GUTTER"),
        ("GUT TER LEFT", "GUTTER LEFT"),
        ("FR0NT 5LOPE", "FRONT SLOPE"),
        ("F T5 8", "F TS 8"),
        ("F TS 1O", "F TS 10"),
        ("8/l2", "8/12"),
        ("DOWNSPOUI RIGHT", "DOWNSPOUT RIGHT"),
        ("BACK ELEVATI0N", "BACK ELEVATION"),
        ("SHINGIE GAUGE", "SHINGLE GAUGE"),
        ("DRlP EDGE", "DRIP EDGE"),
        ("NO DAMAGF", "NO DAMAGE"),
    ],
)
def test_a_misread_board_says_what_was_meant(misread, meant):
    assert said(misread) == said(meant) != {}


@pytest.mark.parametrize(
    "text",
    [
        "1200 MAPLE STREET",
        "123 N ELM DR",
        "14 W BACK BAY RD",
        "CLAIM 00123 L",
        "DOL 5/14/24",
        "8/12/24",
        "DATE: 05/14/2024 F",
        "BECK",
        "NIGHT",
        "BUTTER",
        "BRIDGE",
        "GRAVEL",
        "OPEN 24 HOURS",
        "BEWARE OF THE DOG",
        "2 4 6 8",
        "10:45 AM",
        "",
        "....",
        "+",
        "/",
    ],
)
def test_what_is_no_tag_is_not_made_one(text):
    assert said(text) == {}


def test_a_letter_with_two_meanings_follows_the_setting_and_is_flagged():
    reading = PARSER.read_text("R GUTTER")
    assert [s.value for s in reading.all(Facet.FACE)] == ["right", "back"]
    assert reading.all(Facet.FACE)[0].confidence == pytest.approx(0.7)
    assert [f.code for f in reading.flags] == ["ambiguous_word"]
    other = BoardParser(OTHER_WORDS)
    assert other.read_text("R GUTTER").best(Facet.FACE).value == "back"


def test_the_same_lines_are_read_once_by_the_parser_of_each_vocabulary():
    first = parser_of(WORDS).read_text("R GUTTER")
    assert parser_of(OTHER_WORDS).read_text("R GUTTER").best(Facet.FACE).value == "back"
    assert parser_of(WORDS).read_text("R GUTTER") is first
    assert parser_of(WORDS).read_text("R GUTTER", confidence=0.9) != first


def test_spelling_the_side_out_is_not_ambiguous():
    assert PARSER.read_text("RIGHT GUTTER").flags == PARSER.read_text("REAR GUTTER").flags == ()


def test_two_faces_or_two_components_on_one_board_are_flagged():
    assert [f.code for f in PARSER.read_text("FRONT LEFT GUTTER").flags] == ["two_faces"]
    assert [f.code for f in PARSER.read_text("GUTTER DOWNSPOUT").flags] == ["two_components"]
    assert {s.value for s in PARSER.read_text("2 LAYERS, DRIP EDGE Y").all(Facet.COMPONENT)} == {
        "layers",
        "drip_edge",
    }


def test_damage_and_no_damage_together_state_neither():
    reading = PARSER.read_text("GUTTER DMG SCREEN NO DMG")
    assert reading.best(Facet.CONDITION) is None
    assert "two_conditions" in [f.code for f in reading.flags]


@pytest.mark.parametrize("misread", ["GUTTER N DMG", "N DMG", "RIDGE O DMG"])
def test_a_no_that_cannot_be_read_never_turns_into_damage(misread):
    reading = PARSER.read_text(misread)
    assert reading.best(Facet.CONDITION) is None
    assert "unclear_condition" in [f.code for f in reading.flags]


@pytest.mark.parametrize(
    "misread", ["GUTTER MO DMG", "LEFT GUTTER NQX DAMAGE", "RIDGE MO DMG", "RIDGE CAPNO DMG"]
)
def test_a_no_that_can_hardly_be_anything_else_is_one(misread):
    assert said(misread)["condition"] == "no_damage"


@pytest.mark.parametrize(
    ("board", "word"), [("REAU GUTTER DMG", "REAU"), ("LEF GUTTER", "LEF"), ("GUTTER DNG", "DNG")]
)
def test_a_badly_spelt_word_is_forgiven_only_beside_words_of_ours(board, word):
    assert said(word) == {}
    assert len(said(board)) > 1


def test_two_numbers_leave_the_count_unstated():
    reading = PARSER.read_text("F TS 8 11")
    assert reading.best(Facet.COUNT) is None
    assert [f.code for f in reading.flags] == ["two_counts"]


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("8/12", ("pitch 8/12",)),
        ("2 LAYERS, DRIP EDGE Y", ("2 layers", "drip edge: yes")),
        ("NO DRIP EDGE", ("drip edge: no",)),
        ("R SLOPE 10+", ("10 or more",)),
        ("1 LAYER", ("1 layer",)),
    ],
)
def test_what_no_facet_holds_is_noted(text, notes):
    assert PARSER.read_text(text).notes == notes


@pytest.mark.parametrize(
    ("text", "degrees"),
    [("NORTH SLOPE", 0), ("W SLOPE", 270), ("EAST ELEV", 90), ("SOUTH SIDE", 180), ("N MAIN", None)],
)
def test_compass_words_name_a_side_but_not_a_street(text, degrees):
    assert PARSER.read_text(text).compass == degrees


def line(text, confidence=0.9, also=()):
    return WritingLine(
        text=text,
        confidence=confidence,
        box=Box(left=0.2, top=0.2, right=0.6, bottom=0.5),
        also=tuple(OtherReading(text=other, share=share) for other, share in also),
    )


def test_lines_are_read_in_their_order_and_doubtful_ones_not_at_all():
    """The reader orders them along the writing, which on a tilted board is not from top to bottom."""
    reading = PARSER.read([line("BACK", confidence=0.3), line("GUTTER"), line("NO"), line("DAMAGE")])
    assert reading.text == "GUTTER NO DAMAGE"
    assert reading.best(Facet.CONDITION).value == "no_damage"
    assert reading.best(Facet.FACE) is None
    assert reading.best(Facet.COMPONENT).confidence == pytest.approx(0.98)


def test_similarity_is_the_edit_distance_with_a_lower_cost_for_similar_shapes():
    # the kitten/sitting distance of 3 is the usual worked example of Levenshtein's distance
    assert similarity("KITTEN", "SITTING") == pytest.approx(100 * (1 - 3 / 7))
    assert similarity("LEFI", "LEFT") == pytest.approx(100 * (1 - 0.5 / 4))
    assert similarity("", "") == 100
    assert similarity("GUTTER", "GUTTER") == 100


@pytest.mark.parametrize(
    ("text", "number"), [("10", 10), ("1O", 10), ("l0".upper(), 10), ("IO", None), ("12A", None)]
)
def test_a_number_may_hold_letters_of_its_shape_but_not_only_letters(text, number):
    assert as_number(text) == number


FACES = {
    "front": ["FRONT", "F", "FRT"],
    "back": ["BACK", "REAR", "B"],
    "left": ["LEFT", "L", "LT"],
    "right": ["RIGHT", "RT"],
}
PARTS = {
    "gutter": ["GUTTER", "GTR"],
    "downspout": ["DOWNSPOUT", "DS"],
    "siding": ["SIDING"],
    "screen": ["SCREEN"],
}
STATES = {"no_damage": ["NO DMG", "N/D", "NO DAMAGE", "UNDAMAGED"], "damage": ["DMG", "DAMAGE", "DENTS"]}


@given(
    st.sampled_from(sorted(FACES)), st.sampled_from(sorted(PARTS)), st.sampled_from(sorted(STATES)),
    st.randoms(use_true_random=False), st.sampled_from([" ", " / ", " + ", ", ", " - ", "/"]),
)  # fmt: skip
def test_spelling_case_and_separators_make_no_difference(face, part, state, rng, separator):
    board = separator.join([rng.choice(FACES[face]), rng.choice(PARTS[part]), rng.choice(STATES[state])])
    facets = said(rng.choice([board, board.lower(), board.title()]))
    assert (facets["face"], facets["component"], facets["condition"]) == (face, part, state)


@given(st.text(max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_text_is_read_without_a_fault_and_within_the_vocabulary(text):
    for written in PARSER.read_text(text).facets:
        assert WORDS.check(written.facet, written.value) == written.value
        assert 0 < written.confidence <= 1


def test_random_letters_are_hardly_ever_made_a_word():
    rng = random.Random(7)
    words = ["".join(rng.choices(string.ascii_uppercase, k=rng.randint(5, 10))) for _ in range(600)]
    assert sum(bool(said(word)) for word in words) <= 3


@pytest.mark.parametrize(
    "text",
    [
        "BLACK",
        "LOADER",
        "COMMENTS",
        "TABLES",
        "FIVE",
        "RATIO RUST",
        "LEFT CLASS",
        "GUTTER BUMP",
        "FLIGHT",
        "BRAKE",
    ],
)
def test_a_word_that_is_merely_like_one_of_ours_is_not_taken_for_it(text):
    ours = {"LEFT": {"face": "left"}, "GUTTER": {"component": "gutter"}}.get(text.split()[0], {})
    assert said(text) == ours


@pytest.mark.parametrize(
    ("misread", "meant"),
    [
        ("KT SCREEN NO DMG", "RT SCREEN NO DMG"),
        ("EAR FASCIA DMG", "REAR FASCIA DMG"),
        ("BAK, GUTTERS, DAMAGE", "BACK, GUTTERS, DAMAGE"),
        ("LEFT NUTTER NO DMG", "LEFT GUTTER NO DMG"),
        ("REAR SIDING NID", "REAR SIDING N/D"),
        ("RT AIC NO DMG", "RT A/C NO DMG"),
        ("I LAYER", "1 LAYER"),
        ("FRONT TS S", "FRONT TS 5"),
        ("TEST SQUARE O", "TEST SQUARE 0"),
        ("LSIDING N/D", "L SIDING N/D"),
        ("FELEVATION", "F ELEVATION"),
        ("LTGTR NO DMG", "LT GTR NO DMG"),
        ("RIDGE CAPNO DMG", "RIDGE CAP NO DMG"),
        ("TURTLE VENS DMG", "TURTLE VENT DMG"),
        ("DRIP EDGN Y", "DRIP EDGE Y"),
        ("RT SIDIG DAMAE", "RT SIDING DAMAGE"),
        ("( DAMAGE", "L DAMAGE"),
    ],
)
def test_what_stands_beside_a_misread_word_says_what_it_was(misread, meant):
    assert said(misread) == said(meant) != {}


@pytest.mark.parametrize(
    ("lines", "meant"),
    [
        ([("812", [("8/12", 0.5)])], "8/12"),
        ([("REAR SIDING",), ("ND", [("NID", 0.6), ("N/D", 0.5)])], "REAR SIDING N/D"),
        ([("LDMG", [("L DMG", 0.2)])], "L DMG"),
        ([("FLASHING",), ("20", [("N0", 0.3), ("2O", 0.2)]), ("DAMAGE",)], "FLASHING NO DAMAGE"),
    ],
)
def test_what_else_the_reader_saw_is_weighed(lines, meant):
    assert {
        f.value: s.value
        for f in Facet
        if (s := PARSER.read([line(t, 0.98, *more) for t, *more in lines]).best(f))
    } == said(meant)


def test_what_else_the_reader_saw_turns_no_house_number_into_a_pitch():
    assert PARSER.read([line("812", 0.98, [("8/12", 0.02)])]).facets == ()
