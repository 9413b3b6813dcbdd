"""A house that hides in another one's photos: after a pause next door, on a lost clock, at the ends; and two next door."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from support_timeline import at, claim_of, claims_in_order, house, make_photo, place, sites, sizes

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from day_simulator import HARDER, SMALL, simulate

from evidence.model import ClaimId
from evidence.timeline import plan_day
from evidence.timeline.claims_left import sheets_of_others
from evidence.timeline.merge import TimedUnit
from evidence.timeline.order.units import units_of
from evidence.timeline.split.observations import Observation, SiteEstimates, day_of
from evidence.timeline.split.positions import resume_log_odds
from evidence.timeline.split.sheets import SheetReading
from evidence.timeline.split.site_estimates import track_of
from evidence.timeline.values import ManualAssignments, SplitOptions

A, B, C = ClaimId("AX-1001"), ClaimId("BX-2002"), ClaimId("CX-3003")


def seen(photos):
    """The observations of photos without sheets."""
    return [Observation(time=p.taken_local.timestamp(), place=p.gps) for p in photos]


def moves(observations):
    """(N-1,) log-odds of a move to another house, from the positions alone."""
    return track_of(day_of(observations, {}, SiteEstimates()), SplitOptions()).move


# --- positions at a pause ------------------------------------------------------------------------


def test_a_walk_that_goes_on_where_it_stopped_is_no_move_and_one_that_goes_on_elsewhere_may_be():
    odds = [resume_log_odds(step) for step in (0.0, 5.0, 20.0, 35.0, 60.0, 5000.0)]
    assert odds[0] < odds[1] < -1.5 < odds[2] < 0.5 < odds[3] < odds[4] == odds[5]


@pytest.mark.parametrize(("step", "more"), [(2.0, False), (40.0, True)])
def test_the_ends_of_a_pause_count_beside_the_middles_of_the_positions(step, more):
    """Both visits have the same middle, 10 m apart; only the photos beside the pause differ."""
    before = [(0.0, 0.0)] * 37 + [(10.0 - step, 0.0)] * 3
    after = [(10.0, 0.0)] * 40
    photos = house(1, at(9), 40) + house(41, at(9, 18), 40)
    spots = [place(*spot) for spot in before + after]
    odds = moves(seen([replace(p, gps=spot) for p, spot in zip(photos, spots, strict=True)]))
    assert (odds[39] > -1.5) == more


def test_a_plain_page_that_passes_for_paper_does_not_draw_the_move_away_from_the_pause():
    """A phone has a position for every sixth photo; the page lies beside the pause of seven minutes."""
    photos = house(1, at(9), 36, gps=place(0, 0)) + house(37, at(9, 16), 36, gps=place(60, 0))
    observations = seen([replace(p, gps=p.gps if k % 6 == 0 else None) for k, p in enumerate(photos)])
    observations[33] = replace(observations[33], sheet=SheetReading(confidence=0.8))
    odds = moves(observations)
    assert odds[35] > 0.0
    assert odds[32] == odds[33] == 0.0


def test_photos_after_a_pause_that_may_hide_the_house_next_door_are_to_confirm():
    """The neighbour is on no list and shows no sheet; its positions are 25 m from those before."""
    spots = {A: place(0, 0), C: place(3000, 0)}
    first = house(1, at(9), 60, claim=A, gps=spots[A])
    hidden = house(61, at(9, 21), 60, gps=place(25, 0))
    plan = plan_day([*first, *hidden, *house(121, at(10), 60, claim=C, gps=spots[C])], sites(**spots))
    own = {p.sha256: p for p in plan.placed}
    assert all(own[p.sha256].to_confirm or own[p.sha256].claim is None for p in hidden)
    assert not any(own[p.sha256].to_confirm for p in first[:50])


# --- lists and clocks ----------------------------------------------------------------------------


def test_a_list_whose_sheets_were_all_read_expects_no_further_house_whatever_other_lists_hold():
    today = [ClaimId(f"TX-{k}") for k in range(6)]
    photos, begin = [], at(8)
    for claim, count in zip(today, (100, 42, 43, 96, 104, 153), strict=True):
        photos += house(len(photos) + 1, begin, count, claim=claim)
        if claim == today[3]:
            photos += house(len(photos) + 1, photos[-1].taken_local + timedelta(seconds=750), 161)
        begin = photos[-1].taken_local + timedelta(minutes=15)
    later = {ClaimId(f"LX-{k}"): "later" for k in range(4)}
    lists = {**dict.fromkeys(today, "today"), **later}
    plan = plan_day(photos, sites(*today, *later), lists=lists)
    assert [count for _, count in sizes(plan)] == [100, 42, 43, 257, 104, 153]


def lost_and_found():
    """A camera whose clock is lost shows two sheets; a phone shows three."""
    camera = [*house(1, at(9), 5, claim=A), *house(6, at(10), 5, claim=B)]
    phone = [
        *house(1, at(9), 3, claim=A, device="phone"),
        *house(4, at(10), 3, claim=B, device="phone"),
        *house(7, at(11), 3, claim=C, device="phone"),
    ]
    return (
        [replace(TimedUnit.without_time(u), clock_lost=True) for u in units_of(camera)],
        [TimedUnit.without_time(u) for u in units_of(phone)],
    )


def test_a_sheet_that_only_the_phone_shows_may_hide_in_the_photos_of_a_lost_clock():
    camera, phone = lost_and_found()
    assert sheets_of_others(camera, [camera, phone]) == [C]
    assert sheets_of_others(phone, [camera, phone]) == []


def test_a_visit_without_a_sheet_is_to_confirm_if_another_device_shows_the_sheet_at_another_time():
    """The camera has no positions; a colleague's phone has them at the address of its first claim."""
    camera = [*house(1, at(9), 60, claim=A), *house(61, at(10), 60, claim=B)]
    camera = [replace(p, taken_local=p.taken_local - timedelta(days=3)) for p in camera]
    phone = house(1, at(9, 2), 40, gps=place(0, 0), device="phone", offset_minutes=-300)
    plan = plan_day([*camera, *phone], sites(B, **{A: place(5, 5)}))
    own = {p.sha256: p for p in plan.placed}
    assert {(own[p.sha256].claim, own[p.sha256].to_confirm) for p in phone} == {(A, True)}


def test_a_visit_without_a_sheet_is_to_confirm_if_another_device_shows_another_claims_sheet_at_that_time():
    """A small simulated day: a colleague's camera has positions, at the address of the claim next door, and no sheet."""
    day = simulate(1_585_011, SMALL)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    device = {p.sha256: p.device for p in day.photos}
    colleague = [p for p in plan.placed if device[p.sha256] == "colleague"]
    assert len(colleague) == 60
    assert all(p.to_confirm or p.claim == day.truth[p.sha256] for p in colleague)


def test_photos_of_a_lost_clock_do_not_stay_with_the_house_before_if_only_the_phone_shows_their_sheet():
    """A simulated day: the camera's clock is lost at its last house, whose sheet the phone alone photographed."""
    day = simulate(1_301_065, HARDER)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    last = [p for p in plan.placed if day.visit[p.sha256] == max(day.visit.values())]
    assert len(last) > 200
    assert sum(p.claim not in (None, day.truth[p.sha256]) for p in last) < 60


# --- the ends of a house -------------------------------------------------------------------------


def test_photos_that_a_pause_parts_from_the_end_of_a_house_before_a_drive_are_to_confirm():
    first = house(1, at(9), 60, claim=A)
    end = first[-1].taken_local
    last = [make_photo(61 + k, end + timedelta(seconds=65 + 5 * k)) for k in range(2)]
    photos = [*first, *last, *house(71, end + timedelta(minutes=25), 60, claim=B)]
    plan = plan_day(photos, sites(A, B))
    own = {p.sha256: p for p in plan.placed}
    assert all(own[p.sha256].to_confirm or own[p.sha256].claim is None for p in last)


def test_photos_after_a_pause_at_the_end_of_a_house_are_not_to_confirm_if_a_position_shows_them_there():
    spots = {A: place(0, 0), B: place(4000, 0)}
    first = house(1, at(9), 60, claim=A, gps=spots[A])
    end = first[-1].taken_local
    last = [make_photo(61 + k, end + timedelta(seconds=65 + 5 * k), gps=place(5, 8)) for k in range(2)]
    photos = [*first, *last, *house(71, end + timedelta(minutes=25), 60, claim=B, gps=spots[B])]
    plan = plan_day(photos, sites(**spots))
    assert sizes(plan) == [(A, 62), (B, 60)]
    assert not any(p.to_confirm for p in plan.placed)


def test_a_closing_sheet_after_a_pause_is_not_to_confirm():
    photos = []
    for k, claim in enumerate((A, B, C)):
        shots = house(1 + 100 * k, at(9 + k), 40)
        shots.append(
            make_photo(41 + 100 * k, shots[-1].taken_local + timedelta(seconds=80), dividers=(claim,))
        )
        photos += shots
    plan = plan_day(photos, sites(A, B, C))
    assert sizes(plan) == [(A, 41), (B, 41), (C, 41)]
    assert not any(p.to_confirm for p in plan.placed if p.sha256 in {q.sha256 for q in photos if q.dividers})


# --- two houses next door ------------------------------------------------------------------------


def next_door(first, other):
    """Two houses 30 m apart, without sheets, an hour and a house with a sheet between them; and the two addresses."""
    spots = {A: place(*first), B: place(*other), C: place(4000, 0)}
    photos = [
        *house(1, at(9), 50, gps=place(30, 0)),
        *house(51, at(10), 50, claim=C, gps=spots[C]),
        *house(101, at(11), 50, gps=place(0, 0)),
    ]
    return photos, plan_day(photos, sites(**spots))


@pytest.mark.parametrize(
    ("first", "other"), [((0, 7), (69, -22)), ((17, 28), (60, 10)), ((24, -5), (73, -2))]
)
def test_two_houses_next_door_without_sheets_get_a_claim_each(first, other):
    photos, plan = next_door(first, other)
    assert claims_in_order(plan) == [B, C, A]
    own = {p.sha256: p for p in plan.placed}
    assert all(own[p.sha256].to_confirm for p in (*photos[:50], *photos[100:]))


def test_a_claim_that_a_sheet_names_is_not_exchanged_with_the_one_next_door():
    spots = {A: place(30, 0), B: place(0, 0), C: place(4000, 0)}
    photos = [
        *house(1, at(9), 50, claim=A, gps=place(0, 0)),
        *house(51, at(10), 50, claim=C, gps=spots[C]),
        *house(101, at(11), 50, gps=place(30, 0)),
    ]
    plan = plan_day(photos, sites(**spots))
    assert claim_of(plan, photos[10]) == A


def test_one_house_visited_twice_keeps_one_claim():
    spots = {A: place(10, 0), B: place(60, 0), C: place(4000, 0)}
    photos = [
        *house(1, at(9), 50, gps=place(0, 0)),
        *house(51, at(10), 50, claim=C, gps=spots[C]),
        *house(101, at(11), 50, gps=place(2, 2)),
    ]
    assert claims_in_order(plan_day(photos, sites(**spots))) == [A, C, A]


def test_the_boundary_of_a_page_stays_where_the_page_names_a_claim():
    """A page whose text names a claim opens its house, whichever gap is wider."""
    observations = seen(house(1, at(9), 12, gps=place(0, 0)) + house(13, at(9, 3), 12, gps=place(500, 0)))
    observations = [
        replace(o, place=o.place if k in (0, 1, 2, 20, 21, 22, 23) else None)
        for k, o in enumerate(observations)
    ]
    observations[12] = replace(observations[12], sheet=SheetReading(confidence=0.9, named=A, has_text=True))
    odds = moves(observations)
    assert int(np.argmax(odds)) == 11


# --- clocks that nothing proves ------------------------------------------------------------------


def test_photos_that_a_clock_without_proof_puts_under_another_devices_sheet_are_to_confirm():
    """A simulated day: a colleague's photos meet a camera whose clock is wrong, and nothing compares the two."""
    day = simulate(1_306_034, HARDER)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    own = [p for p in plan.placed if day.visit[p.sha256] == 6]
    wrong = [p for p in own if p.claim not in (None, day.truth[p.sha256])]
    assert len(wrong) >= 60
    assert all(p.to_confirm for p in wrong)


def test_a_decision_about_a_photo_of_a_doubtful_clock_is_not_asked_about_again():
    day = simulate(1_306_034, HARDER)
    mine = next(p for p in day.photos if p.device == "colleague")
    manual = ManualAssignments(claim_of={mine.sha256: day.claims[0].claim})
    plan = plan_day(day.photos, day.claims, lists=day.lists, manual=manual)
    placed = next(p for p in plan.placed if p.sha256 == mine.sha256)
    assert (placed.claim, placed.to_confirm) == (day.claims[0].claim, False)
