"""Every problem of a claim's photos is flagged, and nothing else."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from support_coverage import (
    CLAIM,
    MORNING,
    SHARP,
    a_bit_off,
    found,
    own_hash,
    photo,
    shipped,
    whole_hail_roof,
)

from evidence.coverage.check import CheckOptions, NearMatch, OtherClaims, check
from evidence.coverage.flags import distance_m
from evidence.coverage.report import BroughtAgain
from evidence.model import ClaimId, GeoPoint, Sha256

HERE = GeoPoint(lat=38.4127, lon=-97.6184)
PLACED = replace(CLAIM, place=HERE)


def flags(photos, claim=CLAIM, **more):
    report = check(shipped("hail_roof"), photos, claim, **more)
    return {(f.code, f.subject) for f in report.flags}


def codes(one, claim=CLAIM, **more):
    """Codes on one photo among a few ordinary ones of the same morning."""
    others = [photo(n, role="overview", component="roof") for n in range(50, 54)]
    found = flags([one, *others], claim, **more)
    assert not [f for f in found if f[1] != one.sha256], "ordinary photos have no flag"
    return {code for code, _ in found}


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        pytest.param({}, set(), id="ordinary"),
        pytest.param({"quality": replace(SHARP, sharpness=5)}, {"blurred"}, id="blurred"),
        pytest.param({"quality": replace(SHARP, width=320, height=240)}, {"small"}, id="small"),
        pytest.param({"at": MORNING - timedelta(days=30)}, {"before_loss", "outside_inspection"}, id="old"),
        pytest.param({"at": MORNING + timedelta(days=1)}, {"outside_inspection"}, id="next-day"),
        pytest.param({"facts": {"taken_local": None}}, {"no_original_time"}, id="timeless"),
        pytest.param(
            {"corrected": MORNING, "correction": "GPS says 1 h earlier"}, {"clock_corrected"}, id="clock"
        ),
        pytest.param({"facts": {"flags": (found("edited"),)}}, {"edited"}, id="edited"),
        pytest.param({"facts": {"flags": (found("truncated"),)}}, {"truncated"}, id="truncated"),
        pytest.param({"facts": {"flags": (found("no_gps_fix"),)}}, set(), id="no-position-is-no-shame"),
        pytest.param({"flags": (found("labels_disagree"),)}, {"labels_disagree"}, id="passed-on"),
        pytest.param({"face": "front", "count": "7", "role": "slope"}, {"count_without_square"}, id="count"),
        pytest.param({"face": "front", "count": "7", "role": "test_square"}, set(), id="count-with-square"),
    ],
)  # fmt: skip
def test_each_flag_is_raised_by_what_it_is_for(words, expected):
    words = {"role": "overview", **words}
    assert codes(photo(1, **words)) == expected


def test_a_count_is_asked_for_its_own_slope_s_square():
    square = photo(1, face="front", role="test_square", count="7")
    stray = photo(2, face="back", role="close_up", count="3")
    assert flags([square, stray]) == {("count_without_square", stray.sha256)}
    assert flags([square, replace(stray, tags=photo(2, face="back", count="3", guess=0.4).tags)]) == set()


@pytest.mark.parametrize(("metres", "far"), [(149.0, False), (151.0, True)])
def test_a_photo_farther_than_the_lot_is_flagged(metres, far):
    # One degree of latitude on a sphere of radius R is pi R / 180.
    north = GeoPoint(lat=HERE.lat + math.degrees(metres / 6_371_008.8), lon=HERE.lon)
    one = photo(1, role="overview", facts={"gps": north})
    assert codes(one, PLACED) == ({"far_from_address"} if far else set())
    assert codes(one, CLAIM) == set()
    assert codes(one, PLACED, options=CheckOptions(lot_m=1000)) == set()


def test_distances_agree_with_the_sphere():
    # DERIVED: a quarter of a great circle of the mean radius (IUGG, 6371.0088 km), whichever way it runs.
    quarter = math.pi * 6_371_008.8 / 2
    equator, east, pole = GeoPoint(lat=0, lon=0), GeoPoint(lat=0, lon=90), GeoPoint(lat=90, lon=12)
    for one, other in [(equator, east), (equator, pole), (east, pole)]:
        assert distance_m(one, other) == pytest.approx(quarter)
    assert distance_m(GeoPoint(lat=10, lon=179.999), GeoPoint(lat=10, lon=-179.999)) < 250
    assert distance_m(HERE, HERE) == 0


def test_a_second_picture_nearly_like_another_is_flagged_with_its_name():
    one, two = photo(1, role="overview"), photo(2, role="overview", phash=a_bit_off(own_hash(1), 3, 9))
    report = check(shipped("hail_roof"), [two, one], CLAIM)
    assert [(f.code, f.subject) for f in report.flags] == [("near_duplicate", two.sha256)]
    assert report.flags[0].message == "Nearly the same picture as TNDL0001.JPG (2 of 64 bits differ)."


def test_label_cards_and_sheets_are_not_duplicates_of_each_other():
    cards = [photo(n, role="label", phash="00ff00ff00ff00ff") for n in range(3)]
    assert flags(cards) == set()


def test_of_two_flags_about_one_blur_the_one_that_says_it_does_not_count_is_given():
    blurred = photo(1, role="overview", quality=replace(SHARP, sharpness=5), look_flags=(found("blurred"),))
    (flag,) = check(shipped("hail_roof"), [blurred], CLAIM).flags
    assert flag.message == "Too blurred (sharpness 5, 20 needed), so it does not count."


def test_a_blurred_label_card_is_not_flagged_but_a_broken_one_is():
    card = photo(1, role="label", look_flags=(found("blurred"), found("truncated")))
    assert flags([card]) == {("truncated", card.sha256)}
    assert flags([photo(1, role="overview", look_flags=(found("dark"),))]) == {("dark", card.sha256)}


def test_a_photo_that_another_claim_holds_is_flagged_exactly_or_nearly():
    one, two, three = (photo(n, role="overview") for n in range(3))
    elsewhere = OtherClaims(
        same={one.sha256: (ClaimId("B"), ClaimId("A")), Sha256("f" * 64): (ClaimId("C"),), three.sha256: ()},
        near=(
            NearMatch(photo=one.sha256, other=one.sha256, claim=ClaimId("A"), bits=0),
            NearMatch(
                photo=two.sha256, other=Sha256("e" * 64), claim=ClaimId("D"), bits=4, photos=41, claims=9
            ),
        ),
        brought=(BroughtAgain(photo=Sha256("9" * 64), name="OLD.JPG", claim=ClaimId("E")),),
        look_into=frozenset({two.sha256}),
    )
    report = check(shipped("hail_roof"), [one, two, three], CLAIM, other_claims=elsewhere)
    assert [(f.code, f.subject, f.message) for f in report.flags] == [
        ("used_elsewhere", one.sha256, "The same file is in claim A, B."),
        (
            "alike_elsewhere",
            two.sha256,
            (
                "Nearly the same picture is in claim D (4 of 64 bits differ); 41 photos of 9 claims are this alike; "
                "somebody is to look into it."
            ),
        ),
        (
            "brought_again",
            "9" * 64,
            "OLD.JPG came again among these photos; the file is in claim E and stays there.",
        ),
    ]


def test_a_thing_shown_both_damaged_and_undamaged_is_pointed_out():
    photos = whole_hail_roof()
    proof = photo(99, face="front", component="gutter", role="no_damage_proof")
    report = check(shipped("hail_roof"), [*photos, proof], CLAIM)
    assert [(f.code, f.subject) for f in report.flags] == [("damage_and_proof", proof.sha256)]
    assert report.flags[0].message.startswith("front elevation: Gutter is shown as undamaged here")


def test_a_photo_of_the_next_day_is_within_an_inspection_that_takes_two():
    days = [photo(n, role="overview", at=MORNING + timedelta(days=n)) for n in range(2)]
    assert flags(days, options=CheckOptions(window=(MORNING, MORNING + timedelta(days=2)))) == set()
