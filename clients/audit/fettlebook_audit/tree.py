"""The tree of RFC 9162, 2.1: leaves are hashed behind a zero byte, nodes behind a one."""

from hashlib import sha256


def leaf_hash(text: bytes) -> bytes:
    return sha256(b"\x00" + text).digest()


class Edge:
    """The complete subtrees at the right edge of a growing tree, the largest first: all that its root needs."""

    def __init__(self) -> None:
        self.size = 0
        self._hashes: list[bytes] = []

    def push(self, leaf: bytes) -> None:
        size, node = self.size, leaf
        while size & 1:
            node = sha256(b"\x01" + self._hashes.pop() + node).digest()
            size >>= 1
        self._hashes.append(node)
        self.size += 1

    def root(self) -> bytes:
        if not self._hashes:
            return sha256(b"").digest()
        node = self._hashes[-1]
        for left in reversed(self._hashes[:-1]):
            node = sha256(b"\x01" + left + node).digest()
        return node
