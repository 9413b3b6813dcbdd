"""Each difficulty of a day in the field, as a small hand-made day."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from support_timeline import at, claim_of, claims_in_order, house, make_photo, place, sheet, sites, sizes

from evidence.model import Claim, ClaimId
from evidence.timeline import ManualAssignments, SheetAt, SplitOptions, plan_day

A, B, C = ClaimId("AX-1001"), ClaimId("BX-2002"), ClaimId("CX-3003")


def to_confirm(placed):
    """The values of `to_confirm` among these photos."""
    return {p.to_confirm for p in placed}


def day_of_three():
    """Three houses, a sheet at each, 15 to 20 minutes of driving between."""
    return [
        *house(1, at(9), 40, claim=A),
        *house(41, at(9, 30), 50, claim=B),
        *house(91, at(10, 5), 45, claim=C),
    ]


def test_a_sheet_begins_its_claim_and_the_photos_after_it_follow():
    plan = plan_day(day_of_three(), [])
    assert sizes(plan) == [(A, 40), (B, 50), (C, 45)]
    assert to_confirm(plan.placed) == {False}
    assert plan.segments[1].opened_by.probability > 0.99
    assert any("sheet of claim BX-2002" in r for r in plan.segments[1].opened_by.reasons)


def test_two_photos_of_one_sheet_are_one_divider():
    photos = day_of_three()
    again = replace(photos[41], dividers=(B,))
    assert sizes(plan_day([*photos[:41], again, *photos[42:]], [])) == [(A, 40), (B, 50), (C, 45)]


def test_a_day_without_any_sheet_is_cut_at_its_drives_and_its_houses_are_to_be_named():
    photos = [replace(s, dividers=()) for s in day_of_three()]
    plan = plan_day(photos, [])
    assert sizes(plan) == [("?", 40), ("?", 50), ("?", 45)]
    assert to_confirm(plan.placed) == {True}
    assert {f.code for f in plan.findings} >= {"unnamed_house"}


def test_a_day_without_any_sheet_is_named_by_its_addresses_where_photos_have_positions():
    places = {A: place(0, 0), B: place(2500, 300), C: place(2600, 4000)}
    photos = [
        *house(1, at(9), 40, gps=places[A]),
        *house(41, at(9, 30), 50, gps=places[B]),
        *house(91, at(10, 5), 45, gps=places[C]),
    ]
    plan = plan_day(photos, sites(**places))
    assert sizes(plan) == [(A, 40), (B, 50), (C, 45)]
    assert to_confirm(plan.placed) == {False}


def test_a_missing_sheet_between_two_claims_is_bridged_by_positions():
    places = {A: place(0, 0), B: place(2500, 300), C: place(2600, 4000)}
    photos = [
        *house(1, at(9), 40, claim=A, gps=places[A]),
        *house(41, at(9, 30), 50, gps=places[B]),
        *house(91, at(10, 5), 45, claim=C, gps=places[C]),
    ]
    assert sizes(plan_day(photos, sites(**places))) == [(A, 40), (B, 50), (C, 45)]


def test_a_missing_sheet_without_positions_is_to_confirm_and_never_filed_as_certain():
    photos = [*house(1, at(9), 40, claim=A), *house(41, at(9, 32), 50), *house(91, at(10, 5), 45, claim=C)]
    plan = plan_day(photos, sites(A, B, C))
    assert [p.claim for p in plan.placed[90:]] == [C] * 45
    middle = plan.placed[40:90]
    assert to_confirm(middle) == {True}
    subjects = {f.subject for f in plan.findings if f.code in {"possible_boundary", "unnamed_house"}}
    subjects |= {s.opened_by.before for s in plan.segments if s.opened_by.to_confirm}
    assert photos[40].sha256 in subjects


def test_a_sheet_that_cannot_be_read_is_still_a_boundary():
    photos = day_of_three()
    photos[40] = replace(photos[40], dividers=(), sheet=sheet("smudged", "beyond reading"))
    plan = plan_day(photos, sites(A, B, C, "DX-4004"))
    assert sizes(plan) == [(A, 40), ("?", 50), (C, 45)]
    assert not plan.segments[1].opened_by.to_confirm, "that a house begins here is sure; only its name is not"
    assert to_confirm(p for p in plan.placed if p.segment == 2) == {True}
    assert "unnamed_house" in {f.code for f in plan.findings}
    assert any("without a readable code" in r for r in plan.segments[1].opened_by.reasons)


def test_a_sheet_read_by_its_text_names_the_claim_to_confirm():
    claims = [
        Claim(claim=A, insured="Dora Brack", address="12 Elm St"),
        Claim(claim=B, insured="Emil Falk", address="840 Oak Ave"),
        Claim(claim=C, insured="Jutta Kolb", address="77 Birch Ln"),
    ]
    photos = day_of_three()
    photos[40] = replace(photos[40], dividers=(), sheet=sheet("CLAIM BX-2O02", "Emil Falk", "840 Oak Ave"))
    plan = plan_day(photos, claims)
    assert sizes(plan) == [(A, 40), (B, 50), (C, 45)]
    assert to_confirm(plan.placed[40:90]) == {True}, "text alone never files for certain"


def test_text_and_position_together_name_a_claim_for_certain():
    places = {A: place(0, 0), B: place(2500, 300), C: place(2600, 4000)}
    claims = [
        Claim(claim=A, insured="Dora Brack", address="12 Elm St", place=places[A]),
        Claim(claim=B, insured="Emil Falk", address="840 Oak Ave", place=places[B]),
        Claim(claim=C, insured="Jutta Kolb", address="77 Birch Ln", place=places[C]),
    ]
    middle = house(41, at(9, 30), 50, gps=places[B])
    middle[0] = replace(middle[0], sheet=sheet("CLAIM BX-2O02", "Emil Falk", "840 Oak Aye"))
    photos = [
        *house(1, at(9), 40, claim=A, gps=places[A]),
        *middle,
        *house(91, at(10, 5), 45, claim=C, gps=places[C]),
    ]
    plan = plan_day(photos, claims)
    assert sizes(plan) == [(A, 40), (B, 50), (C, 45)]
    assert to_confirm(plan.placed[40:90]) == {False}


def closing_sheets():
    """The same day with every sheet photographed after its house."""
    photos = [replace(s, dividers=()) for s in day_of_three()]
    for last, claim in ((39, A), (89, B), (134, C)):
        photos[last] = replace(photos[last], dividers=(claim,))
    return photos


@pytest.mark.parametrize("sheet_at", [SheetAt.DETECT, SheetAt.END])
def test_sheets_at_the_end_are_detected_or_set_by_option(sheet_at):
    plan = plan_day(closing_sheets(), [], options=SplitOptions(sheet_at=sheet_at))
    assert sizes(plan) == [(A, 40), (B, 50), (C, 45)]


def test_houses_next_door_five_minutes_apart_are_two_claims():
    photos = [*house(1, at(9), 60, claim=A), *house(61, at(9, 19, 30), 60, claim=B)]
    gap = photos[60].taken_local - photos[59].taken_local
    assert timedelta(minutes=3) < gap < timedelta(minutes=7)
    assert sizes(plan_day(photos, [])) == [(A, 60), (B, 60)]


def test_a_pause_of_45_minutes_within_a_claim_is_no_boundary():
    first = house(1, at(9), 40, claim=A)
    rest = house(41, first[-1].taken_local + timedelta(minutes=45), 50)
    plan = plan_day([*first, *rest, *house(91, at(11), 45, claim=C)], [])
    assert sizes(plan) == [(A, 90), (C, 45)]


def test_a_return_in_the_afternoon_goes_to_the_earlier_claim_by_its_sheet():
    photos = [*day_of_three(), *house(136, at(14), 12, claim=A)]
    plan = plan_day(photos, [])
    assert sizes(plan) == [(A, 40), (B, 50), (C, 45), (A, 12)]


def test_a_return_in_the_afternoon_goes_to_the_earlier_claim_by_its_position():
    places = {A: place(0, 0), B: place(2500, 300)}
    photos = [
        *house(1, at(9), 40, claim=A, gps=places[A]),
        *house(41, at(9, 30), 50, claim=B, gps=places[B]),
        *house(91, at(13), 20, gps=places[A]),
    ]
    plan = plan_day(photos, [])
    assert sizes(plan) == [(A, 40), (B, 50), (A, 20)]


def test_photos_taken_between_houses_go_to_the_unassigned():
    places = {A: place(0, 0), B: place(6000, 300)}
    photos = [
        *house(1, at(9), 40, claim=A, gps=places[A]),
        make_photo(41, at(9, 22), gps=place(3000, 200)),
        make_photo(42, at(9, 22, 20), gps=place(3010, 205)),
        *house(43, at(9, 36), 50, claim=B, gps=places[B]),
    ]
    plan = plan_day(photos, sites(**places))
    assert sizes(plan) == [(A, 40), ("-", 2), (B, 50)]
    assert not plan.segments[1].unknown


def test_a_second_adjusters_card_joins_the_claim_it_was_at():
    mine = day_of_three()
    theirs = house(1, at(9, 33), 20, device="other camera", card="theirs")
    plan = plan_day([*mine, *theirs], [])
    assert {claim_of(plan, s) for s in theirs} == {B}
    assert sizes(plan) == [(A, 40), (B, 70), (C, 45)]


def test_two_adjusters_at_different_houses_at_one_time_are_kept_apart():
    spots = {A: place(0, 0), B: place(3000, 0), C: place(0, 5000)}
    far = ClaimId("DX-4004")
    mine = [
        *house(1, at(9), 60, claim=A, gps=spots[A]),
        *house(61, at(9, 30), 60, claim=B, gps=spots[B]),
        *house(121, at(10), 60, claim=C, gps=spots[C]),
    ]
    theirs = [
        *house(1, at(9, 5), 90, claim=far, gps=place(9000, 9000), device="other"),
        *house(91, at(9, 40), 60, claim="EX-5005", gps=place(12000, 9000), device="other"),
    ]
    plan = plan_day([*mine, *theirs], [])
    assert sizes(plan) == [(A, 60), (far, 90), (B, 60), ("EX-5005", 60), (C, 60)]


def test_a_house_that_is_not_among_the_assignments_waits_for_its_name():
    places = {A: place(0, 0), C: place(2600, 4000)}
    photos = [
        *house(1, at(9), 40, claim=A, gps=places[A]),
        *house(41, at(9, 30), 50, gps=place(2500, -300)),
        *house(91, at(10, 5), 45, claim=C, gps=places[C]),
    ]
    plan = plan_day(photos, sites(**places))
    assert sizes(plan) == [(A, 40), ("?", 50), (C, 45)]
    assert plan.segments[1].unknown
    assert to_confirm(p for p in plan.placed if p.segment == 2) == {True}


def test_videos_follow_their_neighbours_and_a_stray_text_file_goes_unassigned():
    video = make_photo(30, None, name="MOV_0030.MP4", is_photo=False)
    note = make_photo(None, None, name="readme.txt", card_path="readme.txt", is_photo=False)
    photos = [s for s in day_of_three() if s.dcf is None or s.dcf.file_number != 30]
    plan = plan_day([*photos, video, note], [])
    assert claim_of(plan, video) == A
    assert claim_of(plan, note) is None
    assert claims_in_order(plan) == [A, B, C, "-"]


def test_companions_of_one_object_stay_together():
    photos = day_of_three()
    raw = make_photo(60, None, name="IMG_0060.RAW", object_key=photos[59].object_key)
    sound = make_photo(60, None, name="IMG_0060.WAV", object_key=photos[59].object_key, is_photo=False)
    plan = plan_day([sound, *photos, raw], [])
    placed = [p.sha256 for p in plan.placed]
    lead = placed.index(photos[59].sha256)
    assert set(placed[lead + 1 : lead + 3]) == {raw.sha256, sound.sha256}
    assert claim_of(plan, raw) == claim_of(plan, sound) == B


def test_a_paper_inside_a_house_does_not_cut_it():
    photos = day_of_three()
    photos[60] = replace(photos[60], sheet=sheet("PERMIT", "roof and gutter works", confidence=0.6))
    assert sizes(plan_day(photos, [])) == [(A, 40), (B, 50), (C, 45)]


def test_the_working_days_of_a_week_are_split_apart():
    week = [
        s
        for day in range(5)
        for s in house(1 + 40 * day, at(16) + timedelta(days=day), 40, claim=A if day % 2 == 0 else B)
    ]
    assert sizes(plan_day(week, [])) == [(A, 40), (B, 40), (A, 40), (B, 40), (A, 40)]


def test_an_assigned_house_next_door_without_a_sheet_leaves_the_rest_of_the_visit_to_confirm():
    next_door = {A: place(0, 0), B: place(30, 0)}
    first = house(1, at(9), 40, claim=A, gps=next_door[A])
    rest = house(41, first[-1].taken_local + timedelta(minutes=6), 60, gps=place(20, 0))
    plan = plan_day([*first, *rest], sites(**next_door))
    assert to_confirm(plan.placed[:40]) == {False}
    assert to_confirm(plan.placed[40:]) == {True}


def test_an_address_names_for_certain_only_where_no_other_house_of_the_day_is_next_to_it():
    def middle(**places):
        photos = [
            *house(1, at(9), 40, claim=A, gps=places[A]),
            *house(41, at(9, 30), 50, gps=places[B]),
            *house(91, at(10, 5), 45, claim=C, gps=places[C]),
        ]
        return plan_day(photos, sites(**places)).placed[40:90]

    assert to_confirm(middle(**{A: place(0, 0), B: place(2500, 0), C: place(2600, 4000)})) == {False}
    assert to_confirm(middle(**{A: place(0, 0), B: place(2500, 0), C: place(2535, 0)})) == {True}


# --- decisions -------------------------------------------------------------------------------


def test_a_moved_photo_stays_moved_and_its_neighbours_do_not_move():
    photos = day_of_three()
    plan = plan_day(
        photos, [], manual=ManualAssignments(claim_of={photos[10].sha256: B, photos[50].sha256: None})
    )
    assert claim_of(plan, photos[10]) == B
    assert claim_of(plan, photos[50]) is None
    assert {claim_of(plan, s) for s in photos[:40] if s is not photos[10]} == {A}
    moved = next(p for p in plan.placed if p.sha256 == photos[10].sha256)
    assert moved.confidence == 1.0
    assert not moved.to_confirm


def test_naming_an_unknown_house_names_photos_that_arrive_later_too():
    photos = [replace(s, dividers=()) for s in day_of_three()]
    known, late = [s for i, s in enumerate(photos) if i % 9], [s for i, s in enumerate(photos) if not i % 9]
    first = plan_day(known, [])
    named = dict.fromkeys(first.segments[1].photos, B)
    again = plan_day([*known, *late], [], manual=ManualAssignments(claim_of=named))
    assert {claim_of(again, s) for s in photos[40:90]} == {B}


def test_a_cut_stands_and_what_follows_is_to_be_named():
    photos = day_of_three()
    plan = plan_day(photos, [], manual=ManualAssignments(cuts=frozenset({photos[60].sha256})))
    assert sizes(plan) == [(A, 40), (B, 20), ("?", 30), (C, 45)]
    assert plan.segments[2].opened_by.reasons[0] == "a person put a boundary here"
    assert plan.segments[2].opened_by.probability == 1.0


def test_a_join_removes_a_boundary_that_the_evidence_would_draw():
    photos = [replace(s, dividers=()) for s in day_of_three()]
    plan = plan_day(photos, [], manual=ManualAssignments(joins=frozenset({photos[40].sha256})))
    assert sizes(plan) == [("?", 90), ("?", 45)]


@pytest.mark.parametrize("moved", [0, 39, 40, 70, 134], ids=str)
def test_a_decision_is_never_overridden_whatever_the_evidence(moved):
    photos = day_of_three()
    manual = ManualAssignments(
        claim_of={photos[moved].sha256: ClaimId("ZZ-9999")},
        cuts=frozenset({photos[20].sha256}),
        joins=frozenset({photos[90].sha256}),
    )
    plan = plan_day(photos, [], manual=manual)
    assert claim_of(plan, photos[moved]) == "ZZ-9999"
    opened = {s.opened_by.before for s in plan.segments}
    assert photos[20].sha256 in opened
    assert photos[90].sha256 not in opened


def test_with_every_photo_decided_the_plan_is_what_was_decided():
    photos = day_of_three()
    manual = ManualAssignments(claim_of={s.sha256: (C if i % 2 else None) for i, s in enumerate(photos)})
    plan = plan_day(photos, [], manual=manual)
    assert {s.sha256: claim_of(plan, s) for s in photos} == dict(manual.claim_of)
