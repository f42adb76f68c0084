"""Ids of entries: UUIDs, of version 7 by preference, so that they sort by the time they were made."""

import re
from typing import NamedTuple

DASHED = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


class Uuid7(NamedTuple):
    unix_ms: int  # milliseconds since 1970
    rand_a: int  # 12 bits
    rand_b: int  # 62 bits
    canonical: str  # lower case, dashed


def is_entry_id(text: str) -> bool:
    """True for a lower-case dashed UUID of any version, which is what an entry may be called."""
    return DASHED.fullmatch(text) is not None


def uuid7_from(unix_ms: int, rand_a: int, rand_b: int) -> str:
    """Return the version 7 UUID with these fields. Raises ValueError when one does not fit its 48, 12 or 62 bits.

    Source: RFC 9562, 5.7.
    """
    for field, bits in ((unix_ms, 48), (rand_a, 12), (rand_b, 62)):
        if not 0 <= field < 1 << bits:
            raise ValueError(f"{field} does not fit {bits} bits")
    digits = f"{unix_ms << 80 | 7 << 76 | rand_a << 64 | 0b10 << 62 | rand_b:032x}"
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))


def uuid7_fields(text: str) -> Uuid7:
    """Return the fields of a dashed version 7 UUID, of either case. Raises ValueError for any other text.

    Source: RFC 9562, 4 (dashed form, read in either case), 4.1 (variant) and 5.7.
    """
    canonical = text.lower()
    if not is_entry_id(canonical):
        raise ValueError("no UUID in dashed form")
    number = int(canonical.replace("-", ""), 16)
    if number >> 76 & 0xF != 7 or number >> 62 & 0b11 != 0b10:
        raise ValueError("no UUID of version 7")
    return Uuid7(number >> 80, number >> 64 & 0xFFF, number & (1 << 62) - 1, canonical)


def new_id(unix_ms: int, random: bytes) -> str:
    """Return a version 7 UUID for this time, from ten random bytes. Raises ValueError for another number of bytes."""
    if len(random) != 10:
        raise ValueError("an id takes ten random bytes")
    bits = int.from_bytes(random, "big")
    return uuid7_from(unix_ms, bits >> 62 & 0xFFF, bits & (1 << 62) - 1)
