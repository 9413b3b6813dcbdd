"""Days of a hundred photos: few photos a house, few visits of each device, and drives with photos on the way."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from support_timeline import at, claims_in_order, house, make_photo, place, sites

from evidence.model import ClaimId
from evidence.timeline import plan_day
from evidence.timeline.clocks.alignment import align_on_card
from evidence.timeline.split.durations import house_length_log_odds
from evidence.timeline.split.gaps import PRIOR_HOUSES, PRIOR_WITHOUT_SHEETS, fit_gaps
from evidence.timeline.values import SplitOptions

A, B, C, D = (ClaimId(f"{k}X-{k}00{k}") for k in (1, 2, 3, 4))
LISTS = dict.fromkeys((A, B, C, D), "today")


def minutes(after, count):
    """A time so many minutes after the last of some photos."""
    return after[-1].taken_local + timedelta(minutes=count)


def to_confirm(plan, photos):
    """How many of the photos the plan marks, or leaves without a claim."""
    own = {p.sha256: p for p in plan.placed}
    return sum(own[p.sha256].to_confirm or own[p.sha256].claim is None for p in photos)


# --- how many photos a house has -----------------------------------------------------------------


def test_the_sheets_of_a_short_day_show_how_many_photos_a_house_has():
    crossing = np.zeros(100)
    crossing[15:90:15] = 1.0
    gaps = np.where(crossing > 0, 900.0, 12.0)
    assert fit_gaps(gaps, crossing, SplitOptions()).hazard == pytest.approx(1 / 20, rel=0.35)


def test_fifty_photos_are_rather_two_houses_on_a_day_whose_houses_have_fourteen():
    boundary, photos = np.zeros(120), 120
    boundary[[0, 14, 28, 78, 92, 106]] = 1.0
    boundary[53] = 0.3
    odds = house_length_log_odds(boundary, np.zeros(photos), 0.05, SplitOptions())
    assert odds[53] > 0.2
    assert odds[31] < odds[53] - 0.5


def test_a_meal_is_as_probable_on_a_day_of_a_hundred_photos_as_on_one_of_a_thousand():
    meals = [
        size * fit_gaps(np.full(size, 12.0), np.zeros(size), SplitOptions()).meals for size in (100, 1000)
    ]
    assert meals[0] == pytest.approx(meals[1])


# --- a house that hides ----------------------------------------------------------------------------


@pytest.mark.parametrize("way", [[210.0, 220.0], [190.0, 8.0, 200.0]], ids=["one photo", "two photos"])
def test_photos_on_a_drive_do_not_hide_that_it_was_a_drive(way):
    """Two claims of the list have no sheet; photos on the way part the drive into gaps as short as a pause."""
    first = house(1, at(9), 12, claim=A, step=60.0)
    taken, on_the_way = first[-1].taken_local, []
    for k, gap in enumerate(way[:-1]):
        taken += timedelta(seconds=gap)
        on_the_way.append(make_photo(13 + k, taken))
    hidden = house(21, taken + timedelta(seconds=way[-1]), 14, step=60.0)
    last = house(41, minutes(hidden, 15), 14, claim=B, step=60.0)
    plan = plan_day([*first, *on_the_way, *hidden, *last], sites(A, B, C, D), lists=LISTS)
    assert to_confirm(plan, hidden) == len(hidden)
    assert to_confirm(plan, last) == 0


def test_a_house_that_only_an_address_names_is_to_confirm_beside_a_house_that_may_be_next_door():
    """Nobody knows where the house of the closing sheet is; the photos before it may be its own."""
    first = house(1, at(9), 14, gps=place(0, 0))
    middle = [*house(15, minutes(first, 8), 10)]
    middle.append(make_photo(25, minutes(middle, 0.2), dividers=(B,)))
    last = house(26, minutes(middle, 5), 14, gps=place(35, 0))
    away = house(41, minutes(last, 20), 12, gps=place(4000, 0))
    away.append(make_photo(53, minutes(away, 0.2), dividers=(C,)))
    known = [*sites(B), *sites(**{A: place(20, 0), C: place(4000, 0)})]
    plan = plan_day([*first, *middle, *last, *away], known, lists=LISTS)
    assert to_confirm(plan, first) == len(first)


def test_a_pause_before_a_closing_sheet_puts_the_photos_before_it_in_doubt():
    photos = []
    for k, claim in enumerate((A, B)):
        photos += house(1 + 100 * k, at(9 + k), 20)
        photos.append(make_photo(21 + 100 * k, minutes(photos, 0.2), dividers=(claim,)))
    before, after = house(201, at(11), 20), house(221, at(11, 10), 20)
    closing = make_photo(241, minutes(after, 0.2), dividers=(C,))
    plan = plan_day([*photos, *before, *after, closing], sites(A, B, C, D), lists=LISTS)
    assert to_confirm(plan, before) == len(before)
    assert to_confirm(plan, after) == 0


# --- positions -----------------------------------------------------------------------------------


def test_one_position_kilometres_away_is_another_house_if_there_was_time_for_the_drive():
    """A return to the first house, which a single photo with a position shows; half an hour before and after it."""
    spots = {A: place(0, 0), B: place(6000, 0), C: place(6300, 0)}
    first = house(1, at(9), 12, claim=A, gps=spots[A])
    second = house(13, at(9, 40), 12, claim=B, gps=spots[B])
    again = house(25, at(10, 20), 8)
    again[2] = replace(again[2], gps=spots[A])
    last = house(41, at(11), 12, claim=C, gps=spots[C])
    plan = plan_day([*first, *second, *again, *last], sites(**spots), lists=LISTS)
    assert claims_in_order(plan) == [A, B, A, C]


# --- clocks --------------------------------------------------------------------------------------


def two_devices(starts, shots, other):
    """The photos of a camera and of a phone with few photos at some houses."""
    camera = [p for k, start in enumerate(starts) for p in house(1 + 100 * k, start, shots, step=20.0)]
    phone = [
        p
        for k, start in enumerate(starts)
        for p in house(
            1 + 10 * k, start + timedelta(seconds=30), other, step=60.0, device="phone", offset_minutes=-300
        )
    ]
    return camera, phone


def placed_times(plan, shown, true):
    """Seconds by which each photo is placed wrongly; None where its time is not known."""
    placed = {p.sha256: p.corrected for p in plan.placed}
    return [
        None if placed[s.sha256] is None else abs((placed[s.sha256] - t.taken_local).total_seconds())
        for s, t in zip(shown, true, strict=True)
    ]


def test_eleven_photos_of_a_phone_at_five_houses_show_that_a_camera_is_on_another_date():
    camera, phone = two_devices([at(9), at(9, 17), at(9, 55), at(10, 21), at(11, 2)], 12, 3)
    few = [p for k, p in enumerate(phone) if k % 4 != 1]
    assert len(few) == 11
    shown = [replace(p, taken_local=p.taken_local - timedelta(days=40)) for p in camera]
    assert max(placed_times(plan_day([*shown, *few], []), shown, camera)) < 120


@pytest.mark.parametrize("stretch", [slice(9, 30), slice(30, 48)], ids=["in the middle", "to the end"])
def test_the_order_of_the_files_and_a_phone_date_a_stretch_without_a_date(stretch):
    """Too few visits for the phone alone to date it."""
    camera, phone = two_devices([at(9), at(9, 17), at(9, 55), at(10, 21)], 12, 2)
    shown, lost = list(camera), camera[stretch]
    back = lost[0].taken_local - camera[0].taken_local.replace(year=2000, month=1, day=1, hour=0, minute=0)
    shown[stretch] = [replace(p, taken_local=p.taken_local - back) for p in lost]
    times = placed_times(plan_day([*shown, *phone], []), shown, camera)
    assert all(t is not None and t < 120 for t in times)


def test_a_stretch_between_known_times_is_not_dated_by_a_card_whose_clock_is_an_hour_off():
    """The phone contradicts the times beside the stretch, which only an hour's error explains."""
    starts = np.array([0.0, 1000.0, 3300.0, 4900.0, 7600.0])
    phone = np.sort(np.concatenate([starts + s for s in (0.0, 60.0, 130.0)]))
    camera = np.sort(np.concatenate([starts[1:4] + s for s in (10.0, 40.0, 80.0, 120.0)]))
    edges = (940.0 + 3600.0, 7500.0 + 3600.0)
    shift = align_on_card(phone, camera - camera[0], *edges, proved=False)
    assert shift is None or abs(shift + camera[0]) < 120


def test_a_clock_that_lost_its_date_for_a_while_may_show_the_right_time_before_and_after():
    """Equal drives: with another time before the stretch, every visit of the camera meets the next house."""
    camera, phone = two_devices([at(9) + timedelta(minutes=16 * k) for k in range(6)], 10, 5)
    shown, lost = list(camera), camera[44:47]
    back = lost[0].taken_local - lost[0].taken_local.replace(year=2000, month=1, day=1, hour=0, minute=0)
    shown[44:47] = [replace(p, taken_local=p.taken_local - back) for p in lost]
    times = placed_times(plan_day([*shown, *phone], []), shown, camera)
    assert max(t for t in times if t is not None) < 120


def test_a_day_without_sheets_keeps_the_prior_number_of_photos_of_a_house():
    """Without a read sheet no boundary is known before the first pass, which is no evidence of long houses."""
    nothing = np.zeros(900)
    gaps = np.full(900, 12.0)
    few, many = (
        fit_gaps(gaps, nothing, SplitOptions(), prior_houses=weight).hazard
        for weight in (PRIOR_HOUSES, PRIOR_WITHOUT_SHEETS)
    )
    assert few < many == pytest.approx(1 / 1020)
