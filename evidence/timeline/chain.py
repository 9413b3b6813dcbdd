"""The exact dynamic programming under the split: forward-backward and Viterbi over one day.

A path gives every shot a state. Between neighbours it either stays in its state or crosses a
boundary, leaving one state and entering another; the first and last shot of a segment may score
differently from the others (a sheet opens a house, or closes it). How sheets are used that day
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
    """Log scores in nats. N shots, S states, M modes."""

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


@dataclass(frozen=True, slots=True)
class Answer:
    """The best path and how sure each part of it is."""

    states: Ints
    """(N,): Viterbi path of the likeliest mode."""
    opens: Bools
    """(N,): True where that path has a boundary before the shot; row 0 is True."""
    share: Floats
    """(N, S): probability of each state for each shot, over all paths and modes."""
    boundary: Floats
    """(N,): probability of a boundary before the shot; row 0 is 1."""
    modes: Floats
    """(M,): probability of each mode."""


def solve(scores: Scores) -> Answer:
    """Best path and exact marginals, in time linear in shots times states times modes."""
    share, boundary, modes = marginals(scores)
    states, opens = _viterbi(scores, int(np.argmax(modes)))
    return Answer(states, opens, share, boundary, modes)


def marginals(s: Scores) -> tuple[Floats, Floats, Floats]:
    """(share, boundary, modes) of `Answer`, without a path: forward-backward, scaled at every step."""
    shots, count = s.keep.shape
    modes = s.modes.size
    shift = np.maximum(s.stay.max(axis=1), s.leave.max(axis=1)) if shots > 1 else np.zeros(0)
    stay = np.exp(s.stay - shift[:, None])[:, None, :]
    leave = np.exp(s.last[:-1] + (s.leave - shift[:, None])[:, None, :])
    enter = np.exp(s.first + s.enter[:, None, :])
    own = 1.0 - np.exp(s.again)[:, None, :]
    top = s.keep.max(axis=1)
    emit = np.exp(s.keep - top[:, None])[:, None, :]

    ahead = np.empty((shots, modes, count))
    scale = np.zeros((shots, modes))
    row = enter[0] * emit[0] + TINY
    for i in range(shots):
        if i:
            out = row * leave[i - 1]
            row = (
                row * stay[i - 1] + np.maximum(out.sum(1, keepdims=True) - out * own[i - 1], 0.0) * enter[i]
            ) * emit[i] + TINY
        total = row.sum(1, keepdims=True)
        row = row / total
        ahead[i] = row
        scale[i] = total[:, 0]
    closing = np.exp(s.last[-1])
    evidence = np.log(scale).sum(0) + np.log((row * closing).sum(1) + TINY) + s.modes
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()

    share = np.empty((shots, modes, count))
    stays = np.ones((max(shots - 1, 0), modes))
    back = closing
    share[-1] = ahead[-1] * back
    for i in range(shots - 2, -1, -1):
        after = emit[i + 1] * back
        into = after * enter[i + 1]
        kept = stay[i] * after
        crossed = leave[i] * np.maximum(into.sum(1, keepdims=True) - into * own[i], 0.0)
        back = kept + crossed
        both = ahead[i] * back
        share[i] = both
        stays[i] = (ahead[i] * kept).sum(1) / (both.sum(1) + TINY)
        back = back / (back.max(1, keepdims=True) + TINY)
    share /= share.sum(axis=2, keepdims=True) + TINY
    mixed = np.tensordot(share, weight, axes=([1], [0]))
    boundary = np.ones(shots)
    boundary[1:] = np.clip(1.0 - stays @ weight, 0.0, 1.0)
    return mixed, boundary, weight


def _viterbi(s: Scores, mode: int) -> tuple[Ints, Bools]:
    """Best path under one mode; ties go to the lower state and to staying."""
    shots, count = s.keep.shape
    places = np.arange(count)
    came = np.zeros((shots, count), dtype=np.int64)
    crossed = np.zeros((shots, count), dtype=np.bool_)
    best = s.enter[0] + s.first[0, mode] + s.keep[0]
    crossed[0] = True
    for i in range(1, shots):
        out = best + s.last[i - 1, mode] + s.leave[i - 1]
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
        jump = value + s.enter[i] + s.first[i, mode]
        held = best + s.stay[i - 1]
        moved = jump > held
        came[i] = np.where(moved, source, places)
        crossed[i] = moved
        best = np.where(moved, jump, held) + s.keep[i]
    states = np.zeros(shots, dtype=np.int64)
    opens = np.zeros(shots, dtype=np.bool_)
    at = int((best + s.last[-1, mode]).argmax())
    for i in range(shots - 1, -1, -1):
        states[i] = at
        opens[i] = crossed[i, at]
        at = int(came[i, at])
    return states, opens
