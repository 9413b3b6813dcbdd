"""Review by question on a catalog: answers become decisions with a name, stale ones are refused, undo takes them back."""

from __future__ import annotations

import pytest
from support_board import facet_value, put_claim, put_photos

from evidence.analysis.coverage import coverage_of
from evidence.analysis.left_out import left_out_of_report, without_left_out
from evidence.catalog.decisions import AnswerLikeness, LikenessAnswer, Move, Name, Tag
from evidence.errors import BadInputError
from evidence.model import ClaimId, Facet
from evidence.questions.kinds import (
    Conclusion,
    HouseQuestion,
    LikenessQuestion,
    NeedQuestion,
    PhotoQuestion,
    StayQuestion,
)
from evidence.review import questioning
from evidence.review.staleness import ChangedError
from evidence.review.tagging import state_facets
from evidence.review.undo import undo
from evidence.review.waivers import waive

BD1 = ClaimId("BD-1")
NONE = frozenset()


def ask(workspace, passed=NONE):
    return questioning.ask(workspace, BD1, passed)


def stated(workspace, sha):
    tags = workspace.catalog.photos.records([sha])[0].tags
    return {facet.value: value.value for facet, value in tags.items() if value.stated}


def test_a_yes_states_what_was_asked_in_the_persons_name_and_leads_to_the_decision(workspace, claim):
    tess = workspace.acting_as("Tess")
    asked = ask(tess)
    assert isinstance(asked.step, PhotoQuestion)
    (number,) = questioning.answer_photo(tess, BD1, NONE, asked.mark, {})
    assert stated(workspace, claim[3]) == {"face": "left", "role": "elevation"}
    (row,) = workspace.catalog.claims.decisions(Tag, claim=BD1)
    assert (row.number, row.actor) == (number, "Tess")
    done = ask(tess).step
    assert isinstance(done, Conclusion)
    assert done.ready
    undo(tess, number, others_too=False)
    assert stated(workspace, claim[3]) == {}


def test_a_correction_is_stated_and_what_is_then_missing_is_asked(workspace, claim):
    asked = ask(workspace)
    questioning.answer_photo(workspace, BD1, NONE, asked.mark, {Facet.FACE: "back"})
    assert stated(workspace, claim[3]) == {"face": "back", "role": "elevation"}
    need = ask(workspace).step
    assert isinstance(need, NeedQuestion)
    assert [item.key for line in need.lines for item in line.items] == [("elevation", "left")]


def test_a_stale_answer_is_refused_and_says_who_changed_it(workspace, claim):
    asked = ask(workspace)
    state_facets(workspace.acting_as("Rhea"), {claim[3]: {Facet.FACE: "back"}})
    with pytest.raises(ChangedError, match="Rhea changed claim BD-1 since this question was shown"):
        questioning.answer_photo(workspace, BD1, NONE, asked.mark, {})
    assert stated(workspace, claim[3]) == {"face": "back"}


def test_a_shot_that_another_person_set_aside_meanwhile_is_not_set_aside_again(workspace, claim):
    asked = ask(workspace)
    waive(workspace.acting_as("Rhea"), BD1, "elevation", place="left", why="a shared wall")
    with pytest.raises(ChangedError, match="Rhea"):
        questioning.answer_not_needed(
            workspace, BD1, NONE, asked.mark, [("elevation", "left")], "none at this house"
        )


def test_an_answer_without_a_value_or_about_another_shot_states_nothing(workspace, claim):
    asked = ask(workspace)
    for shots in ([], [("elevation", "front")], [("gutter", "left")]):
        with pytest.raises(BadInputError, match="not about that shot"):
            questioning.answer_not_needed(workspace, BD1, NONE, asked.mark, shots, "none")
    with pytest.raises(BadInputError, match="reason"):
        questioning.answer_not_needed(workspace, BD1, NONE, asked.mark, [("elevation", "left")], " ")
    with pytest.raises(BadInputError, match="No face is called"):
        questioning.answer_photo(workspace, BD1, NONE, asked.mark, {Facet.FACE: "under"})
    assert stated(workspace, claim[3]) == {}


def test_several_shots_are_set_aside_with_one_reason_and_each_can_be_undone(workspace):
    put_claim(workspace, "BD-1")
    put_photos(
        workspace,
        "BD-1",
        1,
        tags={0: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, "front"))},
    )
    asked = ask(workspace)
    assert isinstance(asked.step, NeedQuestion)
    shots = [("elevation", "left"), ("elevation", "right")]
    numbers = questioning.answer_not_needed(workspace, BD1, NONE, asked.mark, shots, "a row house")
    assert len(numbers) == 2
    assert {one.place: one.why for one in workspace.catalog.claims.waivers(BD1)} == {
        "left": "a row house",
        "right": "a row house",
    }
    for number in reversed(numbers):
        undo(workspace, number)
    assert workspace.catalog.claims.waivers(BD1) == []
    assert ask(workspace).mark == asked.mark


FOUR = {
    n: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, face))
    for n, face in enumerate(("front", "right", "back", "left"))
}


def test_which_nearly_equal_photo_stays_is_a_decision_that_the_report_can_read(workspace):
    put_claim(workspace, "BD-1")
    four = put_photos(workspace, "BD-1", 4, tags=FOUR)
    alike = put_photos(workspace, "BD-1", 2, name="SAME", phash="00ff00ff00ff00ff")
    asked = ask(workspace)
    assert isinstance(asked.step, StayQuestion)
    assert set(asked.step.photos) == set(alike)
    with pytest.raises(BadInputError, match="has to stay"):
        questioning.answer_stay(workspace, BD1, NONE, asked.mark, [])
    with pytest.raises(BadInputError, match="no answer"):
        questioning.answer_stay(workspace, BD1, NONE, asked.mark, [four[0]])
    (number,) = questioning.answer_stay(workspace, BD1, NONE, asked.mark, [alike[1]])
    assert left_out_of_report(workspace, BD1) == {alike[0]}
    assert ask(workspace).step.ready
    assert len(workspace.catalog.photos.of_claim(BD1)) == 6, "all of them are kept"
    undo(workspace, number)
    assert left_out_of_report(workspace, BD1) == frozenset()
    assert ask(workspace).mark == asked.mark


def test_whose_house_is_one_question_for_the_whole_segment(workspace):
    put_claim(workspace, "BD-1", insured="Wilhelmina Ardenne")
    put_claim(workspace, "BD-2", insured="Ottoline Marsh")
    run = put_photos(workspace, "BD-1", 20, to_confirm=True)
    put_photos(workspace, "BD-2", 3, name="NEXT")
    asked = ask(workspace)
    assert isinstance(asked.step, HouseQuestion)
    assert asked.step.photos == tuple(run)
    assert asked.step.others == (ClaimId("BD-2"),)
    assert asked.step.segment, "all photos of the segment: its claim is stated"


@pytest.mark.parametrize("to", [BD1, None], ids=["this house", "no claim"])
def test_the_answer_about_a_house_is_a_decision_about_all_its_photos(workspace, to):
    put_claim(workspace, "BD-1", insured="Wilhelmina Ardenne")
    run = put_photos(workspace, "BD-1", 3, to_confirm=True)
    asked = ask(workspace)
    (number,) = questioning.answer_house(workspace, BD1, NONE, asked.mark, to)
    rows = workspace.catalog.claims.decisions(Name if to else Move)
    assert [(row.number, set(row.decision.photos)) for row in rows] == [(number, set(run))]
    assert not [one for one in workspace.catalog.photos.records(run) if one.to_confirm and one.claim == BD1]


def test_a_report_leaves_out_what_was_left_out_but_never_the_only_proof(workspace):
    put_claim(workspace, "BD-1")
    four = put_photos(workspace, "BD-1", 4, tags=FOUR)
    more = put_photos(workspace, "BD-1", 1, name="MORE", tags={0: FOUR[0]})
    records = workspace.catalog.photos.of_claim(BD1)
    coverage = coverage_of(workspace, BD1)
    shown, report = without_left_out(records, coverage, {more[0], four[3]})
    assert {one.sha256 for one in shown} == set(four), "the only photo of the left side stays"
    assert {item.face: item.photos for item in report.met}["front"] == (four[0],)
    assert without_left_out(records, coverage, ()) == (tuple(records), coverage)


@pytest.fixture
def alike(workspace, claim):
    """A photo of BD-1 that looks like one of BD-0, which came before."""
    put_claim(workspace, "BD-0")
    (first,) = put_photos(workspace, "BD-0", 1, name="AA", phash="00000000000000ff")
    (second,) = put_photos(workspace, "BD-1", 1, name="ZZ", phash="00000000000000fc")
    return first, second


def test_a_likeness_is_asked_before_the_decision_answered_once_and_taken_back(workspace, claim, alike):
    questioning.answer_photo(workspace, BD1, NONE, ask(workspace).mark, {})
    asked = ask(workspace)
    assert isinstance(asked.step, LikenessQuestion)
    assert (asked.step.other, asked.step.photo) == alike
    assert "looks nearly the same as a photo of claim BD-0 (2 of 64 bits differ)" in asked.step.sentence
    tess = workspace.acting_as("Tess")
    (number,) = questioning.answer_likeness(tess, BD1, NONE, asked.mark, LikenessAnswer.LOOK_INTO)
    (row,) = workspace.catalog.claims.decisions(AnswerLikeness, claim=BD1)
    assert (row.number, row.actor, row.decision.answer) == (number, "Tess", LikenessAnswer.LOOK_INTO)
    assert isinstance(ask(workspace).step, Conclusion)
    with pytest.raises(ChangedError, match="Tess"):
        questioning.answer_likeness(workspace, BD1, NONE, asked.mark, LikenessAnswer.FINE)
    undo(tess, number, others_too=False)
    assert ask(workspace).step == asked.step


def test_a_likeness_that_was_put_off_is_asked_no_more_until_another_photo_is_the_nearest(
    workspace, claim, alike
):
    questioning.answer_photo(workspace, BD1, NONE, ask(workspace).mark, {})
    passed = frozenset({ask(workspace).step.key})
    assert isinstance(ask(workspace, passed).step, Conclusion)
    put_claim(workspace, "BD-9")
    put_photos(workspace, "BD-9", 1, name="BB", phash="00000000000000fc", originals=False)
    assert isinstance(ask(workspace, passed).step, LikenessQuestion)
