"""Texture measures that tell a whole roof slope from a close view of shingles, which the network's vector cannot yet.

A photo of a slope also shows sky, trees or an edge, and looks different near the top. A close view of shingles
fills the frame with one texture. Until an office has confirmed photos of its own, these measures add small
log-odds; how well they work on real roofs is not known (docs/measurements.md).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from evidence.model import SceneKind
from evidence.sight.pixels import reduced, size_at

Picture = NDArray[np.uint8]

_SIDE = 320
_TILES = 4
_MOST = 2.5
"""Log-odds these measures may add either way."""
_GRAIN = 0.28
"""Threshold of `grain`: drawn close views of shingles have up to 0.21, with shadows; photos of whole scenes
0.3 and more. Set by hand on few pictures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """How evenly colour and texture are spread over the frame."""

    sky: float
    """Share of the frame that is bright or blue, smooth, and joined to the upper edge."""
    uneven: float
    """How much tiles of the frame differ in colour, relative to the spread of colour within a tile."""
    grain: float
    """How much tiles differ in fine texture: standard deviation of the logarithm of its strength."""


def surface(rgb: Picture) -> Surface:
    """The measures of an upright RGB picture of any size."""
    small = reduced(rgb, size_at(rgb, _SIDE, 16))
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    fine = np.abs(cv2.Laplacian(lab[..., 0], cv2.CV_32F))
    means, spreads, grains = [], [], []
    for rows in np.array_split(np.arange(small.shape[0]), _TILES):
        for columns in np.array_split(np.arange(small.shape[1]), _TILES):
            tile = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            mean, spread = cv2.meanStdDev(lab[tile])
            means.append(mean.ravel())
            spreads.append(spread.mean())
            grains.append(np.log1p(fine[tile].mean()))
    uneven = float(np.std(np.array(means), axis=0).mean() / max(2.0, float(np.mean(spreads))))
    return Surface(sky=_sky(small), uneven=uneven, grain=float(np.std(grains)))


def _sky(rgb: Picture) -> float:
    hsv = cv2.cvtColor(rgb, cv2.COLOR_RGB2HSV)
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    smooth = cv2.blur(np.abs(cv2.Laplacian(grey, cv2.CV_32F)), (7, 7)) < 4
    blue = (hsv[..., 0] > 90) & (hsv[..., 0] < 130) & (hsv[..., 1] > 40) & (hsv[..., 2] > 110)
    pale = (hsv[..., 1] < 40) & (hsv[..., 2] > 190)
    _, labels = cv2.connectedComponents((smooth & (blue | pale)).astype(np.uint8))
    above = np.unique(labels[:3])
    return float(np.isin(labels, above[above > 0]).mean())


def scene_hints(seen: Surface) -> dict[SceneKind, float]:
    """Log-odds of a close view of shingles against a slope, at most `_MOST` either way; set by hand, no source."""
    score = 8.0 * (_GRAIN - seen.grain) - 12.0 * min(seen.sky, 0.25) - 0.4 * (min(seen.uneven, 1.5) - 0.8)
    closeness = float(np.clip(score, -_MOST, _MOST))
    return {SceneKind.SHINGLE: closeness / 2, SceneKind.ROOF: -closeness / 2}
