"""The newest entries held against the head that stands for them: what is asked of a store before writing goes on.

After trouble all of it is asked, before the first entry of a process the head alone.
"""

from sqlalchemy import Connection, func, select

from service_api.log import store
from service_api.log import tables as t
from service_api.log.merkle import Frontier, leaf_hash

MOST = 1024  # entries that are hashed again


class TailBroken(RuntimeError):
    """The head of the book does not stand for the entries that are there."""


def check_head(connection: Connection, book: int) -> store.Head:
    """The head. Raises TailBroken unless it counts the entries that are there and its root is that of its edge."""
    head = store.read_head(connection, book)
    last = connection.execute(select(func.max(t.entry.c.log_index)).where(t.entry.c.book == book)).scalar()
    if head.size != (0 if last is None else last + 1):
        raise TailBroken(f"the head counts {head.size} entries, the last is {last}")
    root = connection.execute(select(t.log_head.c.root).where(t.log_head.c.book == book)).scalar_one()
    if head.frontier.root() != bytes(root):
        raise TailBroken("the root is not that of the edge")
    return head


def check_tail(connection: Connection, book: int) -> None:
    """Raise TailBroken, naming the place, unless the newest entries are those that the head was made of.

    No entry lies past the head and none is missing before it; each has its receipt with the hash of its text, and
    its id; and every complete subtree of the right edge that lies within the last `MOST` entries hashes to the edge.
    """
    head = check_head(connection, book)
    start = max(0, head.size - MOST)
    leaves = _leaves(connection, book, start, head.size)
    _check_edge(head.frontier, start, leaves)


def _leaves(connection: Connection, book: int, start: int, stop: int) -> list[bytes]:
    """The leaf hashes of these entries, from their texts."""
    found = [(stored.index, leaf_hash(bytes(stored.hashed))) for stored in store.read(connection, book, start, stop)]
    said = store.receipts(connection, book, range(start, stop))
    with_id = select(t.entry_id.c.log_index).where(t.entry_id.c.book == book)
    named = set(connection.execute(with_id.where(t.entry_id.c.log_index >= start)).scalars())
    for wanted, (index, leaf) in enumerate(found, start):
        if index != wanted:
            raise TailBroken(f"entry {wanted} is missing")
        if index not in said or bytes(said[index].leaf) != leaf:
            raise TailBroken(f"the receipt of entry {index} is not that of its text")
        if index not in named:
            raise TailBroken(f"entry {index} has no id")
    return [leaf for _, leaf in found]


def _check_edge(edge: Frontier, start: int, leaves: list[bytes]) -> None:
    stop = edge.size
    for level, wanted in zip(_levels(edge.size), reversed(edge.hashes), strict=True):
        first = stop - (1 << level)
        if first < start:
            return
        subtree = Frontier()
        for leaf in leaves[first - start : stop - start]:
            subtree.push(leaf)
        if subtree.root() != wanted:
            raise TailBroken(f"entries {first} to {stop - 1} are not those that the head was made of")
        stop = first


def _levels(size: int) -> list[int]:
    """The heights of the complete subtrees of a tree of this size, from the right."""
    return [level for level in range(size.bit_length()) if size >> level & 1]
