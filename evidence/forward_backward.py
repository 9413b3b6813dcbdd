"""Forward-backward over hidden Markov chains: the likelihood of a sequence and the posterior of each step.

The recursions are those of L. R. Rabiner, "A tutorial on hidden Markov models and selected applications
in speech recognition", Proc. IEEE 77(2), 1989, with its scaling at every step, so that no sequence is too
long. How a model moves from one step to the next is up to its `Moves`: a plain transition matrix, or
anything cheaper with more structure. Several models run side by side along the leading axes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Moves(Protocol):
    """The transitions between neighbouring steps, applied to the weights of all states at once."""

    def forward(self, step: int, weights: Floats) -> Floats:
        """Weights of the states at `step + 1`, given those at `step`."""

    def backward(self, step: int, weights: Floats) -> Floats:
        """For each state at `step`, the weight of all that follows, given that of each state at `step + 1`."""


@dataclass(frozen=True, slots=True, eq=False)
class Filtered:
    """One step of the forward pass. Shape (models..., states...)."""

    predicted: Floats
    """Weights of the states given the evidence of all earlier steps."""
    probability: Floats
    """The same given the evidence of this step too; sums to one over the states."""
    log_likelihood: Floats
    """(models...,): log-likelihood of this step's evidence, given all earlier evidence."""


@dataclass(frozen=True, slots=True, eq=False)
class Passes:
    """Both passes over a sequence. Shape (steps, models..., states...)."""

    predicted: Floats
    filtered: Floats
    backward: Floats
    """Likelihood of all later evidence, scaled for each step and model."""
    log_likelihood: Floats
    """(models...,): of the whole sequence, what `closing` weighs left out."""


def forward(
    start: Floats,
    emissions: Iterable[Floats],
    move: Callable[[int, Floats], Floats],
    *,
    state_axes: int = 1,
    floor: float = 0.0,
) -> Iterator[Filtered]:
    """The forward pass, one step at a time; `move` is `Moves.forward`.

    `start` (models..., states...) weighs the states of the first step; each of `emissions` is the
    likelihood of one step's evidence in each state, of any scale. The last `state_axes` axes are the
    states. `floor` is added to every weight, so that contradictory evidence still has a path.
    """
    axes = tuple(range(-state_axes, 0))
    probability = start
    for step, emission in enumerate(emissions):
        predicted = move(step - 1, probability) if step else start
        weights = predicted * emission + floor
        total = weights.sum(axis=axes, keepdims=True)
        probability = weights / total
        yield Filtered(predicted, probability, np.log(total.squeeze(axes)))


def forward_backward(
    start: Floats,
    emissions: Floats,
    moves: Moves,
    *,
    closing: Floats | float = 1.0,
    state_axes: int = 1,
    floor: float = 0.0,
) -> Passes:
    """Both passes over at least one step; the arguments are those of `forward`, all emissions in one array.

    `closing` weighs the states of the last step, for models that end in some states rather than others.
    """
    steps, axes = len(emissions), tuple(range(-state_axes, 0))
    predicted = np.empty((steps, *start.shape))
    filtered, behind = np.empty_like(predicted), np.empty_like(predicted)
    totals = np.empty((steps, *start.shape[:-state_axes], *(1,) * state_axes))
    # The arrays are small, so each call of numpy costs more than its work: `forward` written out, into these arrays.
    for step in range(steps):
        predicted[step] = moves.forward(step - 1, filtered[step - 1]) if step else start
        weights = np.multiply(predicted[step], emissions[step], out=filtered[step])
        weights += floor
        weights /= np.add.reduce(weights, axes, keepdims=True, out=totals[step])
    log_likelihood = np.log(totals.squeeze(axes)).cumsum(axis=0)[-1]
    behind[-1] = closing
    for step in range(steps - 2, -1, -1):
        weights = moves.backward(step, emissions[step + 1] * behind[step + 1])
        np.divide(weights, np.maximum.reduce(weights, axes, keepdims=True) + floor, out=behind[step])
    return Passes(predicted, filtered, behind, log_likelihood)
