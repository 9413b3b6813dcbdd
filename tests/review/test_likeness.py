"""What a person says of photos that may have served another claim: stored, logged, undone, recorded in the bag."""

from __future__ import annotations

import pytest
from support_board import put_claim, put_photos

from evidence.analysis.coverage import coverage_of
from evidence.analysis.used_before import used_before
from evidence.catalog.decisions import AnswerLikeness, LikenessAnswer
from evidence.errors import BadInputError
from evidence.model import ClaimId, ClaimState
from evidence.review import likeness
from evidence.review.likeness import answer_likeness, answer_photos, used_before_in, words_of
from evidence.review.undo import undo

ONE, TWO = ClaimId("UB-1"), ClaimId("UB-2")
FINE, LOOK_INTO = LikenessAnswer.FINE, LikenessAnswer.LOOK_INTO


@pytest.fixture
def pair(workspace):
    """A photo of UB-1, and one of UB-2 that came later and differs in two bits."""
    photos = []
    for number, phash in ((ONE, "00000000000000ff"), (TWO, "00000000000000fc")):
        put_claim(workspace, number)
        photos += put_photos(workspace, number, 1, name=number.replace("-", ""), phash=phash)
    return photos


def codes(workspace, claim):
    return {flag.code for flag in coverage_of(workspace, claim).flags}


def test_an_answer_is_stored_logged_and_counted(workspace, pair):
    first, second = pair
    done = answer_likeness(workspace, TWO, second, FINE, seen=first)
    assert (done.photo, done.answer, done.left) == (second, FINE, 0)
    assert "alike_elsewhere" not in codes(workspace, TWO)
    (row,) = workspace.catalog.claims.decisions(AnswerLikeness, claim=TWO)
    assert row.decision == AnswerLikeness(photo=second, others=(first,), answer=FINE)
    (entry,) = [one for one in workspace.custody.entries() if one.action == "likeness_answered"]
    assert (entry.subject, entry.details["answer"], entry.details["photos"]) == (TWO, "fine", [second])
    assert workspace.catalog.keeping.dirty() == [TWO]


def test_the_same_answer_again_changes_nothing_and_another_one_replaces_it(workspace, pair):
    first = answer_likeness(workspace, TWO, pair[1], FINE)
    assert answer_likeness(workspace, TWO, pair[1], FINE).decision == first.decision
    assert answer_likeness(workspace, TWO, pair[1], LOOK_INTO).decision != first.decision
    assert used_before_in(workspace, TWO)[0].answer.decision.answer is LOOK_INTO


def test_undo_takes_an_answer_back_although_the_other_claim_is_signed(workspace, pair):
    answer_likeness(workspace, TWO, pair[1], FINE)
    workspace.catalog.claims.set_state(ONE, ClaimState.SIGNED)
    row, done = undo(workspace)
    assert row.decision.kind == "likeness"
    assert done.claims == (TWO,)
    assert used_before_in(workspace, TWO)[0].answer is None
    assert "alike_elsewhere" in codes(workspace, TWO)


def test_an_earlier_answer_is_not_undone_before_a_later_one(workspace, pair):
    first = answer_likeness(workspace, TWO, pair[1], FINE)
    answer_likeness(workspace, TWO, pair[1], LOOK_INTO)
    with pytest.raises(BadInputError, match="has corrected the same since"):
        undo(workspace, first.decision)
    undo(workspace)
    assert used_before_in(workspace, TWO)[0].answer.decision.answer is FINE


def test_a_signed_claim_and_a_photo_that_is_no_finding_are_refused(workspace, pair):
    with pytest.raises(BadInputError, match="is not among those of claim UB-1"):
        answer_likeness(workspace, ONE, pair[0], FINE)
    with pytest.raises(BadInputError, match="photos to compare have changed"):
        answer_likeness(workspace, TWO, pair[1], FINE, seen=pair[1])
    workspace.catalog.claims.set_state(TWO, ClaimState.SIGNED)
    with pytest.raises(BadInputError, match="its answers stay as they are"):
        answer_likeness(workspace, TWO, pair[1], FINE)


def test_words_say_how_alike_and_how_common(workspace, pair):
    (one,) = used_before_in(workspace, TWO)
    assert words_of(one) == (
        "looks nearly the same as a photo of claim UB-1 (2 of 64 bits differ); no other photo is this alike"
    )
    put_claim(workspace, "UB-3")
    put_photos(workspace, "UB-3", 40, name="UB3", phash="00000000000000ff", originals=False)
    (one,) = used_before_in(workspace, TWO)
    assert words_of(one).endswith("; 41 photos of 2 other claims are this alike")


def test_several_photos_are_answered_with_one_search_and_none_if_one_is_unknown(workspace, pair, monkeypatch):
    more = put_photos(workspace, TWO, 2, name="ZB", phash="00000000000000f8")
    searched = []
    monkeypatch.setattr(likeness, "used_before", lambda *given: searched.append(given) or used_before(*given))
    with pytest.raises(BadInputError, match=r"NONE\.JPG is not among the photos"):
        answer_photos(workspace, TWO, [(pair[1][:8], FINE), ("NONE.JPG", FINE)])
    assert workspace.catalog.claims.decisions(AnswerLikeness, claim=TWO) == []
    searched.clear()
    found = answer_photos(workspace, TWO, [(pair[1][:8], FINE), (more[0], LOOK_INTO), (more[1], FINE)])
    assert len(searched) == 1
    assert found == used_before_in(workspace, TWO)
    assert {one.photo: one.answer.decision.answer for one in found} == {
        pair[1]: FINE, more[0]: LOOK_INTO, more[1]: FINE
    }  # fmt: skip
