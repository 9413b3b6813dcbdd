"""The walk model against walks counted out one by one, and what it does with habits."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_models import plan, small_plan

from evidence.tags.walk.chain import Between, count_moves, forward_backward, forward_evidence, gap_bin
from evidence.tags.walk.model import GAP_BINS, NO_GAP, Habits, WalkModel


def counted_out(model, gaps, heard, again):
    """Posterior of every step and pair by summing over every possible walk: the definition, nothing clever."""
    start, chain = model.chain
    photos, steps = heard.shape
    one, pairs, total = np.zeros((photos, steps)), np.zeros((steps, steps)), 0.0
    by_style = np.zeros(len(start))
    for s, weight in enumerate(model.weights):
        for walk in itertools.product(range(steps), repeat=photos):
            p = weight * start[s, walk[0]] * heard[0, walk[0]]
            for t in range(1, photos):
                p *= chain[gaps[t - 1], s, walk[t - 1], walk[t]] * heard[t, walk[t]]
                p *= again[t - 1] if walk[t - 1] == walk[t] else 1.0
            total += p
            by_style[s] += p
            for t, step in enumerate(walk):
                one[t, step] += p
            for a, b in itertools.pairwise(walk):
                pairs[a, b] += p
    return one / total, pairs / total, by_style / total


@pytest.fixture(scope="module")
def small():
    return WalkModel(plan=small_plan())


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, NO_GAP), min_size=2, max_size=2))
@settings(max_examples=8, deadline=None)
def test_beliefs_are_what_summing_over_every_walk_gives(seed, gaps):
    model = WalkModel(plan=small_plan())
    rng = np.random.default_rng(seed)
    heard, again = rng.random((3, len(model.plan.steps))) + 0.01, np.exp(rng.normal(size=2))
    one, pairs, styles = counted_out(model, gaps, heard, again)
    between = Between(gaps=gaps, again=again)
    belief = forward_backward(model, between, heard[None])
    np.testing.assert_allclose(belief.steps, one, atol=1e-9)
    np.testing.assert_allclose(belief.styles, styles, atol=1e-9)
    evidence = forward_evidence(model, between, heard, np.ones((1, *heard.shape)))[:, 0]
    weighed = model.weights * np.exp(evidence - evidence.max())
    np.testing.assert_allclose(weighed / weighed.sum(), styles, atol=1e-9)
    _, habits = count_moves(model, between, heard[None], np.ones(3))
    assert habits.within.sum() == pytest.approx(pairs.sum(), rel=1e-6)
    kind = np.array([step.kind for step in model.plan.steps])
    place = np.array([step.place for step in model.plan.steps])
    leaving = np.where(place[:, None] != place[None], pairs, 0.0).sum(axis=1)
    expected = np.bincount(kind, leaving, minlength=len(model.plan.shots))
    np.testing.assert_allclose(habits.within[:, -1], expected, rtol=2e-2, atol=2e-3)


def test_habit_is_the_belief_without_the_photo_s_own_word(small):
    rng = np.random.default_rng(3)
    heard = rng.random((4, len(small.plan.steps))) + 0.01
    silent = heard.copy()
    silent[2] = 1.0
    belief = forward_backward(small, Between.timed([1, 2, 3]), heard[None])
    without = forward_backward(small, Between.timed([1, 2, 3]), silent[None])
    per_style = belief.by_style[:, 2] / heard[2]
    per_style /= per_style.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(per_style, without.by_style[:, 2], atol=1e-9)


@pytest.mark.parametrize("which", ["small", "shipped"])
def test_every_walk_goes_on_with_probability_one(which):
    model = WalkModel(plan=small_plan() if which == "small" else plan())
    start, chain = model.chain
    np.testing.assert_allclose(start.sum(axis=1), 1.0)
    np.testing.assert_allclose(chain[NO_GAP].sum(axis=2), 1.0)
    np.testing.assert_allclose(chain[:NO_GAP].sum(axis=0), chain[NO_GAP], atol=1e-12)
    assert (chain >= 0).all()


def test_the_scale_of_what_is_heard_makes_no_difference(small):
    heard = np.random.default_rng(1).random((5, len(small.plan.steps))) + 0.01
    scaled = heard * np.array([1e-8, 1, 1e6, 3, 0.2])[:, None]
    one, other = (forward_backward(small, Between.timed([0, 1, 2, 3]), h[None]) for h in (heard, scaled))
    np.testing.assert_allclose(one.steps, other.steps, atol=1e-9)
    np.testing.assert_allclose(one.styles, other.styles, atol=1e-9)


def test_a_thousand_photos_neither_overflow_nor_vanish():
    model = WalkModel(plan=plan())
    heard = np.random.default_rng(2).random((1, 1000, len(model.plan.steps))) * 1e-4 + 1e-9
    belief = forward_backward(model, Between.timed([1] * 999), heard)
    assert np.isfinite(belief.steps).all()
    np.testing.assert_allclose(belief.steps.sum(axis=1), 1.0)


def test_one_photo_is_a_walk_too(small):
    belief = forward_backward(small, Between.timed([]), np.ones((1, 1, len(small.plan.steps))))
    start = np.einsum("s,sn->n", small.weights, small.chain[0])
    np.testing.assert_allclose(belief.steps[0], start)


def test_the_clockwise_walk_goes_from_front_to_left_and_the_other_to_right():
    # seen from above, clockwise from a front that faces south is west, and west is to the left of
    # someone who looks at the front from the street
    model = WalkModel(plan=plan())
    steps = model.plan.steps
    front = next(k for k, s in enumerate(steps) if (s.face, s.role) == ("front", "elevation"))
    for style, onward in (("clockwise, ground first", "left"), ("counter-clockwise, ground first", "right")):
        s = next(k for k, each in enumerate(model.plan.styles) if each.name == style)
        reach = {
            face: sum(
                model.chain[1][NO_GAP, s, front, k] for k, each in enumerate(steps) if each.face == face
            )
            for face in ("left", "right", "back")
        }
        assert max(reach, key=reach.get) == onward


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(0, 0), (2.4, 0), (4, 2), (10, 4), (59, 8), (301, 11), (90000, 11), (-5, NO_GAP)],
)
def test_gaps_fall_into_bins(seconds, expected):
    noon = datetime(2024, 5, 14, 12)
    assert gap_bin(noon, noon + timedelta(seconds=seconds)) == expected
    assert expected <= GAP_BINS


def test_a_gap_nobody_knows_says_nothing(small):
    assert gap_bin(None, datetime(2024, 5, 14)) == gap_bin(datetime(2024, 5, 14), None) == NO_GAP
    np.testing.assert_allclose(small.gaps[:, NO_GAP], 1.0)


def test_a_long_pause_on_a_slope_goes_before_the_test_square_that_had_to_be_chalked():
    model = WalkModel(plan=plan())
    steps = list(model.plan.steps)
    slope, square, shingle = (
        next(k for k, s in enumerate(steps) if (s.face, s.role, s.component) == ("front", role, part))
        for role, part in (("slope", ""), ("test_square", ""), ("detail", "shingle"))
    )
    noon = datetime(2024, 5, 14, 12)
    quick, slow = (gap_bin(noon, noon + timedelta(seconds=s)) for s in (6, 90))
    odds = model.gaps[:, [quick, slow]]
    to_square, to_shingle = (odds[model.classes[slope, k]] for k in (square, shingle))
    assert to_square[1] > 3 * to_shingle[1]
    assert to_square[0] < to_shingle[0]


def test_an_adjuster_s_pace_moves_the_times_of_every_shot(small):
    slow = Habits.none(small.plan)
    counts = slow.gaps.copy()
    counts[1 : len(small.plan.shots), -2] = 2000.0  # two minutes and more before each shot but the last
    paced = WalkModel(plan=small.plan, habits=(replace(slow, gaps=counts),))
    last = len(small.plan.shots)
    assert paced.gaps[last, GAP_BINS - 2] > 2 * small.gaps[last, GAP_BINS - 2]
    np.testing.assert_allclose(paced.gaps[:, :NO_GAP].sum(axis=1), 1.0)


def test_pictures_that_are_alike_speak_for_the_same_shot_again(small):
    heard = np.ones((1, 2, len(small.plan.steps)))
    alike, unlike, silent = (
        forward_backward(small, Between(gaps=[NO_GAP], again=np.array([odds])), heard)
        for odds in (8.0, 1 / 8, 1.0)
    )
    again = [k for k, step in enumerate(small.plan.steps) if step.role == "detail"]
    assert alike.steps[1, again].sum() != pytest.approx(silent.steps[1, again].sum(), abs=1e-3)
    for belief, odds in ((alike, 8.0), (unlike, 1 / 8)):
        one, _, _ = counted_out(small, [NO_GAP], heard[0], [odds])
        np.testing.assert_allclose(belief.steps, one, atol=1e-9)


def test_without_experience_the_plan_stands(small):
    inexperienced = WalkModel(plan=small.plan, habits=(Habits.none(small.plan),))
    np.testing.assert_allclose(inexperienced.chain[1], small.chain[1])
    np.testing.assert_allclose(inexperienced.weights, small.weights)


def test_much_experience_outweighs_the_plan(small):
    seen = Habits.none(small.plan)
    styles = np.array([0.0, 500.0])
    model = WalkModel(plan=small.plan, habits=(replace(seen, styles=styles),))
    assert model.weights[1] > 0.98


def test_three_houses_teach_the_way_round_and_little_of_the_next_house_s_roof():
    styles = plan().styles
    seen = Habits.none(plan())
    gabled = [s.name.startswith("counter-clockwise, ground") and len(s.slopes) == 2 for s in styles]
    counts = np.where(gabled, 3.0 / sum(gabled), 0.0)
    before, after = (
        WalkModel(plan=plan(), habits=habits).weights for habits in ((), (replace(seen, styles=counts),))
    )
    round_ = np.array([style.name.startswith("counter-clockwise, ground") for style in styles])
    hipped = np.array([len(style.slopes) == 4 for style in styles])
    assert before[round_].sum() < 0.3
    assert after[round_].sum() > 0.6
    assert after[hipped].sum() > 0.85 * before[hipped].sum()


def test_without_experience_walks_weigh_what_the_plan_says():
    weights = np.array([style.weight for style in plan().styles])
    np.testing.assert_allclose(WalkModel(plan=plan()).weights, weights / weights.sum())


def test_walks_that_are_ruled_out_are_no_longer_weighed(small):
    narrowed = small.among(np.array([0.9999, 0.0001]), 0.001)
    assert [style.name for style in narrowed.styles] == ["there"]
    assert narrowed.chain[0].shape[0] == narrowed.weights.shape[0] == 1


def test_two_undamaged_houses_do_not_make_the_next_ones_things_likely_undamaged():
    """Three photos of a gutter on each of two houses, all sound; a hundred such photos are another matter."""
    shots = plan().shots
    gutter = next(k for k, shot in enumerate(shots) if shot.component == "gutter")

    def sound_after(photos):
        seen = Habits.none(plan())
        seen.sound[gutter, 1] = photos
        return WalkModel(plan=plan(), habits=(seen,)).sound[gutter]

    assert sound_after(0) < sound_after(6) < 0.5
    assert sound_after(100) > 0.7
