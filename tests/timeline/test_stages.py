"""How pictures show where a house begins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support_timeline import at, house, sites, sizes

from evidence.model import ClaimId, SceneKind
from evidence.timeline import plan_day
from evidence.timeline.split.stages import KINDS, STAGES, FirstPass, scene_rows, stage_model

A = ClaimId("AX-1001")
WALL = {SceneKind.HOUSE: 0.8, SceneKind.FIXTURE: 0.15, SceneKind.OTHER: 0.05}
SLOPE = {SceneKind.ROOF: 0.6, SceneKind.SHINGLE: 0.35, SceneKind.OTHER: 0.05}
FIRST_OF_THREE = np.array([True, False, False])


def showing(photos, scenes):
    return [replace(s, scenes=scenes) for s in photos]


def inspected(first, begin, *, claim=None, ground=30, roof=30):
    """Photos around the house, then on its roof, without a pause."""
    photos = house(first, begin, ground + roof, claim=claim)
    return [*photos[:1], *showing(photos[1:ground], WALL), *showing(photos[ground:], SLOPE)]


def test_the_roof_after_a_long_pause_is_the_same_house():
    """A talk with the insured on the way to the ladder is no drive (common practice, no source)."""
    before = [*house(1, at(9), 1, claim=A), *showing(house(2, at(9, 0, 20), 40), WALL)]
    after = showing(house(42, at(9, 25), 40), SLOPE)
    plan = plan_day([*before, *after], [])
    assert sizes(plan) == [(A, 81)]
    bare = plan_day([replace(s, scenes={}) for s in (*before, *after)], [])
    assert (plan.placed[-1].to_confirm, bare.placed[-1].to_confirm) == (False, True)


def test_walls_after_a_roof_and_a_short_drive_are_another_house():
    """Next door, five minutes later, without its sheet: the inspection starts again on the ground."""
    photos = [*inspected(1, at(9), claim=A), *inspected(61, at(9, 22))]
    plan = plan_day(photos, [])
    assert sizes(plan) == [(A, 60), ("?", 60)]
    assert (
        "the photos before show a roof, the photos after show the ground around a house"
        in plan.segments[1].opened_by.reasons
    )
    assert sizes(plan_day([replace(s, scenes={}) for s in photos], [])) != sizes(plan)


def test_a_day_that_begins_on_the_roof_is_learnt_from_its_own_houses():
    houses = []
    for k in range(5):
        photos = house(1 + 60 * k, at(8 + k), 60, claim=f"AX-{k}")
        houses += [photos[0], *showing(photos[1:30], SLOPE), *showing(photos[30:], WALL)]
    lonely = house(301, at(12, 32), 60)
    houses += [*showing(lonely[:30], SLOPE), *showing(lonely[30:], WALL)]
    assert sizes(plan_day(houses, []))[-1] == ("?", 60)


def test_photos_that_were_not_analysed_have_no_effect():
    seen = stage_model(scene_rows([{}, {}, {}]), FIRST_OF_THREE)
    assert seen.emission.shape == (3, 1)
    assert not seen.emission.any()
    some = stage_model(scene_rows([WALL, {}, SLOPE]), FIRST_OF_THREE)
    assert some.emission.shape == (3, len(STAGES))
    assert not some.emission[1].any()
    assert some.emission[0].argmax() == STAGES.index("ground")
    assert some.emission[2].argmax() == STAGES.index("roof")


def test_starts_and_transitions_are_probabilities():
    rng = np.random.default_rng(4)
    scenes = rng.dirichlet(np.ones(len(KINDS)), 50)
    stages = rng.dirichlet(np.ones(len(STAGES) + 1), 50)
    opens = rng.random(50) < 0.1
    for seen in (stage_model(scenes, opens), stage_model(scenes, opens, FirstPass(stages, rng.random(50)))):
        assert np.exp(seen.start).sum() == pytest.approx(1.0)
        assert np.exp(seen.transition).sum(axis=1) == pytest.approx(np.ones(len(STAGES)))


def test_pictures_alone_never_name_a_house():
    photos = inspected(1, at(9))
    assert sizes(plan_day(photos, sites("AX-1", "BX-2"))) == [("?", 60)]
