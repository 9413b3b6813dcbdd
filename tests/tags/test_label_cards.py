"""Label cards: what they state, for how long, and what ends it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support_tags import BIG, SMALL, photo

from evidence.model import Facet, Role, Source
from evidence.settings import default_text
from evidence.tags.label_cards import ordinal, read_labels
from evidence.tags.vocabulary import load_vocabulary

WORDS = load_vocabulary(default_text("tags.toml"), "tags.toml")


def card(words: str) -> int:
    return next(c.number for c in WORDS.labels if c.words == words)


LEFT, RIGHT, GUTTER, SCREEN, NO_DAMAGE = (
    card(w) for w in ("LEFT", "RIGHT", "GUTTER", "WINDOW SCREEN", "NO DAMAGE")
)
TEST_SQUARE, SEVEN, END, GAUGE = (card(w) for w in ("TEST SQUARE", "7 HITS", "END", "SHINGLE GAUGE"))


def stated_words(photos, options=None):
    """What is stated about each photo, as plain words."""
    stated = read_labels(photos, WORDS, options).stated
    return [{facet.value: value.value for facet, value in stated[p.sha256].items()} for p in photos]


def test_a_card_that_fills_the_frame_applies_to_the_photos_after_it():
    photos = [photo(0), photo(1, cards=[(LEFT, BIG)]), photo(2), photo(3)]
    assert stated_words(photos) == [{}, {"role": "label"}, {"face": "left"}, {"face": "left"}]


def test_the_reason_names_the_card_and_where_it_was_shown():
    photos = [photo(0), photo(1), photo(2, cards=[(LEFT, BIG)]), photo(3)]
    said = read_labels(photos, WORDS).stated[photos[3].sha256][Facet.FACE]
    assert said.reason == "label card LEFT in the 3rd photo"
    assert (said.source, said.confidence, said.stated) == (Source.LABEL, 1.0, True)


def test_a_small_card_applies_to_its_own_photo_only():
    photos = [photo(0, cards=[(LEFT, BIG)]), photo(1, cards=[(RIGHT, SMALL)]), photo(2)]
    assert stated_words(photos) == [{"role": "label"}, {"face": "right"}, {"face": "left"}]


def test_another_card_changes_only_its_own_facet():
    photos = [
        photo(0, cards=[(LEFT, BIG)]),
        photo(1, cards=[(GUTTER, BIG)]),
        photo(2),
        photo(3, cards=[(RIGHT, BIG)]),
        photo(4),
    ]
    assert stated_words(photos)[2] == {"face": "left", "component": "gutter"}
    assert stated_words(photos)[4] == {"face": "right", "component": "gutter"}


@pytest.mark.parametrize("area", [BIG, SMALL], ids=["two halves of the frame", "two small ones"])
def test_two_cards_in_one_photo_apply_together(area):
    photos = [photo(0, cards=[(LEFT, area * 0.5), (GUTTER, area * 0.5)]), photo(1)]
    both = {"face": "left", "component": "gutter"}
    assert stated_words(photos) == ([{"role": "label"}, both] if area == BIG else [both, {}])


def test_the_end_card_ends_everything():
    photos = [
        photo(0, cards=[(LEFT, BIG)]),
        photo(1, cards=[(GUTTER, BIG)]),
        photo(2, cards=[(END, BIG)]),
        photo(3),
    ]
    assert stated_words(photos)[2:] == [{"role": "label"}, {}]


def test_a_small_end_card_frees_its_own_photo_only():
    photos = [photo(0, cards=[(LEFT, BIG)]), photo(1, cards=[(END, SMALL)]), photo(2)]
    assert stated_words(photos)[1:] == [{}, {"face": "left"}]


@pytest.mark.parametrize(("minutes", "face"), [(19.9, "left"), (20.1, None)], ids=["short", "long"])
def test_a_long_pause_ends_all_statements(minutes, face):
    photos = [photo(0, at=0, cards=[(LEFT, BIG)]), photo(1, at=10), photo(2, at=10 + minutes * 60)]
    assert stated_words(photos)[2].get("face") == face


def test_the_pause_is_between_neighbours_and_not_since_the_card():
    photos = [photo(0, cards=[(LEFT, BIG)], at=0), *(photo(k, at=k * 600.0) for k in range(1, 12))]
    assert all(words["face"] == "left" for words in stated_words(photos)[1:])


def test_photos_without_any_time_do_not_count_as_a_pause():
    timeless = [
        replace(p, corrected=None, facts=replace(p.facts, taken_local=None))
        for p in (photo(0, cards=[(LEFT, BIG)]), photo(1))
    ]
    assert stated_words(timeless)[1] == {"face": "left"}


def test_the_claim_s_sheet_is_a_divider_and_ends_all_statements():
    photos = [photo(0, sheet="A-1"), photo(1, cards=[(LEFT, BIG)]), photo(2), photo(3, sheet="A-1"), photo(4)]
    assert stated_words(photos) == [
        {"role": "divider"},
        {"role": "label"},
        {"face": "left"},
        {"role": "divider"},
        {},
    ]


def test_a_gauge_s_measurement_ends_with_the_gauge():
    photos = [photo(0, cards=[(GAUGE, BIG)]), photo(1), photo(2, cards=[(GUTTER, BIG)]), photo(3)]
    assert stated_words(photos)[1] == {"component": "shingle_gauge", "role": "measurement"}
    assert stated_words(photos)[3] == {"component": "gutter"}


def test_a_count_ends_with_its_square():
    photos = [
        photo(0, cards=[(TEST_SQUARE, BIG)]),
        photo(1, cards=[(SEVEN, BIG)]),
        photo(2),
        photo(3, cards=[(RIGHT, BIG)]),
        photo(4),
    ]
    assert stated_words(photos)[2] == {"role": "test_square", "count": "7"}
    assert stated_words(photos)[4] == {"role": "test_square", "face": "right"}


def test_no_damage_that_continues_to_another_component_is_flagged_once():
    photos = [
        photo(0, cards=[(GUTTER, BIG)]),
        photo(1, cards=[(NO_DAMAGE, BIG)]),
        photo(2),
        photo(3, cards=[(SCREEN, BIG)]),
        photo(4),
        photo(5),
    ]
    reading = read_labels(photos, WORDS)
    assert stated_words(photos)[4] == {
        "component": "screen",
        "condition": "no_damage",
        "role": "no_damage_proof",
    }
    assert [(p.order, f.code) for p in photos for f in reading.flags.get(p.sha256, ())] == [
        (4, "label_ran_on")
    ]


def test_cards_shown_in_a_row_before_any_photo_are_meant_together():
    photos = [photo(0, cards=[(NO_DAMAGE, BIG)]), photo(1, cards=[(SCREEN, BIG)]), photo(2)]
    assert read_labels(photos, WORDS).flags == {}
    assert stated_words(photos)[2]["condition"] == "no_damage"


def test_cards_that_contradict_each_other_state_nothing_and_are_flagged():
    photos = [
        photo(0, cards=[(LEFT, BIG), (RIGHT, BIG)]),
        photo(1),
        photo(2, cards=[(LEFT, SMALL), (RIGHT, SMALL)]),
    ]
    reading = read_labels(photos, WORDS)
    assert stated_words(photos) == [{"role": "label"}, {}, {}]
    assert {f.code for found in reading.flags.values() for f in found} == {"labels_disagree"}


def test_an_unknown_card_states_nothing_and_is_flagged():
    photos = [photo(0, cards=[(586, BIG)]), photo(1)]
    assert stated_words(photos) == [{}, {}]
    assert read_labels(photos, WORDS).flags[photos[0].sha256][0].code == "unknown_label"


def test_ordinals_are_as_english_writes_them():
    assert [ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 22, 103, 111)] == (
        ["1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "103rd", "111th"]
    )


shots = st.lists(
    st.tuples(st.sampled_from([None, *[c.number for c in WORDS.labels]]), st.sampled_from([BIG, SMALL])),
    max_size=25,
)


@given(shots)
def test_every_value_in_force_was_stated_by_a_card_before_it(script):
    photos = [
        photo(k, cards=[(number, area)] if number is not None else [])
        for k, (number, area) in enumerate(script)
    ]
    shown: set[tuple[Facet, str]] = set()
    for p, (number, area) in zip(photos, script, strict=True):
        stated = read_labels(photos, WORDS).stated[p.sha256]
        own = set(WORDS.label(number).sets) if number is not None else set()
        if number is not None and area == BIG:
            assert {f: v.value for f, v in stated.items()} == {Facet.ROLE: Role.LABEL}
            shown |= own
        else:
            assert {(f, v.value) for f, v in stated.items()} <= shown | own
            assert own <= {(f, v.value) for f, v in stated.items()}


@given(shots, st.integers(min_value=0, max_value=25))
def test_later_photos_never_change_what_was_stated_before(script, cut):
    photos = [
        photo(k, cards=[(number, area)] if number is not None else [])
        for k, (number, area) in enumerate(script)
    ]
    whole = read_labels(photos, WORDS).stated
    part = read_labels(photos[:cut], WORDS).stated
    assert all(part[p.sha256] == whole[p.sha256] for p in photos[:cut])
