"""The gate before a release: its cost on a long page, by a bare view that reads one row by key, and in a big book."""

import statistics
import time
from datetime import UTC, datetime

from tests.bench.bench_read import unit_with
from tests.bench.figures import Measured, NotJudged, figure
from tests.bench.running import Bench, ask, reading, unit

ASKED = "gate?job=J-1&by=FB-0001"


@figure("gate at 10,000 entries on the unit / bare GET by key", at_least=0.10)
def gate_long(bench: Bench) -> Measured:
    ours, bare = bench.service.address, bench.bare
    path = f"/v1/units/{unit_with(bench, 10_000)}/{ASKED}"
    return bench.ratios(lambda: bench.get(ours, path, 1).rate, lambda: bench.get(bare, "/get/FB-0000042", 1).rate)


@figure("first gate after an append, at 10,000 entries / bare GET by key", at_least=0.10)
def gate_first(bench: Bench) -> Measured:
    """Nothing that was kept from an earlier answer helps here."""
    bare, name = bench.bare, unit_with(bench, 10_000)
    return bench.ratios(lambda: _first(bench, name), lambda: bench.get(bare, "/get/FB-0000042", 1).rate)


def _first(bench: Bench, name: str, times: int = 30) -> float:
    """Gates a second, each right after an append to the unit."""
    service, taken = bench.service, []
    for _ in range(times):
        service.send([reading(bench.ids, name, datetime.now(UTC), "5000.0")])
        began = time.perf_counter()
        ask(service.address, f"/v1/units/{name}/{ASKED}", service.bench)
        taken.append(time.perf_counter() - began)
    return 1 / statistics.median(taken)


@figure("gate in a book of 10,000 / of 1,000,000 entries", at_most=1.5)
def gate_grown(bench: Bench) -> Measured:
    if not bench.long:
        raise NotJudged("it takes a book of a million entries: --long")
    small, large = bench.filled(10_000), bench.filled(1_000_000)
    path = f"/v1/units/{unit(42)}/{ASKED}"
    return bench.ratios(
        lambda: bench.get(small.address, path, 1, small.bench).rate,
        lambda: bench.get(large.address, path, 1, large.bench).rate,
    )
