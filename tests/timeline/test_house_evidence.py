"""How long houses are, late sheets, photos far from an address, and what the last claim of the list may name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support_timeline import at, claim_of, house, place, sheet, sites, sizes

from evidence.model import ClaimId
from evidence.timeline import plan_day
from evidence.timeline.claims_left import _House, _share
from evidence.timeline.split.durations import HIGHEST, LOWEST, house_length_log_odds
from evidence.timeline.split.observations import Observation, SiteEstimates, day_of
from evidence.timeline.split.sheets import SheetReading
from evidence.timeline.split.site_estimates import position_evidence, track_of
from evidence.timeline.split.split_day import _destination_priors
from evidence.timeline.values import ManualAssignments, SplitOptions

A, B, C = ClaimId("AX-1001"), ClaimId("BX-2002"), ClaimId("CX-3003")


def found(*lengths):
    """(N,) probability of a boundary before each photo: certain where a house of these lengths begins."""
    return np.concatenate([[1.0, *np.zeros(length - 1)] for length in lengths])


def lengths_of(boundary):
    hazard = (1.0 + boundary.sum()) / (120 + boundary.size)
    return house_length_log_odds(boundary, np.zeros(boundary.size), hazard, SplitOptions())


def test_the_middle_of_a_stretch_that_is_too_long_for_one_house_is_a_likely_boundary():
    odds = lengths_of(found(80, 90, 300, 85, 75))
    assert odds[80 + 90 + 150] > 1.0
    assert odds[80 + 90 + 8] < 0.0
    assert odds[80 + 90 + 150] > odds[80 + 90 + 60] > odds[80 + 90 + 8]


def test_a_house_as_long_as_the_others_is_no_likelier_to_be_two():
    odds = lengths_of(found(80, 90, 85, 75))
    assert odds[80 + 45] < 0.5


@pytest.mark.parametrize("lengths", [(1,), (2,), (400,), (1, 1, 1)], ids=str)
def test_the_evidence_of_lengths_is_limited_and_the_first_photo_has_none(lengths):
    odds = lengths_of(found(*lengths))
    assert odds[0] == 0.0
    assert ((odds >= LOWEST) & (odds <= HIGHEST)).all()


def test_a_day_on_which_no_house_was_found_has_lengths_too():
    odds = house_length_log_odds(np.array([1.0, 0.4, 0.4]), np.ones(3), 0.01, SplitOptions())
    assert np.isfinite(odds).all()


# --- sheets --------------------------------------------------------------------------------------


@pytest.mark.parametrize("before", [1, 3, 5])
def test_a_sheet_that_is_remembered_after_a_few_photos_opens_its_house(before):
    photos = []
    for k, claim in enumerate((A, B, C)):
        shots = house(1 + 30 * k, at(9, 25 * k), 20)
        shots[before] = replace(shots[before], dividers=(claim,))
        photos += shots
    plan = plan_day(photos, sites(A, B, C))
    assert sizes(plan) == [(A, 20), (B, 20), (C, 20)]
    assert not any(photo.to_confirm for photo in plan.placed)


def test_a_boundary_that_a_person_put_before_a_late_sheet_stands():
    photos = [*house(1, at(9), 20, claim=A), *house(21, at(9, 25), 20)]
    photos[23] = replace(photos[23], dividers=(B,))
    manual = ManualAssignments(cuts=frozenset({photos[23].sha256}))
    plan = plan_day(photos, sites(A, B), manual=manual)
    assert [s.photos[0] for s in plan.segments][-1] == photos[23].sha256
    assert claim_of(plan, photos[22]) != B


def test_a_sheet_that_closes_a_short_house_stays_the_last_of_its_house():
    photos = []
    for k, (claim, count) in enumerate([(A, 30), (B, 5), (C, 30)]):
        shots = house(1 + 30 * k, at(9, 25 * k), count)
        shots[-1] = replace(shots[-1], dividers=(claim,))
        photos += shots
    assert sizes(plan_day(photos, sites(A, B, C))) == [(A, 30), (B, 5), (C, 30)]


def test_a_blurred_first_sheet_belongs_to_a_claim_whose_sheet_was_not_read_all_day():
    """The page that opens the day names nobody; every other claim of the list has its own sheet."""
    photos = [
        *house(1, at(8, 45), 60),
        *house(61, at(9, 20), 34, claim=B),
        *house(121, at(10), 60, claim=C),
    ]
    photos[0] = replace(photos[0], sheet=sheet(confidence=0.7))
    plan = plan_day(photos, sites(A, B, C))
    assert sizes(plan) == [(A, 60), (B, 34), (C, 60)]
    assert all(photo.to_confirm for photo in plan.placed[:60])


def test_a_page_that_names_nobody_is_as_rarely_a_return_as_a_photo_without_a_page():
    """Of the day's two candidates, one has its own sheet: a house with a blurred one is rather the other."""
    seen = [
        Observation(time=60.0 * i, place=place(0, 0), sheet=SheetReading(confidence=0.9 * (i == 2)))
        for i in range(6)
    ]
    seen[4] = replace(seen[4], sheet=SheetReading(claims=(A,)))
    claims = {claim.claim: claim for claim in sites(**{A: place(0, 0), B: place(300, 0)})}
    day, options = day_of(seen, claims, SiteEstimates()), SplitOptions()
    evidence = position_evidence(day, track_of(day, options), claims, SiteEstimates(), options)
    prior = _destination_priors(day, evidence, options, all_read=False)
    assert prior[2].tolist() == prior[1].tolist()
    assert prior[2, 0] < prior[2, 1]


def test_two_people_at_two_houses_at_the_same_time_do_not_share_their_sheets():
    """Neither device has positions; each photographs on after the other's sheet."""
    first = [*house(1, at(9), 15, claim=A), *house(16, at(9, 20), 25, claim=B)]
    other = house(1, at(9, 21), 25, claim=C, device="other")
    plan = plan_day([*first, *other], sites(A, B, C))
    assert {claim_of(plan, photo) for photo in first[:15]} == {A}
    assert {claim_of(plan, photo) for photo in first[15:]} == {B}
    assert {claim_of(plan, photo) for photo in other} == {C}


# --- places --------------------------------------------------------------------------------------


def test_each_part_of_a_visit_far_from_an_address_speaks_against_its_claim_once():
    """The first photos of the house have no position; a pause parts them from those that have."""
    spots = {A: place(0, 0), B: place(4000, 0)}
    claims = {claim.claim: claim for claim in sites(**spots)}
    photos = [*house(1, at(9), 10, gps=place(5, 5)), *house(21, at(9, 30), 20, gps=place(4010, 0))]
    seen = [Observation(time=p.taken_local.timestamp(), place=p.gps) for p in photos]
    day, options = day_of(seen, claims, SiteEstimates()), SplitOptions()
    inside = position_evidence(day, track_of(day, options), claims, SiteEstimates(), options).inside
    against = {claim: [i for i in range(30) if inside[i, day.states.index(claim)] < -3.0] for claim in (A, B)}
    assert [len(found) for found in against.values()] == [1, 1]
    assert against[A][0] >= 10 > against[B][0]


def test_a_text_that_names_a_claim_is_not_outweighed_again_by_a_wrong_address():
    claims = {claim.claim: claim for claim in sites(**{A: place(0, 0)})}
    spot = house(1, at(9), 10, gps=place(4000, 0))
    seen = [Observation(time=p.taken_local.timestamp(), place=p.gps) for p in spot]
    seen[0] = replace(seen[0], sheet=SheetReading(confidence=0.9, named=A, has_text=True, similarity=0.9))
    day, options = day_of(seen, claims, SiteEstimates()), SplitOptions()
    evidence = position_evidence(day, track_of(day, options), claims, SiteEstimates(), options)
    assert (evidence.inside == 0.0).all()


def unnamed(probability: float) -> _House:
    return _House(parts=(), place=None, page=False, texts=(), sure=True, probability=probability)


def test_the_last_claim_rather_belongs_to_a_certain_house_than_to_a_doubtful_one():
    certain, doubtful = unnamed(0.98), unnamed(0.57)
    both = [certain, doubtful]
    assert _share(certain, both) == pytest.approx(0.98 * (0.43 + 0.57 / 2) / (0.98 * 0.715 + 0.57 * 0.51))
    assert _share(certain, both) + _share(doubtful, both) == pytest.approx(1.0)
    assert _share(certain, [certain]) == 1.0
    assert _share(certain, [certain, unnamed(0.98)]) == pytest.approx(0.5)
