"""The trees over a book whose texts and hash tiles differ: at each place the one may be right, or the other."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, product
from math import prod

from fettlebook_audit.tiles import WIDTH
from fettlebook_audit.tree import HEIGHT, Edge, node_hash, root_over, tile_root

TREES = 2**12  # at most at a time: twelve places, each both ways
TRIES = 2**16  # at most in all: a copy may have many checkpoints that nothing fits
SINGLY = 4  # entries of a tile that are told apart; where more differ, they are one place

Place = tuple[int, ...]  # entries that are taken from the texts together, or from the tile
Taken = tuple[Place, ...]  # places that are taken from the texts


@dataclass(frozen=True)
class Mixture:
    """A tree: whole tiles, then leaves.

    texts : the entries that are in it by their text where the tile beside it says otherwise
    """

    edge: Edge
    leaves: list[bytes]
    texts: frozenset[int]


class Mixtures:
    """All trees that go on from this edge, until they are too many."""

    def __init__(self, edge: Edge) -> None:
        self._size = edge.size
        self._edge: list[dict[bytes, Taken]] = [{each: ()} for each in edge.hashes]
        self._tries = TRIES

    def push(self, by_text: Sequence[bytes], by_tile: Sequence[bytes]) -> None:
        """The leaf hashes of the next full tile, as its texts and as the tile have them."""
        node = {tile_root(leaves): taken for leaves, taken in _ways(self._size, by_text, by_tile)}
        if prod(map(len, [*self._edge, node])) > TREES:
            self._tries = 0
        if self._tries == 0:
            return
        grown = self._size >> HEIGHT
        while grown & 1:
            pairs = product(self._edge.pop().items(), node.items())
            node = {node_hash(left, right): before + after for (left, before), (right, after) in pairs}
            grown >>= 1
        self._edge.append(node)
        self._size += WIDTH

    def with_root(self, root: bytes, by_text: Sequence[bytes], by_tile: Sequence[bytes]) -> Mixture | None:
        """The tree that has this root, with these leaves of a tile to come; None when there is none, or too many."""
        for leaves, last in _ways(self._size, by_text, by_tile):
            tail = Edge()
            for leaf in leaves:
                tail.push(leaf)
            for chosen in product(*(each.items() for each in self._edge)):
                if self._tries == 0:
                    return None
                self._tries -= 1
                hashes = [each for each, _ in chosen]
                if root_over([*hashes, *tail.hashes]) == root:
                    taken = chain(last, *(places for _, places in chosen))
                    return Mixture(Edge(self._size, hashes), leaves, frozenset(chain(*taken)))
        return None


def _ways(first: int, by_text: Sequence[bytes], by_tile: Sequence[bytes]) -> Iterator[tuple[list[bytes], Taken]]:
    """The leaf hashes of a tile whose first entry this is, each place both ways."""
    differ = [at for at, (leaf, said) in enumerate(zip(by_text, by_tile, strict=True)) if leaf != said]
    places = [[at] for at in differ] if len(differ) <= SINGLY else [differ]
    for ways in product((False, True), repeat=len(places)):
        taken = [place for place, text in zip(places, ways, strict=True) if text]
        leaves = list(by_tile)
        for at in chain(*taken):
            leaves[at] = by_text[at]
        yield leaves, tuple(tuple(first + at for at in place) for place in taken)
