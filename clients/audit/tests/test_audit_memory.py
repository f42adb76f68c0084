"""B30: what a check holds in memory does not grow with the book. Each check runs in a process of its own."""

import subprocess
import sys
from base64 import b64encode
from hashlib import sha256
from pathlib import Path

import pytest
from by_hand import ORIGIN, entry, kept, signed, tiles_of

SMALL, LARGE = 2_000, 40_000
ROOM = 5_000  # kB; the texts of the large one alone are three times as much
PROGRAM = """
import sys
from pathlib import Path
from fettlebook_audit import checking
from fettlebook_audit.checker import checked
from fettlebook_audit.copies import Copy
if sys.argv[2:]:
    kept, read = [], checking.Check._read
    checking.Check._read = lambda self, text: (kept.append(text), read(self, text))
found = checked(Copy(Path(sys.argv[1])))
assert not found.faults, found.faults
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


def root_of(texts):
    """RFC 9162, 2.1.1, level by level: a last one without a neighbour goes up as it is."""
    row = [sha256(b"\0" + text).digest() for text in texts]
    while len(row) > 1:
        pairs = [sha256(b"\1" + row[at] + row[at + 1]).digest() for at in range(0, len(row) - 1, 2)]
        row = pairs + row[len(row) // 2 * 2 :]
    return row[0]


@pytest.fixture(scope="module")
def books(tmp_path_factory):
    texts = [entry(n, note="x" * 200) for n in range(LARGE)]
    found = []
    for size in (SMALL, LARGE):
        folder = tmp_path_factory.mktemp("book")
        note = signed(f"{ORIGIN}\n{size}\n{b64encode(root_of(texts[:size])).decode()}\n").encode()
        kept(folder, note)
        tiles_of(folder, texts[:size])
        found.append(folder)
    return found


def memory(folder, *more):
    """The most that the process held, kB."""
    where = str(Path(__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(folder), *more], capture_output=True, text=True, env={"PYTHONPATH": where}
    )
    assert 0 == done.returncode, done.stderr
    return int(done.stdout)


def test_b30_a_check_of_twenty_times_the_entries_takes_no_more_memory(books):
    small, large = map(memory, books)
    assert large - small < ROOM


def test_b30_control_a_check_that_keeps_what_it_reads_is_found(books):
    for folder in books:
        (folder / "verified").unlink(missing_ok=True)
    small, large = (memory(folder, "keep") for folder in books)
    assert large - small > ROOM
