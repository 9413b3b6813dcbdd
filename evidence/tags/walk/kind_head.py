"""The kind of a photo from the vector of its picture: a linear classifier, learned from confirmed photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evidence.forward_backward import Floats
from evidence.tags.walk.plan import WalkPlan
from evidence.tags.walk.similarity import vector_of

_SHRINK = 0.3
"""Share of the common variance in each direction of the pictures' vectors (Friedman 1989)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KindHead:
    """A linear softmax from the image network's vector to the kinds of photo of the plan."""

    weights: Floats
    """(kinds, 1280)."""
    bias: Floats
    """(kinds,)."""
    prior: Floats
    """(kinds,): share of each kind among the photos it was fitted on."""
    trust: float
    """Power on its odds, 0 to 1, chosen on held-out photos."""

    def odds(self, vectors: Sequence[bytes]) -> Floats:
        """(photos, kinds): probability over prior; ones for a photo without a vector."""
        size = self.weights.shape[1]
        known = [len(vector) == 2 * size for vector in vectors]
        out = np.ones((len(vectors), len(self.bias)))
        if any(known):
            rows = np.stack([vector_of(v) for v, ok in zip(vectors, known, strict=True) if ok])
            logits = rows @ self.weights.T + self.bias
            share = np.exp(logits - logits.max(axis=1, keepdims=True))
            share /= share.sum(axis=1, keepdims=True)
            out[np.array(known)] = ((0.97 * share + 0.03 * self.prior) / self.prior) ** self.trust
        return out


def fit_kind_head(
    vectors: Sequence[bytes], kinds: Sequence[int], plan: WalkPlan, trust: float
) -> KindHead | None:
    """Fit linear discriminants with a shrunk common covariance (J. Friedman, JASA 84, 1989).

    Kinds with fewer than three photos are left out; None when fewer than two kinds are left.
    """
    if not vectors:
        return None
    rows = np.stack([vector_of(vector) for vector in vectors])
    labels = np.asarray(kinds)
    counts = np.bincount(labels, minlength=len(plan.photo_kinds))
    taught = np.flatnonzero(counts >= 3)
    if len(taught) < 2:
        return None
    means = np.stack([rows[labels == kind].mean(axis=0) for kind in taught])
    known = np.isin(labels, taught)
    centred = rows[known] - means[np.searchsorted(taught, labels[known])]
    spread = centred.T @ centred / max(1, len(centred) - len(taught))
    level = float(np.trace(spread)) / len(spread)
    shrunk = (1 - _SHRINK) * spread + (_SHRINK * level + 1e-9) * np.eye(len(spread))
    directions = np.linalg.solve(shrunk, means.T).T
    # the factor of one half prevents overconfidence from few photos in many dimensions
    weights, bias = 0.5 * directions, -0.25 * np.einsum("kd,kd->k", directions, means)
    full = np.zeros((len(plan.photo_kinds), rows.shape[1]))
    offset = np.full(len(plan.photo_kinds), -30.0)
    prior = (counts + 0.5) / (counts + 0.5).sum()
    full[taught], offset[taught] = weights, bias + np.log(prior[taught])
    return KindHead(weights=full, bias=offset, prior=prior, trust=trust)
