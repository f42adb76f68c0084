"""Threads of a service allocate from one heap, whichever of them takes the next request."""

import ctypes
import subprocess
import sys

import pytest

pytestmark = pytest.mark.skipif(
    not hasattr(ctypes.CDLL(None), "malloc_info"), reason="the C library does not tell its heaps"
)

# Eight threads that hold a block each at the same time; then the heaps, as malloc_info(3) lists them.
HEAPS = """
import ctypes, sys, threading
from service_api.ops.heap import keep_to_one_heap
if sys.argv[1] == "one":
    keep_to_one_heap()
c = ctypes.CDLL(None)
c.malloc.restype, c.malloc.argtypes = ctypes.c_void_p, [ctypes.c_size_t]
all_there = threading.Barrier(8)
def hold():
    all_there.wait()
    c.malloc(5000)
    all_there.wait()
threads = [threading.Thread(target=hold) for _ in range(8)]
[t.start() for t in threads]; [t.join() for t in threads]
c.fdopen.restype, c.fdopen.argtypes = ctypes.c_void_p, [ctypes.c_int, ctypes.c_char_p]
c.malloc_info.argtypes = [ctypes.c_int, ctypes.c_void_p]
out = c.fdopen(1, b"w")
c.malloc_info(0, out)
c.fflush(None)
"""


def heaps(how):
    done = subprocess.run([sys.executable, "-c", HEAPS, how], check=True, capture_output=True, text=True)
    return done.stdout.count("<heap nr=")


def test_threads_share_one_heap():
    assert 1 < heaps("each")
    assert 1 == heaps("one")
