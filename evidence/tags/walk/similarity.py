"""Similarity of a claim's pictures as evidence.

Between neighbours it is evidence that they show the same thing again; among all pictures it is evidence of the
look of each one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from evidence.forward_backward import Floats

_SAME = (0.84, 0.10)
"""Mean and standard deviation of the cosine of two pictures' vectors when they show the same thing.

Measured on 35 real photographs, each cropped again at random (shifted, turned by up to 6 degrees, lighter or
darker by a quarter): 0.91 and 0.03 at the same distance, 0.78 and 0.10 at a closer distance.
"""
_OTHER = (0.58, 0.15)
"""The same for different things. Real photographs of different houses 0.58 and 0.09, of different outdoor
fixtures 0.51 and 0.10; wider and a little higher here, because things of one house share wall and light."""
_ELSEWHERE = 0.3
"""Share of photos of the same kind that show another part of the thing. Common practice, no source."""
_TRUST = 0.7
"""Power on the odds."""

_PER_COSINE = 14.0
"""Log-odds for each unit of cosine by which a picture is more similar to one look than to the others.

Real pictures would support three times that: 21 photographs of houses are by 0.22 (deviation 0.09) more similar
to each other than to close-range parts of each other, such parts by 0.02 (0.06) the other way round, which gives
43. It is lower because a claim's walls share their colour and its first guesses are partly wrong."""
_FEW = 1.0
"""This many pictures of a look have half the full weight: a single one may be untypical."""
_FEW_PAIRS = 10.0
"""This many pairs of a look's pictures have half the weight for its mean similarity; the rest is the mean of all looks."""
_LIMIT = 3.0
"""Limit of the log-odds, in both directions."""


def vector_of(packed: bytes) -> Floats:
    """A picture's vector as `Look.embedding` keeps it, little-endian float16."""
    return np.frombuffer(packed, dtype="<f2").astype(np.float64)


def again_odds(vectors: Sequence[bytes]) -> Floats:
    """(photos - 1,): likelihood ratio of each neighbouring pair's similarity, same kind of photo again over another.

    It is 1 where a picture has no vector. Vectors are float16 of unit length.
    """
    odds = np.ones(max(0, len(vectors) - 1))
    rows = [vector_of(v) if v else None for v in vectors]
    for k, (one, other) in enumerate(pairwise(rows)):
        if one is None or other is None or one.shape != other.shape:
            continue
        size = float(np.linalg.norm(one) * np.linalg.norm(other))
        if size > 0:
            odds[k] = _odds(float(one @ other) / size)
    return odds


def _odds(cosine: float) -> float:
    again, other = _bell(cosine, *_SAME), _bell(cosine, *_OTHER)
    return math.pow(((1 - _ELSEWHERE) * again + _ELSEWHERE * other) / other, _TRUST)


def _bell(at: float, mean: float, spread: float) -> float:
    """Normal density, with a floor so that no similarity is impossible."""
    off = (at - mean) / spread
    return math.exp(-0.5 * off * off) / spread + 0.02


def look_odds(vectors: Sequence[bytes], shares: Floats) -> Floats:
    """(photos, looks): likelihood ratio of each picture's similarity to the claim's other pictures, if it had that look.

    It is 1 for a picture without a vector. `shares` (photos, looks), rows that sum to one, are the probabilities
    of the looks so far; they weigh the mean similarity to the other pictures of a look. Nothing is learned for
    other claims: the elevations of one house are similar to each other, and so are its walls at close range.
    """
    rows = [vector_of(vector) for vector in vectors]
    size = max((len(row) for row in rows), default=0)
    known = np.array([size > 0 and len(row) == size and bool(row.any()) for row in rows], dtype=bool)
    odds = np.ones(shares.shape)
    if known.sum() < 2:
        return odds
    unit = np.stack([row for row, ok in zip(rows, known, strict=True) if ok])
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    weights = shares[known]
    cosines = unit @ unit.T
    np.fill_diagonal(cosines, 0.0)
    others = weights.sum(axis=0) - weights  # expected number of other pictures of each look
    to_look = cosines @ weights
    # The linear discriminant: a vector's product with the mean of the look, less half the square of that mean.
    # The square is the mean similarity of the look's own pictures, over all pairs of them.
    pairs, inside = (weights * others).sum(axis=0), (weights * to_look).sum(axis=0)
    usual = inside.sum() / max(float(pairs.sum()), 1e-9)
    cohesion = (inside + _FEW_PAIRS * usual) / (pairs + _FEW_PAIRS)
    advantage = to_look / np.maximum(others, 1e-9) - cohesion / 2
    advantage -= (advantage * weights).sum(axis=1, keepdims=True)
    advantage *= others / (others + _FEW)
    odds[known] = np.exp(np.clip(_PER_COSINE * advantage, -_LIMIT, _LIMIT))
    return odds
