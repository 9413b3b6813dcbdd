"""Similarity of a claim's pictures: evidence for the same thing again and for looks, and when there is none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from evidence.tags.walk.similarity import again_odds, look_odds

REAL = Path(__file__).parents[3] / "shared" / "real_photos" / "gps_walk"


def packed(vector):
    return (vector / np.linalg.norm(vector)).astype("<f2").tobytes()


def test_similar_pictures_are_evidence_for_the_same_kind_of_photo_and_others_against_it():
    rng = np.random.default_rng(1)
    house, one, other = (rng.normal(size=1280) for _ in range(3))
    same = [packed(house + one + 0.3 * rng.normal(size=1280)) for _ in range(2)]
    odds = again_odds([*same, packed(0.8 * house + other)])
    assert odds[0] > 1.5
    assert odds[1] < 0.7


def test_a_picture_without_a_vector_is_no_evidence():
    vector = packed(np.ones(1280))
    np.testing.assert_array_equal(again_odds([b"", vector, b"", b""]), np.ones(3))
    assert len(again_odds([vector])) == len(again_odds([])) == 0
    assert np.isfinite(again_odds([vector, vector, bytes(2560), vector])).all()


def test_a_picture_gets_the_look_whose_other_pictures_it_is_similar_to():
    rng = np.random.default_rng(2)
    house, wide, near = (rng.normal(size=1280) for _ in range(3))
    vectors = [packed(house + sort + rng.normal(size=1280)) for sort in (wide, near) * 4]
    shares = np.tile(np.eye(2), (4, 1))
    shares[0], shares[1] = 0.5, 0.5  # the looks of these two are unknown
    odds = look_odds(vectors, shares)
    assert odds[0, 0] > 2 * odds[0, 1]
    assert odds[1, 1] > 2 * odds[1, 0]
    one_claim_more = look_odds([*vectors, b""], np.vstack([shares, [0.5, 0.5]]))
    np.testing.assert_allclose(one_claim_more[:-1], odds)
    np.testing.assert_array_equal(one_claim_more[-1], np.ones(2))


def test_looks_get_no_evidence_where_there_is_nothing_to_compare():
    vector = packed(np.ones(1280))
    for vectors in ([vector], [b"", b""], [b"", vector], [bytes(2560), vector], []):
        np.testing.assert_array_equal(
            look_odds(vectors, np.full((len(vectors), 3), 1 / 3)), np.ones((len(vectors), 3))
        )
    alike = look_odds([vector] * 4, np.full((4, 3), 1 / 3))
    np.testing.assert_allclose(alike, np.ones((4, 3)))


def test_a_single_picture_of_a_look_is_not_compared_with_itself():
    rng = np.random.default_rng(3)
    vectors = [packed(rng.normal(size=1280)) for _ in range(4)]
    odds = look_odds(vectors, np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 1.0], [0.0, 1.0]]))
    assert odds[0, 0] == pytest.approx(1.0, abs=0.05)


def seen(name, size, box=None):
    """The vector of a real photo at `size`, or of the part of it in a box of pixels (left, top, right, bottom)."""
    from PIL import Image

    from evidence.sight.embedding import embed
    from evidence.sight.scene_head import pack_vector

    with Image.open(REAL / name) as image:
        small = image.convert("RGB").resize(size)
    return pack_vector(embed(np.asarray(small.crop(box) if box else small)))


@pytest.mark.skipif(not REAL.is_dir(), reason="no folder ../shared/real_photos beside this checkout")
def test_a_real_picture_framed_anew_is_taken_for_the_same_and_another_street_for_another():
    size = (640, 480)
    odds = again_odds(
        [
            seen("lund_01.jpg", size, (0, 0, 544, 432)),
            seen("lund_01.jpg", size, (64, 48, 640, 480)),
            seen("berlin_01.jpg", size),
        ]
    )
    assert odds[0] > 1.5
    assert odds[1] < 1.0


@pytest.mark.skipif(not REAL.is_dir(), reason="no folder ../shared/real_photos beside this checkout")
def test_real_houses_are_told_from_parts_of_them_seen_from_near():
    """Nine real street photos, and of each a part a quarter as wide, cut where walls are."""
    rng = np.random.default_rng(4)
    vectors = []
    for number in range(1, 19, 2):
        name, size = f"lund_{number:02d}.jpg", (1600, 1200)
        left, top = int(rng.integers(0, 1200)), int(rng.integers(240, 700))
        vectors += [seen(name, size), seen(name, size, (left, top, left + 400, top + 300))]
    shares = np.tile([[0.65, 0.35], [0.35, 0.65]], (9, 1))
    odds = look_odds(vectors, shares)
    wide, near = odds[::2], odds[1::2]
    assert (wide[:, 0] > wide[:, 1]).mean() >= 8 / 9
    assert (near[:, 1] > near[:, 0]).mean() >= 7 / 9
