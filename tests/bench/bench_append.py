"""Goals 1 to 7 and 10, and how appending grows: durable appends beside the bare ones behind the same server."""

import json
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from itertools import islice
from typing import Any

from tests.bench.bench_read import unit_with
from tests.bench.figures import Measured, NotJudged, figure
from tests.bench.running import MILLION, UNITS, Bench, Line, Load, compact, in_runs, reading, unit

BATCH, BATCHES = 100, 30  # entries in one, and how many of them a round sends
LATE_HOURS = "5000.0"  # a count that no unit of these figures has passed


def _ours(bench: Bench, clients: int) -> Load:
    return bench.post(bench.service.address, "/v1/entries", clients)


def _bare(bench: Bench, clients: int, route: str = "/bare") -> Load:
    return bench.post(bench.bare, route, clients)


def _append(bench: Bench, clients: int) -> Measured:
    return bench.ratios(lambda: _ours(bench, clients).rate, lambda: _bare(bench, clients).rate)


@figure("append / bare, SQLite, 1 client", goal=1, at_least=0.75, aim=0.95, demanded=True)
def append_1(bench: Bench) -> Measured:
    return _append(bench, 1)


@figure("append / bare, SQLite, 8 clients", goal=1, at_least=0.95, aim=1.3, demanded=True)
def append_8(bench: Bench) -> Measured:
    return _append(bench, 8)


@figure("append / bare, SQLite, 32 clients", goal=1, at_least=1.15, aim=1.7, demanded=True)
def append_32(bench: Bench) -> Measured:
    return _append(bench, 32)


def _on_server(bench: Bench, clients: int) -> Measured:
    ours, bare = bench.on_server, bench.bare_on_server
    return bench.ratios(
        lambda: bench.post(ours.address, "/v1/entries", clients, token=ours.bench).rate,
        lambda: bench.post(bare, "/pg-bare", clients, token=ours.bench).rate,
    )


@figure("append / bare, PostgreSQL, 1 client", goal=2, at_least=0.55, aim=0.75)
def on_server_1(bench: Bench) -> Measured:
    return _on_server(bench, 1)


@figure("append / bare, PostgreSQL, 8 clients", goal=2, at_least=0.80, aim=1.2)
def on_server_8(bench: Bench) -> Measured:
    return _on_server(bench, 8)


@figure("append / bare, PostgreSQL, 32 clients", goal=2, at_least=1.15, aim=1.7)
def on_server_32(bench: Bench) -> Measured:
    return _on_server(bench, 32)


def _slowest(bench: Bench, clients: int) -> Measured:
    return bench.ratios(lambda: _ours(bench, clients).p99, lambda: _bare(bench, clients).p99)


@figure("append p99 / bare p99, SQLite, 8 clients", goal=3, at_most=0.15, aim=0.08, demanded=True)
def slowest_8(bench: Bench) -> Measured:
    return _slowest(bench, 8)


@figure("append p99 / bare p99, SQLite, 32 clients", goal=3, at_most=0.15, aim=0.08, demanded=True)
def slowest_32(bench: Bench) -> Measured:
    return _slowest(bench, 32)


@figure("append / group commit without work, 32 clients", goal=4, at_least=0.50, aim=0.65)
def floor(bench: Bench) -> Measured:
    """The peer's writer thread stores the event row and does nothing else."""
    return bench.ratios(lambda: _ours(bench, 32).rate, lambda: _bare(bench, 32, "/thread").rate)


@figure("the same entry again / a fresh one, 8 clients", goal=5, at_least=1.0, aim=1.3)
def again(bench: Bench) -> Measured:
    """A thousand entries that are in the book, over and over."""
    service = bench.service
    bodies = [compact(reading(bench.ids, unit(n % UNITS), datetime.now(UTC))) for n in range(1000)]
    line = Line(service.address, service.bench)
    for body in (*bodies, bodies[-1]):
        known = json.loads(line("/v1/entries", body.encode())[0]).get("again", False)
    if not known:
        raise RuntimeError("an entry that came again was not known again")
    return bench.ratios(
        lambda: bench.post_again(service.address, "/v1/entries", 8, bodies).rate,
        lambda: _ours(bench, 8).rate,
    )


@figure("batch of 100, one unit / bare Core executemany", goal=6, at_least=0.08, aim=0.30, demanded=True)
def batch_of_one_unit(bench: Bench) -> Measured:
    return _batch(bench, lambda n: unit(n // BATCH % UNITS))


@figure("batch of 100, mixed units / bare Core executemany", goal=7, at_least=0.06, aim=0.15)
def batch_of_mixed_units(bench: Bench) -> Measured:
    return _batch(bench, lambda n: unit(n * 7919 % UNITS))


def _batch(bench: Bench, name: Callable[[int], str]) -> Measured:
    """Entries a second through one connection; the peer stores the lines of the very same body."""
    bare = bench.batch_peer

    def bodies() -> list[bytes]:
        made = (compact(reading(bench.ids, name(n), datetime.now(UTC))) for n in range(BATCH * BATCHES))
        return list(_bodies(made))

    return bench.ratios(
        lambda: _sent(Line(bench.service.address, bench.service.bench), "/v1/entries", bodies()),
        lambda: _sent(Line(bare), "/batch", bodies()),
    )


def _bodies(entries: Iterator[str]) -> Iterator[bytes]:
    """JSON lists of a batch each, an entry a line."""
    while batch := list(islice(entries, BATCH)):
        yield ("[\n" + ",\n".join(batch) + "\n]").encode()


def _sent(line: Line, path: str, bodies: list[bytes]) -> float:
    """Entries a second. Raises RuntimeError when one was refused."""
    began = time.perf_counter()
    answers = [line(path, body)[0] for body in bodies]
    taken = time.perf_counter() - began
    for text in answers:
        refused = [o for o in json.loads(text).get("outcomes", ()) if o["status"] != 201]
        if refused:
            raise RuntimeError(f"refused: {refused[0]}")
    return len(bodies) * BATCH / taken


@figure("append at 20,000 / at 10 entries on that unit", goal=10, at_least=0.90, aim=0.95, demanded=True)
def on_a_long_page(bench: Bench) -> Measured:
    """The short page is a new one each time, so that it is short; both have the same slots and characteristics."""
    address, long = bench.service.address, unit_with(bench, 20_000)
    count = iter(range(1_000_000))

    def short() -> float:
        name = unit_with(bench, 10, f"SHORT-{next(count)}")
        return bench.post(address, "/v1/entries", 1, name, LATE_HOURS).rate

    return bench.ratios(lambda: bench.post(address, "/v1/entries", 1, long, LATE_HOURS).rate, short)


# How it grows


@figure("growth: append, 32 clients / 1 client", at_least=1.2)
def more_clients(bench: Bench) -> Measured:
    return bench.ratios(lambda: _ours(bench, 32).rate, lambda: _ours(bench, 1).rate)


@figure("growth: batches at 100,000 / at 10,000 entries, runs of a unit", at_least=0.90)
def runs_at_100k(bench: Bench) -> Measured:
    return _growth(bench, 100_000, 10_000, in_runs)


@figure("growth: batches at 100,000 / at 10,000 entries, random units", at_least=0.40)
def mixed_at_100k(bench: Bench) -> Measured:
    return _growth(bench, 100_000, 10_000, _mixed)


@figure("growth: batches at 1,000,000 / at 100,000 entries, runs of a unit", at_least=0.90)
def runs_at_1m(bench: Bench) -> Measured:
    return _growth(bench, MILLION, 100_000, in_runs)


@figure("growth: batches at 1,000,000 / at 100,000 entries, random units", at_least=0.40)
def mixed_at_1m(bench: Bench) -> Measured:
    return _growth(bench, MILLION, 100_000, _mixed)


def _mixed(ids: Any, entries: int) -> Iterator[dict[str, Any]]:
    for n in range(entries):
        yield reading(ids, unit(n * 7919 % UNITS), datetime.now(UTC))


def _growth(bench: Bench, large: int, small: int, load: Callable[[Any, int], Iterator[dict[str, Any]]]) -> Measured:
    """Time-ordered ids, batches of 100, in two books that differ in how much is in them."""
    if large > 100_000 and not bench.long:
        raise NotJudged("it takes a book of a million entries: --long")

    def sent(size: int) -> float:
        service = bench.kept(size) if size == MILLION else bench.filled(size)
        bodies = list(_bodies(compact(e) for e in load(bench.ids, BATCH * BATCHES)))
        return _sent(Line(service.address, service.bench), "/v1/entries", bodies)

    return bench.ratios(lambda: sent(large), lambda: sent(small))
