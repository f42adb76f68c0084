"""The gate before a release: its cost on a long page, by a bare view that reads one row by key, and in a big book."""

import statistics
import time
from datetime import UTC, datetime

from tests.bench.bench_read import unit_with
from tests.bench.figures import Measured, NotJudged, figure
from tests.bench.running import LONG, MILLION, Bench, Service, ask, reading

ASKED = "gate?job=J-1&by=FB-0001"
LITTLE_ELSE = 12_500  # entries of a book that has hardly more than the long unit's


def fill(bench: Bench) -> None:
    for entries in (LITTLE_ELSE, MILLION):
        bench.book(entries)


@figure("gate at 10,000 entries on the unit / bare GET by key", at_least=0.10)
def gate_long(bench: Bench) -> Measured:
    ours, bare = bench.service.address, bench.bare
    path = f"/v1/units/{unit_with(bench, 10_000)}/{ASKED}"
    return bench.ratios(lambda: bench.get(ours, path, 1).rate, lambda: bench.get(bare, "/get/FB-0000042", 1).rate)


@figure("first gate after an append, at 10,000 entries / bare GET by key", at_least=0.10)
def gate_first(bench: Bench) -> Measured:
    """Nothing that was kept from an earlier answer helps here."""
    bare, name = bench.bare, unit_with(bench, 10_000)
    return bench.ratios(lambda: _first(bench, bench.service, name), lambda: bench.get(bare, "/get/FB-0000042", 1).rate)


def _first(bench: Bench, service: Service, name: str, times: int = 30) -> float:
    """Gates a second, each right after an append to the unit."""
    taken = []
    for _ in range(times):
        service.send([reading(bench.ids, name, datetime.now(UTC), "5000.0")])
        began = time.perf_counter()
        ask(service.address, f"/v1/units/{name}/{ASKED}", service.bench)
        taken.append(time.perf_counter() - began)
    return 1 / statistics.median(taken)


@figure("gate at 10,000 entries, in a book of 1,000,000 / bare GET by key", at_least=0.10)
def gate_in_a_million(bench: Bench) -> Measured:
    large, bare = _long(bench, MILLION), bench.bare
    return bench.ratios(lambda: _gates(bench, large), lambda: bench.get(bare, "/get/FB-0000042", 1).rate)


@figure("first gate after an append, in a book of 1,000,000 / bare GET by key", at_least=0.10)
def first_in_a_million(bench: Bench) -> Measured:
    large, bare = _long(bench, MILLION), bench.bare
    return bench.ratios(lambda: _first(bench, large, LONG), lambda: bench.get(bare, "/get/FB-0000042", 1).rate)


@figure("time of a gate at 10,000 entries, in a book of 1,000,000 / of 12,500", at_most=1.5)
def gate_grown(bench: Bench) -> Measured:
    """The unit's own entries are the same in both."""
    small, large = _long(bench, LITTLE_ELSE), _long(bench, MILLION)
    return bench.ratios(lambda: 1 / _gates(bench, large), lambda: 1 / _gates(bench, small))


@figure("time of a first gate after an append, in a book of 1,000,000 / of 12,500", at_most=1.5)
def first_grown(bench: Bench) -> Measured:
    small, large = _long(bench, LITTLE_ELSE), _long(bench, MILLION)
    return bench.ratios(lambda: 1 / _first(bench, large, LONG), lambda: 1 / _first(bench, small, LONG))


def _long(bench: Bench, entries: int) -> Service:
    if not bench.long:
        raise NotJudged("it takes a book of a million entries: --long")
    return bench.kept(entries)


def _gates(bench: Bench, service: Service) -> float:
    """Gates a second that are asked again."""
    return bench.get(service.address, f"/v1/units/{LONG}/{ASKED}", 1, service.bench).rate
