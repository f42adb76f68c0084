"""C2SP tlog-tiles: the layout of paths, hash tiles and entry bundles (https://c2sp.org/tlog-tiles)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service_api.log.conformance import root_by_the_book
from service_api.log.merkle import leaf_hash, node_hash
from service_api.log.proofs import nodes_of, root
from service_api.log.tiles import Name, bundle, hash_tile, names, read_bundle, read_path, width


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("0/x001/x234/067", Name(0, 1234067)),  # the example of the specification
        ("0/000", Name(0, 0)),
        ("63/999", Name(63, 999)),
        ("1/x001/000.p/1", Name(1, 1000, 1)),
        ("entries/x001/x234/067.p/255", Name("entries", 1234067, 255)),
    ],
)
def test_a_path_names_a_tile_and_back(path, name):
    assert name == read_path(path)
    assert path == name.path


@pytest.mark.parametrize(
    "path",
    [
        *("", "0", "0/", "0/0", "0/00", "0/0000", "00/000", "64/000", "-1/000", "0/x000/001", "0/001/067", "0/x001"),
        *("0/000.p/0", "0/000.p/256", "0/000.p/01", "0/000.p/", "0/000.p", "0/000/p/3", "data/000", "0/٠٠٠", "0/000\n"),
        "0/" + "x001/" * 5000 + "000",
    ],
)
def test_any_other_path_is_none(path):
    with pytest.raises(ValueError):
        read_path(path)


def test_widths_are_those_of_the_specification():
    """Its example: a tree of 70,000 leaves has 273 full tiles and one of 112 at level 0, one full and one of 17 at
    level 1, and one of 1 at level 2."""
    found = [name for name in names(70_000) if name.level != "entries"]
    assert 274 + 2 + 1 == len(found)
    assert Name(0, 273, 112) in found
    assert [Name(1, 0), Name(1, 1, 17), Name(2, 0, 1)] == [n for n in found if n.level != 0]
    assert 274 == sum(name.level == "entries" for name in names(70_000))
    assert [] == list(names(0))
    assert [Name("entries", 0, 256), Name(0, 0, 256), Name(1, 0, 1)] == list(names(256))


@pytest.mark.parametrize(("size", "level", "number"), [(0, 0, 0), (255, 1, 0), (256, 0, 1), (65_535, 2, 0)])
def test_a_tile_beyond_the_tree_has_no_width(size, level, number):
    assert 0 == width(size, level, number)


def test_a_hash_of_a_higher_tile_is_the_root_over_its_leaves():
    entries = [b"%d" % n for n in range(600)]
    node = nodes_of([leaf_hash(entry) for entry in entries])
    tile = hash_tile(node, Name(1, 0, 2))
    assert root_by_the_book(entries[:256]) + root_by_the_book(entries[256:512]) == tile
    assert leaf_hash(b"512") == hash_tile(node, Name(0, 2, 88))[:32]
    edge = root_by_the_book(entries[512:])
    assert node_hash(node_hash(tile[:32], tile[32:]), edge) == root(node, 600)


def test_a_bundle_has_lengths_of_two_bytes():
    assert b"\x00\x03abc\x00\x00\x01\x00" + b"d" * 256 == bundle([b"abc", b"", b"d" * 256])


@given(st.lists(st.binary(max_size=300), max_size=256))
def test_a_bundle_reads_back(texts):
    assert texts == read_bundle(bundle(texts))


@given(st.lists(st.binary(min_size=1, max_size=300), min_size=1, max_size=20), st.data())
def test_a_bundle_that_is_cut_short_is_refused_or_ends_between_two_entries(texts, data):
    whole = bundle(texts)
    cut = data.draw(st.integers(0, len(whole) - 1))
    ends = {len(bundle(texts[:n])): n for n in range(len(texts))}
    if cut in ends:
        assert texts[: ends[cut]] == read_bundle(whole[:cut])
    else:
        with pytest.raises(ValueError, match="cut short"):
            read_bundle(whole[:cut])


def test_what_does_not_fit_is_refused():
    assert 65_537 == len(bundle([b"a" * 65_535]))
    with pytest.raises(ValueError):
        bundle([b"a" * 65_536])
    with pytest.raises(ValueError, match="at most 256"):
        read_bundle(b"\x00\x00" * 257)
