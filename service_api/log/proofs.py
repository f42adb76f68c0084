"""Inclusion and consistency proofs (RFC 9162, 2.1.3 and 2.1.4; the trees of RFC 6962).

A proof is made from complete subtrees alone: `node(level, number)` gives the hash over the leaves
number * 2**level <= index < (number + 1) * 2**level. Proofs are lists of 32-byte hashes, the leaf's side first.
"""

from collections.abc import Callable, Iterator, Sequence

from service_api.log.merkle import EMPTY_ROOT, above, node_hash

Node = Callable[[int, int], bytes]
Span = tuple[int, int]  # start <= index < stop


def nodes_of(leaves: Sequence[bytes]) -> Node:
    """The complete subtrees over these leaf hashes, all hashed at once, level by level."""
    row, rows = leaves, [b"".join(leaves)]
    while len(row) > 1:
        row = above(row)
        rows.append(b"".join(row))

    def node(level: int, number: int) -> bytes:
        return rows[level][32 * number : 32 * number + 32]

    return node


def root(node: Node, size: int) -> bytes:
    """The root over the first `size` leaves."""
    return _over(node, (0, size)) if size else EMPTY_ROOT


def inclusion(node: Node, index: int, size: int) -> list[bytes]:
    """That the leaf at `index` is in the tree of `size` leaves. Raises ValueError when it is not."""
    if not 0 <= index < size:
        raise ValueError(f"a tree of {size} leaves has none at {index}")
    beside: list[Span] = []
    start, stop = 0, size
    while stop - start > 1:
        middle = start + _left(stop - start)
        if index < middle:
            beside.append((middle, stop))
            stop = middle
        else:
            beside.append((start, middle))
            start = middle
    return [_over(node, span) for span in reversed(beside)]


def consistency(node: Node, old: int, new: int) -> list[bytes]:
    """That the tree of `new` leaves begins with that of `old`. Raises ValueError unless 0 < old <= new."""
    if not 0 < old <= new:
        raise ValueError(f"no tree of {new} leaves can begin with one of {old}")
    beside: list[Span] = []
    start, stop = 0, new
    while old < stop:
        middle = start + _left(stop - start)
        if old <= middle:
            beside.append((middle, stop))
            stop = middle
        else:
            beside.append((start, middle))
            start = middle
    if start:  # a subtree that is all of the old tree is known by the old root
        beside.append((start, stop))
    return [_over(node, span) for span in reversed(beside)]


def includes(leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> bool:
    """The proof shows that `leaf` is at `index` in the tree of `size` leaves with this root (RFC 9162, 2.1.3.2)."""
    if not 0 <= index < size or not _are_hashes([leaf, root, *proof]):
        return False
    at, last, node = index, size - 1, leaf
    for other in proof:
        if last == 0:
            return False
        if at & 1 or at == last:
            node = node_hash(other, node)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            node = node_hash(node, other)
        at, last = at >> 1, last >> 1
    return last == 0 and node == root


def extends(old: int, old_root: bytes, new: int, new_root: bytes, proof: Sequence[bytes]) -> bool:
    """The proof shows that the tree of `new` leaves begins with that of `old` (RFC 9162, 2.1.4.2).

    Nothing is shown of an empty old tree: every tree begins with it.
    """
    if not 0 < old <= new or not _are_hashes([old_root, new_root, *proof]):
        return False
    if old == new:
        return not proof and old_root == new_root
    path = iter(proof if old & (old - 1) else [old_root, *proof])
    at, last = old - 1, new - 1
    while at & 1:
        at, last = at >> 1, last >> 1
    first = next(path, None)
    return first is not None and (old_root, new_root) == _both_roots(first, path, at, last)


def _both_roots(first: bytes, path: Iterator[bytes], at: int, last: int) -> tuple[bytes, bytes] | None:
    before = after = first
    for other in path:
        if last == 0:
            return None
        if at & 1 or at == last:
            before, after = node_hash(other, before), node_hash(other, after)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            after = node_hash(after, other)
        at, last = at >> 1, last >> 1
    return (before, after) if last == 0 else None


def _are_hashes(found: Sequence[bytes]) -> bool:
    return all(len(each) == 32 for each in found)


def _left(size: int) -> int:
    """The largest power of two below `size`: so many leaves are in the left subtree."""
    return 1 << (size - 1).bit_length() - 1


def _over(node: Node, span: Span) -> bytes:
    start, stop = span
    size = stop - start
    if size & (size - 1) == 0:
        level = size.bit_length() - 1
        return node(level, start >> level)
    middle = start + _left(size)
    return node_hash(_over(node, (start, middle)), _over(node, (middle, stop)))
