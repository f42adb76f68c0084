"""Goals 21 and 22: what a serving process holds in memory beside the bare one, and what an entry takes on disk."""

import re
import sqlite3
from contextlib import closing
from itertools import chain
from pathlib import Path

from tests.bench.figures import PEERS, Measured, NotJudged, figure
from tests.bench.running import (
    FED,
    Bench,
    Ids,
    Process,
    ask,
    beginnings,
    compact,
    first_answer,
    free_port,
    in_runs,
    unit,
)

LOG = ("entry", "entry_id", "receipt", "log_head")


def resident(process: Process) -> int:
    """kB of a process that are in memory now."""
    try:
        found = re.search(r"^VmRSS:\s+(\d+) kB", Path(f"/proc/{process.process.pid}/status").read_text(), re.MULTILINE)
    except OSError:
        found = None
    if found is None:
        raise NotJudged("the system does not say how much memory a process holds")
    return int(found[1])


@figure("resident memory after the first answer / bare", goal=21, at_most=1.25, aim=1.15)
def at_start(bench: Bench) -> Measured:
    return bench.rounds_of(lambda _: (_ours_at_start(bench), _bare_at_start(bench)))


@figure("resident memory after 100,000 entries / after the first answer", goal=21, at_most=1.5, aim=1.25)
def after_many(bench: Bench) -> Measured:
    """Of the process that took them, and of another that has just begun on a copy of their book."""
    return bench.rounds_of(lambda _: (resident(bench.filled(FED).process), _ours_at_start(bench)))


def _ours_at_start(bench: Bench) -> int:
    process, address = bench.serve(bench.copy_of(bench.filled(FED)))
    try:
        ask(address, f"/v1/units/{unit(42)}/condition", bench.filled(FED).bench)
        return resident(process)
    finally:
        process.stop()


def _bare_at_start(bench: Bench) -> int:
    port = free_port()
    process = Process(bench.bare_command(port), PEERS, bench.bare_environment, bench.folder / "memory-stderr")
    try:
        first_answer(f"http://127.0.0.1:{port}", "/get/FB-0000042")
        return resident(process)
    finally:
        process.stop()


@figure("bytes of the log in SQLite / of the JSON that was sent", goal=22, at_most=1.40, aim=1.25)
def log_bytes(bench: Bench) -> Measured:
    """Text, id and receipt of every entry, whole pages: what the book adds to a text counts on our side."""
    return Measured((_stored(bench, LOG) / _sent(),))


@figure("bytes of the whole store in SQLite / of the JSON that was sent", goal=22, at_most=1.40, judged=False)
def all_bytes(bench: Bench) -> Measured:
    """With every projection and index."""
    return Measured((_stored(bench) / _sent(),))


def _stored(bench: Bench, tables: tuple[str, ...] = ()) -> int:
    only = f"WHERE name IN ({', '.join('?' * len(tables))})" if tables else ""
    with closing(sqlite3.connect(bench.copied / "fettlebook.db")) as store:
        try:
            return int(store.execute(f"SELECT sum(pgsize) FROM dbstat {only}", tables).fetchone()[0])
        except sqlite3.OperationalError:
            raise NotJudged("this SQLite does not count the pages of a table") from None


def _sent() -> int:
    first = list(beginnings(Ids()))
    return sum(len(compact(entry)) for entry in chain(first, in_runs(Ids(), FED - len(first))))
