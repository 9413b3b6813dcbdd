"""Likeness of neighbouring pictures: what it says of the same thing again, and when it says nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from evidence.tags.likeness import again_odds

REAL = Path(__file__).parents[3] / "shared" / "real_photos" / "gps_walk"


def packed(vector):
    return (vector / np.linalg.norm(vector)).astype("<f2").tobytes()


def test_like_pictures_speak_for_the_same_shot_and_unlike_ones_against_it():
    rng = np.random.default_rng(1)
    house, one, other = (rng.normal(size=1280) for _ in range(3))
    same = [packed(house + one + 0.3 * rng.normal(size=1280)) for _ in range(2)]
    odds = again_odds([*same, packed(0.8 * house + other)])
    assert odds[0] > 1.5
    assert odds[1] < 0.7


def test_a_picture_without_a_vector_says_nothing():
    vector = packed(np.ones(1280))
    np.testing.assert_array_equal(again_odds([b"", vector, b"", b""]), np.ones(3))
    assert len(again_odds([vector])) == len(again_odds([])) == 0
    assert np.isfinite(again_odds([vector, vector, bytes(2560), vector])).all()


@pytest.mark.skipif(not REAL.is_dir(), reason="no folder ../shared/real_photos beside this checkout")
def test_a_real_picture_framed_anew_is_taken_for_the_same_and_another_street_for_another():
    from PIL import Image

    from evidence.sight.scenes import embed, pack_vector

    def seen(name, box=(0, 0, 1, 1)):
        with Image.open(REAL / name) as image:
            small = image.convert("RGB").resize((640, 480))
            wide, high = small.size
            part = small.crop(
                (int(box[0] * wide), int(box[1] * high), int(box[2] * wide), int(box[3] * high))
            )
        return pack_vector(embed(np.asarray(part)))

    odds = again_odds(
        [seen("lund_01.jpg", (0, 0, 0.85, 0.9)), seen("lund_01.jpg", (0.1, 0.1, 1, 1)), seen("berlin_01.jpg")]
    )
    assert odds[0] > 1.5
    assert odds[1] < 1.0
