"""Turns a photo into a vector, the image network's last layer; the scene head classifies it."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from evidence.sight.pixels import reduced
from evidence.sight.runtime import session_of
from evidence.sight.scene_head import unit
from evidence.sight.scene_step import Floats
from evidence.sight.weights import INPUT_SIZE, network_bytes

LARGE = 1200
"""Pixels of the long side from which a picture is halved before it is squeezed: faster, with the same vector."""


def embed(rgb: NDArray[np.uint8]) -> Floats:
    """The network's unit-length vector, (1280,), of an upright 8-bit RGB picture of any size (h, w, 3).

    The picture is squeezed to 224 x 224 without regard to its shape, as the vectors that the shipped
    head was fitted on were. Any size works, but a copy far below 500 pixels gives a different vector.
    Raises NetworkError when the network is not available.
    """
    half = reduced(rgb, (rgb.shape[1] // 2, rgb.shape[0] // 2)) if max(rgb.shape) >= LARGE else rgb
    small = Image.fromarray(half).resize((INPUT_SIZE, INPUT_SIZE), Image.Resampling.BICUBIC)
    planes = ((np.asarray(small, dtype=np.float32) - 127) / 128).transpose(2, 0, 1)[None]
    (vectors,) = _network().run(["vector"], {"image": np.ascontiguousarray(planes)})
    return unit(np.asarray(vectors, dtype=np.float32)[0])


@lru_cache(maxsize=1)
def _network() -> Any:
    return session_of(network_bytes())
