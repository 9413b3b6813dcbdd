"""Days on which nothing is wrong: photos between houses, files without a time, pauses, and what is asked."""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

import pytest
from support_timeline import at, claim_of, claims_in_order, house, make_photo, place, sheet, sites, sizes

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from day_simulator import EASY, EASY_SLOW, SMALL, simulate

from evidence.model import Claim, ClaimId
from evidence.timeline import plan_day

A, B = ClaimId("AX-1001"), ClaimId("BX-2002")


@pytest.mark.parametrize(("east", "filed"), [(105.0, None), (20.0, A)], ids=["away", "at the house"])
def test_photos_away_from_two_houses_and_parted_from_both_are_of_neither(east, filed):
    """A hundred metres from a walk of 20 m, four minutes after it and eight before the next sheet."""
    first = house(1, at(9), 40, claim=A, gps=place(0, 0))
    end = first[-1].taken_local
    between = [
        make_photo(41 + k, end + timedelta(seconds=220 + 20 * k), gps=place(east, k)) for k in range(2)
    ]
    second = house(44, end + timedelta(minutes=12), 40, claim=B, gps=place(370, 0))
    plan = plan_day([*first, *between, *second], sites(**{A: place(5, 5), B: place(370, 5)}))
    assert {claim_of(plan, photo) for photo in between} == {filed}
    assert {claim_of(plan, photo) for photo in first} == {A}


@pytest.mark.parametrize(("left", "taken", "claim"), [(1, 20, B), (20, 1, A), (1, 0, A)])
def test_a_video_between_two_houses_belongs_where_another_device_took_more_in_that_time(left, taken, claim):
    """The phone's video lies between one photo at each house; the camera took `left` at the first one afterwards and
    `taken` at the second one before."""
    first, second = house(1, at(9), 60, claim=A), house(61, at(9, 40), 60, claim=B)
    phone = [
        make_photo(1, first[30].taken_local + timedelta(seconds=1), device="phone"),
        make_photo(2, first[59 - left].taken_local + timedelta(seconds=1), device="phone"),
        make_photo(3, None, device="phone", name="MOV_0003.MP4", is_photo=False),
        make_photo(4, second[taken].taken_local + timedelta(seconds=1), device="phone"),
        make_photo(5, second[40].taken_local + timedelta(seconds=1), device="phone"),
    ]
    plan = plan_day([*first, *second, *phone], sites(A, B))
    assert claim_of(plan, phone[2]) == claim
    assert claims_in_order(plan) == [A, B]
    assert [p.to_confirm for p in plan.placed if p.sha256 == phone[2].sha256] == [True]


def test_a_sheet_whose_text_names_its_claim_passes_a_photo_of_the_other_device_up_to_the_drive():
    owner = Claim(claim=B, insured="Berta Dorn", address="120 Elm St")
    first = house(1, at(9), 40, claim=A)
    second = house(41, at(9, 25), 40)
    page = make_photo(
        1, at(9, 25, 8), device="phone", sheet=sheet("CLAIM BX-2002", "Berta Dorn", "120 Elm St")
    )
    phone = [make_photo(2 + k, second[5 * k + 5].taken_local, device="phone") for k in range(7)]
    plan = plan_day([*first, *second, page, *phone], [*sites(A), owner])
    assert sizes(plan) == [(A, 40), (B, 48)]


def test_nothing_is_asked_after_a_pause_at_one_place_right_after_the_sheet():
    spots = {A: place(0, 0), B: place(3000, 0)}
    first = house(1, at(9), 2, claim=A, gps=spots[A])
    rest = house(3, first[-1].taken_local + timedelta(minutes=13), 68, gps=spots[A])
    second = house(71, rest[-1].taken_local + timedelta(minutes=20), 60, claim=B, gps=spots[B])
    plan = plan_day([*first, *rest, *second], sites(**spots))
    assert sizes(plan) == [(A, 70), (B, 60)]
    assert not any(p.to_confirm for p in plan.placed)


def test_a_claim_that_waits_for_its_photos_makes_no_other_house_doubtful_whose_positions_are_at_one_place():
    """A simulated day: the first house's sheet was not seen, the other six houses have sheets, positions and pauses."""
    day = simulate(1_500_027, EASY)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    asked = [p for p in plan.placed if p.to_confirm and day.visit[p.sha256] > 0]
    assert len(asked) < 10


def test_a_sheet_that_a_colleague_photographs_later_does_not_interrupt_the_next_house():
    """Both photographed the first sheet, the colleague 20 minutes after the camera, which was at the second house then."""
    camera = [*house(1, at(9), 30, claim=A), *house(31, at(9, 12), 90, claim=B)]
    colleague = [make_photo(1, at(9, 21), dividers=(A,), device="colleague")]
    plan = plan_day([*camera, *colleague], sites(A, B))
    assert {claim_of(plan, p) for p in camera[30:]} == {B}


def test_a_part_of_a_house_after_a_pause_keeps_its_claim_where_all_sheets_of_the_list_were_read():
    """A simulated day without positions: eight sheets, eight claims, and pauses of seven to fifteen minutes."""
    day = simulate(1_500_089, EASY_SLOW)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    assert not any(s.unknown for s in plan.segments)


def test_a_day_whose_sheets_were_all_read_asks_next_to_nothing():
    """A simulated day without positions, whose pictures show that no house begins after a pause."""
    day = simulate(1_500_015, EASY_SLOW)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    assert sum(p.to_confirm for p in plan.placed) < 0.02 * len(plan.placed)


def test_a_sheet_of_another_claim_opens_a_house_although_all_sheets_of_the_list_were_read():
    """A small simulated day without positions: a neighbour on no list, whose sheet was written by hand."""
    day = simulate(1_500_185, SMALL)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    own = {p.sha256: p for p in plan.placed}
    hidden = [name for name, visit in day.visit.items() if visit == 4]
    assert all(own[name].to_confirm for name in hidden)
