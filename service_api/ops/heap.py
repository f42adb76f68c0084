"""How a service that runs for long keeps its memory: one heap, seldom gone through.

Threads that take turns at one interpreter need one heap.

The C library gives every thread that allocates beside another a heap of its own. What one thread frees is of no use to
the others there: after 30,000 entries in batches of a thousand a service of 32 threads held 255 MB, with one heap 125.
"""

import ctypes
import gc

ARENA_MAX = -8  # M_ARENA_MAX of malloc.h (glibc)


def keep_to_one_heap() -> None:
    """Threads that start from here on allocate from one heap, where the C library has a choice."""
    limit = getattr(ctypes.CDLL(None), "mallopt", None)
    if limit is not None:
        limit(ARENA_MAX, 1)


SELDOM = 20_000  # more containers made than dropped, between two looks for cycles


def collect_seldom() -> None:
    """What was made at the start stays for good; and next to nothing here is held by cycles, so that looking for them
    as often as the interpreter does by itself takes one part in fourteen of an append."""
    gc.freeze()
    gc.set_threshold(SELDOM, 10, 10)
