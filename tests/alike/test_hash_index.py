"""The index of hashes against comparing every code, and what its file may be trusted with."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evidence.alike import hash_index
from evidence.alike.hash_index import BLOCKS, CODE_BITS, HashIndex
from evidence.alike.index_file import HEAD_SIZE, load_index, save_index

CODES = st.integers(0, 2**64 - 1)
EDGES = st.sampled_from(
    [0, 1, 2**63, 2**64 - 1, 2**63 - 1, 0x8000000000000001, 2**42, 2**42 - 1, 2**21, 2**21 - 1]
)


def turned(code: int) -> int:
    """The code with its bits in reverse order: what lay in the top block lies in the low one."""
    return int(f"{code:064b}"[::-1], 2)


@st.composite
def clustered(draw):
    """Codes of which many are a few bits off a few centres, some of them the same bits in reverse order."""
    centres = draw(st.lists(CODES | EDGES, min_size=1, max_size=4))
    centres += [turned(code) for code in centres]
    found = draw(st.lists(EDGES, max_size=3))
    for _ in range(draw(st.integers(0, 30))):
        code = draw(st.sampled_from(centres))
        for bit in draw(st.lists(st.integers(0, 63), max_size=12)):
            code ^= 1 << bit
        found.append(code)
    return [*centres[:2], *found]


@pytest.fixture(autouse=True, scope="module")
def _by_blocks():
    """Small indexes are looked up as large ones are."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hash_index, "SCAN_BELOW", 0)
        yield


def plainly(codes, asked, radius):
    """The definition itself."""
    return sorted((apart, code) for code in set(codes) if (apart := (code ^ asked).bit_count()) <= radius)


def hits(index, asked, radius):
    found = index.near(asked, radius)
    return list(zip(found.bits.tolist(), found.codes.tolist(), strict=True))


# Exactness by the pigeonhole principle of multi-index hashing: Norouzi, Punjani, Fleet, CVPR 2012, Proposition 1.
@given(clustered(), st.integers(0, 10))
@settings(deadline=None, max_examples=60)
def test_the_index_finds_exactly_what_comparing_every_code_finds(codes, radius):
    index = HashIndex(codes)
    for asked in [*codes[:6], 0, 2**64 - 1]:
        assert hits(index, asked, radius) == plainly(codes, asked, radius)


@given(clustered(), st.integers(-1, 64))
@settings(deadline=None, max_examples=30)
def test_a_small_index_compares_every_code_and_leaves_out_what_went(codes, radius):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hash_index, "SCAN_BELOW", len(codes) + 1)
        patch.setattr(HashIndex, "_by_blocks", lambda *_: pytest.fail("the blocks were looked up"))
        index = HashIndex(codes)
        index.remove(codes[:1])
        for asked in [*codes[:6], 0, 2**64 - 1]:
            assert hits(index, asked, radius) == plainly(set(codes[1:]) - set(codes[:1]), asked, radius)


@given(clustered(), clustered(), st.data(), st.integers(0, 10))
@settings(deadline=None, max_examples=40)
def test_codes_that_come_and_go_are_found_or_not_as_in_a_new_index(codes, later, data, radius):
    index = HashIndex(codes)
    index.add(later)
    going = data.draw(st.lists(st.sampled_from([*codes, *later]), max_size=8))
    index.remove(going)
    again = data.draw(st.lists(st.sampled_from([*codes, *later]), max_size=3))
    index.add(again)
    present = (set(codes) | set(later)) - set(going) | set(again)
    assert len(index) == len(present)
    whole = HashIndex(arrays=index.compacted())
    for asked in [*codes[:4], *going[:3]]:
        assert hits(index, asked, radius) == hits(whole, asked, radius) == plainly(present, asked, radius)
        assert (asked in index) == (asked in present)


@pytest.mark.parametrize("radius", range(11))
def test_every_spread_of_the_bits_over_the_blocks_is_found(radius, monkeypatch):
    """Each way to divide `radius` bits among the blocks, in the lowest and in the highest bits of each."""
    codes = set()
    for top in range(radius + 1):
        for middle in range(radius - top + 1):
            shares = (top, middle, radius - top - middle)
            for low, width in BLOCKS:
                assert radius <= width, low
            codes.add(sum((2**many - 1) << low for many, (low, _) in zip(shares, BLOCKS, strict=True)))
            codes.add(
                sum(
                    (2**many - 1) << (low + width - many)
                    for many, (low, width) in zip(shares, BLOCKS, strict=True)
                )
            )
    assert all(code.bit_count() == radius for code in codes)
    beyond = {code | 2**41 | 2**20 | 2**63 for code in codes} - codes
    monkeypatch.setattr(hash_index, "LEAST_KEY", 22)  # the keys of an index of millions
    index = HashIndex([*codes, *beyond])
    assert set(index.near(0, radius).codes.tolist()) == codes


@pytest.mark.parametrize("radius", [*range(11), 12, 20, 64])
def test_a_large_index_with_clusters_finds_exactly_what_comparing_every_code_finds(radius):
    """Large enough that the blocks decide; among them one cluster so dense that all are compared."""
    chance = np.random.default_rng(5)
    codes = chance.integers(0, 2**64, 60_000, dtype=np.uint64)
    flips = np.uint64(1) << chance.integers(0, 64, (40_000, 3), dtype=np.uint64)
    dense = np.uint64(0x8000000000000000) ^ np.bitwise_xor.reduce(flips, axis=1)
    codes = np.concatenate([codes, dense, codes[:500] ^ np.uint64(0b1011 << 40)])
    index = HashIndex(codes)
    later = chance.integers(0, 2**64, 3000, dtype=np.uint64)
    index.add(later)
    index.remove(codes[100:200])
    present = np.setdiff1d(np.union1d(codes, later), codes[100:200])
    for asked in [*codes[[0, 150, 60_001, 100_100]].tolist(), int(later[7]), 0, 2**63]:
        apart = np.bitwise_count(present ^ np.uint64(asked))
        found = index.near(asked, radius)
        assert np.array_equal(np.sort(found.codes), present[apart <= radius])
        assert (np.diff(found.bits.astype(int)) >= 0).all()


def test_an_index_of_millions_looks_whole_blocks_up_and_a_small_one_short_keys():
    assert hash_index.key_bits(10_000_000) == tuple(width for _, width in BLOCKS) == (22, 21, 21)
    assert hash_index.key_bits(100) == (7, 7, 7)


def test_an_empty_index_finds_nothing_and_a_negative_radius_neither():
    assert len(HashIndex()) == 0
    assert hits(HashIndex(), 5, 64) == []
    assert hits(HashIndex([5]), 5, -1) == []


def test_the_blocks_cover_every_bit_once():
    bits = [low + bit for low, width in BLOCKS for bit in range(width)]
    assert sorted(bits) == list(range(CODE_BITS))


# --- the file ----------------------------------------------------------------------------


@pytest.fixture
def stored(tmp_path):
    codes = np.random.default_rng(1).integers(0, 2**64, 5000, dtype=np.uint64)
    path = tmp_path / "hashes.index"
    save_index(path, HashIndex(codes).compacted(), last=77, samples={1: int(codes[0]), 77: int(codes[9])})
    return path, codes


def test_a_stored_index_is_read_back_as_it_was(stored):
    path, codes = stored
    found = load_index(path)
    assert found.last == 77
    assert found.samples == {1: int(codes[0]), 77: int(codes[9])}
    assert len(found.index) == len(codes)
    assert int(codes[3]) ^ 5 in [code ^ 5 for code in found.index.near(int(codes[3]), 6).codes.tolist()]
    assert [one.name for one in path.parent.iterdir()] == [path.name]


def _cut(path):
    path.write_bytes(path.read_bytes()[:-1])


def _longer(path):
    path.write_bytes(path.read_bytes() + b"\0")


def _one_bit(path):
    content = bytearray(path.read_bytes())
    content[HEAD_SIZE + 999] ^= 4
    path.write_bytes(content)


def _other_format(path):
    content = path.read_bytes()
    head = json.loads(content[:HEAD_SIZE]) | {"format": 0}
    path.write_bytes((json.dumps(head) + "\n").encode().ljust(HEAD_SIZE) + content[HEAD_SIZE:])


@pytest.mark.parametrize(
    "harm", [_cut, _longer, _one_bit, _other_format, lambda path: path.write_bytes(b"x")]
)
def test_a_file_that_is_not_as_it_was_written_counts_as_missing(stored, harm):
    path, _ = stored
    harm(path)
    assert load_index(path) is None
    path.unlink()
    assert load_index(path) is None
