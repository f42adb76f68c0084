"""Issue 3: a late entry or a correction on a unit of 10,000 costs at most 15 times an entry in order, anywhere."""

import statistics
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

from tests.bench.figures import Measured, figure
from tests.bench.running import Bench, an_entry, reading, registered

NAME, LENGTH = "LATE-1", 10_000
FIRST = datetime.now(UTC) - timedelta(days=200)
APART = timedelta(days=199) / LENGTH
PLACES = {"100 back": LENGTH - 100, "at the middle": LENGTH // 2, "at the beginning": 10}


@figure("a late entry 100 back / one in order, on a unit of 10,000", at_most=15)
def late_100(bench: Bench) -> Measured:
    return _news(bench, "100 back", _late)


@figure("a late entry at the middle / one in order, on a unit of 10,000", at_most=15)
def late_middle(bench: Bench) -> Measured:
    return _news(bench, "at the middle", _late)


@figure("a late entry at the beginning / one in order, on a unit of 10,000", at_most=15)
def late_beginning(bench: Bench) -> Measured:
    return _news(bench, "at the beginning", _late)


@figure("a corrected reading at the middle / an entry in order, on a unit of 10,000", at_most=15)
def corrected_middle(bench: Bench) -> Measured:
    return _news(bench, "at the middle", _superseded)


@figure("a withdrawn reading at the middle / an entry in order, on a unit of 10,000", at_most=15)
def withdrawn_middle(bench: Bench) -> Measured:
    return _news(bench, "at the middle", _withdrawn)


Make = Callable[[Bench, int], dict[str, Any]]
PAGE: list[dict[str, Any]] = []  # what the unit's page was filled with


def _news(bench: Bench, where: str, make: Make) -> Measured:
    """Seconds of one news over seconds of an entry in order; each is the median of twenty."""
    if NAME not in bench.made:
        bench.made.add(NAME)
        PAGE[:] = _page(bench)
        bench.service.send(PAGE)
    places = (PLACES[where] + n % 80 for n in count(0, 4))
    return bench.ratios(
        lambda: _median(bench, lambda: make(bench, next(places))),
        lambda: _median(bench, lambda: reading(bench.ids, NAME, datetime.now(UTC), "5000.0")),
    )


def _page(bench: Bench) -> Iterator[dict[str, Any]]:
    """Readings, checks, work and scans in turn, over some two hundred days; hours go on."""
    yield from registered(bench.ids, NAME, FIRST - timedelta(days=1))
    for n in range(LENGTH):
        at = FIRST + n * APART
        if n % 4 == 0:
            yield reading(bench.ids, NAME, at, f"{150 + n / 4:.1f}")
        elif n % 4 == 1:
            yield an_entry(bench.ids, "check.answered", f"unit:{NAME}", {"check": "guards", "answer": "ok"}, at)
        elif n % 4 == 2:
            yield an_entry(bench.ids, "work.done", f"unit:{NAME}", {"activity": "AC-LUB"}, at)
        else:
            yield an_entry(bench.ids, "tag.scanned", f"unit:{NAME}", {}, at)


def _late(bench: Bench, place: int) -> dict[str, Any]:
    return reading(bench.ids, NAME, FIRST + (place + 0.5) * APART, f"{150 + place / 4:.1f}")


def _target(place: int) -> dict[str, Any]:
    return PAGE[2 + place // 4 * 4]


def _superseded(bench: Bench, place: int) -> dict[str, Any]:
    target = _target(place)
    value = {**target["data"], "readings": [{"value": "0.13", "position": p} for p in ("25", "50", "75")]}
    data = {"target": target["id"], "data": value, "why": "read again"}
    return an_entry(bench.ids, "entry.superseded", target["subject"], data, datetime.now(UTC))


def _withdrawn(bench: Bench, place: int) -> dict[str, Any]:
    target = _target(place)
    data = {"target": target["id"], "why": "typed twice"}
    return an_entry(bench.ids, "entry.withdrawn", target["subject"], data, datetime.now(UTC))


def _median(bench: Bench, make: Callable[[], dict[str, Any]]) -> float:
    taken = []
    for _ in range(20):
        entry = make()
        began = time.perf_counter()
        bench.service.send([entry])
        taken.append(time.perf_counter() - began)
    return statistics.median(taken)
