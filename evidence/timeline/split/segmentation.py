"""A hidden Markov model with boundaries: the posterior and the most probable path of one day.

Every photo has a state: a claim, an unknown house or an errand. Between two photos the path either
stays in its state or crosses a boundary: it leaves one state and enters another. The first and last
photo of a segment may have other likelihoods (a sheet opens or closes a house). Within a state the
path goes through stages, a Markov chain that starts anew with every segment. How sheets are used
that day is a hidden mode of the whole day, which the posterior sums over. A boundary has the log
score leave(s) + enter(t), so a step takes time linear in the number of states.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evidence.forward_backward import Floats, forward_backward

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ALL = slice(None)
"""Every step at once."""
LIKELY, DOUBTED = 0.5, 0.25
"""Posterior probability from which a photo belongs to another state than that of the most probable path; and that of the
path's own state below which any more probable one replaces it."""
TINY = 1e-250
"""Added to every weight, so that contradictory decisions still leave a possible path."""


@dataclass(frozen=True, slots=True)
class Scores:
    """Log scores in nats. N photos, S states, M modes, P stages of each state."""

    inside: Floats
    """(N, S): the photo in this state, inside a segment."""
    first: Floats
    """(N, M, S): added if the photo begins its segment."""
    last: Floats
    """(N, M, S): added if the photo ends its segment."""
    stay: Floats
    """(N-1, S): no boundary between photos i and i + 1."""
    leave: Floats
    """(N-1, S): a boundary after photo i, out of this state."""
    enter: Floats
    """(N, S): a boundary before photo i, into this state; row 0 opens the day."""
    reentry: Floats
    """(N-1, S): added for a boundary that leads back into the same state; -inf forbids it."""
    modes: Floats
    """(M,): log prior of each mode."""
    emission: Floats
    """(N, S, P): the picture at this stage of this state."""
    start: Floats
    """(P,): a segment begins at this stage."""
    transition: Floats
    """(N-1, P, P): from one stage to another between two photos of a segment."""
    end: Floats
    """(P,): a segment ends at this stage, relative to any stage."""


@dataclass(frozen=True, slots=True)
class Posterior:
    """Posterior probabilities, summed over all paths and modes."""

    probability: Floats
    """(N, S): each state of each photo."""
    stages: Floats
    """(N, S, P): each stage of each state."""
    boundary: Floats
    """(N,): a boundary before the photo; row 0 is 1."""
    modes: Floats
    """(M,): each mode."""


@dataclass(frozen=True, slots=True)
class Segmentation(Posterior):
    """The most probable path, with the posterior."""

    states: Ints
    """(N,): Viterbi path under the most probable mode."""
    opens: Bools
    """(N,): True where that path has a boundary before the photo; row 0 is True."""


def segment(scores: Scores, found: Posterior | None = None, likely: Floats | None = None) -> Segmentation:
    """The most probable path and the exact posterior, in time linear in photos, states and modes.

    `found` is the posterior of these scores, where it is known already; or another one, from which the photos to
    confirm are to be found, with `likely` (N, S), about what it gives each photo under these scores.
    """
    found = found or posterior(scores)
    likely = found.probability if likely is None else likely
    states, opens = _corrected(*_viterbi(scores, int(np.argmax(found.modes))), likely)
    return Segmentation(found.probability, found.stages, found.boundary, found.modes, states, opens)


def _corrected(states: Ints, opens: Bools, probability: Floats) -> tuple[Ints, Bools]:
    """The path, with photos whose posterior rather gives another state moved to that state.

    The most probable path counts one place for each boundary; where a boundary may lie at many places, the
    posterior, which sums over them, can give another house.
    """
    likely = probability.argmax(axis=1)
    own = probability[np.arange(len(states)), states]
    moved = (likely != states) & ((probability.max(axis=1) >= LIKELY) | (own < DOUBTED))
    if not moved.any():
        return states, opens
    states = np.where(moved, likely, states)
    beside = moved | np.append(False, moved[:-1])
    changes = np.append(True, states[1:] != states[:-1])
    return states, np.where(beside, changes, opens | changes)


def posterior(s: Scores) -> Posterior:
    """The exact posterior: forward-backward under every mode at once."""
    photos = len(s.emission)
    moves = _Crossings.of(s)
    seen = s.inside[:, :, None] + s.emission
    emissions = np.exp(seen - seen.max(axis=(1, 2), keepdims=True))[:, None]
    closing = np.exp(s.last[-1])[..., None] * np.exp(s.end)
    opening = np.exp(s.first[0] + s.enter[0])[..., None] * moves.start
    passes = forward_backward(opening, emissions, moves, closing=closing, state_axes=2, floor=TINY)
    evidence = passes.log_likelihood + np.log((passes.filtered[-1] * closing).sum((1, 2)) + TINY) + s.modes
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()

    after = emissions[1:] * passes.backward[1:]
    kept = moves.kept(ALL, after)
    probability = passes.filtered
    staying = (probability[:-1] * kept).sum((2, 3))
    probability[-1] *= closing
    probability[:-1] *= kept + moves.crossed(ALL, after)
    stays = staying / (probability[:-1].sum((2, 3)) + TINY)
    probability /= probability.sum(axis=(2, 3), keepdims=True) + TINY
    stages = np.tensordot(probability, weight, axes=([1], [0]))
    boundary = np.ones(photos)
    boundary[1:] = np.clip(1.0 - stays @ weight, 0.0, 1.0)
    return Posterior(stages.sum(axis=2), stages, boundary, weight)


@dataclass(frozen=True, slots=True)
class _Crossings:
    """The moves between photos: within the segment, or across a boundary. Weights are (modes, states, stages)."""

    stay: Floats
    """(N-1, 1, S, 1)"""
    transition: Floats
    """(N-1, P, P)"""
    transition_back: Floats
    """(N-1, 1, P, P): `transition` with its last two axes exchanged."""
    leave: Floats
    """(N-1, M, S, P)"""
    enter: Floats
    """(N-1, M, S)"""
    barred: Floats
    """(N-1, 1, S): one less the weight of a boundary back into the same state."""
    start: Floats
    """(P,)"""

    @classmethod
    def of(cls, s: Scores) -> _Crossings:
        """The scores as weights, scaled for each step."""
        shift = np.maximum(s.stay.max(axis=1), s.leave.max(axis=1)) if len(s.stay) else np.zeros(0)
        transition = np.exp(s.transition)
        return cls(
            stay=np.exp(s.stay - shift[:, None])[:, None, :, None],
            transition=transition,
            transition_back=np.ascontiguousarray(transition.transpose(0, 2, 1))[:, None],
            leave=np.exp(s.last[:-1] + (s.leave - shift[:, None])[:, None, :])[..., None] * np.exp(s.end),
            enter=np.exp(s.first[1:] + s.enter[1:, None, :]),
            barred=1.0 - np.exp(s.reentry)[:, None, :],
            start=np.exp(s.start),
        )

    def forward(self, step: int, weights: Floats) -> Floats:
        """Weights at the next photo; a boundary leads from every state into each, so their sum is taken once."""
        out = np.add.reduce(weights * self.leave[step], 2)
        into = out * self.barred[step]
        np.subtract(np.add.reduce(out, 1, keepdims=True), into, out=into)
        np.maximum(into, 0.0, out=into)
        into *= self.enter[step]
        moved = weights @ self.transition[step]
        moved *= self.stay[step]
        moved += into[..., None] * self.start
        return np.asarray(moved)

    def backward(self, step: int, weights: Floats) -> Floats:
        """The weight of all that follows each state of a photo."""
        return self.kept(step, weights) + self.crossed(step, weights)

    def kept(self, steps: int | slice, after: Floats) -> Floats:
        """(steps..., modes, states, stages): the part of it without a boundary next."""
        return np.asarray(self.stay[steps] * (after @ self.transition_back[steps]))

    def crossed(self, steps: int | slice, after: Floats) -> Floats:
        """(steps..., modes, states, stages): the part of it with a boundary next."""
        into = (after @ self.start) * self.enter[steps]
        total = np.add.reduce(into, -1, keepdims=True)
        into *= self.barred[steps]
        np.subtract(total, into, out=into)
        np.maximum(into, 0.0, out=into)
        return np.asarray(self.leave[steps] * into[..., None])


def _viterbi(s: Scores, mode: int) -> tuple[Ints, Bools]:
    """The most probable path under one mode; of equal paths, the lower state and no boundary."""
    photos, count, depth = s.emission.shape
    here = np.arange(count * depth).reshape(count, depth)
    came = np.zeros((photos, count, depth), dtype=np.int64)
    crossed = np.zeros((photos, count, depth), dtype=np.bool_)
    seen = s.inside[:, :, None] + s.emission
    best = (s.enter[0] + s.first[0, mode])[:, None] + s.start + seen[0]
    crossed[0] = True
    source, value = np.empty(count, dtype=np.int64), np.empty(count)
    for i in range(1, photos):
        ways = best + s.end
        stage = ways.argmax(axis=1)
        out = np.maximum.reduce(ways, 1) + s.last[i - 1, mode] + s.leave[i - 1]
        top = int(out.argmax())
        winner = out[top]
        out[top] = -np.inf
        second = int(out.argmax())
        source.fill(top)
        value.fill(winner)
        source[top], value[top] = second, out[second]
        same = winner + s.reentry[i - 1, top]
        if same > value[top]:
            source[top], value[top] = top, same
        moved_in = (value + s.enter[i] + s.first[i, mode])[:, None] + s.start
        paths = best[:, :, None] + s.transition[i - 1]
        held = np.maximum.reduce(paths, 1) + s.stay[i - 1][:, None]
        moved = moved_in > held
        came[i] = np.where(moved, here[source, stage[source]][:, None], here[:, :1] + paths.argmax(axis=1))
        crossed[i] = moved
        best = np.where(moved, moved_in, held) + seen[i]
    states = np.zeros(photos, dtype=np.int64)
    opens = np.zeros(photos, dtype=np.bool_)
    at = int((best + s.last[-1, mode][:, None] + s.end).argmax())
    for i in range(photos - 1, -1, -1):
        states[i], stage_at = divmod(at, depth)
        opens[i] = crossed[i, states[i], stage_at]
        at = int(came[i, states[i], stage_at])
    return states, opens
