"""What the claims that the list leaves over say about houses without a sheet."""

from __future__ import annotations

import pytest
from support_timeline import at, claims_in_order, house, place, sites, sizes

from evidence.timeline import plan_day
from evidence.timeline.split.houses_left import LEAST, MOST, log_odds_of_unread

A, B, C = "AX-1001", "BX-2002", "CX-3003"


def test_a_claim_that_waits_makes_an_unnamed_house_more_probable_and_a_complete_list_less():
    one, none = log_odds_of_unread(1, 0.0, 0.6), log_odds_of_unread(0, 0.0, 0.6)
    assert LEAST <= none < 0.0 < one <= MOST
    assert log_odds_of_unread(1, 1.0, 0.6) == none
    assert log_odds_of_unread(2, 1.0, 0.6) == one


@pytest.mark.parametrize("left", range(12))
def test_what_the_list_adds_is_limited_and_falls_with_each_house_that_is_found(left):
    values = [log_odds_of_unread(left, found, 0.6) for found in (0.0, 0.5, 1.0, 20.0)]
    assert all(LEAST <= value <= MOST for value in values)
    assert values[-1] == log_odds_of_unread(0, 0.0, 0.6)


def with_a_drive():
    """A sheet, a drive of 13 minutes without a sheet after it, and another sheet; no positions."""
    return [*house(1, at(9), 40, claim=A), *house(41, at(9, 23), 50), *house(91, at(10, 5), 45, claim=C)]


def test_the_one_claim_that_waits_gets_the_photos_after_a_drive_to_confirm():
    plan = plan_day(with_a_drive(), sites(A, B, C))
    assert sizes(plan) == [(A, 40), (B, 50), (C, 45)]
    assert all(photo.to_confirm for photo in plan.placed[40:90])


def test_a_drive_a_pause_and_one_claim_that_waits_make_one_house_more_at_most():
    photos = [
        *house(1, at(9), 40, claim=A),
        *house(41, at(9, 18), 40),
        *house(81, at(9, 32, 30), 40),
        *house(121, at(10, 10), 45, claim=C),
    ]
    assert len(plan_day(photos, sites(A, B, C)).segments) <= 3


def test_photos_whose_positions_are_at_another_claims_house_are_to_confirm():
    """A phone's fixes are at the second house while the camera's sheets say that it is at the first."""
    spots = {A: place(0, 0), B: place(4000, 0)}
    photos = [*house(1, at(9), 60, claim=A), *house(61, at(9, 40), 60, claim=B)]
    phone = house(1, at(9, 2), 9, step=20.0, device="phone", gps=spots[B], offset_minutes=-300)
    plan = plan_day([*photos, *phone], sites(**spots))
    own = {p.sha256: p for p in plan.placed}
    assert all(own[p.sha256].to_confirm or own[p.sha256].claim == B for p in phone)
    assert claims_in_order(plan)[-1] == B
