"""The log as files that never change: C2SP tlog-tiles, https://c2sp.org/tlog-tiles.

A hash tile of level L holds 1 to 256 hashes, each over 256**L leaves; an entry bundle holds the texts of 1 to 256
entries, each behind its length in two bytes. A full tile never changes; a narrower one is named with its width.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from service_api.log.proofs import Node

HEIGHT = 8
WIDTH = 1 << HEIGHT
LONGEST = 0xFFFF  # bytes of an entry: its length has two
Level = int | Literal["entries"]

_PATH = re.compile(r"(?P<level>entries|0|[1-9]\d?)/(?P<number>(?:x\d{3}/)*\d{3})(?:\.p/(?P<width>[1-9]\d{0,2}))?", re.A)


@dataclass(frozen=True)
class Name:
    """Which tile: its level or `entries`, its number from the left, and how many hashes or entries it has."""

    level: Level
    number: int
    width: int = WIDTH

    @property
    def path(self) -> str:
        """As it stands after `tile/`: 0/x001/x234/067, or with .p/8 where it is not full."""
        groups = [f"{self.number % 1000:03}"]
        rest = self.number // 1000
        while rest:
            groups.insert(0, f"x{rest % 1000:03}")
            rest //= 1000
        return f"{self.level}/{'/'.join(groups)}" + ("" if self.width == WIDTH else f".p/{self.width}")


def read_path(path: str) -> Name:
    """The tile that a path after `tile/` names. Raises ValueError when it is none, or not written the one way."""
    found = _PATH.fullmatch(path) if len(path) <= 64 else None
    if found:
        level: Level = "entries" if found["level"] == "entries" else int(found["level"])
        number = int(found["number"].replace("/", "").replace("x", ""))
        name = Name(level, number, int(found["width"] or WIDTH))
        if name.path == path and (level == "entries" or level < 64):
            return name
    raise ValueError("a tile is called 0/x001/067 or entries/x001/067, with .p/ and its width where it is not full")


def width(size: int, level: Level, number: int) -> int:
    """How many hashes or entries that tile has in a tree of `size` leaves, from 0 to 256."""
    there = size if level == "entries" else size >> HEIGHT * level
    return max(0, min(WIDTH, there - number * WIDTH))


def names(size: int) -> Iterator[Name]:
    """Every tile of a tree of `size` leaves, the entry bundles first; those that are not full as they are now."""
    levels: list[Level] = ["entries", *range((max(size, 1).bit_length() + HEIGHT - 1) // HEIGHT)]
    for level in levels:
        number = 0
        while found := width(size, level, number):
            yield Name(level, number, found)
            number += 1


def hash_tile(node: Node, name: Name) -> bytes:
    """The hashes of a tile, 32 bytes each, from the left."""
    assert name.level != "entries"
    first = name.number * WIDTH
    return b"".join(node(HEIGHT * name.level, first + at) for at in range(name.width))


def bundle(texts: Iterable[bytes]) -> bytes:
    """The entries of a bundle, each behind its length as an unsigned number of two bytes, the greater first.

    Raises ValueError for an entry that does not fit.
    """
    parts = []
    for text in texts:
        if len(text) > LONGEST:
            raise ValueError(f"an entry of {len(text)} bytes does not fit into a bundle")
        parts += [len(text).to_bytes(2, "big"), text]
    return b"".join(parts)


def read_bundle(content: bytes) -> list[bytes]:
    """The entries of a bundle. Raises ValueError when it is cut short or holds more than 256."""
    found: list[bytes] = []
    at = 0
    while at < len(content):
        end = at + 2 + int.from_bytes(content[at : at + 2], "big")
        if end > len(content) or at + 2 > len(content):
            raise ValueError(f"the bundle is cut short in its entry {len(found)}")
        found.append(content[at + 2 : end])
        at = end
        if len(found) > WIDTH:
            raise ValueError(f"a bundle has at most {WIDTH} entries")
    return found
