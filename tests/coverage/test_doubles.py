"""Near-duplicates by perceptual hash: pairs against their definition, and counting distinct photos."""

from __future__ import annotations

import random
from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from evidence.coverage.doubles import distance, has_distinct, pairs

CODES = st.integers(0, 2**64 - 1)


def phash(code: int) -> str:
    return f"{code:016x}"


@st.composite
def clustered(draw):
    """Codes of which many are a few bits off a few centres, as the photos of a claim are."""
    centres = draw(st.lists(CODES, min_size=1, max_size=4))
    found = []
    for _ in range(draw(st.integers(0, 25))):
        code = draw(st.sampled_from(centres))
        for bit in draw(st.lists(st.integers(0, 63), max_size=14)):
            code ^= 1 << bit
        found.append(phash(code))
    return [*found, *draw(st.lists(st.just(""), max_size=2))]


@given(clustered(), st.integers(0, 20))
@settings(deadline=None, max_examples=50)
def test_pairs_are_all_pairs(hashes, bits):
    expected = [
        (a, b, distance(hashes[a], hashes[b]))
        for a, b in combinations(range(len(hashes)), 2)
        if hashes[a] and hashes[b] and distance(hashes[a], hashes[b]) <= bits
    ]
    assert pairs(hashes, bits) == tuple(expected)


def test_distance_counts_bits():
    assert distance("0000000000000000", "ffffffffffffffff") == 64
    assert distance("00000000000000f1", "00000000000000f0") == 1
    assert distance("", "") == 64


# --- how many are distinct ---------------------------------------------------------------

SMALL = st.lists(st.none() | st.integers(0, 63), max_size=9)
"""Codes of six bits, so that near ones are common."""


def most_apart(codes, bits):
    """The largest set with every two further apart than `bits`, by trying them all."""
    for size in range(len(codes), 0, -1):
        for chosen in combinations(codes, size):
            if all(a is None or b is None or (a ^ b).bit_count() > bits for a, b in combinations(chosen, 2)):
                return size
    return 0


@given(SMALL, st.integers(0, 4), st.integers(0, 9))
@settings(max_examples=150, deadline=None)
def test_enough_apart_agrees_with_trying_every_set(codes, bits, wanted):
    assert has_distinct(codes, bits, wanted) == (most_apart(codes, bits) >= wanted)


@given(SMALL, st.none() | st.integers(0, 63), st.integers(0, 4), st.integers(1, 9))
def test_one_more_picture_never_makes_fewer(codes, extra, bits, wanted):
    assert has_distinct([*codes, extra], bits, wanted) >= has_distinct(codes, bits, wanted)


def test_a_burst_of_hundreds_is_counted_at_once():
    chance = random.Random(3)
    centre = chance.getrandbits(64)
    burst = [centre ^ (1 << chance.randrange(64)) ^ (1 << chance.randrange(64)) for _ in range(400)]
    assert has_distinct(burst, 6, 1)
    assert not has_distinct(burst, 6, 2)


def test_a_set_made_to_be_hard_ends_and_is_never_overcounted():
    hard = list(
        range(2**7)
    )  # the 7-cube: no more than 64 corners lie two apart, and 16 lie three apart (Hamming code)
    assert has_distinct(hard, 2, 10)
    assert not has_distinct(hard, 1, 65)
