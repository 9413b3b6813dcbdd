"""Makes a picture for a report from a thumbnail, in a process of its own: a file in the cache may be damaged or altered.

Only Pillow is loaded, so that the process starts quickly.
"""

from __future__ import annotations

import io
import warnings

from PIL import Image

from evidence.sight.request import THUMB_SIDES, ReduceRequest, thumb_path

MOST_PIXELS = THUMB_SIDES[0] ** 2
"""A thumbnail has fewer: a file whose header claims more is no thumbnail and is not decoded."""


def reduced(request: ReduceRequest) -> bytes | None:
    """The thumbnail as a JPEG with at most `side` pixels on its long side; None when it is missing or damaged.

    A thumbnail that is small enough is returned as it is, after its data was read to the end.
    """
    try:
        data = thumb_path(request.thumb_dir, request.sha256, THUMB_SIDES[0]).read_bytes()
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=["JPEG"]) as image:
                if image.mode != "RGB" or image.width * image.height > MOST_PIXELS:
                    return None
                if max(image.size) <= request.side and request.quality is None:
                    image.draft("RGB", (image.width // 8, image.height // 8))
                    image.load()
                    return data
                return _encoded(image, request.side, request.quality or ORDINARY_QUALITY)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning):
        return None


ORDINARY_QUALITY = 82
"""JPEG quality without visible blocks; common practice, no source."""


def _encoded(image: Image.Image, side: int, quality: int) -> bytes:
    scale = min(1.0, side / max(image.size))
    size = (max(1, round(image.width * scale)), max(1, round(image.height * scale)))
    out = io.BytesIO()
    image.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0).save(out, "JPEG", quality=quality)
    return out.getvalue()
