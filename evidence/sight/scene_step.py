"""What an office's confirmed photos add to the shipped scene head: a change that applies mostly near those photos.

A change of the head's lines applies everywhere, so it also moves photos that resemble none of the confirmed ones, and
a shipped kind is right less often there. Here the change is multiplied by a gate: 1 for a photo that resembles
confirmed ones, and a small part of it for a photo that resembles none. It needs numpy alone.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

CLOSED, OPEN = 0.6, 0.7
"""Cosine to the nearest mean at which the gate begins to open, and from which it is open. These, `AWAY` and the sizes
of groups were chosen on held-out sources (docs/measurements.md). Two photos of different sources have about 0.5."""
AWAY = 0.15
"""The part of the change that applies to a photo that resembles no confirmed one."""
_GROUP = 6
"""Confirmed photos for each mean, on average."""
_LEAST = 3
"""Fewest photos of a group that has a mean, so that no mean is one photo's vector."""
MOST_MEANS = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LocalStep:
    """A change of the kinds' logits, and where it applies."""

    lines: Floats
    """(8, 1281): weights and bias for each kind, added to the tempered logits."""
    near: Floats
    """(m, 1280) unit length: means of groups of similar confirmed photos; m may be 0."""

    def gate(self, vectors: Floats) -> Floats:
        """(n,) from AWAY to 1: how much of the change applies to each of (n, 1280) unit vectors."""
        if not len(self.near):
            return np.full(len(vectors), AWAY, dtype=np.float32)
        closest = (vectors @ self.near.T).max(axis=1)
        opened = np.clip((closest - CLOSED) / (OPEN - CLOSED), 0, 1)
        gate: Floats = (AWAY + (1 - AWAY) * opened).astype(np.float32)
        return gate

    def logits(self, vectors: Floats) -> Floats:
        """(n, 8): what is added to the logits."""
        change = vectors @ self.lines[:, :-1].T + self.lines[:, -1]
        added: Floats = (self.gate(vectors)[:, None] * change).astype(np.float32)
        return added


def local_step(lines: NDArray[Any], vectors: Floats) -> LocalStep:
    """The step with these lines near (n, 1280) confirmed vectors. Same input, same result."""
    return LocalStep(lines=lines.astype(np.float32), near=_means(vectors))


def _means(vectors: Floats) -> Floats:
    """(m, 1280) unit length, exact in half precision: the means of groups by k-means; all photos are one group if none is large enough."""
    from scipy.cluster.vq import kmeans2  # noqa: PLC0415  slow to import, and only `learn` comes here

    if not len(vectors):
        return np.zeros((0, vectors.shape[1]), dtype=np.float32)
    many = min(MOST_MEANS, max(1, len(vectors) // _GROUP))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a group may become empty, and is left out
        group = kmeans2(vectors.astype(np.float64), many, seed=0, minit="++")[1]
    kept = [one for one in np.unique(group) if (group == one).sum() >= _LEAST]
    means = np.stack([vectors[group == one].mean(axis=0) for one in kept] or [vectors.mean(axis=0)])
    means = means / np.maximum(np.linalg.norm(means, axis=1, keepdims=True), 1e-12)
    halves: Floats = means.astype("<f2").astype(np.float32)
    return halves
