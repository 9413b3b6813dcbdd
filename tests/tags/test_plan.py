"""The walk plan: the shipped file is valid, and a mistake in an own file is named."""

from __future__ import annotations

import pytest
from support_models import SMALL, plan, small_plan, words

from evidence.errors import BadInputError
from evidence.model import Facet
from evidence.settings import default_text
from evidence.tags.walk.plan import SCENE_KINDS, load_plan


def test_the_looks_are_probabilities_that_rule_nothing_out():
    for shares in plan().looks.values():
        assert sum(shares) == pytest.approx(1.0)
        assert len(shares) == len(SCENE_KINDS)
        assert min(shares) > 0


def test_every_walk_is_tried_with_every_shape_of_roof():
    styles = plan().styles
    assert len({style.name for style in styles}) * 3 == len(styles)
    assert {style.slopes for style in styles if style.name == "clockwise, ground first"} == {
        ("front", "left", "back", "right"),
        ("front", "back"),
        ("left", "right"),
    }


def test_a_route_visits_the_stages_in_order_and_a_round_its_sides():
    small = small_plan()
    there, back = (small.route(style) for style in small.styles)
    named = [(small.stages[stage].id, str(face)) for stage, face in small.places]
    assert [named[k] for k in there] == [
        ("street", "front"), ("ground", "front"), ("ground", "left"), ("ground", "back"), ("ground", "right"),
    ]  # fmt: skip
    assert [named[k][1] for k in back] == ["front", "right", "back", "left", "front"]


def test_the_steps_of_a_face_lie_together_and_share_their_kind_with_other_faces():
    steps = plan().steps
    gutters = [step for step in steps if step.component == "gutter"]
    assert {step.face for step in gutters} == {"front", "right", "back", "left"}
    assert len({step.kind for step in gutters}) == 1
    assert [step.place for step in steps] == sorted(step.place for step in steps)


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        pytest.param("jump = 0.05", "jmup = 0.05", ("jmup", "jump"), id="misspelt key"),
        pytest.param("jump = 0.05", "jump = 2", ("jump",), id="share above one"),
        pytest.param(
            'component = "gutter"', 'component = "guter"', ("guter", "gutter"), id="unknown component"
        ),
        pytest.param(
            'role = "elevation"', 'role = "elevatoin"', ("elevatoin", "elevation"), id="unknown role"
        ),
        pytest.param(
            'role = "elevation"',
            'role = "no_damage_proof"',
            ("no_damage_proof",),
            id="pixels cannot say that",
        ),
        pytest.param('looks = "facade"', 'looks = "facad"', ("facad", "facade"), id="unknown look"),
        pytest.param('"street", "ground", ', '"street", "groud", ', ("groud", "ground"), id="unknown stage"),
        pytest.param('"street", "ground", ', '"ground", ', ("street",), id="stage left out of a walk"),
        pytest.param('ground = ["front", "left"', 'ground = ["front", "front"', ("ground",), id="side twice"),
        pytest.param('sides = ["front", "back"]', "sides = []", ("sides",), id="roof without slopes"),
        pytest.param("house = 0.88", "house = 0.98", ("1.1", "1"), id="looks that add up to more than one"),
        pytest.param("house = 0.88", "hose = 0.88", ("hose", "house"), id="unknown scene kind"),
        pytest.param("same_shot = [6.0, 0.8]", "same_shot = [6.0]", ("same_shot",), id="half a gap"),
        pytest.param("before = [16.0", "before = [-16.0", ("before",), id="negative time"),
        pytest.param("[calibration.face]", "[calibration.fase]", ("fase", "face"), id="unknown facet"),
    ],
)
def test_a_mistake_is_named_with_the_nearest_right_word(old, new, named):
    text = default_text("walk.toml")
    assert old in text
    with pytest.raises(BadInputError) as caught:
        load_plan(text.replace(old, new, 1), "office.toml", words())
    line = text.count("\n", 0, text.index(old)) + 1
    assert f"line {line}" in str(caught.value)
    for part in ("office.toml", *named):
        assert part in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_calibration_is_read_and_keeps_the_order_of_guesses():
    lines = plan().calibration
    assert set(lines) == {Facet.ROLE, Facet.FACE, Facet.COMPONENT, Facet.CONDITION}
    for line in lines.values():
        sure = [line(share) for share in (0.05, 0.3, 0.6, 0.95)]
        assert sure == sorted(sure)
        assert 0 < sure[0] < sure[-1] < 1
    assert dict(small_plan().calibration) == {}


def test_an_empty_plan_is_refused():
    for text in ("", SMALL.replace("[[roof]]", "[[style]]", 1)):
        with pytest.raises(BadInputError):
            load_plan(text, "x", words())
