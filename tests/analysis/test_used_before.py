"""Photos that already served another claim: by file, by likeness, and which claim is told of it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from support_board import facet_value, put_claim, put_photos
from support_catalog import copied

from evidence.alike.turning import Turned, turned_hashes
from evidence.analysis.coverage import coverage_of
from evidence.analysis.used_before import Likeness, used_before
from evidence.catalog.decisions import AnswerLikeness, LikenessAnswer
from evidence.catalog.intakes import IntakeRow
from evidence.model import ClaimId, Facet, IntakeId, Sha256

FENCE = "00000000000000ff"
MAY = datetime(2026, 5, 14, 9, tzinfo=UTC)


def house(workspace, number, many=1, phash="", **more):
    """A claim with photos from a card of its own; cards come in the order of the claims' numbers."""
    put_claim(workspace, number)
    return put_photos(
        workspace, number, many, name=number.replace("-", ""), phash=phash, originals=False, **more
    )


def found(workspace, number):
    return used_before(workspace, ClaimId(number), workspace.catalog.photos.of_claim(ClaimId(number)))


def near(phash, *bits):
    code = int(phash, 16)
    for bit in bits:
        code ^= 1 << bit
    return f"{code:016x}"


def test_the_claim_whose_photo_came_later_is_told_and_the_earlier_one_is_not(workspace):
    first = house(workspace, "UB-1", phash=FENCE)
    second = house(workspace, "UB-2", phash=near(FENCE, 3, 40))
    house(workspace, "UB-3", phash=near(FENCE, *range(20, 27)))
    (one,) = found(workspace, "UB-2")
    assert (one.photo, one.likeness, one.name) == (second[0], Likeness.ALIKE, "UB20000.JPG")
    assert [(other.claim, other.photo, other.bits) for other in one.others] == [("UB-1", first[0], 2)]
    assert (one.photos, one.claims) == (1, 1)
    assert found(workspace, "UB-1") == []
    assert found(workspace, "UB-3") == []


def test_the_setting_says_how_many_bits_may_differ(workspace):
    house(workspace, "UB-1", phash=FENCE)
    house(workspace, "UB-2", phash=near(FENCE, *range(20, 26)))
    house(workspace, "UB-3", phash=near(FENCE, *range(40, 47)))
    assert [one.nearest.bits for one in found(workspace, "UB-2")] == [6]
    assert found(workspace, "UB-3") == []
    coverage = workspace.settings.coverage.model_copy(update={"used_before_bits": 7})
    workspace.settings = workspace.settings.model_copy(update={"coverage": coverage})
    assert [(other.claim, other.bits) for one in found(workspace, "UB-3") for other in one.others] == [
        ("UB-1", 7)
    ]


def test_a_mirrored_or_turned_copy_is_found_unless_the_setting_says_not_to(workspace):
    ways = turned_hashes(FENCE)
    first = house(workspace, "UB-1", phash=FENCE)
    house(workspace, "UB-2", phash=near(ways[Turned.MIRRORED], 5))
    (one,) = found(workspace, "UB-2")
    assert [(other.photo, other.bits, other.turned) for other in one.others] == [
        (first[0], 1, Turned.MIRRORED)
    ]
    (flag,) = [
        flag for flag in coverage_of(workspace, ClaimId("UB-2")).flags if flag.code == "alike_elsewhere"
    ]
    assert flag.message == "Nearly the same picture, mirrored, is in claim UB-1 (1 of 64 bits differ)."
    house(workspace, "UB-3", phash=ways[Turned.LEFT])
    assert found(workspace, "UB-3")[0].nearest.turned is Turned.RIGHT
    coverage = workspace.settings.coverage.model_copy(update={"used_before_turned": False})
    workspace.settings = workspace.settings.model_copy(update={"coverage": coverage})
    assert found(workspace, "UB-2") == []


def test_a_finding_says_how_common_such_a_likeness_is(workspace):
    for number in range(1, 6):
        house(workspace, f"UB-{number}", many=number, phash=near(FENCE, number))
    assert found(workspace, "UB-1") == []  # nothing came before it
    listed = found(workspace, "UB-3")
    assert len(listed) == 3
    assert {(one.photos, one.claims) for one in listed} == {(1 + 2 + 4 + 5, 4)}
    assert [[other.claim for other in one.others] for one in listed] == [["UB-1", "UB-2"]] * 3
    messages = [
        flag.message
        for flag in coverage_of(workspace, ClaimId("UB-3")).flags
        if flag.code == "alike_elsewhere"
    ]
    assert (
        messages
        == [
            "Nearly the same picture is in claim UB-1 (2 of 64 bits differ); 12 photos of 4 claims are this alike."
        ]
        * 3
    )


def test_houses_of_one_card_are_both_told(workspace):
    shas = [sha for number in ("UB-1", "UB-2") for sha in house(workspace, number, phash=FENCE)]
    for name in ("20260514-090000-ub1", "20260514-090000-ub2"):
        workspace.catalog.photos.add_originals(IntakeId(name), [])
    card(workspace, "20260514-090000-card", [(f"{sha}.JPG", sha) for sha in shas])
    assert [one.nearest.claim for one in found(workspace, "UB-2")] == ["UB-1"]
    assert [one.nearest.claim for one in found(workspace, "UB-1")] == ["UB-2"]


def test_photos_of_the_tray_and_of_the_same_claim_are_no_finding_until_they_move(workspace):
    house(workspace, "UB-1", many=2, phash=FENCE)
    put_photos(workspace, None, 1, name="A0", phash=FENCE, originals=False)
    assert found(workspace, "UB-1") == []


def test_sheets_are_not_compared_by_picture(workspace):
    sheet = {0: (facet_value(Facet.ROLE, "divider"),)}
    house(workspace, "UB-1", phash=FENCE)
    house(workspace, "UB-2", phash=FENCE, tags=sheet)
    house(workspace, "UB-3", phash=FENCE)
    assert found(workspace, "UB-2") == []
    assert {other.claim for one in found(workspace, "UB-3") for other in one.others} == {"UB-1", "UB-2"}


def test_a_photo_without_a_hash_is_compared_with_nothing(workspace):
    house(workspace, "UB-1")
    house(workspace, "UB-2")
    assert found(workspace, "UB-2") == []


def test_a_photo_that_another_claims_bag_holds_too_is_the_same_file(workspace):
    shas = house(workspace, "UB-1", many=2)
    put_claim(workspace, "UB-2")
    for bag in ("UB-1", "UB-2"):
        workspace.catalog.keeping.mark_clean(bag, {shas[0]: "a.jpg"}, at=workspace.now(), changes=0)
    (one,) = found(workspace, "UB-1")
    assert (one.photo, one.likeness, one.nearest.claim) == (shas[0], Likeness.SAME_FILE, "UB-2")
    codes = {
        flag.subject: flag.message
        for flag in coverage_of(workspace, ClaimId("UB-1")).flags
        if flag.code == "used_elsewhere"
    }
    assert codes == {shas[0]: "The same file is in claim UB-2."}


# --- files that a card brings again ------------------------------------------------------


def card(workspace, name, files, *, card_id="", at=MAY):
    """A card with these files, (path, digest) each, in its order."""
    intake = IntakeId(name)
    row = IntakeRow(
        intake=intake, source="/card", label="card", actor="Tess", started_at=at, finished_at=at, refused=(), card_id=card_id
    )  # fmt: skip
    workspace.catalog.photos.put_intake(row)
    workspace.catalog.photos.add_originals(intake, [copied(path, sha, modified=at) for path, sha in files])
    return intake


@pytest.fixture
def old_file(workspace):
    """A photo that claim UB-1 has had since an earlier card."""
    put_claim(workspace, "UB-1")
    return put_photos(workspace, "UB-1", 3, name="A", originals=False)[1]


def again(workspace, path, sha, *, modified, card_id=""):
    """A second card with two new photos of claim UB-2, and the old file between them."""
    put_claim(workspace, "UB-2")
    new = put_photos(workspace, "UB-2", 2, name="B", originals=False)
    files = [("DCIM/100TEST/N1.JPG", new[0]), (path, sha), ("DCIM/100TEST/N3.JPG", new[1])]
    intake = IntakeId("20260514-090000-b")
    workspace.catalog.photos.put_intake(
        IntakeRow(intake=intake, source="/card", label="card", actor="Tess", started_at=MAY, finished_at=MAY, refused=(), card_id=card_id)
    )  # fmt: skip
    workspace.catalog.photos.add_originals(
        intake, [copied(name, one, modified=modified) for name, one in files]
    )


def test_a_file_of_another_claim_that_comes_again_among_new_photos_is_named(workspace, old_file):
    again(workspace, "DCIM/100TEST/N2.JPG", old_file, modified=MAY)
    (one,) = found(workspace, "UB-2")
    assert (one.photo, one.name, one.likeness) == (old_file, "N2.JPG", Likeness.BROUGHT_AGAIN)
    assert one.nearest.claim == "UB-1"
    assert found(workspace, "UB-1") == []
    (flag,) = [flag for flag in coverage_of(workspace, ClaimId("UB-2")).flags if flag.code == "brought_again"]
    assert flag.message == "N2.JPG came again among these photos; the file is in claim UB-1 and stays there."


def test_a_card_that_still_holds_what_it_held_brings_nothing_again(workspace, old_file):
    again(workspace, "DCIM/100TEST/A0001.JPG", old_file, modified=None)
    assert found(workspace, "UB-2") == []


def test_the_same_path_on_another_card_is_named(workspace, old_file):
    row = workspace.catalog.photos.sightings([old_file])[old_file][0]
    workspace.catalog.photos.put_intake(
        IntakeRow(intake=row.intake, source="/card", label="card", actor="Tess", started_at=MAY, finished_at=MAY, refused=(), card_id="one")
    )  # fmt: skip
    again(workspace, row.card_path, old_file, modified=None, card_id="another")
    assert [one.photo for one in found(workspace, "UB-2")] == [old_file]


# --- answers -----------------------------------------------------------------------------


def answer(workspace, number, photo, others, what):
    decision = AnswerLikeness(photo=photo, others=tuple(others), answer=what)
    return workspace.catalog.claims.record(decision, claim=ClaimId(number), at=workspace.now(), actor="Rita")


def codes(workspace, number):
    return {flag.code for flag in coverage_of(workspace, ClaimId(number)).flags}


def test_what_is_fine_is_no_flag_any_more_and_what_is_to_be_looked_into_stays_one(workspace):
    first = house(workspace, "UB-1", phash=FENCE)
    second = house(workspace, "UB-2", phash=FENCE)
    assert "alike_elsewhere" in codes(workspace, "UB-2")
    answer(workspace, "UB-2", second[0], first, LikenessAnswer.FINE)
    assert "alike_elsewhere" not in codes(workspace, "UB-2")
    assert found(workspace, "UB-2")[0].answer.decision.answer is LikenessAnswer.FINE
    answer(workspace, "UB-2", second[0], first, LikenessAnswer.LOOK_INTO)
    (flag,) = [one for one in coverage_of(workspace, ClaimId("UB-2")).flags if one.code == "alike_elsewhere"]
    assert flag.message == (
        "Nearly the same picture is in claim UB-1 (0 of 64 bits differ); somebody is to look into it."
    )


def test_an_answer_holds_for_the_claims_that_it_saw(workspace):
    first = house(workspace, "UB-1", phash=near(FENCE, 1, 2))
    second = house(workspace, "UB-2", phash=near(FENCE, 3))
    third = house(workspace, "UB-3", phash=FENCE)
    answer(workspace, "UB-3", third[0], first, LikenessAnswer.FINE)
    (one,) = found(workspace, "UB-3")
    assert (one.nearest.claim, one.answer) == ("UB-2", None)
    answer(workspace, "UB-3", third[0], [*second, *first], LikenessAnswer.FINE)
    assert found(workspace, "UB-3")[0].answer is not None


def test_a_purged_claim_is_found_no_more_and_its_digests_leave_the_answers(workspace):
    first = house(workspace, "UB-1", phash=FENCE)
    second = house(workspace, "UB-2", phash=FENCE)
    third = house(workspace, "UB-3", phash=FENCE)
    answer(workspace, "UB-2", second[0], first, LikenessAnswer.LOOK_INTO)
    answer(workspace, "UB-3", third[0], [*first, *second], LikenessAnswer.FINE)
    workspace.catalog.photos.delete(first)
    assert workspace.catalog.forget_photos(first) == {"UB-2", "UB-3"}
    rows = workspace.catalog.claims.decisions(AnswerLikeness)
    assert [(row.claim, row.decision.others) for row in rows] == [("UB-3", tuple(second))]
    assert found(workspace, "UB-2") == []
    assert [other.claim for other in found(workspace, "UB-3")[0].others] == ["UB-2"]
    assert Sha256(first[0]) not in str(rows)
