"""Names and contents of tiles (https://c2sp.org/tlog-tiles)."""

from collections.abc import Iterator

WIDTH = 256
LARGEST = {"0": WIDTH * 32, "entries": WIDTH * (2 + 0xFFFF)}  # bytes of a file


def path(kind: str, number: int, width: int) -> str:
    """`entries/x001/x234/067`, with .p/ and its width where it is not full."""
    found = f"{number % 1000:03}" if width == WIDTH else f"{number % 1000:03}.p/{width}"
    while number := number // 1000:
        found = f"x{number % 1000:03}/{found}"
    return f"{kind}/{found}"


def of(size: int, first: int = 0) -> Iterator[tuple[int, int]]:
    """Number and width of each tile at the foot of a tree of `size` leaves, from tile `first` on."""
    for number in range(first, (size + WIDTH - 1) // WIDTH):
        yield number, min(WIDTH, size - number * WIDTH)


def hashes(content: bytes, width: int) -> list[bytes]:
    """The hashes of a tile. Raises ValueError when they are not so many."""
    if len(content) != 32 * width:
        raise ValueError(f"{len(content)} bytes where {width} hashes have {32 * width}")
    return [content[at : at + 32] for at in range(0, len(content), 32)]


def texts(content: bytes, width: int) -> list[bytes]:
    """The entries of a bundle, each behind its length in two bytes. Raises ValueError when they are not so many."""
    found: list[bytes] = []
    at = 0
    while at < len(content) and len(found) <= width:
        end = at + 2 + int.from_bytes(content[at : at + 2], "big")
        if end > len(content) or at + 2 > len(content):
            raise ValueError(f"cut short in its entry {len(found)}")
        found.append(content[at + 2 : end])
        at = end
    if len(found) != width:
        raise ValueError(f"{len(found)} entries or more where {width} belong")
    return found
