"""Where sheets stand: at the edge of their house, although clocks, pauses and garbled texts blur it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from support_timeline import at, claims_in_order, house, make_photo, place, sheet, sites, sizes

from evidence.model import Claim, ClaimId
from evidence.timeline import plan_day
from evidence.timeline.merge import TimedUnit
from evidence.timeline.order.units import units_of
from evidence.timeline.sheet_order import with_sheets_at_edges
from evidence.timeline.split.segmentation import _corrected
from evidence.timeline.split.sheet_text import is_sheet_of_another, similarity_to

A, B, C = ClaimId("AX-1001"), ClaimId("BX-2002"), ClaimId("CX-3003")
OWNER = Claim(claim=B, insured="Berta Dorn", address="120 Elm St", place=place(9000, 0))


def chain(*shots: tuple[str, float, bool]) -> list[TimedUnit]:
    """Units of (device, seconds, whether it is the sheet)."""
    out = []
    for number, (device, seconds, is_sheet) in enumerate(shots, start=1):
        photo = make_photo(number, at(9), device=device, dividers=(A,) if is_sheet else ())
        (unit,) = units_of([photo])
        out.append(replace(TimedUnit.without_time(unit), key=seconds, time=seconds))
    return out


def shows_code(timed: TimedUnit) -> bool:
    """Whether the unit shows a sheet whose code was read."""
    return bool(timed.unit.lead.dividers)


def order(units: list[TimedUnit]) -> list[int]:
    """The places in which the units were taken by their numbers."""
    return [int(t.unit.lead.name[4:8]) for t in units]


@pytest.mark.parametrize(
    ("shots", "expected"),
    [
        ([("phone", 0, False), ("phone", 900, False), ("camera", 930, True), ("camera", 950, False)], [1, 3, 2, 4]),
        ([("camera", 0, False), ("camera", 20, True), ("phone", 50, False), ("phone", 900, False)], [1, 3, 2, 4]),
        ([("phone", 0, False), ("camera", 900, False), ("camera", 930, True), ("camera", 950, False)], [1, 2, 3, 4]),
        ([("phone", 0, False), ("phone", 900, False), ("camera", 1100, True), ("camera", 1110, False)], [1, 2, 3, 4]),
    ],
    ids=["opens a house", "closes a house", "after a photo of its own camera", "later than clocks are apart"],
)  # fmt: skip
def test_a_sheet_passes_photos_of_other_devices_up_to_the_drive(shots, expected):
    assert order(with_sheets_at_edges(chain(*shots), shows_code)) == expected


def test_a_pause_before_the_sheet_that_closes_a_house_makes_no_house_of_the_sheet_alone():
    """Eleven minutes between the last photo of the first house and its sheet, and then the drive."""
    photos = []
    for k, claim in enumerate((A, B, C)):
        taken = house(1 + 60 * k, at(9 + k), 59)
        pause = timedelta(minutes=11 if claim == A else 0.5)
        last = make_photo(60 * (k + 1), taken[-1].taken_local + pause, dividers=(claim,))
        photos += [*taken, last]
    assert sizes(plan_day(photos, sites(A, B, C))) == [(A, 60), (B, 60), (C, 60)]


def test_a_sheet_whose_text_is_plain_names_its_claim_although_the_address_is_wrong_to_confirm():
    """The claim's address was geocoded nine kilometres from where the photos were taken."""
    photos = [*house(1, at(9), 60, claim=A, gps=place(0, 0)), *house(61, at(9, 33), 60, gps=place(3000, 0))]
    photos[60] = replace(photos[60], sheet=sheet("CLAIM BX-2002", "Berta Dorn", "120 Elm St"))
    plan = plan_day(photos, [Claim(claim=A, place=place(0, 0)), OWNER])
    assert sizes(plan) == [(A, 60), (B, 60)]
    assert {p.to_confirm for p in plan.placed[60:]} == {True}


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (("CLAIM", "92678"), True),
        (("PERMIT 92678", "roof and gutter works"), False),
        (("CLAIM BX-2002", "Berta Dorn"), False),
        (("CLAIM",), False),
    ],
)
def test_a_sheet_of_another_claim_has_the_word_a_number_and_nothing_of_the_days_claims(lines, expected):
    assert is_sheet_of_another(lines, [OWNER]) is expected


def test_a_garbled_text_is_less_similar_to_its_claim_than_a_plain_one():
    plain, garbled = ("CLAIM BX-2002", "Berta Dorn"), ("CLA1M Bk-20q2", "B3rta Dxrn")
    assert 1.0 > similarity_to(plain, OWNER) > similarity_to(garbled, OWNER) > 0.4
    assert similarity_to((), OWNER) == 0.0


def test_a_house_after_a_pause_with_the_sheet_of_another_claim_is_no_part_of_the_house_before():
    """A neighbour on no list, six minutes later, with a sheet written by hand; no positions."""
    photos = [*house(1, at(9), 60, claim=A), *house(61, at(9, 20), 60), *house(121, at(10), 60, claim=C)]
    photos[60] = replace(photos[60], sheet=sheet("CLAIM", "92678"))
    plan = plan_day(photos, sites(A, C))
    assert claims_in_order(plan) == [A, "?", C]


def test_of_two_houses_without_a_name_the_one_with_a_written_page_gets_the_claim_that_is_left():
    photos = [
        *house(1, at(9), 60, claim=A),
        *house(61, at(9, 40), 60),
        *house(121, at(10, 30), 60),
        *house(181, at(11, 20), 60, claim=C),
    ]
    photos[60] = replace(photos[60], sheet=sheet("smudged", "beyond reading"))
    photos[120] = replace(photos[120], sheet=sheet())
    plan = plan_day(photos, sites(A, B, C))
    assert claims_in_order(plan) == [A, B, "?", C]
    assert {p.to_confirm for p in plan.placed[60:120]} == {True}


def test_a_number_that_is_plainly_read_rules_out_a_claim_with_a_similar_one():
    """Of two houses without a name, the one with the sheet of another claim is not the one that is left."""
    left = ClaimId("HV-69474")
    photos = [
        *house(1, at(9), 60, claim=A),
        *house(61, at(9, 40), 60),
        *house(121, at(10, 30), 60),
        *house(181, at(11, 20), 60, claim=C),
    ]
    photos[60] = replace(photos[60], sheet=sheet())
    photos[120] = replace(photos[120], sheet=sheet("CLAIM", "93674"))
    plan = plan_day(photos, sites(A, left, C))
    assert claims_in_order(plan) == [A, left, "?", C]


def test_a_photo_goes_to_the_state_that_is_clearly_more_probable_than_that_of_the_path():
    """States: one claim, the unknown house, an errand."""
    probability = np.array([[1.0, 0.0, 0.0], [0.55, 0.45, 0.0], [0.48, 0.46, 0.06], [0.2, 0.41, 0.39]])
    path, opens = np.array([0, 1, 0, 0]), np.array([True, True, True, False])
    states, _ = _corrected(path, opens, probability)
    assert states.tolist() == [0, 0, 0, 1]
