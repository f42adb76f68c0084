"""Merkle tree hashing over SHA-256 (RFC 6962, 2.1; the same text in RFC 9162, 2.1.1)."""

from collections.abc import Iterable, Sequence
from hashlib import sha256
from operator import add
from typing import Any

EMPTY_ROOT = sha256(b"").digest()


def leaf_hash(data: bytes) -> bytes:
    """SHA-256(0x00 || data)."""
    return sha256(b"\x00" + data).digest()


def leaf_hashes(texts: Iterable[bytes]) -> list[bytes]:
    """The leaf hash of each. To go on from a hash that has begun is quicker than to put a byte before each."""
    return _from(sha256(b"\x00"), texts)


def _from(begun: Any, each: Iterable[bytes]) -> list[bytes]:
    copy, hashes = begun.copy, []
    for rest in each:
        one = copy()
        one.update(rest)
        hashes.append(one.digest())
    return hashes


def node_hash(left: bytes, right: bytes) -> bytes:
    """SHA-256(0x01 || left || right)."""
    return sha256(b"\x01" + left + right).digest()


def tile_root(leaves: Sequence[bytes]) -> bytes:
    """The root over a number of leaf hashes that is a power of two, level by level."""
    row = leaves
    while len(row) > 1:
        row = above(row)
    return row[0]


def above(row: Sequence[bytes]) -> list[bytes]:
    """The hash over each pair of a level of the tree; one that is left over has none."""
    return _from(sha256(b"\x01"), map(add, row[::2], row[1::2]))


class Frontier:
    """The right edge of the tree: one hash per complete subtree, the largest first; enough to go on and for the root.

    A tree of `size` leaves has one complete subtree per set bit of `size`.
    """

    def __init__(self, size: int = 0, hashes: Iterable[bytes] = ()) -> None:
        self.size = size
        self.hashes = list(hashes)
        if len(self.hashes) != size.bit_count():
            raise ValueError(f"a tree of {size} leaves has {size.bit_count()} hashes on its edge")

    def push(self, leaf: bytes, height: int = 0) -> None:
        """Add a leaf hash at the right; or the root over 2**height leaves, where so many begin a subtree here."""
        grown = self.size >> height
        node = leaf
        while grown & 1:
            node = node_hash(self.hashes.pop(), node)
            grown >>= 1
        self.hashes.append(node)
        self.size += 1 << height

    def root(self) -> bytes:
        """The root of the tree so far; of the empty tree SHA-256 of nothing."""
        if not self.hashes:
            return EMPTY_ROOT
        node = self.hashes[-1]
        for left in reversed(self.hashes[:-1]):
            node = node_hash(left, node)
        return node

    def copy(self) -> "Frontier":
        return Frontier(self.size, self.hashes)

    def pack(self) -> bytes:
        return b"".join(self.hashes)

    @classmethod
    def unpack(cls, size: int, packed: bytes) -> "Frontier":
        return cls(size, (packed[at : at + 32] for at in range(0, len(packed), 32)))
