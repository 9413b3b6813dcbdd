"""The words and the cards: the shipped file is valid, and a mistake in an own file is named."""

from __future__ import annotations

import tomllib

import pytest

from evidence.errors import BadInputError
from evidence.model import Condition, Face, Facet, Role
from evidence.settings import default_text
from evidence.tags.vocabulary import APRILTAG_36H11_IDS, Vocabulary, Zone, load_vocabulary, normal


@pytest.fixture(scope="module")
def shipped() -> Vocabulary:
    return load_vocabulary(default_text("tags.toml"), "tags.toml")


def broken(old: str, new: str) -> str:
    text = default_text("tags.toml")
    assert old in text
    return text.replace(old, new, 1)


def test_every_role_face_and_condition_of_the_model_has_words(shipped):
    assert set(shipped.ids(Facet.ROLE)) == set(Role)
    assert set(shipped.ids(Facet.FACE)) == set(Face)
    assert set(shipped.ids(Facet.CONDITION)) == set(Condition)


def test_every_component_has_a_zone_and_a_card_of_its_own(shipped):
    stated = {value for card in shipped.labels for facet, value in card.sets if facet is Facet.COMPONENT}
    for name in shipped.ids(Facet.COMPONENT):
        assert shipped.word(Facet.COMPONENT, name).zone in set(Zone)
        assert name in stated


@pytest.mark.parametrize("face", ["front", "right", "back", "left"])
def test_every_face_has_a_card(shipped, face):
    assert any(card.sets == ((Facet.FACE, face),) for card in shipped.labels)


def test_card_numbers_fit_the_family_and_one_card_ends(shipped):
    assert all(0 <= card.number < APRILTAG_36H11_IDS for card in shipped.labels)
    assert [card.words for card in shipped.labels if card.ends] == ["END"]


def test_gauges_imply_measurements(shipped):
    for name in ("shingle_gauge", "pitch_gauge", "layers", "drip_edge"):
        assert (Facet.ROLE, "measurement") in shipped.word(Facet.COMPONENT, name).implies


def test_the_file_keeps_the_order_in_which_a_card_states(shipped):
    card = next(c for c in shipped.labels if c.words == "NO DAMAGE")
    assert card.sets[0] == (Facet.CONDITION, "no_damage")
    raw = next(c for c in tomllib.loads(default_text("tags.toml"))["label"] if c["words"] == "NO DAMAGE")
    assert list(raw["sets"]) == [facet.value for facet, _ in card.sets]


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        pytest.param('facet = "role"', 'fcaet = "role"', ("fcaet", "facet"), id="misspelt key"),
        pytest.param('facet = "role"', 'facet = "roll"', ("roll", "role"), id="misspelt facet"),
        pytest.param('id = "elevation"', 'id = "elevatoin"', ("elevatoin", "elevation"), id="misspelt role"),
        pytest.param(
            'component = "gutter"', 'component = "guter"', ("guter", "gutter"), id="card with no word"
        ),
        pytest.param(
            'sets = { face = "left" }', 'sets = { fase = "left" }', ("fase", "face"), id="card facet"
        ),
        pytest.param("[cards]", "[crads]", ("crads", "cards"), id="misspelt table"),
        pytest.param("pause_minutes = 20", "pause_minutes = -1", ("pause_minutes",), id="negative pause"),
        pytest.param("number = 2\n", "number = 1\n", ("FRONT", "RIGHT"), id="number given twice"),
        pytest.param("number = 2\n", "number = 587\n", ("587", "586"), id="number outside the family"),
        pytest.param('count = "3"', 'count = "three"', ("three",), id="count in words"),
        pytest.param("ends = true", 'ends = "yes"', ("ends",), id="ends in quotes"),
        pytest.param('zone = "roof"', 'zone = "rof"', ("rof", "roof"), id="misspelt zone"),
        pytest.param('["right", "back"]', '["right", "bakc"]', ("bakc", "back"), id="either of nothing"),
        pytest.param("[cards]", "[cards", ("TOML",), id="not TOML"),
    ],
)
def test_a_mistake_is_named_with_the_nearest_right_word(old, new, named):
    with pytest.raises(BadInputError) as caught:
        load_vocabulary(broken(old, new), "office.toml")
    line = default_text("tags.toml").count("\n", 0, default_text("tags.toml").index(old)) + 1
    assert f"line {line}" in str(caught.value)
    message = str(caught.value)
    assert "office.toml" in message
    assert "\n" not in message
    for part in named:
        assert part in message
    assert caught.value.exit_code == 2


def test_a_spelling_with_two_meanings_is_named_where_it_comes_again():
    text = broken('"gutters", ', '"gutters", "ds", ')
    with pytest.raises(BadInputError, match="'DS' means both 'gutter' and 'downspout'") as caught:
        load_vocabulary(text, "office.toml")
    again = text.splitlines().index('id = "downspout"') + 1
    assert f"line {again + 2}" in caught.value.message


def test_a_role_without_words_is_missed():
    with pytest.raises(BadInputError, match="elevation"):
        load_vocabulary('[[word]]\nfacet = "role"\nid = "overview"\nwords = "overview"\n', "small.toml")


def test_a_person_s_value_is_checked_against_the_words(shipped):
    assert shipped.check(Facet.COMPONENT, "gutter") == "gutter"
    assert shipped.check(Facet.COUNT, "007") == "7"
    with pytest.raises(BadInputError, match="gutter"):
        shipped.check(Facet.COMPONENT, "gutters")
    for bad in ("-1", "ten", "1000", "²", ""):
        with pytest.raises(BadInputError):
            shipped.check(Facet.COUNT, bad)


def test_spelling_is_compared_without_case_dots_and_dashes():
    assert normal(" close-up. ") == normal("Close  Up") == "CLOSE UP"
