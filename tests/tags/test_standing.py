"""A guess never places a photo: what stands under its side and what in 'not yet reviewed'."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from support_coverage import value

from evidence.model import Facet
from evidence.tags.standing import Standing, confirmable, standing, stated_only


def tags(**words):
    """`front` is stated, `front?` guessed at 90 %, `front?40` at 40 %."""
    found = {}
    for facet, word in words.items():
        name, _, share = word.partition("?")
        guess = None if "?" not in word else float(share or 90) / 100
        found[Facet(facet)] = value(Facet(facet), name, guess)
    return found


CASES = {
    "all stated": ({"face": "front", "role": "elevation"}, Standing.STATED),
    "the side is a guess": ({"face": "front?", "role": "elevation"}, Standing.NOT_REVIEWED),
    "the subject is a guess": ({"face": "front", "role": "close_up?"}, Standing.NOT_REVIEWED),
    "everything is a guess": ({"face": "front?", "role": "elevation?"}, Standing.NOT_REVIEWED),
    "no side, as a guess, changes nothing": ({"face": "none?", "component": "vent"}, Standing.STATED),
    "a weak guess is none": ({"face": "front?40", "component": "vent"}, Standing.STATED),
    "only a side is stated": ({"face": "front"}, Standing.STATED),
    "only damage is guessed": ({"condition": "damage?"}, Standing.NOT_REVIEWED),
    "nothing": ({}, Standing.UNTAGGED),
    "only a weak guess": ({"role": "elevation?40"}, Standing.UNTAGGED),
}


@pytest.mark.parametrize(("words", "wanted"), CASES.values(), ids=CASES)
def test_a_photo_stands_where_its_stated_tags_put_it(words, wanted):
    assert standing(tags(**words), shows=0.5) is wanted


words = st.fixed_dictionaries(
    {},
    optional={
        "face": st.sampled_from(["front", "front?", "none?", "back?40"]),
        "role": st.sampled_from(["elevation", "close_up?", "slope?40"]),
        "component": st.sampled_from(["gutter", "vent?", "vent?60"]),
        "condition": st.sampled_from(["damage", "damage?", "no_damage?"]),
    },
)


@given(words)
def test_a_signed_claim_has_no_photo_that_is_not_yet_reviewed(chosen):
    assert standing(tags(**chosen), shows=0.5, signed=True) is not Standing.NOT_REVIEWED


@given(words)
def test_under_a_side_no_photo_stands_whose_side_is_a_guess(chosen):
    given_tags = tags(**chosen)
    assume(standing(given_tags, shows=0.5) is Standing.STATED)
    face = given_tags.get(Facet.FACE)
    assert face is None or face.stated or face.value == "none" or face.confidence < 0.5


@given(words, st.floats(0, 1))
def test_a_confirmation_divides_the_guesses_and_never_states_unseen_damage(chosen, level):
    given_tags = tags(**chosen)
    parts = confirmable(given_tags, level=level)
    divided = [*parts.states, *parts.under_level, *parts.unseen_damage]
    assert sorted(divided) == sorted(set(given_tags) - set(stated_only(given_tags)))
    assert all(one.confidence >= level for one in parts.states.values())
    condition = parts.states.get(Facet.CONDITION)
    assert condition is None or condition.value == "no_damage"
