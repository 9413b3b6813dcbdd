"""The two passes against every path counted one by one, and against a published worked example."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pytest

from evidence.forward_backward import Floats, forward, forward_backward


@dataclass
class Matrices:
    """Plain transition matrices, (steps - 1, models, states, states)."""

    chain: Floats

    def forward(self, step, weights):
        return np.einsum("ms,mst->mt", weights, self.chain[step])

    def backward(self, step, weights):
        return np.einsum("mst,mt->ms", self.chain[step], weights)


@dataclass
class Pairs:
    """The same over states that are pairs, (steps - 1, models, first, second, first, second)."""

    chain: Floats

    def forward(self, step, weights):
        return np.einsum("mab,mabcd->mcd", weights, self.chain[step])

    def backward(self, step, weights):
        return np.einsum("mabcd,mcd->mab", self.chain[step], weights)


def random_chain(seed: int, steps: int, models: int, states: int):
    rng = np.random.default_rng(seed)
    start = rng.dirichlet(np.ones(states), models)
    chain = rng.dirichlet(np.ones(states), (steps - 1, models, states))
    return start, chain, rng.uniform(0.05, 3.0, (steps, models, states)), rng.uniform(0.1, 1.0, states)


def by_enumeration(start, chain, emissions, closing):
    """(posterior of each step, likelihood) of one model, summed over every path."""
    steps, states = emissions.shape
    posterior, total = np.zeros((steps, states)), 0.0
    for path in product(range(states), repeat=steps):
        weight = start[path[0]] * closing[path[-1]]
        for step, state in enumerate(path):
            weight *= emissions[step, state] * (chain[step - 1, path[step - 1], state] if step else 1.0)
        total += weight
        posterior[range(steps), path] += weight
    return posterior / total, total


def posterior_of(passes):
    weights = passes.filtered * passes.backward
    return weights / weights.sum(axis=2, keepdims=True)


@pytest.mark.parametrize("steps", [1, 2, 5])
@pytest.mark.parametrize("seed", range(3))
def test_the_posterior_and_the_likelihood_are_those_of_enumerating_every_path(seed, steps):
    start, chain, emissions, closing = random_chain(seed, steps, 2, 3)
    passes = forward_backward(start, emissions, Matrices(chain), closing=closing)
    posterior = posterior_of(passes)
    ends = np.log((passes.filtered[-1] * closing).sum(axis=1))
    for model in range(2):
        expected, total = by_enumeration(start[model], chain[:, model], emissions[:, model], closing)
        np.testing.assert_allclose(posterior[:, model], expected, atol=1e-12)
        assert passes.log_likelihood[model] + ends[model] == pytest.approx(np.log(total))


def test_a_prediction_is_the_posterior_without_the_evidence_of_that_step():
    start, chain, emissions, _ = random_chain(7, 5, 1, 3)
    passes = forward_backward(start, emissions, Matrices(chain))
    weights = passes.predicted * passes.backward
    emissions[2] = 1.0
    expected, _ = by_enumeration(start[0], chain[:, 0], emissions[:, 0], np.ones(3))
    np.testing.assert_allclose(weights[2, 0] / weights[2, 0].sum(), expected[2], atol=1e-12)


def test_states_along_several_axes_are_the_states_along_one():
    start, chain, emissions, _ = random_chain(3, 6, 2, 6)
    flat = forward_backward(start, emissions, Matrices(chain))
    moves = Pairs(chain.reshape(5, 2, 2, 3, 2, 3))
    paired = forward_backward(start.reshape(2, 2, 3), emissions.reshape(6, 2, 2, 3), moves, state_axes=2)
    for one, other in ((flat.filtered, paired.filtered), (flat.backward, paired.backward)):
        np.testing.assert_allclose(other.reshape(one.shape), one, atol=1e-12)
    np.testing.assert_allclose(paired.log_likelihood, flat.log_likelihood)


def test_the_umbrella_world_has_its_published_probabilities():
    # S. Russell and P. Norvig, Artificial Intelligence: A Modern Approach, 3rd ed., section 15.2: two days with
    # umbrellas give rain 0.818, then 0.883, and looking back 0.883 for the first day (from memory).
    chain = np.array([[[[0.7, 0.3], [0.3, 0.7]]]])
    passes = forward_backward(np.array([[0.5, 0.5]]), np.array([[[0.9, 0.2]]] * 2), Matrices(chain))
    assert passes.filtered[:, 0, 0] == pytest.approx([0.818, 0.883], abs=5e-4)
    assert posterior_of(passes)[0, 0, 0] == pytest.approx(0.883, abs=5e-4)


def test_a_long_sequence_neither_vanishes_nor_grows():
    start, _, emissions, _ = random_chain(5, 4000, 1, 3)
    chain = np.broadcast_to(np.full((3, 3), 1 / 3), (3999, 1, 3, 3))
    passes = forward_backward(start, 1e-3 * emissions, Matrices(chain))
    # With every move alike the steps are independent of each other.
    independent = emissions / emissions.sum(axis=2, keepdims=True)
    np.testing.assert_allclose(posterior_of(passes)[1:], independent[1:], atol=1e-9)
    first = np.log((start * emissions[0]).sum())
    expected = first + np.log(emissions[1:].mean(axis=2)).sum() + 4000 * np.log(1e-3)
    assert passes.log_likelihood[0] == pytest.approx(expected)


def test_with_a_floor_contradictory_evidence_still_has_a_path():
    emissions = np.array([[[1.0, 0.0]], [[0.0, 1.0]]])
    chain = np.eye(2)[None, None]
    passes = forward_backward(np.array([[0.5, 0.5]]), emissions, Matrices(chain), floor=1e-250)
    assert np.isfinite(passes.log_likelihood).all()
    np.testing.assert_allclose(passes.filtered.sum(axis=2), 1.0)


def test_the_forward_pass_alone_takes_emissions_one_at_a_time():
    start, chain, emissions, _ = random_chain(9, 5, 2, 3)
    one_by_one = forward(start, (row for row in emissions), Matrices(chain).forward)
    total = sum(step.log_likelihood for step in one_by_one)
    np.testing.assert_allclose(total, forward_backward(start, emissions, Matrices(chain)).log_likelihood)
