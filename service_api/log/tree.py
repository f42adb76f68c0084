"""The tree of a book as it is stored: complete subtrees hashed from the leaves beside the entries.

Leaves never change, so what was hashed once is kept: the root of every full tile, and the tiles that were asked for.
"""

from service_api.log import driver
from service_api.log.merkle import node_hash
from service_api.log.proofs import Node, nodes_of, root
from service_api.log.tiles import HEIGHT, WIDTH

MOST_TILES = 4096  # of 256 leaves, 16 kB each, kept at a time: as many as a million entries have


class StoredTree:
    """Gives the hashes that proofs and tiles are made of. Many threads may ask."""

    def __init__(self, ask: driver.Ask, book: int) -> None:
        self.ask, self.book = ask, book
        self._tiles: dict[int, tuple[int, Node]] = {}  # how many leaves were read, and what is over them
        self._above: dict[tuple[int, int], bytes] = {}

    def node(self, level: int, number: int) -> bytes:
        """The hash over the leaves number * 2**level <= index < (number + 1) * 2**level.

        Raises LookupError when the store lacks one of them.
        """
        if level < HEIGHT:
            tile, first = divmod(number << level, WIDTH)
            return self._tile(tile, first + (1 << level))(level, first >> level)
        found = self._above.get((level, number))
        if found is None:
            if level == HEIGHT:
                found = root(self._tile(number, WIDTH), WIDTH)
            else:
                found = node_hash(self.node(level - 1, 2 * number), self.node(level - 1, 2 * number + 1))
            self._above[level, number] = found
        return found

    def _tile(self, number: int, needed: int) -> Node:
        """What is over the leaves of a tile, of which at least the first `needed` are there."""
        count, found = self._tiles.get(number, (0, None))
        if found is None or count < needed:
            first = number * WIDTH
            rows = self.ask(_LEAVES, (self.book, first, first + WIDTH))
            leaves = [bytes(leaf) for at, (index, leaf) in enumerate(rows, first) if index == at]  # up to a gap
            if len(leaves) < needed:
                raise LookupError(f"the store has no leaf at {first + len(leaves)}")
            found = nodes_of(leaves)
            if len(self._tiles) >= MOST_TILES:
                self._tiles.clear()
            self._tiles[number] = len(leaves), found
        return found


_LEAVES = "SELECT log_index, leaf FROM receipt WHERE book = ? AND log_index >= ? AND log_index < ? ORDER BY log_index"
