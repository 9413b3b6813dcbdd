"""Which list a claim gets, what its report is made from, and what a waiver may name."""

from __future__ import annotations

import pytest

from evidence.analysis.coverage import (
    asked_shot,
    coverage_of,
    list_for,
    list_names,
    shot_list,
)
from evidence.catalog.claims import WaiverRow
from evidence.coverage.report import Status
from evidence.errors import BadInputError
from evidence.model import Claim, Face


def test_the_settings_give_each_peril_its_list_whatever_its_case_and_the_default_to_others(workspace):
    named = [
        list_for(workspace, Claim(claim="AN-1", peril=peril)) for peril in ("WIND", "water", "flood", "")
    ]
    assert named == ["wind_roof", "interior_water", "hail_roof", "hail_roof"]


def test_every_list_that_ships_can_be_read(workspace):
    assert {shot_list(workspace, name).id for name in list_names(workspace)} == set(list_names(workspace))


def test_a_list_that_does_not_exist_is_refused_with_the_nearest_name(workspace):
    with pytest.raises(BadInputError, match="Did you mean 'wind_roof'"):
        shot_list(workspace, "wind_rof")


def test_a_report_counts_what_is_stated_guessed_and_missing(workspace, claim):
    report = coverage_of(workspace, "BD-1")
    assert {(item.face, item.status) for item in report.items} == {
        (Face.FRONT, Status.MET),
        (Face.RIGHT, Status.MET),
        (Face.BACK, Status.MET),
        (Face.LEFT, Status.GUESSED),
    }
    assert report.met[0].photos == (claim[0],)


def test_a_waiver_of_one_face_sets_that_face_aside_alone(workspace, claim):
    waiver = WaiverRow(
        claim="BD-1",
        requirement="elevation",
        place="left",
        by="Rita",
        why="a wall stands there",
        at=workspace.now(),
    )
    workspace.catalog.claims.put_waiver(waiver)
    report = coverage_of(workspace, "BD-1")
    assert [(item.face, item.status) for item in report.waived] == [(Face.LEFT, Status.WAIVED)]
    assert len(report.met) == 3


def test_a_waiver_may_name_only_a_shot_and_a_place_that_the_list_asks_for(workspace, claim):
    assert asked_shot(workspace, "BD-1", "elevation", "left") == ("elevation", "left")
    item = next(one for one in coverage_of(workspace, "BD-1").items if one.key == ("elevation", "left"))
    assert asked_shot(workspace, "BD-1", item.title.upper(), item.place) == ("elevation", "left")
    with pytest.raises(BadInputError, match="Did you mean 'elevation'"):
        asked_shot(workspace, "BD-1", "elevatoin", "left")
    with pytest.raises(BadInputError, match="The places are back, front, left, right"):
        asked_shot(workspace, "BD-1", "elevation", "roof")
