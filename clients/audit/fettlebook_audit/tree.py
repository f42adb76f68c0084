"""The tree of RFC 9162, 2.1: leaves are hashed behind a zero byte, nodes behind a one."""

from collections.abc import Iterator, Sequence
from hashlib import sha256

HEIGHT = 8  # of a tile: it has 2**8 leaves
EMPTY = sha256(b"").digest()


class BadProof(ValueError):
    """The proof does not show it, and why."""


def leaf_hash(text: bytes) -> bytes:
    return sha256(b"\x00" + text).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    return sha256(b"\x01" + left + right).digest()


def tile_root(leaves: Sequence[bytes]) -> bytes:
    """The root over the leaf hashes of a full tile."""
    row = b"".join(leaves)
    while len(row) > 32:
        row = b"".join([sha256(b"\x01" + row[at : at + 64]).digest() for at in range(0, len(row), 64)])
    return row


class Edge:
    """The complete subtrees at the right edge of a growing tree, the largest first: all that its root needs."""

    def __init__(self, size: int = 0, hashes: Sequence[bytes] = ()) -> None:
        if len(hashes) != size.bit_count():
            raise ValueError(f"a tree of {size} leaves has {size.bit_count()} hashes on its edge")
        self.size, self.hashes = size, list(hashes)

    def push(self, node: bytes, height: int = 0) -> None:
        """Add a leaf, or a complete subtree of 2**height leaves where the tree so far ends at a whole one."""
        grown = self.size >> height
        while grown & 1:
            node = node_hash(self.hashes.pop(), node)
            grown >>= 1
        self.hashes.append(node)
        self.size += 1 << height

    def root(self, leaves: Sequence[bytes] = ()) -> bytes:
        """The root, with these leaves after it."""
        edge = Edge(self.size, self.hashes) if leaves else self
        for leaf in leaves:
            edge.push(leaf)
        return root_over(edge.hashes)


def root_over(hashes: Sequence[bytes]) -> bytes:
    """The root over complete subtrees that follow each other, none smaller than the next."""
    if not hashes:
        return EMPTY
    node = hashes[-1]
    for left in reversed(hashes[:-1]):
        node = node_hash(left, node)
    return node


def check_inclusion(leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes) -> None:
    """Raise BadProof unless the leaf is at `index` in the tree of `size` leaves with this root (RFC 9162, 2.1.3.2)."""
    _need_hashes(leaf, root, *proof)
    if not 0 <= index < size:
        raise BadProof(f"a tree of {size} leaves has none at {index}")
    at, last, node = index, size - 1, leaf
    for other in proof:
        if last == 0:
            raise BadProof("the proof is longer than this index and size have")
        if at & 1 or at == last:
            node = node_hash(other, node)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            node = node_hash(node, other)
        at, last = at >> 1, last >> 1
    if last:
        raise BadProof("the proof is shorter than this index and size have")
    if node != root:
        raise BadProof("the proof does not lead to the signed root")


def check_consistency(old: int, old_root: bytes, new: int, new_root: bytes, proof: Sequence[bytes]) -> None:
    """Raise BadProof unless the tree of `new` leaves begins with that of `old` (RFC 9162, 2.1.4.2).

    Every tree begins with the empty one, which needs no proof.
    """
    _need_hashes(old_root, new_root, *proof)
    if not 0 <= old <= new:
        raise BadProof(f"no tree of {new} leaves begins with one of {old}")
    if old in (0, new):
        if proof or (old == new and old_root != new_root):
            raise BadProof("the roots differ" if not proof else "the proof is longer than these sizes have")
        return
    path = iter(proof if old & (old - 1) else [old_root, *proof])
    at, last = old - 1, new - 1
    while at & 1:
        at, last = at >> 1, last >> 1
    first = next(path, None)
    if first is None:
        raise BadProof("the proof is shorter than these sizes have")
    if (old_root, new_root) != _both(first, path, at, last):
        raise BadProof("the proof does not lead from the one root to the other")


def _need_hashes(*given: bytes) -> None:
    if any(len(each) != 32 for each in given):
        raise BadProof("a hash has 32 bytes")


def _both(first: bytes, path: Iterator[bytes], at: int, last: int) -> tuple[bytes, bytes]:
    before = after = first
    for other in path:
        if last == 0:
            raise BadProof("the proof is longer than these sizes have")
        if at & 1 or at == last:
            before, after = node_hash(other, before), node_hash(other, after)
            while not at & 1 and at:
                at, last = at >> 1, last >> 1
        else:
            after = node_hash(after, other)
        at, last = at >> 1, last >> 1
    if last:
        raise BadProof("the proof is shorter than these sizes have")
    return before, after
