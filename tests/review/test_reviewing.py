"""A reviewer's decisions: what may be signed, that nothing is overwritten unseen, and what can be undone."""

from __future__ import annotations

import json

import pytest
from support_board import facet_value, put_claim, put_photos

from evidence.catalog import claims as catalog_claims
from evidence.catalog.decisions import Move, Shift, Sign
from evidence.errors import BadInputError
from evidence.filing.bags import file_away
from evidence.model import ClaimId, ClaimState, Facet, Sha256, TagResult
from evidence.review import placing, signing
from evidence.review import undo as undoing
from evidence.review.staleness import ChangedError, day_mark, mark_of, require_day
from evidence.review.tagging import confirm_shown, state_facets, tag_seen, would_state
from evidence.review.undo import undo
from evidence.review.waivers import waive
from evidence.tags.standing import BOARD_READS

BD1 = ClaimId("BD-1")
LEFT = {Facet.FACE: "left", Facet.ROLE: "elevation"}


def marks(workspace, digests):
    return {record.sha256: mark_of(record) for record in workspace.catalog.photos.records(digests)}


def version(workspace):
    return workspace.catalog.claims.get(BD1).version


def stated(workspace, sha):
    """The stated facets of a photo."""
    tags = workspace.catalog.photos.records([sha])[0].tags
    return {facet: value.value for facet, value in tags.items() if value.stated}


def state_left(workspace, claim):
    return tag_seen(workspace, {claim[3]: LEFT}, seen=marks(workspace, [claim[3]]))


def test_a_claim_that_rests_on_a_guess_is_not_signed(workspace, claim):
    with pytest.raises(signing.NotReadyError) as refused:
        signing.sign(workspace, BD1, note="looks fine", seen=version(workspace))
    assert refused.value.obstacles == ("Whole elevation (left elevation) is only guessed",)
    assert workspace.catalog.claims.get(BD1).state is ClaimState.OPEN


def test_a_claim_with_a_missing_shot_or_a_photo_whose_house_is_to_confirm_is_not_signed(workspace):
    put_claim(workspace, "BD-1")
    put_photos(workspace, "BD-1", 2, to_confirm=True)
    with pytest.raises(signing.NotReadyError) as refused:
        signing.sign(workspace, BD1, note="", seen=version(workspace))
    assert len(refused.value.obstacles) == 5
    assert "2 photos may belong to another house" in refused.value.obstacles


def test_once_a_person_confirms_the_guess_the_claim_is_signed_in_their_name(workspace, claim):
    state_left(workspace, claim)
    rhea = workspace.acting_as("Rhea")
    signing.sign(rhea, BD1, note="four sides seen", seen=version(workspace))
    assert workspace.catalog.claims.get(BD1).state is ClaimState.SIGNED
    signed = workspace.catalog.claims.decisions(Sign, claim=BD1)[-1]
    assert signed.actor == "Rhea"
    assert signed.decision.met["elevation left"] == (claim[3],)
    entry = [one for one in workspace.custody.entries() if one.action == "signed_off"][-1]
    assert (entry.actor, entry.subject, entry.details["note"]) == ("Rhea", "BD-1", "four sides seen")
    assert workspace.custody.verify().valid


def test_a_waiver_allows_a_sign_off_and_undoing_it_prevents_one(workspace, claim):
    done = waive(workspace, BD1, "elevation", place="left", why="a wall shared with the next house")
    assert signing.obstacles(workspace, BD1, _report(workspace)) == []
    undo(workspace, done.decision, others_too=False)
    assert len(signing.obstacles(workspace, BD1, _report(workspace))) == 1


def _report(workspace):
    from evidence.analysis import coverage as covering

    return covering.coverage_of(workspace, BD1)


def test_a_sign_off_on_a_claim_that_changed_since_it_was_looked_at_is_refused(workspace, claim):
    state_left(workspace, claim)
    seen = version(workspace)
    adam = workspace.acting_as("Adam")
    state_facets(adam, {claim[5]: {Facet.FACE: "back"}})
    with pytest.raises(ChangedError, match="Adam changed claim BD-1"):
        signing.sign(workspace, BD1, note="", seen=seen)
    assert workspace.catalog.claims.get(BD1).state is ClaimState.OPEN


def test_the_second_of_two_reviewers_sees_what_the_first_stated(workspace, claim):
    seen = marks(workspace, [claim[4]])
    tag_seen(workspace.acting_as("Adam"), {claim[4]: {Facet.FACE: "right"}}, seen=seen)
    with pytest.raises(ChangedError, match=r"Adam changed TEST0004.JPG since you loaded it. .* face right"):
        tag_seen(workspace.acting_as("Rhea"), {claim[4]: {Facet.FACE: "back"}}, seen=seen)
    record = workspace.catalog.photos.records([claim[4]])[0]
    assert record.tags[Facet.FACE].value == "right"


def test_one_changed_photo_among_many_keeps_all_of_them_from_being_overwritten(workspace, claim):
    seen = marks(workspace, claim)
    tag_seen(workspace.acting_as("Adam"), {claim[4]: {Facet.FACE: "right"}}, seen=seen)
    with pytest.raises(ChangedError):
        tag_seen(workspace, {sha: {Facet.FACE: "back"} for sha in claim[4:]}, seen=seen)
    assert stated(workspace, claim[5]) == {}


def test_a_guess_that_came_or_went_is_no_change_to_a_reviewer(workspace, claim):
    before = marks(workspace, claim)
    guessed = workspace.catalog.photos.records([claim[3]])[0]
    assert not guessed.tags[Facet.FACE].stated
    other = facet_value(Facet.FACE, "back", guess=0.6)
    workspace.catalog.photos.put_tags({claim[3]: TagResult(tags={Facet.FACE: other})})
    assert marks(workspace, claim) == before


def test_a_signed_claim_takes_no_tags_no_photos_and_no_undo_until_the_sign_off_is_undone(workspace, claim):
    number, _ = state_left(workspace, claim)
    signing.sign(workspace, BD1, note="", seen=version(workspace))
    with pytest.raises(BadInputError, match="signed"):
        tag_seen(workspace, {claim[0]: LEFT}, seen=marks(workspace, claim))
    with pytest.raises(BadInputError, match="signed"):
        placing.move(workspace, [claim[0]], None)
    with pytest.raises(BadInputError, match="signed"):
        undo(workspace, number, others_too=True)
    with pytest.raises(BadInputError, match="reason"):
        signing.take_back(workspace, BD1, why=" ", seen=version(workspace))
    signing.take_back(workspace, BD1, why="the left side is next door's", seen=version(workspace))
    undo(workspace, number, others_too=True)
    assert len(signing.obstacles(workspace, BD1, _report(workspace))) == 1


def test_a_claim_goes_back_to_the_adjuster_with_what_is_missing_in_walking_order(workspace):
    put_claim(workspace, "BD-1")
    put_photos(
        workspace,
        "BD-1",
        1,
        tags={0: (facet_value(Facet.ROLE, "elevation"), facet_value(Facet.FACE, "right"))},
    )
    _, wanted = signing.send_back(workspace, BD1, note="please go round again", seen=version(workspace))
    assert [line.face for line in wanted.lines] == ["front", "back", "left"]
    assert workspace.catalog.claims.get(BD1).state is ClaimState.RETURNED
    entry = [one for one in workspace.custody.entries() if one.action == "sent_back"][-1]
    assert len(entry.details["missing"]) == 3
    signing.take_back(workspace, BD1, why="", seen=version(workspace))
    with pytest.raises(BadInputError, match="is open"):
        signing.take_back(workspace, BD1, why="", seen=version(workspace))


def test_undo_undoes_ones_own_correction_and_refuses_one_that_was_changed_later(workspace, claim):
    adam, rhea = workspace.acting_as("Adam"), workspace.acting_as("Rhea")
    first, _ = tag_seen(adam, {claim[4]: {Facet.FACE: "right"}}, seen=marks(workspace, claim))
    with pytest.raises(BadInputError, match="Adam's"):
        undo(rhea, first, others_too=False)
    second, _ = tag_seen(rhea, {claim[4]: {Facet.FACE: "back"}}, seen=marks(workspace, claim))
    with pytest.raises(BadInputError, match="Rhea has corrected the same since"):
        undo(adam, first, others_too=False)
    undo(rhea, second, others_too=False)
    assert workspace.catalog.photos.records([claim[4]])[0].tags[Facet.FACE].value == "right"
    undo(adam, first, others_too=False)
    assert stated(workspace, claim[4]) == {}


def test_confirming_states_exactly_what_was_shown_as_one_decision(workspace, claim):
    plan = would_state(workspace.catalog.photos.records(claim), level=0.5)
    assert {one.record.sha256: one.stated for one in plan} == {
        claim[3]: {Facet.ROLE: "elevation", Facet.FACE: "left"}
    }
    number, facets = confirm_shown(workspace, plan)
    assert (number > 0, facets) == (True, 2)
    assert stated(workspace, claim[3]) == {"role": "elevation", "face": "left"}
    undo(workspace, number)
    assert stated(workspace, claim[3]) == {}


def test_what_somebody_stated_since_it_was_shown_is_not_overwritten(workspace, claim):
    plan = would_state(workspace.catalog.photos.records(claim), level=0.5)
    state_facets(workspace.acting_as("Rhea"), {claim[3]: {Facet.FACE: "back"}})
    with pytest.raises(ChangedError, match="Rhea changed"):
        confirm_shown(workspace, plan)
    assert stated(workspace, claim[3]) == {"face": "back"}


def test_a_guess_under_the_level_and_damage_guessed_from_pixels_are_left(workspace):
    put_claim(workspace, "BD-1")
    unseen = facet_value(Facet.CONDITION, "damage", guess=0.99, reason="usual for close-ups of this kind")
    said = facet_value(Facet.CONDITION, "damage", guess=0.99, reason=f"{BOARD_READS} DAMAGE")
    put_photos(
        workspace,
        "BD-1",
        3,
        tags={
            0: (facet_value(Facet.FACE, "left", guess=0.89), facet_value(Facet.ROLE, "close_up", guess=0.9)),
            1: (unseen, facet_value(Facet.COUNT, "7", guess=0.95)),
            2: (said,),
        },
    )
    plan = would_state(workspace.catalog.photos.of_claim(BD1), level=0.9)
    assert [one.stated for one in plan] == [{"role": "close_up"}, {}, {"condition": "damage"}]
    assert [set(one.parts.under_level) for one in plan] == [{"face"}, set(), set()]
    assert [set(one.parts.unseen_damage) for one in plan] == [set(), {"condition", "count"}, set()]
    confirm_shown(workspace, plan)
    tags = {record.order: record.tags for record in workspace.catalog.photos.of_claim(BD1)}
    assert not [value for value in tags[1].values() if value.stated]


# --- with photos and bags ----------------------------------------------------------------


def test_a_statement_that_changes_no_guess_still_reaches_the_bag(bagged):
    """A statement that changed nothing else once left the bag as it was."""
    photo = bagged.catalog.photos.of_claim(ClaimId("TC-1001"))[3]
    state_facets(bagged, {photo.sha256: {Facet.COMPONENT: "chimney"}})
    assert bagged.catalog.keeping.dirty() == ["TC-1001"]
    file_away(bagged)
    row = bagged.catalog.claims.get(ClaimId("TC-1001"))
    kept = json.loads((bagged.claims / row.folder / "records" / "photos.json").read_text(encoding="utf-8"))
    said = {one["record"]["sha256"]: one["said"] for one in kept}
    assert [one["value"] for one in said[photo.sha256] if one["source"] == "person"] == ["chimney"]


def names(workspace, claim):
    return [record.name for record in workspace.catalog.photos.of_claim(ClaimId(claim))]


def test_a_boundary_is_moved_both_ways_and_back_again(bagged):
    first, second = names(bagged, "TC-1001"), names(bagged, "TC-1002")
    photos = {
        r.name: r.sha256 for c in ("TC-1001", "TC-1002") for r in bagged.catalog.photos.of_claim(ClaimId(c))
    }
    done = placing.shift(bagged, photos[second[0]], photos[first[4]])
    assert names(bagged, "TC-1001") == first[:4]
    assert names(bagged, "TC-1002") == [*first[4:], *second]
    undo(bagged, done.decision, others_too=False)
    assert (names(bagged, "TC-1001"), names(bagged, "TC-1002")) == (first, second)
    placing.shift(bagged, photos[second[0]], photos[second[2]])
    assert names(bagged, "TC-1001") == [*first, *second[:2]]
    assert bagged.custody.verify().valid


def test_a_change_of_the_days_boundaries_since_it_was_loaded_is_refused(bagged):
    claim = ClaimId("TC-1001")
    seen = day_mark(bagged, claim)
    require_day(bagged, claim, seen)
    placing.cut(bagged.acting_as("Adam"), bagged.catalog.photos.of_claim(claim)[3].sha256)
    with pytest.raises(ChangedError, match="Adam changed the boundaries of the day"):
        require_day(bagged, claim, seen)


def test_a_later_shift_to_the_same_boundary_must_be_undone_first(bagged):
    """The photo after the boundary is none of those of which the shift states the claim."""
    first, second = (bagged.catalog.photos.of_claim(ClaimId(claim)) for claim in ("TC-1001", "TC-1002"))
    cut = placing.cut(bagged, second[2].sha256)
    claims = {second[0].sha256: ClaimId("TC-1001"), second[1].sha256: ClaimId("TC-1001")}
    shift = Shift(
        replaced=dict.fromkeys(claims, ClaimId("TC-1002")),
        boundary=second[0].sha256,
        to=second[2].sha256,
        claims=claims,
    )
    number = bagged.catalog.claims.record(shift, claim=first[0].claim, at=bagged.now(), actor="Adam")
    with pytest.raises(BadInputError, match=f"Adam has corrected the same since .correction {number}."):
        undo(bagged, cut.decision)


def test_undo_and_the_look_at_a_day_read_no_decisions_about_other_photos(bagged, monkeypatch):
    claim, other = ClaimId("TC-1001"), ClaimId("TC-1002")
    photo = bagged.catalog.photos.of_claim(claim)[1].sha256
    elsewhere = Move(replaced={Sha256("f" * 64): None}, photos=(Sha256("f" * 64),), claim=other)
    seen = day_mark(bagged, claim)
    done = placing.cut(bagged.acting_as("Adam"), photo)
    for _ in range(50):
        bagged.catalog.claims.record(elsewhere, claim=other, at=bagged.now(), actor="Zoe")
    read = []
    monkeypatch.setattr(
        catalog_claims,
        "_read_decision",
        lambda row, of, plain=catalog_claims._read_decision: read.append(row.id) or plain(row, of),
    )
    with pytest.raises(ChangedError, match="Adam changed the boundaries of the day"):
        require_day(bagged, claim, seen)
    monkeypatch.setattr(
        undoing, "build_outdated_bags", lambda *_: None
    )  # a bag's records hold all decisions of its claim
    undo(bagged, done.decision)
    assert set(read) == {done.decision}
