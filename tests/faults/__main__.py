"""Long runs of the kill harness: `python -m tests.faults --kills 1000 --store sqlite`. Exit status 1 for any fault.

A line a round: number, seconds under load, entries in the book, acknowledged so far, what is wrong. The seed is
printed; a run with it makes the same entries and kills after the same times.
"""

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests import postgres
from tests.faults.harness import ground, kills

FRESH = 25  # kills on one store, so that checking a round does not take ever longer


@contextmanager
def server(kind: str) -> Iterator[str | None]:
    """The URL of a throw-away database server, where one is asked for."""
    if kind == "sqlite":
        yield None
        return
    found = postgres.programs()
    if found is None:
        sys.exit("no PostgreSQL on this machine: install it (initdb, postgres)")
    with postgres.throw_away(found) as url:
        yield url


def run(kind: str, rounds: int, seed: int) -> int:
    dice, wrong, acked, done, began = random.Random(seed), 0, 0, 0, time.monotonic()
    print(f"store {kind}, {rounds} kills, seed {seed}", flush=True)
    with server(kind) as url:
        while done < rounds:
            part, own_seed = min(FRESH, rounds - done), dice.getrandbits(32)
            with tempfile.TemporaryDirectory() as folder:
                if url is None:
                    acked, wrong = _part(Path(folder), None, part, own_seed, done, acked, wrong)
                else:
                    with postgres.database(url, f"kills_{done}") as database:
                        acked, wrong = _part(Path(folder), database, part, own_seed, done, acked, wrong)
            done += part
    seconds = time.monotonic() - began
    print(f"{done} kills, {acked} entries acknowledged, {wrong} faults, {seconds:.0f} s, seed {seed}", flush=True)
    return 1 if wrong else 0


def _part(
    folder: Path, database: str | None, rounds: int, seed: int, before: int, acked: int, wrong: int
) -> tuple[int, int]:
    last = 0
    with ground(folder, database) as on:
        for each in kills(on, rounds, seed):
            name = before + each.number if each.number else "end"
            words = "; ".join(each.faults[:5]) or "all well"
            print(f"{name:>5} {each.after:5.3f} s {each.entries:7} {acked + each.acked:8} {words}", flush=True)
            wrong, last = wrong + len(each.faults), each.acked
    return acked + last, wrong


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--store", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--seed", type=int, default=None, help="[a new one, printed]")
    given = parser.parse_args()
    return run(given.store, given.kills, time.time_ns() if given.seed is None else given.seed)


if __name__ == "__main__":
    sys.exit(main())
