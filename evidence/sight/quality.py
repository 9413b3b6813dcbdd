"""Measures whether a photo is sharp, well exposed and large enough, and makes its perceptual hash.

Sharpness is the variance of the Laplacian (Pech-Pacheco and others, ICPR 2000), always at the same size,
so that cameras are comparable. The perceptual hash is the 64-bit DCT hash of `imagehash`.
"""

from __future__ import annotations

import cv2
import imagehash
import numpy as np
from PIL import Image

from evidence.model import Finding, Quality
from evidence.sight.pixels import Pixels
from evidence.sight.request import QualityLimits


def measure(grey: Pixels, *, width: int, height: int) -> Quality:
    """Measures of a grey copy of 1,024 pixels; the sizes are the original's, upright."""
    edges = cv2.Laplacian(grey, cv2.CV_16S)  # whole numbers of at most 4 * 255
    return Quality(
        width=width,
        height=height,
        sharpness=float(cv2.meanStdDev(edges)[1][0, 0]) ** 2,
        brightness=float(grey.mean()) / 255,
        clipped=float(np.count_nonzero((grey == 0) | (grey == 255))) / grey.size,
    )


def quality_flags(quality: Quality, limits: QualityLimits) -> tuple[Finding, ...]:
    """Flags for measures beyond the limits: `blurred`, `dark`, `bright`, `small`."""
    found = []
    mostly_clipped = quality.clipped > limits.clipped
    if quality.sharpness < limits.sharpness:
        found.append(
            Finding(
                code="blurred",
                message=f"Blurred: sharpness {quality.sharpness:.0f} of {limits.sharpness:.0f}.",
            )
        )
    if quality.brightness < limits.dark or (mostly_clipped and quality.brightness < 0.5):
        found.append(Finding(code="dark", message=f"Too dark: mean grey level {quality.brightness:.0%}."))
    if quality.brightness > limits.bright or (mostly_clipped and quality.brightness >= 0.5):
        found.append(Finding(code="bright", message=f"Too bright: mean grey level {quality.brightness:.0%}."))
    if quality.width * quality.height < limits.pixels:
        found.append(Finding(code="small", message=f"Too small: {quality.width} by {quality.height} pixels."))
    return tuple(found)


def perceptual_hash(picture: Pixels) -> str:
    """64-bit hash as 16 hexadecimal digits; similar photos differ in few bits. `picture` is a copy of 256 pixels."""
    return str(imagehash.phash(Image.fromarray(picture)))
