"""The dynamic programming against every path counted one by one."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from evidence.timeline.chain import Scores, solve


def random_scores(seed: int, shots: int, states: int, modes: int) -> Scores:
    rng = np.random.default_rng(seed)

    def draw(*shape: int):
        return rng.normal(0.0, 1.5, shape)

    again = np.full((shots - 1, states), -np.inf)
    again[:, -1] = 0.0
    again[0, 0] = -0.7
    prior = rng.random(modes)
    return Scores(
        draw(shots, states), draw(shots, modes, states), draw(shots, modes, states), draw(shots - 1, states),
        draw(shots - 1, states), draw(shots, states), again, np.log(prior / prior.sum()),
    )  # fmt: skip


def every_path(s: Scores, mode: int):
    """(states, boundaries, log score) of every path under one mode, by the definition."""
    shots, count = s.keep.shape
    for states in product(range(count), repeat=shots):
        for crossed in product((False, True), repeat=shots - 1):
            score = s.enter[0, states[0]] + s.first[0, mode, states[0]] + s.keep[0, states[0]]
            for i in range(1, shots):
                a, b = states[i - 1], states[i]
                if crossed[i - 1]:
                    score += s.last[i - 1, mode, a] + s.leave[i - 1, a] + s.enter[i, b] + s.first[i, mode, b]
                    score += s.again[i - 1, a] if a == b else 0.0
                else:
                    score += s.stay[i - 1, a] if a == b else -np.inf
                score += s.keep[i, b]
            yield states, (True, *crossed), score + s.last[-1, mode, states[-1]]


@pytest.mark.parametrize("seed", range(6))
def test_marginals_and_the_best_path_equal_those_of_enumeration(seed):
    shots, count, modes = 4, 3, 2
    scores = random_scores(seed, shots, count, modes)
    answer = solve(scores)
    weights = np.zeros(modes)
    share, boundary = np.zeros((modes, shots, count)), np.zeros((modes, shots))
    best = {}
    for mode in range(modes):
        top = -np.inf
        for states, opens, score in every_path(scores, mode):
            p = np.exp(score + scores.modes[mode])
            weights[mode] += p
            for i in range(shots):
                share[mode, i, states[i]] += p
                boundary[mode, i] += p * opens[i]
            if score > top:
                top, best[mode] = score, (states, opens)
    total = weights.sum()
    assert answer.modes == pytest.approx(weights / total)
    assert answer.share == pytest.approx(share.sum(0) / total)
    assert answer.boundary == pytest.approx(boundary.sum(0) / total)
    states, opens = best[int(weights.argmax())]
    assert tuple(answer.states) == states
    assert tuple(answer.opens) == opens


def test_one_shot_has_an_answer():
    answer = solve(_single())
    assert answer.share.sum() == pytest.approx(1.0)
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
    )


def test_contradictory_certainties_still_have_a_path():
    scores = random_scores(3, 40, 3, 1)
    keep = scores.keep.copy()
    keep[::2, 1:] -= 60.0
    keep[1::2, :2] -= 60.0
    leave = scores.leave - 60.0
    answer = solve(
        Scores(keep, scores.first, scores.last, scores.stay, leave, scores.enter, scores.again, scores.modes)
    )
    assert np.isfinite(answer.share).all()
    assert answer.share.sum(axis=1) == pytest.approx(np.ones(40))
