"""The exact dynamic programming under the split: forward-backward and Viterbi over one day.

A path gives every shot a state. Between neighbours it either stays in its state or crosses a
boundary, leaving one state and entering another; the first and last shot of a segment may score
differently from the others (a sheet opens a house, or closes it). Each state is passed through in
stages of its own, a Markov chain that begins anew with every segment. How sheets are used that day
is a hidden mode of the whole day, summed over for the confidence. Because a crossing scores
leave(s) + enter(t), a step costs the number of states, not its square.
(Rabiner, Proc. IEEE 77(2), 1989, for the recursions and their scaling.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TINY = 1e-250
"""Keeps a state that nothing supports from vanishing, so that contradictory decisions still have a path."""


@dataclass(frozen=True, slots=True)
class Scores:
    """Log scores in nats. N shots, S states, M modes, P stages that each state is passed through in."""

    keep: Floats
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
    again: Floats
    """(N-1, S): added for a boundary that leads back into the same state; -inf forbids it."""
    modes: Floats
    """(M,): log prior of each mode."""
    sight: Floats
    """(N, S, P): the shot at this stage of this state."""
    start: Floats
    """(P,): a segment begins at this stage."""
    turn: Floats
    """(N-1, P, P): from one stage to another between two shots of a segment."""
    end: Floats
    """(P,): a segment ends at this stage rather than at any."""


@dataclass(frozen=True, slots=True)
class Marginals:
    """How sure each part of an answer is, over all paths and modes."""

    share: Floats
    """(N, S): probability of each state for each shot."""
    stages: Floats
    """(N, S, P): the same at each stage."""
    boundary: Floats
    """(N,): probability of a boundary before the shot; row 0 is 1."""
    modes: Floats
    """(M,): probability of each mode."""


@dataclass(frozen=True, slots=True)
class Answer(Marginals):
    """The best path and how sure each part of it is."""

    states: Ints
    """(N,): Viterbi path of the likeliest mode."""
    opens: Bools
    """(N,): True where that path has a boundary before the shot; row 0 is True."""


def solve(scores: Scores) -> Answer:
    """Best path and exact marginals, in time linear in shots times states times modes."""
    sure = marginals(scores)
    states, opens = _viterbi(scores, int(np.argmax(sure.modes)))
    return Answer(sure.share, sure.stages, sure.boundary, sure.modes, states, opens)


def marginals(s: Scores) -> Marginals:
    """The probabilities without a path: forward-backward, scaled at every step."""
    shots, count, depth = s.sight.shape
    modes = s.modes.size
    shift = np.maximum(s.stay.max(axis=1), s.leave.max(axis=1)) if shots > 1 else np.zeros(0)
    stay = np.exp(s.stay - shift[:, None])[:, None, :, None]
    leave = np.exp(s.last[:-1] + (s.leave - shift[:, None])[:, None, :])[..., None] * np.exp(s.end)
    enter = np.exp(s.first + s.enter[:, None, :])
    own = 1.0 - np.exp(s.again)[:, None, :]
    seen = s.keep[:, :, None] + s.sight
    emit = np.exp(seen - seen.max(axis=(1, 2), keepdims=True))[:, None]
    start, turn = np.exp(s.start), np.exp(s.turn)

    ahead = np.empty((shots, modes, count, depth))
    scale = np.zeros((shots, modes))
    row = enter[0][..., None] * start * emit[0] + TINY
    for i in range(shots):
        if i:
            out = (row * leave[i - 1]).sum(2)
            into = np.maximum(out.sum(1, keepdims=True) - out * own[i - 1], 0.0) * enter[i]
            row = ((row @ turn[i - 1]) * stay[i - 1] + into[..., None] * start) * emit[i] + TINY
        total = row.sum((1, 2), keepdims=True)
        row = row / total
        ahead[i] = row
        scale[i] = total[:, 0, 0]
    closing = np.exp(s.last[-1])[..., None] * np.exp(s.end)
    evidence = np.log(scale).sum(0) + np.log((row * closing).sum((1, 2)) + TINY) + s.modes
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()

    stays = np.ones((max(shots - 1, 0), modes))
    back = closing
    share = ahead
    share[-1] *= back
    turn_back = np.ascontiguousarray(turn.transpose(0, 2, 1))
    for i in range(shots - 2, -1, -1):
        after = emit[i + 1] * back
        into = (after @ start) * enter[i + 1]
        kept = stay[i] * (after @ turn_back[i])
        into = np.maximum(into.sum(1, keepdims=True) - into * own[i], 0.0)
        back = kept + leave[i] * into[..., None]
        stays[i] = (ahead[i] * kept).sum((1, 2))
        share[i] *= back
        stays[i] /= share[i].sum((1, 2)) + TINY
        back = back / (back.max((1, 2), keepdims=True) + TINY)
    share /= share.sum(axis=(2, 3), keepdims=True) + TINY
    stages = np.tensordot(share, weight, axes=([1], [0]))
    boundary = np.ones(shots)
    boundary[1:] = np.clip(1.0 - stays @ weight, 0.0, 1.0)
    return Marginals(stages.sum(axis=2), stages, boundary, weight)


def _viterbi(s: Scores, mode: int) -> tuple[Ints, Bools]:
    """Best path under one mode; ties go to the lower state and to staying."""
    shots, count, depth = s.sight.shape
    here = np.arange(count * depth).reshape(count, depth)
    came = np.zeros((shots, count, depth), dtype=np.int64)
    crossed = np.zeros((shots, count, depth), dtype=np.bool_)
    seen = s.keep[:, :, None] + s.sight
    best = (s.enter[0] + s.first[0, mode])[:, None] + s.start + seen[0]
    crossed[0] = True
    for i in range(1, shots):
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
        same = winner + s.again[i - 1, top]
        if same > value[top]:
            source[top], value[top] = top, same
        jump = (value + s.enter[i] + s.first[i, mode])[:, None] + s.start
        paths = best[:, :, None] + s.turn[i - 1]
        held = paths.max(axis=1) + s.stay[i - 1][:, None]
        moved = jump > held
        came[i] = np.where(moved, here[source, stage[source]][:, None], here[:, :1] + paths.argmax(axis=1))
        crossed[i] = moved
        best = np.where(moved, jump, held) + seen[i]
    states = np.zeros(shots, dtype=np.int64)
    opens = np.zeros(shots, dtype=np.bool_)
    at = int((best + s.last[-1, mode][:, None] + s.end).argmax())
    for i in range(shots - 1, -1, -1):
        states[i], stage_at = divmod(at, depth)
        opens[i] = crossed[i, states[i], stage_at]
        at = int(came[i, states[i], stage_at])
    return states, opens
