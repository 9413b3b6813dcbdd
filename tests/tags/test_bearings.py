"""Directions and positions: the geometry of a house, as evidence for the face."""

from __future__ import annotations

import math

import numpy as np
import pytest
from support_models import plan, shipped, words
from support_tags import photo

from evidence.model import Facet, FacetValue, GeoPoint, SceneKind, Source
from evidence.tags.suggest import tag_claim
from evidence.tags.vocabulary import Zone
from evidence.tags.walk.bearings import (
    bearings,
    corner,
    height_likelihoods,
    place_likelihoods,
)
from evidence.tags.walk.sides import OUTWARD, SIDES

HOUSE = {SceneKind.HOUSE: 0.95, SceneKind.OTHER: 0.05}
ROOF = {SceneKind.ROOF: 0.95, SceneKind.OTHER: 0.05}
LAT, LON = 39.0, -94.0


def at(east: float, north: float, alt: float | None = None) -> GeoPoint:
    """Metres from the middle of the house, on a sphere of 6,371 km."""
    degree = math.pi * 6_371_000 / 180
    return GeoPoint(
        lat=LAT + north / degree, lon=LON + east / (degree * math.cos(math.radians(LAT))), alt=alt
    )


def person(face, role="elevation"):
    def value(facet, word):
        return FacetValue(facet=facet, value=word, source=Source.PERSON, confidence=1.0, reason="stated")

    return {Facet.FACE: value(Facet.FACE, face), Facet.ROLE: value(Facet.ROLE, role)}


def faces(photos, stated=None):
    results = tag_claim(photos, person=stated or {}, vocabulary=words(), models=shipped())
    return [results[p.sha256].tags[Facet.FACE] for p in photos]


def test_the_sides_stand_a_quarter_turn_apart_with_right_to_the_right_of_the_street_s_view():
    # a front that faces south, seen by someone who looks north: east is to the right
    south = 180.0
    outward = {side: (south + turn) % 360 for side, turn in zip(SIDES, OUTWARD, strict=True)}
    assert outward == {"front": 180.0, "right": 90.0, "back": 0.0, "left": 270.0}


def test_one_stated_front_gives_the_others_their_faces_by_compass():
    # the front faces south, so a camera that looks at the right side (east) faces west
    order = [0.0, 270.0, 180.0, 90.0]
    photos = [photo(k, at=60.0 * k, scenes=HOUSE, direction=d) for k, d in enumerate(order)]
    found = faces(photos, {photos[0].sha256: person("front")})
    assert [f.value for f in found] == ["front", "right", "back", "left"]


def test_the_same_walk_the_other_way_round_is_told_apart_by_compass():
    photos = [
        photo(k, at=60.0 * k, scenes=HOUSE, direction=d) for k, d in enumerate([0.0, 90.0, 180.0, 270.0])
    ]
    found = faces(photos, {photos[0].sha256: person("front")})
    assert [f.value for f in found] == ["front", "left", "back", "right"]


def test_the_reason_says_where_the_camera_pointed():
    photos = [
        photo(k, at=60.0 * k, scenes=HOUSE, direction=d) for k, d in enumerate([0.0, 274.0, 180.0, 90.0])
    ]
    found = faces(photos, {photos[0].sha256: person("front")})
    assert "facing 274 degrees" in found[1].reason
    assert "the front faces south" in found[1].reason


def test_positions_around_the_house_give_the_faces_without_a_compass():
    # front at the south, then counter-clockwise as seen from above: east is the right side
    spots = [(0, -14), (1, -13), (14, 0), (13, 1), (0, 14), (1, 13), (-14, 0), (-13, 1)]
    photos = [photo(k, at=50.0 * k, scenes=HOUSE, gps=at(*spot)) for k, spot in enumerate(spots)]
    found = faces(photos, {photos[0].sha256: person("front")})
    assert [f.value for f in found] == ["front", "front", "right", "right", "back", "back", "left", "left"]


def test_a_compass_word_on_a_board_becomes_a_face_once_the_front_is_known():
    photos = [
        photo(k, at=60.0 * k, scenes=HOUSE, direction=d) for k, d in enumerate([0.0, 90.0, 180.0, 270.0])
    ]
    photos += [
        photo(4, at=600, scenes=ROOF, lines=["SOUTH SLOPE"]),
        photo(5, at=660, scenes=ROOF, lines=["NORTH SLOPE"]),
    ]
    found = faces(photos, {photos[0].sha256: person("front")})
    assert [f.value for f in found[4:]] == ["front", "back"]
    assert "north" in found[5].reason


def test_the_middle_is_that_of_the_extremes_and_not_of_the_many():
    # 20 photos at the south wall do not pull the middle there
    spots = [(0, -10)] * 20 + [(10, 0), (0, 10), (-10, 0)] * 3
    seen = bearings([photo(k, gps=at(*spot)) for k, spot in enumerate(spots)], [None] * len(spots))
    assert seen.standing[0] == pytest.approx(180, abs=5)
    assert seen.distance[0] == pytest.approx(10, abs=1.5)


def test_a_position_far_from_the_house_is_ignored():
    spots = [(0, -10), (10, 0), (0, 10), (-10, 0), (5000, 5000)]
    seen = bearings([photo(k, gps=at(*spot)) for k, spot in enumerate(spots)], [None] * 5)
    assert math.isnan(seen.standing[4])
    assert not np.isnan(seen.standing[:4]).any()


def test_without_any_place_there_is_no_evidence_of_it():
    assert bearings([photo(0), photo(1)], [None, None]).empty


def test_one_astray_direction_does_not_overrule_the_walk():
    # the phone was held flat once, between two photos of the same side
    directions = [0.0, 2.0, 181.0, 358.0]
    photos = [photo(k, at=5.0 * k, scenes=HOUSE, direction=d) for k, d in enumerate(directions)]
    found = faces(photos, {photos[0].sha256: person("front"), photos[3].sha256: person("front")})
    assert found[2].value == "front"


def roof_posterior(photos, up):
    """A posterior (photos, steps) with these photos on the roof; None where it is unknown."""
    roof = np.array([step.zone is Zone.ROOF for step in plan().steps])
    posterior = np.ones((len(photos), len(roof)))
    for row, is_up in enumerate(up):
        if is_up is not None:
            posterior[row, roof != is_up] = 0.0
    return posterior / posterior.sum(axis=1, keepdims=True), roof


def test_height_is_evidence_of_the_roof():
    metres = [200.0, 200.4, 199.7, 200.2, 200.1, 205.8, 206.1, 206.3, 205.9, 206.0, 205.7]
    photos = [photo(k, gps=at(0, 0, height)) for k, height in enumerate(metres)]
    posterior, roof = roof_posterior(photos, [False] * 5 + [True] * 5 + [None])
    likelihoods = height_likelihoods(plan(), bearings(photos, [None] * len(photos)), posterior)
    assert likelihoods[10, roof].max() > 4 * likelihoods[10, ~roof].max()


def test_heights_that_hardly_differ_are_no_evidence():
    rng = np.random.default_rng(4)
    photos = [photo(k, gps=at(0, 0, 200 + float(rng.normal(0, 5)))) for k in range(20)]
    posterior, _ = roof_posterior(photos, [False] * 10 + [True] * 10)
    assert height_likelihoods(plan(), bearings(photos, [None] * 20), posterior) is None


def test_directions_of_the_front_that_differ_by_half_a_turn_see_opposite_faces():
    seen = bearings([photo(0, direction=0.0)], [None])
    likelihoods = place_likelihoods(plan(), seen)[:, 0]
    steps = plan().steps
    wall = {step.face: k for k, step in enumerate(steps) if step.role == "elevation"}
    south, north = 12, 0  # of 24 directions
    assert likelihoods[south, wall["front"]] == pytest.approx(likelihoods[north, wall["back"]])
    assert likelihoods[south, wall["front"]] > 5 * likelihoods[south, wall["back"]]


def overview_only():
    return {
        Facet.ROLE: FacetValue(
            facet=Facet.ROLE, value="overview", source=Source.PERSON, confidence=1.0, reason="stated"
        )
    }


def with_overview(direction=None, gps=None, lines=()):
    """The tag of an overview before a round of four elevations of a house whose front faces south."""
    directions = [0.0, 270.0, 180.0, 90.0]
    photos = [photo(0, at=0.0, scenes=HOUSE, direction=direction, gps=gps, lines=lines)]
    photos += [photo(k, at=60.0 * k, scenes=HOUSE, direction=d) for k, d in enumerate(directions, start=1)]
    stated = {each.sha256: person(face) for each, face in zip(photos[1:], SIDES, strict=True)}
    stated[photos[0].sha256] = overview_only()
    results = tag_claim(photos, person=stated, vocabulary=words(), models=shipped())
    return results[photos[0].sha256].tags


@pytest.mark.parametrize(
    ("direction", "face"), [(358.0, "front"), (268.0, "right"), (178.0, "back"), (93.0, "left")]
)
def test_an_overview_shows_the_side_that_the_camera_points_at(direction, face):
    tag = with_overview(direction)[Facet.FACE]
    assert tag.value == face
    assert tag.confidence > 0.7
    assert f"facing {direction:.0f} degrees" in tag.reason


def test_an_overview_of_the_back_is_no_view_from_the_street():
    assert Facet.COMPONENT not in with_overview(178.0) or with_overview(178.0)[Facet.COMPONENT].value != (
        "street_view"
    )


def test_an_overview_of_a_corner_names_both_sides_and_is_not_sure():
    # the camera looks south-west at a house whose front faces south: it shows the back (north) and the right (east)
    tag = with_overview(225.0)[Facet.FACE]
    assert tag.value in ("back", "right")
    assert tag.confidence < 0.75
    assert "a view of the corner of" in tag.reason
    assert "back" in tag.reason
    assert "right" in tag.reason


def test_an_overview_without_a_place_is_guessed_from_the_walk_alone():
    assert "facing" not in with_overview()[Facet.FACE].reason


def test_a_board_in_an_overview_outweighs_an_astray_compass():
    assert with_overview(0.0, lines=["BACK SIDE"])[Facet.FACE].value == "back"


@pytest.mark.parametrize(
    ("facing", "standing", "expected"),
    [
        (0.0, math.nan, None),
        (315.0, math.nan, {"front", "right"}),
        (330.0, math.nan, ("front", "right")),
        (300.0, math.nan, ("right", "front")),
        (45.0, math.nan, {"front", "left"}),
        (math.nan, 135.0, {"front", "right"}),
        (math.nan, 92.0, None),
        (math.nan, math.nan, None),
    ],
)
def test_a_corner_is_told_by_the_angle_from_the_middle_of_the_sides(facing, standing, expected):
    """The front faces south; the photographer of its right end stands in the south-east and looks north-west."""
    found = corner(180.0, facing, standing)
    assert (set(found) if isinstance(expected, set) and found else found) == expected
