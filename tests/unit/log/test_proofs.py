"""Every proof of every small tree against pymerkle, which is not ours; published proofs are judged in tests/vectors."""

from functools import cache

import pytest
from pymerkle import InmemoryTree

from service_api.log.conformance import root_by_the_book
from service_api.log.merkle import EMPTY_ROOT, leaf_hash
from service_api.log.proofs import consistency, extends, includes, inclusion, nodes_of, root

MOST = 100
ENTRIES = [b"entry %d" % n for n in range(MOST)]
LEAVES = [leaf_hash(entry) for entry in ENTRIES]
SIZES = range(1, MOST + 1)


@pytest.fixture(scope="module")
def peer():
    tree = InmemoryTree(algorithm="sha256")
    for entry in ENTRIES:
        tree.append_entry(entry)
    return tree


@pytest.fixture(scope="module")
def node():
    return nodes_of(LEAVES)


def roots(node):
    return [root(node, size) for size in range(MOST + 1)]


def test_every_root_is_the_peers(peer, node):
    assert [EMPTY_ROOT, *(peer.get_root(size) for size in SIZES)] == roots(node)


def test_every_inclusion_proof_is_the_peers_and_holds(peer, node):
    """The peer counts leaves from 1 and puts the leaf itself first."""
    at = roots(node)
    for size in SIZES:
        for index in range(size):
            proof = inclusion(node, index, size)
            assert peer.prove_inclusion(index + 1, size).path[1:] == proof, (index, size)
            assert includes(LEAVES[index], index, size, proof, at[size]), (index, size)


@cache
def over(start, stop):
    return root_by_the_book(ENTRIES[start:stop])


def subproof(old, start, stop, whole):
    """SUBPROOF of RFC 6962, 2.1.2, transcribed: `old` counts from `start`."""
    size = stop - start
    if old == size:
        return [] if whole else [over(start, stop)]
    k = 1 << (size - 1).bit_length() - 1
    if old <= k:
        return [*subproof(old, start, start + k, whole), over(start + k, stop)]
    return [*subproof(old - k, start + k, stop, False), over(start, start + k)]


def test_every_consistency_proof_is_that_of_the_rfc_and_holds_where_the_peers_does(peer, node):
    """The peer's own proofs have another layout, so the hashes are those of the rule as the RFC writes it."""
    at = roots(node)
    for new in SIZES:
        for old in range(1, new + 1):
            proof = consistency(node, old, new)
            assert subproof(old, 0, new, True) == proof, (old, new)
            assert extends(old, at[old], new, at[new], proof), (old, new)
            peer.prove_consistency(old, new).verify(at[old], at[new], prior_size=old, later_size=new)


def damaged(proof):
    """The proof with each hash changed, left out or doubled, and one more before and after."""
    other = b"\x5a" * 32
    for at in range(len(proof)):
        yield [*proof[:at], other, *proof[at + 1 :]]
        yield proof[:at] + proof[at + 1 :]
        yield [*proof[: at + 1], *proof[at:]]
        yield [*proof[:at], proof[at][:31], *proof[at + 1 :]]
    yield [*proof, other]
    yield [other, *proof]


def test_no_damaged_inclusion_proof_holds_nor_one_of_another_place(node):
    for size in range(1, 20):
        whole = root(node, size)
        for index in range(size):
            proof = inclusion(node, index, size)
            assert not any(includes(LEAVES[index], index, size, bad, whole) for bad in damaged(proof))
            assert not any(includes(LEAVES[index], i, size, proof, whole) for i in range(-2, size + 2) if i != index)
            assert not includes(LEAVES[index + 1], index, size, proof, whole)


def test_no_damaged_consistency_proof_holds_nor_one_of_another_tree(node):
    at = roots(node)
    for new in range(2, 20):
        for old in range(1, new):
            proof = consistency(node, old, new)
            assert not any(extends(old, at[old], new, at[new], bad) for bad in damaged(proof))
            assert not any(extends(i, at[i], new, at[new], proof) for i in range(new + 1) if i != old)
            longer = (i for i in range(old, 64) if len(consistency(node, old, i)) > len(proof))
            assert not any(extends(old, at[old], i, at[new], proof) for i in longer)
            assert not extends(old, at[old + 1], new, at[new], proof)
            assert not extends(old, at[old], new, at[new - 1], proof)


@pytest.mark.parametrize(("index", "size"), [(0, 0), (3, 3), (-1, 3)])
def test_a_leaf_outside_the_tree_has_no_proof(node, index, size):
    with pytest.raises(ValueError):
        inclusion(node, index, size)


@pytest.mark.parametrize(("old", "new"), [(0, 3), (4, 3), (-1, 3)])
def test_a_tree_that_shrinks_has_no_proof(node, old, new):
    with pytest.raises(ValueError):
        consistency(node, old, new)
