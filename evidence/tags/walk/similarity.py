"""How alike a claim's pictures are: neighbours, as evidence that they show the same thing again, and all of
them, as evidence of what sort of shot each is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_AGAIN = (0.84, 0.10)
"""Mean and standard deviation of the cosine of two pictures' vectors when they show the same thing.

Measured on 35 real photographs, each framed anew at random (shifted, turned by up to 6 degrees, lighter or
darker by a quarter): 0.91 and 0.03 at the same distance, 0.78 and 0.10 from nearer by.
"""
_OTHER = (0.58, 0.15)
"""The same for different things. Real photographs of different houses 0.58 and 0.09, of different outdoor
fixtures 0.51 and 0.10; wider and a little higher here, for one house's things share wall and light."""
_ELSEWHERE = 0.3
"""Share of photos of the same kind of thing that show another place of it. Common practice, no source."""
_TRUST = 0.7
"""Power on the odds."""

_A_SORT = 14.0
"""Log-odds for each unit of cosine by which a picture is liker one sort of shot than the others. Real pictures
would bear three times that: 21 photographs of houses are by 0.22 (deviation 0.09) liker each other than parts
of each other from near, such parts by 0.02 (0.06) the other way round, which makes 43. Less, for a claim's
walls share their colour and its first guesses are partly wrong."""
_FEW = 1.0
"""So many pictures of a sort count half: one alone may be one of a kind."""
_FEW_PAIRS = 10.0
"""So many pairs of a sort's pictures count half for how like each other they are; the rest is what all sorts are."""
_MOST = 3.0
"""Log-odds at most, either way."""


def vector_of(packed: bytes) -> Floats:
    """A picture's vector as `Look.embedding` keeps it, little-endian float16."""
    return np.frombuffer(packed, dtype="<f2").astype(np.float64)


def again_odds(vectors: Sequence[bytes]) -> Floats:
    """(photos - 1,): likelihood of each neighbouring pair's likeness if the second is the same shot again,
    over that if it is another; 1 where a picture has no vector. Vectors are float16 of unit length.
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
    again, other = _bell(cosine, *_AGAIN), _bell(cosine, *_OTHER)
    return math.pow(((1 - _ELSEWHERE) * again + _ELSEWHERE * other) / other, _TRUST)


def _bell(at: float, mean: float, spread: float) -> float:
    """Normal density, with a floor so that no likeness is impossible."""
    off = (at - mean) / spread
    return math.exp(-0.5 * off * off) / spread + 0.02


def sort_odds(vectors: Sequence[bytes], shares: Floats) -> Floats:
    """(photos, sorts): likelihood of each picture's likeness to the claim's other ones, were it of that sort,
    over what is usual for it; 1 for a picture without a vector.

    `shares` (photos, sorts), rows that sum to one, is what is believed of the sorts so far; the mean likeness
    to the others of a sort is weighed by it. Nothing is learned for another claim: this house's elevations,
    seen from where one stands for them, are like each other, and so are its walls from near.
    """
    rows = [vector_of(vector) for vector in vectors]
    size = max((len(row) for row in rows), default=0)
    known = np.array([size > 0 and len(row) == size and bool(row.any()) for row in rows], dtype=bool)
    odds = np.ones(shares.shape)
    if known.sum() < 2:
        return odds
    unit = np.stack([row for row, ok in zip(rows, known, strict=True) if ok])
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    believed = shares[known]
    alike = unit @ unit.T
    np.fill_diagonal(alike, 0.0)
    others = believed.sum(axis=0) - believed  # how many pictures of each sort there are beside this one
    toward = alike @ believed
    # A vector's product with its sort's mean, less half that mean's square: the linear discriminant. The
    # square is how like each other the sort's own pictures are, each pair of them counted.
    pairs, inside = (believed * others).sum(axis=0), (believed * toward).sum(axis=0)
    usual = inside.sum() / max(float(pairs.sum()), 1e-9)
    tight = (inside + _FEW_PAIRS * usual) / (pairs + _FEW_PAIRS)
    liker = toward / np.maximum(others, 1e-9) - tight / 2
    liker -= (liker * believed).sum(axis=1, keepdims=True)
    liker *= others / (others + _FEW)
    odds[known] = np.exp(np.clip(_A_SORT * liker, -_MOST, _MOST))
    return odds
