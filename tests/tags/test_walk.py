"""The walk model against sums over every possible walk, and the effect of counts on it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_models import plan, shipped, small_plan

from evidence.tags.walk.chain import (
    NeighbourEvidence,
    expected_counts,
    forward_backward,
    gap_bin,
    log_likelihoods,
)
from evidence.tags.walk.model import GAP_BINS, NO_GAP, WalkCounts, WalkModel


def transitions(model):
    """(bins, styles, steps, steps)"""
    return np.stack([model.transitions(gap) for gap in range(GAP_BINS + 1)])


def by_definition(model, gaps, likelihoods, again):
    """Posterior of every step and pair by summing over every possible walk, as the definition says."""
    start, moves = model.starts, transitions(model)
    photos, steps = likelihoods.shape
    one, pairs, total = np.zeros((photos, steps)), np.zeros((steps, steps)), 0.0
    by_style = np.zeros(len(start))
    for s, weight in enumerate(model.weights):
        for walk in itertools.product(range(steps), repeat=photos):
            p = weight * start[s, walk[0]] * likelihoods[0, walk[0]]
            for t in range(1, photos):
                p *= moves[gaps[t - 1], s, walk[t - 1], walk[t]] * likelihoods[t, walk[t]]
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
def test_posteriors_are_what_summing_over_every_walk_gives(seed, gaps):
    model = WalkModel(plan=small_plan())
    rng = np.random.default_rng(seed)
    likelihoods, again = rng.random((3, len(model.plan.steps))) + 0.01, np.exp(rng.normal(size=2))
    one, pairs, styles = by_definition(model, gaps, likelihoods, again)
    neighbours = NeighbourEvidence(gaps=gaps, again_odds=again)
    posterior = forward_backward(model, neighbours, likelihoods[None])
    np.testing.assert_allclose(posterior.steps, one, atol=1e-9)
    np.testing.assert_allclose(posterior.styles, styles, atol=1e-9)
    evidence = log_likelihoods(model, neighbours, likelihoods, np.ones((1, *likelihoods.shape)))[:, 0]
    weighed = model.weights * np.exp(evidence - evidence.max())
    np.testing.assert_allclose(weighed / weighed.sum(), styles, atol=1e-9)
    _, counts = expected_counts(model, neighbours, likelihoods[None], np.ones(3))
    assert counts.within.sum() == pytest.approx(pairs.sum(), rel=1e-6)
    kind = np.array([step.kind for step in model.plan.steps])
    place = np.array([step.place for step in model.plan.steps])
    leaving = np.where(place[:, None] != place[None], pairs, 0.0).sum(axis=1)
    expected = np.bincount(kind, leaving, minlength=len(model.plan.photo_kinds))
    np.testing.assert_allclose(counts.within[:, -1], expected, rtol=2e-2, atol=2e-3)


def test_habit_is_the_posterior_without_the_photo_s_own_evidence(small):
    rng = np.random.default_rng(3)
    likelihoods = rng.random((4, len(small.plan.steps))) + 0.01
    silent = likelihoods.copy()
    silent[2] = 1.0
    posterior = forward_backward(small, NeighbourEvidence.timed([1, 2, 3]), likelihoods[None])
    without = forward_backward(small, NeighbourEvidence.timed([1, 2, 3]), silent[None])
    np.testing.assert_allclose(posterior.habit[2], posterior.styles @ without.by_style[:, 2], atol=1e-9)


@pytest.mark.parametrize("which", ["small", "shipped"])
def test_every_walk_goes_on_with_probability_one(which):
    model = WalkModel(plan=small_plan() if which == "small" else plan())
    start, moves = model.starts, transitions(model)
    np.testing.assert_allclose(start.sum(axis=1), 1.0)
    np.testing.assert_allclose(moves[NO_GAP].sum(axis=2), 1.0)
    np.testing.assert_allclose(moves[:NO_GAP].sum(axis=0), moves[NO_GAP], atol=1e-12)
    assert (moves >= 0).all()


def test_one_bins_transitions_lie_together_in_memory_because_products_with_them_are_what_tagging_waits_for():
    # 149 photos, 18 styles, both passes: 0.12 s of the processor with the bins side by side, 0.02 s like this
    assert WalkModel(plan=plan()).transitions(3).flags.c_contiguous


def test_the_scale_of_likelihoods_makes_no_difference(small):
    likelihoods = np.random.default_rng(1).random((5, len(small.plan.steps))) + 0.01
    scaled = likelihoods * np.array([1e-8, 1, 1e6, 3, 0.2])[:, None]
    one, other = (
        forward_backward(small, NeighbourEvidence.timed([0, 1, 2, 3]), h[None]) for h in (likelihoods, scaled)
    )
    np.testing.assert_allclose(one.steps, other.steps, atol=1e-9)
    np.testing.assert_allclose(one.styles, other.styles, atol=1e-9)


def test_a_thousand_photos_neither_overflow_nor_vanish():
    model = WalkModel(plan=plan())
    likelihoods = np.random.default_rng(2).random((1, 1000, len(model.plan.steps))) * 1e-4 + 1e-9
    posterior = forward_backward(model, NeighbourEvidence.timed([1] * 999), likelihoods)
    assert np.isfinite(posterior.steps).all()
    np.testing.assert_allclose(posterior.steps.sum(axis=1), 1.0)


def test_one_photo_is_a_walk_too(small):
    posterior = forward_backward(small, NeighbourEvidence.timed([]), np.ones((1, 1, len(small.plan.steps))))
    start = np.einsum("s,sn->n", small.weights, small.starts)
    np.testing.assert_allclose(posterior.steps[0], start)


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
                model.transitions(NO_GAP)[s, front, k] for k, each in enumerate(steps) if each.face == face
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


def test_an_unknown_time_is_no_evidence(small):
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


def test_an_adjuster_s_pace_changes_the_times_of_every_kind_of_photo(small):
    slow = WalkCounts.zeros(small.plan)
    counts = slow.gaps.copy()
    counts[1 : len(small.plan.photo_kinds), -2] = 2000.0  # two minutes and more before each shot but the last
    paced = WalkModel(plan=small.plan, counts=(replace(slow, gaps=counts),))
    last = len(small.plan.photo_kinds)
    assert paced.gaps[last, GAP_BINS - 2] > 2 * small.gaps[last, GAP_BINS - 2]
    np.testing.assert_allclose(paced.gaps[:, :NO_GAP].sum(axis=1), 1.0)


def test_similar_pictures_are_evidence_for_the_same_kind_of_photo_again(small):
    likelihoods = np.ones((1, 2, len(small.plan.steps)))
    alike, unlike, silent = (
        forward_backward(small, NeighbourEvidence(gaps=[NO_GAP], again_odds=np.array([odds])), likelihoods)
        for odds in (8.0, 1 / 8, 1.0)
    )
    again = [k for k, step in enumerate(small.plan.steps) if step.role == "detail"]
    assert alike.steps[1, again].sum() != pytest.approx(silent.steps[1, again].sum(), abs=1e-3)
    for posterior, odds in ((alike, 8.0), (unlike, 1 / 8)):
        one, _, _ = by_definition(small, [NO_GAP], likelihoods[0], [odds])
        np.testing.assert_allclose(posterior.steps, one, atol=1e-9)


def test_without_counts_the_plan_is_unchanged(small):
    inexperienced = WalkModel(plan=small.plan, counts=(WalkCounts.zeros(small.plan),))
    np.testing.assert_allclose(transitions(inexperienced), transitions(small))
    np.testing.assert_allclose(inexperienced.weights, small.weights)


def test_many_counts_outweigh_the_plan(small):
    seen = WalkCounts.zeros(small.plan)
    styles = np.array([0.0, 500.0])
    model = WalkModel(plan=small.plan, counts=(replace(seen, styles=styles),))
    assert model.weights[1] > 0.98


def test_three_houses_teach_the_way_round_and_little_of_the_next_house_s_roof():
    styles = plan().styles
    seen = WalkCounts.zeros(plan())
    gabled = [s.name.startswith("counter-clockwise, ground") and len(s.slopes) == 2 for s in styles]
    counts = np.where(gabled, 3.0 / sum(gabled), 0.0)
    before, after = (
        WalkModel(plan=plan(), counts=counts).weights for counts in ((), (replace(seen, styles=counts),))
    )
    round_ = np.array([style.name.startswith("counter-clockwise, ground") for style in styles])
    hipped = np.array([len(style.slopes) == 4 for style in styles])
    assert before[round_].sum() < 0.3
    assert after[round_].sum() > 0.6
    assert after[hipped].sum() > 0.85 * before[hipped].sum()


def test_without_experience_walks_weigh_what_the_plan_says():
    weights = np.array([style.weight for style in plan().styles])
    np.testing.assert_allclose(WalkModel(plan=plan()).weights, weights / weights.sum())


def test_improbable_styles_are_dropped(small):
    narrowed = small.with_shares_above(np.array([0.9999, 0.0001]), 0.001)
    assert [style.name for style in narrowed.styles] == ["there"]
    assert narrowed.starts.shape[0] == narrowed.weights.shape[0] == 1


def test_a_model_of_some_styles_is_what_it_would_be_computed_anew():
    seen = WalkCounts.zeros(plan())
    whole = WalkModel(plan=plan(), counts=(replace(seen, styles=np.arange(len(plan().styles)) * 1.0),))
    names = ("starts", "moves", "weights", "gaps", "looks", "chalk", "sound", "classes")
    for name in names:
        getattr(whole, name)
    for some in (whole.repeated([3, 5, 5]), whole.repeated([2, 4, 1]).repeated([1])):
        anew = replace(some)
        assert len(some.styles) == some.transitions(3).shape[0] == len(some.weights)
        assert some.transitions(3).flags.c_contiguous
        for name in names:
            np.testing.assert_array_equal(getattr(some, name), getattr(anew, name), name)
        np.testing.assert_array_equal(transitions(some), transitions(anew))
        np.testing.assert_array_equal(some.stay(3), np.diagonal(transitions(anew)[3], axis1=1, axis2=2))


def test_the_models_of_two_adjusters_are_two_and_one_is_made_once():
    seen = WalkCounts.zeros(plan())
    models = replace(shipped(), adjusters={"Ada": seen, "Ben": replace(seen, opens=seen.opens + 5)})
    ada, ben = models.walk("Ada"), models.walk("Ben")
    assert models.walk("Ben") is ben
    assert (ada.counts[0].opens.sum(), ben.counts[0].opens.sum()) == (0, 5 * len(seen.opens))
    assert models.walk("Ada").counts == ada.counts
    assert replace(models, adjusters={}).walk("Ben").counts == ()


def test_two_undamaged_houses_do_not_make_the_next_ones_things_likely_undamaged():
    """Three photos of a gutter on each of two houses, all sound; a hundred such photos are another matter."""
    gutter = next(k for k, kind in enumerate(plan().photo_kinds) if kind.component == "gutter")

    def sound_after(photos):
        seen = WalkCounts.zeros(plan())
        seen.sound[gutter, 1] = photos
        return WalkModel(plan=plan(), counts=(seen,)).sound[gutter]

    assert sound_after(0) < sound_after(6) < 0.5
    assert sound_after(100) > 0.7
