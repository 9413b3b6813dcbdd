"""The hash of a turned picture, worked out from the hash alone, against the hash of the turned picture itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from evidence.alike.turning import Turned, turned_hashes
from evidence.sight.quality import perceptual_hash

TURNS = {
    Turned.MIRRORED: Image.Transpose.FLIP_LEFT_RIGHT,
    Turned.UPSIDE_DOWN: Image.Transpose.ROTATE_180,
    Turned.UPSIDE_DOWN_MIRRORED: Image.Transpose.FLIP_TOP_BOTTOM,
    Turned.RIGHT_MIRRORED: Image.Transpose.TRANSPOSE,
    Turned.LEFT_MIRRORED: Image.Transpose.TRANSVERSE,
}
QUARTERS = {Turned.RIGHT, Turned.LEFT}
REAL = sorted((Path(__file__).parents[3] / "shared" / "real_photos" / "gps_walk").glob("*.jpg"))


def hash_of(picture):
    return perceptual_hash(np.asarray(picture))


def drawn(seed):
    """A picture of broad light and dark areas, as a photo of a house is, and no two sides alike."""
    chance = np.random.default_rng(seed)
    coarse = Image.fromarray(chance.integers(0, 256, (7, 9), dtype=np.uint8))
    return coarse.resize((256, 192), Image.Resampling.BICUBIC)


def apart(one, other):
    return (int(one, 16) ^ int(other, 16)).bit_count()


@pytest.mark.parametrize("turned", TURNS, ids=str)
def test_a_turned_picture_is_within_the_default_radius_of_the_hash_that_is_worked_out(turned):
    bits = [
        apart(turned_hashes(hash_of(picture))[turned], hash_of(picture.transpose(TURNS[turned])))
        for picture in map(drawn, range(20))
    ]
    assert sum(one <= 6 for one in bits) >= 17, bits


@pytest.mark.parametrize(
    ("turned", "way"), [(Turned.RIGHT, Image.Transpose.ROTATE_270), (Turned.LEFT, Image.Transpose.ROTATE_90)]
)
def test_the_two_quarter_turns_are_told_apart(turned, way):
    for picture in map(drawn, range(8)):
        worked_out, found = (
            turned_hashes(hash_of(picture)),
            hash_of(picture.transpose(way)),
        )  # Pillow turns left
        assert min(Turned, key=lambda one: apart(worked_out[one], found)) is turned
        assert apart(worked_out[turned], found) <= 10


@given(st.integers(0, 2**64 - 1))
def test_turning_back_gives_the_hash_again(code):
    phash = f"{code:016x}"
    ways = turned_hashes(phash)
    assert ways[Turned.NOT] == phash
    for turned in set(Turned) - QUARTERS:
        assert turned_hashes(ways[turned])[turned] == phash
    assert turned_hashes(ways[Turned.RIGHT])[Turned.LEFT] == phash
    assert len(set(Turned)) == len(ways) == 8


@pytest.mark.skipif(not REAL, reason="no folder ../shared/real_photos beside this checkout")
def test_real_photos_saved_again_reduced_or_mirrored_are_within_the_default_radius():
    """What docs/reviewer.md promises of copies that were not cut."""
    for path in REAL:
        with Image.open(path) as opened:
            photo = ImageOps.exif_transpose(opened).convert("L")
        photo.thumbnail((1024, 1024))
        small = photo.copy()
        small.thumbnail((256, 256))
        tiny = photo.resize((photo.width // 2, photo.height // 2))
        tiny.thumbnail((256, 256))
        assert apart(hash_of(small), hash_of(tiny)) <= 6, path.name
        assert apart(turned_hashes(hash_of(small))[Turned.MIRRORED], hash_of(ImageOps.mirror(small))) <= 10, (
            path.name
        )
