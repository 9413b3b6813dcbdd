"""The posterior and the best path, against an enumeration of every path."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from evidence.timeline.split.segmentation import Scores, segment


def random_scores(seed: int, photos: int, states: int, modes: int, stages: int = 2) -> Scores:
    rng = np.random.default_rng(seed)

    def draw(*shape: int):
        return rng.normal(0.0, 1.5, shape)

    reentry = np.full((photos - 1, states), -np.inf)
    reentry[:, -1] = 0.0
    reentry[0, 0] = -0.7
    prior = rng.random(modes)
    start, transition = rng.dirichlet(np.ones(stages)), rng.dirichlet(np.ones(stages), (photos - 1, stages))
    return Scores(
        draw(photos, states), draw(photos, modes, states), draw(photos, modes, states), draw(photos - 1, states),
        draw(photos - 1, states), draw(photos, states), reentry, np.log(prior / prior.sum()),
        draw(photos, states, stages), np.log(start), np.log(transition), draw(stages),
    )  # fmt: skip


def every_path(s: Scores, mode: int):
    """(states, stages, boundaries, log score) of every path under one mode, by the definition."""
    photos, count, depth = s.emission.shape
    steps = product(product(range(count), range(depth)), repeat=photos)
    for path in steps:
        for crossed in product((False, True), repeat=photos - 1):
            state, stage = path[0]
            score = (
                s.enter[0, state] + s.first[0, mode, state] + s.inside[0, state] + s.emission[0, state, stage]
            )
            score += s.start[stage]
            for i in range(1, photos):
                (a, p), (b, q) = path[i - 1], path[i]
                if crossed[i - 1]:
                    score += s.last[i - 1, mode, a] + s.leave[i - 1, a] + s.end[p]
                    score += s.enter[i, b] + s.first[i, mode, b] + s.start[q]
                    score += s.reentry[i - 1, a] if a == b else 0.0
                else:
                    score += s.stay[i - 1, a] + s.transition[i - 1, p, q] if a == b else -np.inf
                score += s.inside[i, b] + s.emission[i, b, q]
            score += s.last[-1, mode, path[-1][0]] + s.end[path[-1][1]]
            yield tuple(a for a, _ in path), tuple(q for _, q in path), (True, *crossed), score


@pytest.mark.parametrize("seed", range(6))
def test_the_posterior_and_the_best_path_equal_those_of_enumeration(seed):
    photos, count, modes, depth = 3, 3, 2, 2
    scores = random_scores(seed, photos, count, modes, depth)
    answer = segment(scores)
    weights = np.zeros(modes)
    share, boundary = np.zeros((modes, photos, count, depth)), np.zeros((modes, photos))
    best = {}
    for mode in range(modes):
        top = -np.inf
        for states, stages, opens, score in every_path(scores, mode):
            p = np.exp(score + scores.modes[mode])
            weights[mode] += p
            for i in range(photos):
                share[mode, i, states[i], stages[i]] += p
                boundary[mode, i] += p * opens[i]
            if score > top:
                top, best[mode] = score, (states, opens)
    total = weights.sum()
    assert answer.modes == pytest.approx(weights / total)
    assert answer.probability == pytest.approx(share.sum((0, 3)) / total)
    assert answer.stages == pytest.approx(share.sum(0) / total)
    assert answer.boundary == pytest.approx(boundary.sum(0) / total)
    states, opens = best[int(weights.argmax())]
    assert tuple(answer.states) == states
    assert tuple(answer.opens) == opens


def test_one_photo_has_a_result():
    answer = segment(_single())
    assert answer.probability.sum() == pytest.approx(1.0)
    assert answer.opens.tolist() == [True]


def _single() -> Scores:
    empty = np.zeros((0, 2))
    return Scores(
        np.zeros((1, 2)),
        np.zeros((1, 1, 2)),
        np.zeros((1, 1, 2)),
        empty,
        empty,
        np.zeros((1, 2)),
        empty,
        np.zeros(1),
        np.zeros((1, 2, 1)),
        np.zeros(1),
        np.zeros((0, 1, 1)),
        np.zeros(1),
    )


def test_contradictory_evidence_still_has_a_path():
    scores = random_scores(3, 40, 3, 1)
    inside = scores.inside.copy()
    inside[::2, 1:] -= 60.0
    inside[1::2, :2] -= 60.0
    answer = segment(replace(scores, inside=inside, leave=scores.leave - 60.0))
    assert np.isfinite(answer.probability).all()
    assert answer.probability.sum(axis=1) == pytest.approx(np.ones(40))
