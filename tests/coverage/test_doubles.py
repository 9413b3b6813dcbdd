"""Near-duplicates by perceptual hash: the index against plain comparison, and counting distinct photos."""

from __future__ import annotations

import random
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evidence.coverage import doubles
from evidence.coverage.doubles import DoubleIndex, Near, distance, has_distinct, pairs

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


def plainly(hashes, one, bits):
    """The definition itself."""
    hits = [(distance(one, other), place) for place, other in enumerate(hashes) if one and other]
    return tuple(Near(place=place, bits=apart) for apart, place in sorted(hits) if apart <= bits)


@given(clustered(), st.integers(0, 64))
@settings(deadline=None, max_examples=50)
def test_comparing_outright_gives_what_the_definition_says(hashes, bits):
    index = DoubleIndex(hashes)
    for one in [*hashes[:5], phash(0), ""]:
        assert index.near(one, bits) == plainly(hashes, one, bits)


# 64 bits in four blocks of 16: with r bits at most r // 4 in one block, by the pigeonhole principle
# (multi-index hashing, Norouzi, Punjani, Fleet, CVPR 2012; the principle itself from memory).
@given(clustered(), st.integers(0, 11))
@settings(deadline=None, max_examples=50)
def test_the_index_gives_exactly_what_comparing_outright_gives(hashes, bits):
    index = DoubleIndex(hashes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(doubles, "_OUTRIGHT_BELOW", {0: 0, 1: 0, 2: 0})
        for one in hashes[:6]:
            assert index.near(one, bits) == plainly(hashes, one, bits)


@pytest.mark.parametrize("bits", [3, 6, 10, 11])
def test_the_index_finds_every_spread_of_the_bits_over_the_blocks(bits, monkeypatch):
    """Bits all in one block, or spread as evenly as they go: the hardest cases of the pigeonhole."""
    monkeypatch.setattr(doubles, "_OUTRIGHT_BELOW", {0: 0, 1: 0, 2: 0})
    even = sum(1 << (16 * (n % 4) + n // 4) for n in range(bits))
    packed = (1 << bits) - 1
    beyond = even | 1 << 63
    index = DoubleIndex([phash(even), phash(packed), phash(packed << 40), phash(beyond)])
    assert [hit.place for hit in index.near(phash(0), bits)] == [0, 1, 2]


def test_the_index_of_a_large_archive_is_used_and_right():
    chance = random.Random(7)
    hashes = [phash(chance.getrandbits(64)) for _ in range(210_000)]
    planted = [5, 100_000, 209_999]
    for number, place in enumerate(planted):
        hashes[place] = phash(int(hashes[0], 16) ^ ((1 << (2 * number + 3)) - 1))
    index = DoubleIndex(hashes)
    assert index._candidates(int(hashes[0], 16), 7) is not None
    assert [(hit.place, hit.bits) for hit in index.near(hashes[0], 7)] == [
        (0, 0),
        (5, 3),
        (100_000, 5),
        (209_999, 7),
    ]


def test_an_empty_index_and_an_empty_hash_have_no_neighbours():
    assert DoubleIndex([]).near(phash(1), 64) == ()
    assert DoubleIndex(["", ""]).near(phash(1), 64) == ()
    assert DoubleIndex([phash(1)]).near("", 64) == ()
    assert len(DoubleIndex(["", phash(1)])) == 1


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
