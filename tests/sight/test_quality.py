"""Measures against pictures whose values are known by arithmetic, and against other libraries."""

from __future__ import annotations

import cv2
import imagehash
import numpy as np
import pytest
from PIL import Image, ImageOps
from scipy.fft import dctn

from evidence.model import Quality
from evidence.sight.pixels import fitted
from evidence.sight.quality import measure, perceptual_hash, quality_flags
from evidence.sight.request import QualityLimits


def textured(width=1024, height=768, seed=1):
    rng = np.random.default_rng(seed)
    coarse = cv2.resize(
        rng.integers(0, 256, (24, 32), dtype=np.uint8), (width, height), interpolation=cv2.INTER_CUBIC
    )
    return np.clip(coarse * 0.7 + rng.normal(40, 12, (height, width)), 0, 255).astype(np.uint8)


def measured(grey):
    return measure(grey, width=grey.shape[1], height=grey.shape[0])


def test_sharpness_is_the_variance_of_the_four_neighbour_laplacian():
    """By hand: one pixel of 100 on black gives -400 there and 100 at its four neighbours."""
    grey = np.zeros((9, 9), np.uint8)
    grey[4, 4] = 100
    values = [-400.0] + [100.0] * 4 + [0.0] * 76
    assert measured(grey).sharpness == pytest.approx(np.var(values))


def test_brightness_and_clipping_are_shares():
    grey = np.full((10, 10), 51, np.uint8)
    grey[0] = 255
    grey[1, :5] = 0
    quality = measured(grey)
    assert quality.brightness == pytest.approx((85 * 51 + 10 * 255) / 100 / 255)
    assert quality.clipped == pytest.approx(0.15)


def test_more_blur_never_measures_sharper():
    grey = textured()
    values = [
        measured(cv2.GaussianBlur(grey, (0, 0), s)).sharpness if s else measured(grey).sharpness
        for s in (0, 0.7, 1, 1.5, 2, 3)
    ]
    assert values == sorted(values, reverse=True)


@pytest.mark.parametrize(
    ("quality", "codes"),
    [
        ({}, []),
        ({"sharpness": 19.9}, ["blurred"]),
        ({"brightness": 0.11}, ["dark"]),
        ({"brightness": 0.91}, ["bright"]),
        ({"brightness": 0.3, "clipped": 0.6}, ["dark"]),
        ({"brightness": 0.7, "clipped": 0.6}, ["bright"]),
        ({"width": 639}, ["small"]),
        (
            {"sharpness": 0.0, "brightness": 0.0, "clipped": 1.0, "width": 1, "height": 1},
            ["blurred", "dark", "small"],
        ),
    ],
)
def test_each_flag_comes_from_its_own_measure(quality, codes):
    fine = {"width": 640, "height": 480, "sharpness": 500.0, "brightness": 0.5, "clipped": 0.01}
    assert [f.code for f in quality_flags(Quality(**{**fine, **quality}), QualityLimits())] == codes


def test_the_limits_are_the_callers():
    quality = measured(textured())
    assert quality_flags(quality, QualityLimits(pixels=0)) == ()
    assert [f.code for f in quality_flags(quality, QualityLimits(sharpness=1e9, pixels=10**9))] == [
        "blurred",
        "small",
    ]


def test_the_hash_is_that_of_the_published_recipe():
    """Krawetz, 'Looks Like It' (2011): 32 x 32 grey, two-dimensional DCT, the lowest 8 x 8, above the median or not."""
    grey = fitted(textured(), 256)
    small = np.asarray(Image.fromarray(grey).resize((32, 32), Image.Resampling.LANCZOS), float)
    low = dctn(small, type=2)[:8, :8]
    bits = (low > np.median(low)).ravel()
    assert perceptual_hash(grey) == f"{int(''.join('01'[int(b)] for b in bits), 2):016x}"


def distance(one, other):
    return imagehash.hex_to_hash(one) - imagehash.hex_to_hash(other)


def test_the_hash_survives_what_a_second_shot_changes_and_not_another_picture():
    grey = textured()
    base = perceptual_hash(fitted(grey, 256))
    brighter = np.clip(grey.astype(int) + 12, 0, 255).astype(np.uint8)
    coded = cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 60])[1], cv2.IMREAD_GRAYSCALE)
    for same in (brighter, coded, cv2.GaussianBlur(grey, (0, 0), 2)):
        assert distance(base, perceptual_hash(fitted(same, 256))) <= 6
    assert distance(base, perceptual_hash(fitted(textured(seed=2), 256))) > 16


def test_real_photos_are_told_from_their_own_blurred_copies(real_photos):
    """A Gaussian of 2 pixels at 1,024 is 8 pixels of a 12-megapixel photo: shaken, or focused on the hand."""
    limits = QualityLimits(pixels=0)
    sharp_flagged = blurred_flagged = looked = 0
    for path in sorted([*real_photos.glob("cameras/*.jpg"), *real_photos.glob("gps_walk/*.jpg")]):
        with Image.open(path) as photo:
            grey = fitted(np.asarray(ImageOps.exif_transpose(photo).convert("L")), 1024)
        if max(grey.shape) < 1000:
            continue
        looked += 1
        blurred = cv2.GaussianBlur(grey, (0, 0), 2)
        sharp_flagged += "blurred" in [f.code for f in quality_flags(measured(grey), limits)]
        blurred_flagged += "blurred" in [f.code for f in quality_flags(measured(blurred), limits)]
    assert looked >= 20
    assert sharp_flagged == 0
    assert blurred_flagged == looked
