"""The house at a glance: what counts as shown, damaged or sound, which way it is turned, and where its dots are."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support_report import record, tag, vocabulary

from evidence.model import CameraFacts, ChalkSeen, Condition, Face, GeoPoint, Look, Source
from evidence.plan.bearing import COMPASS_POINTS, front_bearing, local_metres, outward
from evidence.plan.shapes import FAR_M, contains, hatch, plan_of, stipple, surface_words
from evidence.plan.surfaces import FACES, HousePart, State, house_of

WORDS = vocabulary()
PIXELS = {"source": Source.PIXELS, "confidence": 0.9}


def facing(order, face, degrees, *, stated=True, true=True, gps=None, role="elevation"):
    source = {} if stated else PIXELS
    facts = CameraFacts(direction=degrees, direction_is_true=true, gps=gps)
    return record(order, tag(role=role, face=face, **source), facts=facts)


def house(*tags):
    return house_of([record(order, one) for order, one in enumerate(tags)], WORDS)


# --- surfaces ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tags", "state"),
    [
        ([], State.MISSING),
        ([tag(role="elevation", face="front")], State.SHOWN),
        ([tag(role="elevation", face="front", **PIXELS)], State.GUESSED),
        ([tag(component="gutter", face="front", condition="no_damage")], State.SOUND),
        ([tag(component="gutter", face="front", role="no_damage_proof")], State.SOUND),
        (
            [
                tag(component="gutter", face="front", condition="no_damage"),
                tag(component="screen", face="front", condition="damage"),
            ],
            State.DAMAGED,
        ),
        ([tag(component="gutter", face="front") | tag(condition="damage", **PIXELS)], State.SHOWN),
        ([tag(component="ceiling", face="front", condition="damage")], State.MISSING),
        ([tag(role="label", face="front", condition="damage")], State.MISSING),
    ],
    ids=[
        "nothing", "whole view", "guess", "no damage", "proof", "both", "damage from pixels", "inside", "label card",
    ],
)  # fmt: skip
def test_only_what_is_stated_makes_an_elevation_shown_sound_or_damaged(tags, state):
    made = house(*tags)
    assert made.surface(HousePart.ELEVATION, Face.FRONT).state is state
    assert {one.state for one in made.surfaces if one.face is not Face.FRONT} == {State.MISSING}


def test_roof_components_and_test_squares_belong_to_the_slope():
    made = house(
        tag(component="shingle", face="back", condition="damage"),
        tag(role="test_square", face="left", count="9"),
        tag(role="test_square", face="left"),
    )
    assert made.surface(HousePart.SLOPE, Face.BACK).state is State.DAMAGED
    left = made.surface(HousePart.SLOPE, Face.LEFT)
    assert left.state is State.DAMAGED, "hits are damage"
    assert [one.hits for one in left.squares] == [9, None]
    assert made.surface(HousePart.ELEVATION, Face.LEFT).state is State.MISSING


def test_a_count_from_pixels_stays_a_proposal():
    counted = tag(role="test_square", face="front") | tag(count="7", **PIXELS)
    chalk = Look(chalk=ChalkSeen(square=0.9, marks=4))
    made = house_of([record(0, counted), record(1, tag(role="test_square", face="front"), look=chalk)], WORDS)
    front = made.surface(HousePart.SLOPE, Face.FRONT)
    assert front.state is State.SHOWN
    assert [(one.hits, one.proposed) for one in front.squares] == [(None, 7), (None, 4)]
    assert "7 proposed by the program" in surface_words(front)
    assert "7 hits" not in surface_words(front)


def test_no_hits_in_a_square_is_no_damage_stated_and_none_proved():
    made = house(tag(role="test_square", face="front", count="0"))
    assert made.surface(HousePart.SLOPE, Face.FRONT).state is State.SHOWN


def test_components_are_listed_by_face_with_damage_apart_from_what_is_sound():
    made = house(
        tag(component="gutter", face="left", condition="no_damage"),
        tag(component="gutter", face="front", condition="damage"),
        tag(component="gutter", face="front", condition="damage"),
        tag(component="gutter", face="front", condition="no_damage"),
        tag(component="gutter", face="back", **PIXELS),
        tag(component="pitch_gauge", role="measurement"),
    )
    assert [(one.face, one.condition, len(one.photos)) for one in made.components] == [
        (Face.FRONT, Condition.DAMAGE, 2),
        (Face.FRONT, Condition.NO_DAMAGE, 1),
        (Face.LEFT, Condition.NO_DAMAGE, 1),
    ]
    assert len(made.measurements) == 1


def test_missing_required_shots_are_counted_at_their_surface():
    made = house_of([], WORDS, missing={(HousePart.SLOPE, Face.LEFT): 2})
    assert "2 required shots missing" in surface_words(made.surface(HousePart.SLOPE, Face.LEFT))
    assert "missing" not in surface_words(made.surface(HousePart.SLOPE, Face.RIGHT))


# --- the compass -------------------------------------------------------------------------


def test_a_house_whose_front_is_photographed_looking_north_faces_south_with_its_right_side_to_the_east():
    """Seen from the street, looking at the front: the right side is at the viewer's right hand."""
    seen = front_bearing([facing(0, "front", 0.0)], WORDS)
    assert seen.degrees == pytest.approx(180)
    assert [seen.point(face) for face in FACES] == ["south", "east", "north", "west"]


@given(st.floats(0, 359), st.lists(st.sampled_from(FACES), min_size=1, max_size=6))
def test_the_front_is_found_from_any_sides_at_any_bearing(front, faces):
    views = [facing(n, face, (front + outward(face) + 180) % 360) for n, face in enumerate(faces)]
    off = (front_bearing(views, WORDS).degrees - front + 180) % 360 - 180
    assert abs(off) < 1e-6


def test_the_mean_of_directions_goes_over_north():
    """Mardia and Jupp (2000), section 2.2: the mean direction of 350 and 20 degrees is 5, not 185."""
    seen = front_bearing([facing(0, "back", 350.0), facing(1, "back", 20.0)], WORDS)
    assert seen.degrees == pytest.approx(5)


def test_directions_that_contradict_each_other_give_no_bearing():
    views = [facing(0, "front", 0.0), facing(1, "front", 120.0), facing(2, "front", 240.0)]
    assert front_bearing(views, WORDS) is None


def test_stated_views_come_before_guesses_and_close_ups_do_not_count():
    guess = facing(0, "front", 90.0, stated=False)
    assert front_bearing([guess], WORDS).guessed
    both = front_bearing([guess, facing(1, "front", 0.0)], WORDS)
    assert (both.degrees, both.guessed, both.photos) == (pytest.approx(180), False, 1)
    assert front_bearing([facing(0, "front", 0.0, role="close_up")], WORDS) is None


def test_which_north_it_is_is_said_only_when_all_cameras_agree():
    mixed = [facing(0, "front", 0.0, true=True), facing(1, "front", 0.0, true=False)]
    assert front_bearing(mixed, WORDS).magnetic is None
    assert front_bearing(mixed[1:], WORDS).magnetic is True


# --- metres ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("latitude", "north_km", "east_km"),
    [(0, 110.574, 111.320), (15, 110.649, 107.551), (30, 110.852, 96.486), (45, 111.132, 78.847),
     (60, 111.412, 55.800)],
)  # fmt: skip
def test_a_degree_has_its_published_length(latitude, north_km, east_km):
    """Lengths of one degree on WGS 84, from memory of the table of the NGA's calculator; a thousandth of a degree is tried."""
    east, north = local_metres(GeoPoint(lat=latitude + 0.001, lon=10.001), GeoPoint(lat=latitude, lon=10.0))
    assert north == pytest.approx(north_km, rel=2e-4)
    assert east == pytest.approx(east_km, rel=2e-4)


def test_the_projection_goes_over_the_date_line():
    east, _ = local_metres(GeoPoint(lat=0, lon=-179.9999), GeoPoint(lat=0, lon=179.9999))
    assert east == pytest.approx(22.26, abs=0.02)


# --- the drawing -------------------------------------------------------------------------


def test_without_a_compass_the_front_is_at_the_bottom_and_the_plan_says_so():
    plan = plan_of(house(), [], None)
    at = {one.words: one.at for one in plan.names}
    assert at["Front"][1] > at["Left"][1] > at["Back"][1]
    assert at["Right"][0] > at["Left"][0]
    assert not plan.north_up
    assert "front is drawn at the bottom" in plan.description
    assert plan.dots == ()


def test_with_a_compass_up_is_north_and_a_front_that_faces_east_is_at_the_right():
    views = [facing(0, "front", 270.0)]
    plan = plan_of(house_of(views, WORDS), views, front_bearing(views, WORDS))
    at = {one.words: one.at for one in plan.names}
    assert at["Front"][0] > 0.8
    assert at["Right"][1] < 0.2, "the right side of a front that faces east is to the north"
    assert plan.north_up
    assert "faces east" in plan.description


def test_every_part_of_the_drawing_is_in_the_unit_square_and_no_two_areas_overlap():
    for degrees in range(0, 360, 15):
        views = [facing(0, "front", float(degrees))]
        plan = plan_of(house_of(views, WORDS), views, front_bearing(views, WORDS))
        for x, y in itertools.chain(*(area.points for area in plan.areas), (one.at for one in plan.names)):
            assert 0.02 < x < 0.98
            assert 0.02 < y < 0.98
        for area in plan.areas:
            inside = [other for other in plan.areas if contains(other.points, area.letter_at)]
            assert inside == [area]


def test_dots_are_where_the_photos_were_taken_and_a_far_one_is_left_out_and_counted():
    origin = GeoPoint(lat=38.4, lon=-97.6)
    step = 0.0002  # about 22 m of latitude
    spots = [(0, -step), (0, step), (-step, 0), (step, 0), (0, 0)]
    views = [
        facing(n, "front", 0.0, gps=GeoPoint(lat=origin.lat + north, lon=origin.lon + east))
        for n, (east, north) in enumerate(spots)
    ]
    far = facing(9, "front", 0.0, gps=GeoPoint(lat=origin.lat + 2 * FAR_M / 111_000, lon=origin.lon))
    plan = plan_of(house_of(views, WORDS), [*views, far], front_bearing(views, WORDS))
    south, north, west, east, middle = (dot.at for dot in plan.dots)
    assert south[1] > middle[1] > north[1]
    assert west[0] < middle[0] < east[0]
    assert middle == pytest.approx((0.5, 0.5))
    assert plan.dots[0].view[1] < south[1], "the camera pointed north"
    assert "1 taken farther than 120 m away left out" in plan.positions
    assert "5 of 6 photos" in plan.positions
    metres = math.dist(north, south) / plan.ten_metres * 10
    assert metres == pytest.approx(44.4, abs=0.1)


def test_each_state_has_a_letter_of_its_own_and_a_pattern_that_a_print_without_colour_keeps():
    assert len({state.letter for state in State}) == len(State)
    made = house(
        tag(role="elevation", face="front"),
        tag(component="gutter", face="right", condition="damage"),
        tag(component="gutter", face="back", condition="no_damage"),
        tag(role="elevation", face="left", **PIXELS),
    )
    plan = plan_of(made, [], None)
    looks = {
        area.surface.face: (bool(area.lines), bool(area.specks), area.dashed)
        for area in plan.areas
        if area.surface.part is HousePart.ELEVATION
    }
    assert len(set(looks.values())) == 4
    slopes = {area.dashed for area in plan.areas if area.surface.part is HousePart.SLOPE}
    assert slopes == {True}


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=3, max_size=3), st.booleans())
def test_patterns_stay_within_their_area(points, rising):
    def within(at):
        return contains(points, at) or any(
            _distance(at, one, other) < 1e-6 for one, other in zip(points, [*points[1:], points[0]], strict=True)
        )  # fmt: skip

    assert all(within(end) for line in hatch(points, spacing=0.05, rising=rising) for end in line)
    assert all(contains(points, at) for at in stipple(points, spacing=0.05))


def _distance(at, one, other):
    length = math.dist(one, other)
    if length < 1e-12:
        return math.dist(at, one)
    cross = (other[0] - one[0]) * (at[1] - one[1]) - (other[1] - one[1]) * (at[0] - one[0])
    return abs(cross) / length


def test_compass_points_go_clockwise():
    assert COMPASS_POINTS[2] == "east"
    assert len(COMPASS_POINTS) == 8
