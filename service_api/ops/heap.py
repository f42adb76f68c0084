"""Threads that take turns at one interpreter need one heap.

The C library gives every thread that allocates beside another a heap of its own. What one thread frees is of no use to
the others there: after 30,000 entries in batches of a thousand a service of 32 threads held 255 MB, with one heap 125.
"""

import ctypes

ARENA_MAX = -8  # M_ARENA_MAX of malloc.h (glibc)


def keep_to_one_heap() -> None:
    """Threads that start from here on allocate from one heap, where the C library has a choice."""
    limit = getattr(ctypes.CDLL(None), "mallopt", None)
    if limit is not None:
        limit(ARENA_MAX, 1)
