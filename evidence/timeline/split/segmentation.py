"""The exact dynamic programming under the split: forward-backward and Viterbi over one day.

A path gives every shot a state. Between neighbours it either stays in its state or crosses a
boundary, leaving one state and entering another; the first and last shot of a segment may score
differently from the others (a sheet opens a house, or closes it). Each state is passed through in
stages of its own, a Markov chain that begins anew with every segment. How sheets are used that day
is a hidden mode of the whole day, summed over for the confidence. Because a crossing scores
leave(s) + enter(t), a step costs the number of states, not its square.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats, forward_backward

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TINY = 1e-250
"""Keeps a state that nothing supports from vanishing, so that contradictory decisions still have a path."""


@dataclass(frozen=True, slots=True)
class Scores:
    """Log scores in nats. N shots, S states, M modes, P stages that each state is passed through in."""

    inside: Floats
    """(N, S): the shot in this state, in the middle of a segment."""
    first: Floats
    """(N, M, S): added when the shot begins its segment."""
    last: Floats
    """(N, M, S): added when the shot ends its segment."""
    stay: Floats
    """(N-1, S): no boundary between shot i and i+1."""
    leave: Floats
    """(N-1, S): a boundary after shot i, out of this state."""
    enter: Floats
    """(N, S): a boundary before shot i, into this state; row 0 opens the day."""
    reentry: Floats
    """(N-1, S): added for a boundary that leads back into the same state; -inf forbids it."""
    modes: Floats
    """(M,): log prior of each mode."""
    emission: Floats
    """(N, S, P): the shot at this stage of this state."""
    start: Floats
    """(P,): a segment begins at this stage."""
    transition: Floats
    """(N-1, P, P): from one stage to another between two shots of a segment."""
    end: Floats
    """(P,): a segment ends at this stage rather than at any."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """How sure each part of an answer is, over all paths and modes."""

    probability: Floats
    """(N, S): probability of each state for each shot."""
    stages: Floats
    """(N, S, P): the same at each stage."""
    boundary: Floats
    """(N,): probability of a boundary before the shot; row 0 is 1."""
    modes: Floats
    """(M,): probability of each mode."""


@dataclass(frozen=True, slots=True)
class Segmentation(Posterior):
    """The best path and how sure each part of it is."""

    states: Ints
    """(N,): Viterbi path of the likeliest mode."""
    opens: Bools
    """(N,): True where that path has a boundary before the shot; row 0 is True."""


def segment(scores: Scores) -> Segmentation:
    """Best path and exact marginals, in time linear in shots times states times modes."""
    posterior_ = posterior(scores)
    states, opens = _viterbi(scores, int(np.argmax(posterior_.modes)))
    return Segmentation(
        posterior_.probability, posterior_.stages, posterior_.boundary, posterior_.modes, states, opens
    )


def posterior(s: Scores) -> Posterior:
    """The probabilities without a path: forward-backward under every mode at once."""
    photos = len(s.emission)
    moves = _Crossings.of(s)
    seen = s.inside[:, :, None] + s.emission
    emissions = np.exp(seen - seen.max(axis=(1, 2), keepdims=True))[:, None]
    closing = np.exp(s.last[-1])[..., None] * np.exp(s.end)
    opening = moves.enter[0][..., None] * moves.start
    passes = forward_backward(opening, emissions, moves, closing=closing, state_axes=2, floor=TINY)
    evidence = passes.log_likelihood + np.log((passes.filtered[-1] * closing).sum((1, 2)) + TINY) + s.modes
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()

    after, between = emissions[1:] * passes.backward[1:], slice(0, photos - 1)
    kept = moves.kept(between, after)
    probability = passes.filtered
    staying = (probability[:-1] * kept).sum((2, 3))
    probability[-1] *= closing
    probability[:-1] *= kept + moves.crossed(between, after)
    stays = staying / (probability[:-1].sum((2, 3)) + TINY)
    probability /= probability.sum(axis=(2, 3), keepdims=True) + TINY
    stages = np.tensordot(probability, weight, axes=([1], [0]))
    boundary = np.ones(photos)
    boundary[1:] = np.clip(1.0 - stays @ weight, 0.0, 1.0)
    return Posterior(stages.sum(axis=2), stages, boundary, weight)


@dataclass(frozen=True, slots=True)
class _Crossings:
    """The moves from shot to shot: on within the segment, or over a boundary. Weights are (modes, states, stages)."""

    stay: Floats
    """(N-1, 1, S, 1)"""
    transition: Floats
    """(N-1, P, P)"""
    transition_back: Floats
    """`transition` with its last two axes exchanged."""
    leave: Floats
    """(N-1, M, S, P)"""
    enter: Floats
    """(N, M, S)"""
    barred: Floats
    """(N-1, 1, S): share of the boundaries back into the same state that is forbidden."""
    start: Floats
    """(P,)"""

    @classmethod
    def of(cls, s: Scores) -> _Crossings:
        """The scores as weights; each step is scaled by a factor of its own."""
        shift = np.maximum(s.stay.max(axis=1), s.leave.max(axis=1)) if len(s.stay) else np.zeros(0)
        transition = np.exp(s.transition)
        return cls(
            stay=np.exp(s.stay - shift[:, None])[:, None, :, None],
            transition=transition,
            transition_back=np.ascontiguousarray(transition.transpose(0, 2, 1)),
            leave=np.exp(s.last[:-1] + (s.leave - shift[:, None])[:, None, :])[..., None] * np.exp(s.end),
            enter=np.exp(s.first + s.enter[:, None, :]),
            barred=1.0 - np.exp(s.reentry)[:, None, :],
            start=np.exp(s.start),
        )

    def forward(self, step: int, weights: Floats) -> Floats:
        """A boundary leads from all states into each, so their sum is taken once."""
        out = (weights * self.leave[step]).sum(2)
        into = np.maximum(out.sum(1, keepdims=True) - out * self.barred[step], 0.0) * self.enter[step + 1]
        return np.asarray((weights @ self.transition[step]) * self.stay[step] + into[..., None] * self.start)

    def backward(self, step: int, weights: Floats) -> Floats:
        """The weight of what follows a state at a shot, by either move."""
        one = slice(step, step + 1)
        return np.asarray((self.kept(one, weights[None]) + self.crossed(one, weights[None]))[0])

    def kept(self, steps: slice, after: Floats) -> Floats:
        """(steps, modes, states, stages): of that, what goes on within the segment."""
        return np.asarray(self.stay[steps] * (after @ self.transition_back[steps, None]))

    def crossed(self, steps: slice, after: Floats) -> Floats:
        """(steps, modes, states, stages): of that, what goes over a boundary."""
        into = (after @ self.start) * self.enter[steps.start + 1 : steps.stop + 1]
        into = np.maximum(into.sum(2, keepdims=True) - into * self.barred[steps], 0.0)
        return np.asarray(self.leave[steps] * into[..., None])


def _viterbi(s: Scores, mode: int) -> tuple[Ints, Bools]:
    """Best path under one mode; ties go to the lower state and to staying."""
    photos, count, depth = s.emission.shape
    here = np.arange(count * depth).reshape(count, depth)
    came = np.zeros((photos, count, depth), dtype=np.int64)
    crossed = np.zeros((photos, count, depth), dtype=np.bool_)
    seen = s.inside[:, :, None] + s.emission
    best = (s.enter[0] + s.first[0, mode])[:, None] + s.start + seen[0]
    crossed[0] = True
    for i in range(1, photos):
        ways = best + s.end
        stage = ways.argmax(axis=1)
        out = ways.max(axis=1) + s.last[i - 1, mode] + s.leave[i - 1]
        top = int(out.argmax())
        winner = out[top]
        out[top] = -np.inf
        second = int(out.argmax())
        source = np.full(count, top)
        value = np.full(count, winner)
        source[top], value[top] = second, out[second]
        same = winner + s.reentry[i - 1, top]
        if same > value[top]:
            source[top], value[top] = top, same
        jump = (value + s.enter[i] + s.first[i, mode])[:, None] + s.start
        paths = best[:, :, None] + s.transition[i - 1]
        held = paths.max(axis=1) + s.stay[i - 1][:, None]
        moved = jump > held
        came[i] = np.where(moved, here[source, stage[source]][:, None], here[:, :1] + paths.argmax(axis=1))
        crossed[i] = moved
        best = np.where(moved, jump, held) + seen[i]
    states = np.zeros(photos, dtype=np.int64)
    opens = np.zeros(photos, dtype=np.bool_)
    at = int((best + s.last[-1, mode][:, None] + s.end).argmax())
    for i in range(photos - 1, -1, -1):
        states[i], stage_at = divmod(at, depth)
        opens[i] = crossed[i, states[i], stage_at]
        at = int(came[i, states[i], stage_at])
    return states, opens
