"""What the numbers cost: the forecast of a fleet beside the bare fits, and one wear answer by itself."""

import random
import time
from array import array
from collections.abc import Callable
from datetime import date
from math import inf

from service_api.domain.fold import step
from service_api.domain.forecast import Share, candidates
from service_api.domain.state import begin
from service_api.domain.timeline import fold
from service_api.domain.wear import wear
from tests import factories as f
from tests.bench.figures import Measured, figure
from tests.bench.running import Bench
from tests.histories import context, on, revision, true

UNITS, SERIES, POINTS = 10_000, 6, 20
HORIZON = date(2026, 6, 1)


def _seconds(what: Callable[[], object]) -> float:
    began = time.perf_counter()
    what()
    return time.perf_counter() - began


def _unit(chance: random.Random) -> Share:
    """Six series of twenty points; one in a hundred wears fast enough to cross before its service."""
    points, records = array("d"), array("d")
    day = float(HORIZON.toordinal() - 200)
    for n in range(SERIES):
        slope, at = chance.choice([2e-5] * 99 + [1e-4]), 0.0
        for k in range(POINTS):
            at = 75.0 * k + chance.uniform(0, 20)
            points.extend((at, 0.05 + slope * at + chance.gauss(0, 0.005)))
        records.extend((POINTS, 0.2, 1.0, day, at, 1.4, inf if n % 3 == 0 else day + 150))
    codes = tuple(f"TST-{n}" for n in range(SERIES))
    return Share(codes=codes, points=points.tobytes(), records=records.tobytes(), series=SERIES)


@figure("forecast of 10,000 units with 6 series of 20 points / one vectorised numpy call for the same fits", at_most=3)
def forecast(bench: Bench) -> Measured:
    """The bare peer fits intercept and slope of every series from arrays that lie ready, and no more."""
    import numpy

    chance = random.Random(20241203)
    shares = [(f"U-{n}", _unit(chance)) for n in range(UNITS)]
    points = numpy.frombuffer(b"".join(s.points for _, s in shares)).reshape(-1, POINTS, 2)
    x, y = points[:, :, 0].copy(), points[:, :, 1].copy()

    def bare() -> object:
        dx, dy = x - x.mean(1, keepdims=True), y - y.mean(1, keepdims=True)
        slope = (dx * dy).sum(1) / (dx * dx).sum(1)
        return slope, y.mean(1) - slope * x.mean(1)

    found = candidates(shares, HORIZON)
    if not UNITS * SERIES * 0.005 < len(found) < UNITS * SERIES * 0.05:
        raise RuntimeError(f"{len(found)} candidates: the book is not what was meant")
    return bench.ratios(lambda: _seconds(lambda: candidates(shares, HORIZON)), lambda: _seconds(bare))


@figure("milliseconds of one wear answer on a page of 120 readings", at_most=10)
def answer(bench: Bench) -> Measured:
    """From the facts of the page to the answer; reading the page is the history's cost."""
    rows = [f.backlash(code=f"TST-{n}") for n in range(SERIES)]
    sheet = revision(characteristics=rows)
    raws = [f.registered(occurred_at=on("01-01 00:00"))]
    for day in range(POINTS):
        at = f"{1 + day // 28:02d}-{1 + day % 28:02d}"
        raws += [
            f.reading(f"0.{10 + day}", characteristic=row["code"], hours=f"{75 * day}.0", occurred_at=on(f"{at} 09:00"))
            for row in rows
        ]
    facts = true(*raws)
    state = fold(step, begin("U-1"), facts)
    row, around = sheet.sheet.characteristic("TST-3"), context(sheet, today="2026-06-01")

    def once() -> object:
        return wear(state, facts, row, around)

    if len(wear(state, facts, row, around).points) != POINTS:
        raise RuntimeError("the page is not what was meant")
    return Measured(tuple(min(_seconds(once) for _ in range(5)) * 1000 for _ in range(bench.rounds)))
