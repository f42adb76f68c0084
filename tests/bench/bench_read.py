"""Goals 8 and 9: a unit's condition costs no more than a bare row, and the same for a long page as for a short one."""

import statistics
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.bench.figures import Measured, figure
from tests.bench.running import Bench, an_entry, ask, q, reading, registered, unit


@figure("condition read / bare GET by key, 1 client", goal=8, at_least=0.90, aim=0.97)
def read_1(bench: Bench) -> Measured:
    return _read(bench, 1)


@figure("condition read / bare GET by key, 8 clients", goal=8, at_least=0.90, aim=0.97)
def read_8(bench: Bench) -> Measured:
    return _read(bench, 8)


def _read(bench: Bench, clients: int) -> Measured:
    ours, bare = bench.service.address, bench.bare
    return bench.ratios(
        lambda: bench.get(ours, f"/v1/units/{unit(42)}/condition", clients).rate,
        lambda: bench.get(bare, "/get/FB-0000042", clients).rate,
    )


@figure("condition read at 1,000 / at 10 entries", goal=9, at_least=0.95, aim=0.98, demanded=True)
def read_1000(bench: Bench) -> Measured:
    return _growth(bench, 1000)


@figure("condition read at 20,000 / at 10 entries", goal=9, at_least=0.95, aim=0.98, demanded=True)
def read_20000(bench: Bench) -> Measured:
    return _growth(bench, 20_000)


def _growth(bench: Bench, entries: int) -> Measured:
    ours = bench.service.address
    long, short = (f"/v1/units/{unit_with(bench, n)}/condition" for n in (entries, 10))
    return bench.ratios(lambda: bench.get(ours, long, 1).rate, lambda: bench.get(ours, short, 1).rate)


@figure("first condition read after an append, at 20,000 / at 10", at_least=0.90, judged=False)
def first_read(bench: Bench) -> Measured:
    """Nothing that was kept from an earlier answer helps here."""
    long, short = unit_with(bench, 20_000), unit_with(bench, 10)
    return bench.ratios(lambda: _first_reads(bench, long), lambda: _first_reads(bench, short))


def _first_reads(bench: Bench, name: str, times: int = 30) -> float:
    """Reads a second, each right after an append to the unit."""
    service, taken = bench.service, []
    for _ in range(times):
        service.send([reading(bench.ids, name, datetime.now(UTC), "5000.0")])
        began = time.perf_counter()
        ask(service.address, f"/v1/units/{name}/condition", service.bench)
        taken.append(time.perf_counter() - began)
    return 1 / statistics.median(taken)


def unit_with(bench: Bench, entries: int, name: str = "") -> str:
    """A unit with so many entries on its page: a nut, one meter, three characteristics."""
    name = name or f"PAGE-{entries}"
    if name not in bench.made:
        bench.service.send(_page(bench, name, entries))
        bench.made.add(name)
    return name


def _page(bench: Bench, name: str, entries: int) -> Iterator[dict[str, Any]]:
    at = datetime(2022, 1, 1, tzinfo=UTC)
    old = {"source": {"kind": "history", "ref": "ledger"}}
    for entry in registered(bench.ids, name, at):
        yield entry | old
    kinds = (("SEL-BL", "circ", "0.11"), ("SEL-TF", "mm", "0.02"), ("SEL-WS", "mm", "0.01"))
    for n in range(entries - 2):
        at += timedelta(hours=1)
        code, uom, value = kinds[n % 3]
        data = {"characteristic": code, "stage": "as_found", "uom": uom, "readings": [{"value": value}]}
        hours = {"gauge": "G-1", "hours": q(f"{100 + n // 10}.{n % 10}", "h")}
        yield an_entry(bench.ids, "reading.taken", f"unit:{name}", data | hours, at) | old
