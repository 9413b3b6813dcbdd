"""Review by question: what is asked, in which order, and that it ends."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_coverage import CLAIM, a_list, gutter_shots, photo, shipped, value, whole_hail_roof

from evidence.coverage.check import check
from evidence.coverage.report import CheckOptions, Waiver
from evidence.coverage.suppose import Supposition
from evidence.model import ClaimId, Facet
from evidence.questions.kinds import (
    AskedFacet,
    Conclusion,
    HouseQuestion,
    LikenessQuestion,
    NeedQuestion,
    PhotoQuestion,
    StayQuestion,
    answered,
    need_key,
)
from evidence.questions.order import ReviewCase, next_step, open_questions

OPTIONS = CheckOptions()
FOUR = """
[[shot]]
id = "elevation"
title = "Whole elevation"
for_each = "elevation"
facets = { role = "elevation" }
"""
GUTTER = gutter_shots("back")


def case_of(photos, shots, *, waivers=(), **more):
    report = check(shots, photos, CLAIM, waivers=waivers, options=OPTIONS)
    supposition = Supposition(
        shots=shots, photos=photos, claim=CLAIM, options=OPTIONS, waivers=tuple(waivers)
    )
    return ReviewCase(report=report, supposition=supposition, **more)


def side(number, face, guess=None, **words):
    return photo(number, role="elevation", face=face, guess=guess, **words)


def stating(photos, sha, facets):
    """The photos after a person stated these facets of one."""
    return [
        replace(one, tags={**one.tags, **{f: value(f, word) for f, word in facets.items()}})
        if one.sha256 == sha
        else one
        for one in photos
    ]


def three_sides_and(*more):
    return [side(n, face) for n, face in enumerate(("front", "right", "back"))] + list(more)


def test_a_complete_claim_is_decided_without_a_question():
    done = next_step(case_of(whole_hail_roof(), shipped("hail_roof")))
    assert isinstance(done, Conclusion)
    assert done.ready


def test_a_guess_that_meets_a_required_shot_is_asked_with_its_reason_and_the_shot():
    photos = three_sides_and(side(3, "left", guess=0.84))
    asked = next_step(case_of(photos, a_list(FOUR)))
    assert isinstance(asked, PhotoQuestion)
    assert asked.photo == photos[3].sha256
    assert [(one.facet, one.proposed, one.guess.reason) for one in asked.facets] == [
        (Facet.FACE, "left", "a guess"),
        (Facet.ROLE, "elevation", "a guess"),
    ]
    assert [item.key for item in asked.meets] == [("elevation", "left")]
    assert asked.further == 0


def test_a_guess_that_meets_no_missing_requirement_is_not_asked():
    photos = three_sides_and(side(3, "left"), side(4, "left", guess=0.99), photo(5, role="slope", guess=0.9))
    assert isinstance(next_step(case_of(photos, a_list(FOUR))), Conclusion)


def test_of_several_guesses_for_one_shot_the_best_is_asked_and_once_stated_no_other():
    photos = three_sides_and(
        side(3, "left", guess=0.6), side(4, "left", guess=0.9), side(5, "left", guess=0.8)
    )
    shots = a_list(FOUR)
    asked = next_step(case_of(photos, shots))
    assert asked.photo == photos[4].sha256
    assert [q for q in open_questions(case_of(photos, shots)) if isinstance(q, PhotoQuestion)] == [asked]
    after = stating(photos, asked.photo, answered(asked, {}))
    assert next_step(case_of(after, shots)).ready


def test_a_weak_guess_is_asked_when_only_it_could_meet_a_missing_shot_and_a_very_weak_one_never():
    shots = a_list(FOUR)
    weak, very_weak = side(3, "left", guess=0.55), side(3, "left", guess=0.45)
    assert isinstance(next_step(case_of(three_sides_and(weak), shots)), PhotoQuestion)
    assert isinstance(next_step(case_of(three_sides_and(very_weak), shots)), NeedQuestion)


def test_one_damage_close_up_where_two_are_needed_changes_nothing_and_is_not_asked():
    shots = GUTTER
    close = {"component": "gutter", "role": "close_up", "condition": "damage", "face": "back"}
    one = [photo(1, guess=0.95, **close)]
    assert isinstance(next_step(case_of(one, shots)), NeedQuestion)
    two = [*one, photo(2, guess=0.9, **close)]
    asked = next_step(case_of(two, shots))
    assert isinstance(asked, PhotoQuestion)
    assert asked.further == 1


def test_one_proof_is_asked_rather_than_two_close_ups():
    close = {"component": "gutter", "role": "close_up", "condition": "damage", "face": "back"}
    proof = photo(3, component="gutter", role="no_damage_proof", face="back", guess=0.8)
    photos = [photo(1, guess=0.99, **close), photo(2, guess=0.99, **close), proof]
    asked = next_step(case_of(photos, GUTTER))
    assert asked.photo == proof.sha256


def test_damage_or_not_is_asked_where_only_the_condition_is_open():
    near = {"component": "gutter", "role": "close_up", "face": "back"}
    photos = [photo(1, **near, condition="damage"), photo(2, **near)]
    asked = next_step(case_of(photos, GUTTER))
    assert asked.facets == (AskedFacet(facet=Facet.CONDITION, guess=None, proposed=None),)
    after = stating(photos, asked.photo, answered(asked, {Facet.CONDITION: "damage"}))
    assert next_step(case_of(after, GUTTER)).ready


def test_the_number_of_hits_is_asked_with_its_weak_guess_as_a_proposal():
    square = photo(1, role="test_square", face="front", count="9", guess=0.35)
    square = replace(square, tags={**square.tags, Facet.ROLE: value(Facet.ROLE, "test_square")})
    square = replace(square, tags={**square.tags, Facet.FACE: value(Facet.FACE, "front")})
    shots = a_list(
        '[[shot]]\nid = "square"\ntitle = "Square"\narea = "roof"\n'
        'facets = { role = "test_square", count = "stated" }\n'
    )
    asked = next_step(case_of([square], shots))
    assert [(one.facet, one.proposed) for one in asked.facets] == [(Facet.COUNT, "9")]


def test_all_missing_shots_are_one_question_by_place_and_those_needed_are_asked_once():
    shots = shipped("hail_roof")
    asked = next_step(case_of([side(1, "front")], shots))
    assert isinstance(asked, NeedQuestion)
    assert asked.lines[0].place == "front elevation"
    assert [item.requirement for item in asked.lines[0].items] == ["gutter", "downspout", "screen", "siding"]
    assert asked.lines[-1].place == ""
    assert len(asked.lines) == 9, "a line for each side, each slope, and what is asked once: each has a digit"
    done = next_step(case_of([side(1, "front")], shots, passed=frozenset(asked.key.split())))
    assert isinstance(done, Conclusion)
    assert not done.ready
    assert len(done.missing) == sum(len(line.items) for line in asked.lines)


def house(photos):
    return HouseQuestion(
        photos=tuple(one.sha256 for one in photos),
        segment="2026-05-14/2",
        claim=CLAIM.claim,
        probability=0.7,
        reasons=("12 m from the house",),
        others=(ClaimId("HR26-2"),),
    )


def test_whose_house_comes_first_and_twenty_photos_are_one_question():
    photos = [photo(n, role="elevation", face="front", guess=0.9) for n in range(20)]
    asked = open_questions(case_of(photos, a_list(FOUR), houses=(house(photos),)))
    assert [type(one) for one in asked] == [HouseQuestion, PhotoQuestion, NeedQuestion]
    assert len(asked[0].photos) == 20


def test_a_house_that_was_put_off_stands_in_the_way_of_a_sign_off():
    photos = three_sides_and(side(3, "left"))
    question = house(photos)
    done = next_step(case_of(photos, a_list(FOUR), houses=(question,), passed=frozenset({question.key})))
    assert (done.ready, done.houses, done.skipped) == (False, 4, 1)


def test_nearly_equal_photos_are_asked_about_only_when_a_report_will_be_made():
    alike = [side(3, "left", phash="0f0f00ff3c3c5a5a"), side(4, "left", phash="0f0f00ff3c3c5a5b")]
    alike += [side(5, "left", phash="0f0f00ff3c3c5a5f")]
    asked = next_step(case_of(three_sides_and(*alike), a_list(FOUR)))
    assert isinstance(asked, StayQuestion)
    assert asked.photos == tuple(one.sha256 for one in alike), "one question for the whole group"
    decided = case_of(three_sides_and(*alike), a_list(FOUR), compared=frozenset(asked.photos))
    assert next_step(decided).ready
    incomplete = case_of([side(1, "front"), *alike], a_list(FOUR))
    assert not [one for one in open_questions(incomplete) if isinstance(one, StayQuestion)]


@pytest.mark.parametrize(
    ("chosen", "stated"),
    [
        ({}, {"role": "close_up", "condition": "damage"}),
        ({"condition": "no_damage"}, {"role": "no_damage_proof", "condition": "no_damage"}),
        ({"condition": "no_damage", "role": "other"}, {"role": "other", "condition": "no_damage"}),
    ],
    ids=["yes", "undamaged makes it a proof", "a chosen role stays"],
)
def test_an_answer_states_every_facet_that_was_asked(chosen, stated):
    facets = tuple(
        AskedFacet(facet=facet, guess=value(facet, word, 0.9), proposed=word)
        for facet, word in ((Facet.ROLE, "close_up"), (Facet.CONDITION, "damage"))
    )
    question = PhotoQuestion(photo=photo(1).sha256, facets=facets, meets=(), supposed={})
    assert answered(question, {Facet(facet): word for facet, word in chosen.items()}) == stated


# --- properties --------------------------------------------------------------------------

WORDS = {
    Facet.ROLE: ["elevation", "slope", "test_square", "close_up", "no_damage_proof"],
    Facet.FACE: ["front", "back", "left", "none"],
    Facet.COMPONENT: ["gutter", "shingle", "vent", "ac_unit"],
    Facet.CONDITION: ["damage", "no_damage"],
    Facet.COUNT: ["0", "9"],
}


def random_photos(chance, many):
    photos = []
    for number in range(many):
        tags = {
            facet: value(facet, chance.choice(words), chance.choice([None, 0.3, 0.6, 0.85, 0.97]))
            for facet, words in WORDS.items()
            if chance.random() < 0.75
        }
        photos.append(replace(photo(number), tags=tags))
    return photos


def statement_meets(case, item, statements):
    """By the whole check, without what the questions' room works out itself."""
    photos = list(case.supposition.photos)
    for sha, facets in statements.items():
        photos = stating(photos, sha, facets)
    report = check(case.supposition.shots, photos, CLAIM, waivers=case.supposition.waivers, options=OPTIONS)
    return item.key in {one.key for one in report.met}


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 14))
def test_a_review_ends_asks_nothing_twice_and_nothing_that_changes_nothing(seed, many):
    chance = random.Random(seed)
    shots = shipped("hail_roof")
    photos, waivers, passed = random_photos(chance, many), [], set()
    compared = set()
    stated, asked_keys = set(), set()
    for _ in range(5 * many + 60):
        case = case_of(photos, shots, waivers=waivers, passed=frozenset(passed), compared=frozenset(compared))
        step = next_step(case)
        if isinstance(step, Conclusion):
            break
        if isinstance(step, PhotoQuestion):
            first = step.meets[0]
            assert statement_meets(case, first, step.supposed), "a yes to all of them meets the shot"
            rest = {sha: facets for sha, facets in step.supposed.items() if sha != step.photo}
            assert not statement_meets(case, first, rest), "and this one is needed for it"
            assert step.key not in passed
            facets = {(step.photo, one.facet) for one in step.facets}
            assert facets
            assert not facets & stated, "no facet of a photo is asked twice"
            if chance.random() < 0.2:
                passed.add(step.key)
                continue
            chosen = {
                one.facet: chance.choice(WORDS[one.facet])
                for one in step.facets
                if one.proposed is None or chance.random() < 0.4
            }
            photos = stating(photos, step.photo, answered(step, chosen))
            stated |= facets
        elif isinstance(step, NeedQuestion):
            keys = set(step.key.split())
            assert not keys & asked_keys & passed, "what is needed is not asked again"
            line = chance.choice(step.lines)
            if chance.random() < 0.5:
                item = line.items[0]
                waivers.append(
                    Waiver(
                        requirement=item.requirement,
                        by="Rhea",
                        why="none here",
                        face=item.face,
                        structure=item.structure,
                    )
                )
                assert need_key(item) not in passed
            else:
                passed |= keys
            asked_keys |= keys
        else:
            assert isinstance(step, StayQuestion)
            assert not set(step.photos) <= compared
            compared |= set(step.photos)
    else:
        raise AssertionError("the review does not end")
    assert step.ready == (not step.missing and not step.guessed)


def test_a_likeness_is_asked_after_what_the_shots_need_and_before_the_decision():
    photos = three_sides_and(side(3, "left", guess=0.84))
    likeness = LikenessQuestion(
        photo=photos[0].sha256, other=photos[1].sha256, sentence="It looks the same as another."
    )
    both = case_of(photos, a_list(FOUR), likenesses=(likeness,))
    assert [type(one) for one in open_questions(both)] == [PhotoQuestion, LikenessQuestion]
    alone = case_of(three_sides_and(side(3, "left")), a_list(FOUR), likenesses=(likeness,))
    assert next_step(alone) == likeness
    passed = replace(alone, passed=frozenset({likeness.key}))
    done = next_step(passed)
    assert isinstance(done, Conclusion)
    assert (done.ready, done.skipped) == (True, 1), (
        "a likeness is no obstacle, and what was put off is counted"
    )
