"""Troubles of real days: plain pages, long pauses, a lost clock beside a phone, one blurred sheet, time alone."""

from __future__ import annotations

import random
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from support_timeline import at, claim_of, claims_in_order, house, make_photo, place, sheet, sites, sizes

from evidence.model import Claim, ClaimId
from evidence.timeline import plan_day
from evidence.timeline.split.time_alone import RULE_MARGIN, local_mean

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from day_simulator import EASY, HARDER, simulate
from split_baselines import adaptive_log_gap
from split_time_alone import f1, inspections, places, scores

A, B, C = ClaimId("AX-1001"), ClaimId("BX-2002"), ClaimId("CX-3003")


def three_houses(**places_of):
    """Three houses with a read sheet each."""
    spots = places_of or dict.fromkeys((A, B, C))
    return [
        *house(1, at(9), 60, claim=A, gps=spots[A]),
        *house(61, at(9, 33), 60, claim=B, gps=spots[B]),
        *house(121, at(10, 6), 60, claim=C, gps=spots[C]),
    ]


def asked(plan):
    """Photos to confirm, boundaries to confirm and findings that ask something."""
    return (
        sum(p.to_confirm for p in plan.placed),
        sum(s.opened_by.to_confirm for s in plan.segments),
        [f.code for f in plan.findings if f.code in {"possible_boundary", "unnamed_house"}],
    )


# --- sheets and places ---------------------------------------------------------------------------


def test_a_code_that_was_read_outweighs_every_position():
    spots = {A: place(0, 0), B: place(4000, 0), C: place(0, 5000)}
    photos = three_houses(**spots)
    wrong = [replace(p, gps=spots[A]) for p in photos[60:62]]
    plan = plan_day([*photos[:60], *wrong, *photos[62:]], sites(**spots))
    assert claim_of(plan, wrong[0]) == B


@pytest.mark.parametrize("beside", [1, 5, 30])
def test_two_read_sheets_are_two_visits_wherever_the_photos_are(beside):
    spots = {A: place(0, 0), B: place(4000, 0)}
    photos = house(1, at(9), 60, claim=A, gps=spots[A])
    photos[beside] = replace(photos[beside], dividers=(B,))
    plan = plan_day(photos, sites(**spots))
    assert claim_of(plan, photos[0]) == A
    assert claim_of(plan, photos[beside]) == B


def beside_a_phone(camera, spots):
    """The camera's photos, and a phone with positions at the same three houses."""
    phone = []
    for k, claim in enumerate((A, B, C)):
        first = at(9 + (1 + 33 * k) // 60, (1 + 33 * k) % 60)
        phone += house(
            1 + 20 * k, first, 12, step=40.0, device="phone", gps=spots[claim], offset_minutes=-300
        )
    return [*camera, *phone]


@pytest.mark.parametrize("lost", [None, 2000], ids=["no time", "a date years ago"])
def test_undated_photos_keep_their_sheet_and_take_no_position_from_another_house(lost):
    """At the second house the camera's photos have no usable time; a phone was at all three."""
    spots = {A: place(0, 0), B: place(4000, 0), C: place(0, 5000)}
    photos = three_houses()
    undated = [
        replace(p, taken_local=p.taken_local.replace(year=lost) if lost else None) for p in photos[60:120]
    ]
    plan = plan_day(beside_a_phone([*photos[:60], *undated, *photos[120:]], spots), sites(**spots))
    assert {claim_of(plan, p) for p in photos[:60]} == {A}
    assert {claim_of(plan, p) for p in undated} == {B}
    assert {claim_of(plan, p) for p in photos[120:]} == {C}
    assert asked(plan)[1:] == (0, [])


@pytest.mark.parametrize("where", [0, 1, 5])
def test_one_undated_photo_beside_a_drive_opens_no_house_of_its_own(where):
    spots = {A: place(0, 0), B: place(4000, 0), C: place(0, 5000)}
    photos = three_houses()
    photos[60 + where] = replace(photos[60 + where], taken_local=None)
    assert sizes(plan_day(photos, sites(**spots))) == [(A, 60), (B, 60), (C, 60)]
    assert sizes(plan_day(beside_a_phone(photos, spots), sites(**spots))) == [(A, 72), (B, 72), (C, 72)]


# --- papers ----------------------------------------------------------------------------------------


def with_pages(photos, share, seed):
    """The photos, a share of which pass for a page without any text."""
    rng = random.Random(seed)
    return [
        replace(p, sheet=sheet(confidence=rng.uniform(0.5, 0.9)))
        if not p.dividers and rng.random() < share
        else p
        for p in photos
    ]


@pytest.mark.parametrize("seed", range(4))
def test_plain_pages_and_a_pause_of_four_minutes_end_no_visit_that_a_sheet_began(seed):
    photos = three_houses()
    late = [
        replace(p, taken_local=p.taken_local + timedelta(minutes=4)) if 90 <= i < 120 else p
        for i, p in enumerate(photos)
    ]
    pages = with_pages(late, 0.06, seed)
    pages[90] = replace(pages[90], sheet=sheet(confidence=0.8))
    plan = plan_day(pages, sites(A, B, C))
    assert sizes(plan) == [(A, 60), (B, 60), (C, 60)]
    assert asked(plan)[1:] == (0, [])


# --- the last claim ------------------------------------------------------------------------------


def one_blurred(**places_of):
    photos = three_houses(**places_of)
    photos[60] = replace(photos[60], dividers=(), sheet=sheet("smudged", "beyond reading"))
    return photos


def test_the_only_claim_left_goes_to_the_only_house_with_a_blurred_sheet_to_confirm():
    plan = plan_day(one_blurred(), sites(A, B, C))
    assert sizes(plan) == [(A, 60), (B, 60), (C, 60)]
    assert {p.to_confirm for p in plan.placed if p.claim == B} == {True}
    assert {p.to_confirm for p in plan.placed if p.claim != B} == {False}
    assert "claim BX-2002 is the only one left" in plan.segments[1].opened_by.reasons[-1]


def test_a_page_with_the_number_of_another_claim_does_not_get_the_only_claim_left():
    photos = three_houses()
    photos[60] = replace(photos[60], dividers=(), sheet=sheet("CLAIM", "92678"))
    assert claims_in_order(plan_day(photos, sites(A, B, C))) == [A, "?", C]


def test_two_claims_left_leave_the_house_unnamed():
    assert claims_in_order(plan_day(one_blurred(), sites(A, B, C, "DX-4004"))) == [A, "?", C]


def test_without_any_sheet_the_only_claim_left_is_no_certain_name():
    bare = [replace(p, sheet=None) for p in one_blurred()]
    plan = plan_day(bare, sites(A, B, C))
    assert {p.to_confirm for p in plan.placed if p.claim == B} <= {True}
    assert {p.to_confirm for p in plan.placed[60:120]} == {True}


def test_a_claim_of_another_list_does_not_keep_the_last_claim_of_the_day_from_its_house():
    """The day's three claims were loaded together; the fourth came with a list for later days, with a fifth."""
    lists = {**dict.fromkeys((A, B, C), "today"), ClaimId("DX-4004"): "later", ClaimId("EX-5005"): "later"}
    plan = plan_day(one_blurred(), sites(*lists), lists=lists)
    assert sizes(plan) == [(A, 60), (B, 60), (C, 60)]
    assert {p.to_confirm for p in plan.placed if p.claim == B} == {True}


def test_positions_rule_out_the_claims_whose_addresses_are_far_away():
    """No sheets: the second house is at no address, and one claim has none; the others' addresses are far off."""
    spots = {A: place(0, 0), B: place(4000, 0), C: place(0, 5000)}
    photos = [replace(p, dividers=()) for p in three_houses(**spots)]
    claims = sites(B, **{A: spots[A], C: spots[C], "DX-4004": place(-7000, 3000)})
    plan = plan_day(photos, claims)
    assert sizes(plan) == [(A, 60), (B, 60), (C, 60)]
    assert {p.to_confirm for p in plan.placed if p.claim == B} == {True}
    two = plan_day(photos, [*claims, Claim(claim=ClaimId("EX-5005"))])
    assert claims_in_order(two) == [A, "?", C]


def test_a_house_far_from_the_address_of_the_only_claim_left_stays_unnamed():
    spots = {A: place(0, 0), B: place(4000, 0), C: place(0, 5000)}
    claims = [Claim(claim=c, place=p) for c, p in {**spots, B: place(-6000, -6000)}.items()]
    assert claims_in_order(plan_day(one_blurred(**spots), claims)) == [A, "?", C]


# --- the day's rhythm ------------------------------------------------------------------------------


def slow(photos, share, seed):
    """The photos with a pause of 45 to 200 seconds after a share of them."""
    rng, out, late = random.Random(seed), [], 0.0
    for p in photos:
        out.append(replace(p, taken_local=p.taken_local + timedelta(seconds=late)))
        late += rng.uniform(45, 200) if rng.random() < share else 0.0
    return out


@pytest.mark.parametrize("share", [0.08, 0.15])
@pytest.mark.parametrize("seed", range(3))
def test_a_day_whose_sheets_were_all_read_asks_nothing_however_often_the_adjuster_pauses(share, seed):
    spots = {A: place(0, 0), B: place(4000, 0), C: place(0, 5000)}
    plan = plan_day(slow(three_houses(**spots), share, seed), sites(**spots))
    assert sizes(plan) == [(A, 60), (B, 60), (C, 60)]
    assert asked(plan) == (0, 0, [])


# --- doubt that is marked ---------------------------------------------------------------------------


def test_photos_before_a_pause_that_the_first_sheet_follows_are_marked():
    """Next door, and only the second house's sheet was photographed by this device."""
    spot, beside = place(0, 0), place(25, 0)
    photos = house(1, at(9), 40, gps=spot)
    photos += house(41, at(9, 16), 40, claim=B, gps=beside)
    plan = plan_day(photos, sites(**{B: beside}))
    before = {p.sha256 for p in photos[:40]}
    assert all(p.to_confirm for p in plan.placed if p.sha256 in before)
    assert not any(p.to_confirm for p in plan.placed if p.sha256 not in before)


def test_photos_after_a_gap_as_long_as_a_drive_on_a_clock_without_a_date_are_marked():
    photos = house(1, at(9), 40, claim=A) + house(41, at(9, 25), 40)
    lost = [replace(p, taken_local=p.taken_local.replace(year=2000)) for p in photos]
    plan = plan_day(lost, sites(A, B))
    after = {p.sha256 for p in photos[40:]}
    assert all(p.to_confirm for p in plan.placed if p.sha256 in after)


def test_photos_on_the_way_do_not_move_the_house_that_they_lie_before():
    """An errand 300 m away three minutes before the house, then a pause of eight minutes at the house."""
    spots = {A: place(0, 0), B: place(4000, 0)}
    photos = house(1, at(9), 60, claim=A, gps=spots[A])
    photos += house(61, at(9, 33), 3, gps=place(4000, 300))
    photos += house(64, at(9, 37), 8, claim=B, gps=spots[B])
    photos += house(72, at(9, 47), 60, gps=spots[B])
    plan = plan_day(photos, sites(**spots))
    assert {claim_of(plan, p) for p in photos[63:]} == {B}


def test_two_devices_whose_clocks_disagree_do_not_leave_dozens_of_houses_to_name():
    """A simulated day on which camera and phone take turns at different houses; it left 44 unnamed ones."""
    day = simulate(771084, HARDER)
    plan = plan_day(day.photos, day.claims, lists=day.lists)
    assert len(plan.placed) == len(day.photos)
    assert sum(s.unknown for s in plan.segments) <= 8


# --- photos without a time --------------------------------------------------------------------------


def test_photos_with_neither_time_nor_number_bring_no_note_for_each():
    photos = [make_photo(None, None, name=f"scan {k}.jpg", card_path=f"scan {k}.jpg") for k in range(235)]
    plan = plan_day(photos, sites(A, B))
    assert len(plan.placed) == 235
    assert [f for f in plan.findings if f.code == "possible_boundary"] == []


def test_undated_photos_between_two_dated_ones_bring_one_note_at_most():
    photos = house(1, at(9), 40, claim=A)
    photos += [make_photo(41 + k, None) for k in range(100)]
    photos += house(141, at(11), 40, claim=B)
    plan = plan_day(photos, sites(A, B))
    assert sum(f.code == "possible_boundary" for f in plan.findings) <= 1


# --- time alone --------------------------------------------------------------------------------------


def test_the_local_mean_is_that_of_the_published_rule():
    """Platt, Czerwinski and Field (2003), as written independently in tests/bench/split_baselines.py."""
    rng = np.random.default_rng(3)
    times = np.cumsum(np.exp(rng.normal(3.0, 1.5, 300)))
    x = np.log(np.maximum(np.diff(times), 1.0))
    assert (x >= RULE_MARGIN + local_mean(x)).tolist() == adaptive_log_gap(times.tolist())


def test_times_of_many_places_are_split_as_well_as_by_the_published_rule():
    total = sum((scores(places(seed)) for seed in range(8)), scores(places(8)))
    assert f1(total, "ours") >= f1(total, "rule") - 0.005
    assert total["unmarked errors"] <= 0.04 * total["boundaries"]


def test_times_of_inspections_are_split_better_than_by_the_published_rule():
    total = sum((scores(inspections(seed, EASY)) for seed in range(6)), scores(inspections(6, EASY)))
    assert f1(total, "ours") > f1(total, "rule") + 0.05
