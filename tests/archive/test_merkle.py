"""Merkle trees against the published vectors of RFC 6962 / RFC 9162 (github transparency-dev/merkle, testonly)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evidence.archive.merkle import (
    Frontier,
    TracedFrontier,
    consistency_proof,
    leaf_hash,
    merkle_root,
    node_hash,
    verify_consistency,
    verify_inclusion,
)

LEAVES = [
    bytes.fromhex(text)
    for text in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = {
    0: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    3: "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    4: "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    5: "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    6: "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    7: "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
}


@pytest.mark.parametrize("size", ROOTS)
def test_roots_are_the_published_ones(size):
    assert merkle_root(LEAVES[:size]).hex() == ROOTS[size]


def inclusion_proof(leaves, index):
    """The proof of one leaf, by the tree that `evidence custody --prove` grows."""
    tree = TracedFrontier(index)
    for leaf in leaves:
        tree.add(leaf)
    return tree.path()


def test_leaf_and_node_hashes_are_the_published_ones():
    assert leaf_hash(b"L123456").hex() == "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
    assert (
        node_hash(b"N123", b"N456").hex()
        == "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"
    )
    assert (
        node_hash(b"N456", b"N123").hex()
        == "013dee051c2516cf8ba3dfc4fae6bfb016587de88cd448f1e96df99ea575257a"
    )


def test_the_published_inclusion_proof_of_leaf_5_of_8():
    proof = inclusion_proof(LEAVES, 5)
    assert [step.hex() for step in proof] == [
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        ROOTS[4],
    ]
    assert verify_inclusion(LEAVES[5], 5, 8, proof, bytes.fromhex(ROOTS[8]))


@pytest.fixture
def seven():
    """The tree of seven leaves in RFC 9162, section 2.1.5, with its names for the nodes."""
    hashed = [leaf_hash(data) for data in LEAVES[:7]]
    a, b, c, d, e, f, j = hashed
    g, h, i = node_hash(a, b), node_hash(c, d), node_hash(e, f)
    k, l_ = node_hash(g, h), node_hash(i, j)
    return dict(zip("abcdefghijkl", (a, b, c, d, e, f, g, h, i, j, k, l_), strict=True))


@pytest.mark.parametrize(("leaf", "names"), [(0, "bhl"), (3, "cgl"), (4, "fjk"), (6, "ik")])
def test_the_inclusion_proofs_of_the_standards_own_example(seven, leaf, names):
    assert inclusion_proof(LEAVES[:7], leaf) == tuple(seven[name] for name in names)


@pytest.mark.parametrize(("earlier", "names"), [(3, "cdgl"), (4, "l"), (6, "ijk"), (7, "")])
def test_the_consistency_proofs_of_the_standards_own_example(seven, earlier, names):
    proof = consistency_proof(LEAVES[:7], earlier)
    assert proof == tuple(seven[name] for name in names)
    assert verify_consistency(earlier, 7, proof, bytes.fromhex(ROOTS[earlier]), bytes.fromhex(ROOTS[7]))


@pytest.mark.parametrize(("leaves", "index"), [([], 0), (LEAVES, 8), (LEAVES, -1)])
def test_there_is_no_proof_of_a_leaf_that_is_not_there(leaves, index):
    with pytest.raises(ValueError, match="no leaf"):
        inclusion_proof(leaves, index)
    assert not verify_inclusion(b"", index, len(leaves), (), merkle_root(leaves))


@pytest.mark.parametrize("earlier", [0, 9])
def test_there_is_no_consistency_with_a_tree_that_is_none(earlier):
    with pytest.raises(ValueError, match="no tree"):
        consistency_proof(LEAVES, earlier)
    assert not verify_consistency(earlier, 8, (), merkle_root([]), merkle_root(LEAVES))


trees = st.lists(st.binary(max_size=4), min_size=1, max_size=40)


@given(leaves=trees, data=st.data())
def test_a_proof_proves_its_leaf_and_no_other_claim(leaves, data):
    index = data.draw(st.integers(0, len(leaves) - 1))
    root, proof = merkle_root(leaves), inclusion_proof(leaves, index)
    assert verify_inclusion(leaves[index], index, len(leaves), proof, root)
    assert not verify_inclusion(leaves[index] + b"x", index, len(leaves), proof, root)
    assert not verify_inclusion(leaves[index], index, len(leaves), (*proof, root), root)
    assert not verify_inclusion(leaves[index], index, len(leaves), proof, leaf_hash(root))
    if proof:
        assert not verify_inclusion(leaves[index], index, len(leaves), proof[:-1], root)
        broken = bytes([proof[0][0] ^ 1]) + proof[0][1:]
        assert not verify_inclusion(leaves[index], index, len(leaves), (broken, *proof[1:]), root)


@given(leaves=trees, data=st.data())
def test_a_consistency_proof_holds_for_an_unchanged_beginning_only(leaves, data):
    earlier = data.draw(st.integers(1, len(leaves)))
    before, now = merkle_root(leaves[:earlier]), merkle_root(leaves)
    proof = consistency_proof(leaves, earlier)
    assert verify_consistency(earlier, len(leaves), proof, before, now)
    changed = merkle_root([leaves[0] + b"x", *leaves[1:]])
    assert not verify_consistency(earlier, len(leaves), proof, before, changed)
    assert not verify_consistency(earlier, len(leaves), proof, leaf_hash(before), now)
    assert len(proof) <= (len(leaves) - 1).bit_length() + 1  # section 2.1.4


@given(st.integers(1, 200), st.data())
def test_a_tree_that_was_kept_goes_on_where_it_was(size, data):
    leaves = [bytes([number % 256, number >> 8]) for number in range(size)]
    kept = data.draw(st.integers(0, size))
    begun = Frontier()
    for leaf in leaves[:kept]:
        begun.add(leaf)
    tree = Frontier(begun.size, begun.hashes)
    for leaf in leaves[kept:]:
        tree.add(leaf)
    assert tree.root() == merkle_root(leaves)
    assert len(tree.hashes) == size.bit_count()


@pytest.mark.parametrize(("size", "hashes"), [(3, [b"\0" * 32]), (0, [b"\0" * 32]), (1, [b"short"]), (4, [])])
def test_hashes_that_cannot_be_a_frontier_are_refused(size, hashes):
    with pytest.raises(ValueError, match="frontier"):
        Frontier(size, hashes)
