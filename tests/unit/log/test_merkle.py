"""The published roots are judged in tests/vectors; here is what holds at any size."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api.log.conformance import root_by_the_book
from service_api.log.merkle import Frontier, leaf_hash

LEAVES = st.lists(st.binary(max_size=4), max_size=140)


def grown(leaves, edge=None):
    edge = edge or Frontier()
    for leaf in leaves:
        edge.push(leaf_hash(leaf))
    return edge


@given(LEAVES)
def test_the_running_root_is_that_of_the_slow_rule(leaves):
    """RFC 6962, 2.1, transcribed in conformance.py."""
    assert root_by_the_book(leaves) == grown(leaves).root()


@given(LEAVES, LEAVES)
def test_a_packed_edge_goes_on_as_if_it_had_never_been_packed(before, after):
    edge = grown(before)
    again = Frontier.unpack(edge.size, edge.pack())
    assert (edge.size, edge.root(), edge.hashes) == (again.size, again.root(), again.hashes)
    assert grown(before + after).root() == grown(after, again).root()


@given(LEAVES)
def test_the_edge_has_one_hash_for_each_complete_subtree(leaves):
    """One per set bit of the size: 140 leaves are 128 + 8 + 4."""
    assert 32 * len(leaves).bit_count() == len(grown(leaves).pack())


@given(LEAVES, st.binary(max_size=4))
def test_a_copy_grows_by_itself(leaves, more):
    edge = grown(leaves)
    before = edge.root()
    grown([more], edge.copy())
    assert (before, len(leaves)) == (edge.root(), edge.size)


@pytest.mark.parametrize(("size", "packed"), [(0, b"\0" * 32), (1, b""), (3, b"\0" * 32), (2, b"\0" * 31 + b"\0" * 32)])
def test_an_edge_that_does_not_fit_its_size_is_refused(size, packed):
    with pytest.raises(ValueError):
        Frontier.unpack(size, packed)
