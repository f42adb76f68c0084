"""Wear over hours: is there a trend, and where does it reach a limit? One series, or all series of a fleet at once.

How much evidence an alarm needs: three readings, and a slope whose two-sided 90 % interval lies on the worsening side
of zero. Repeatability alone passes that for about one series in twenty, and then still has to reach the limit in time.
`tests/unit/calc/test_trend_simulated.py` counts false alarms, missed crossings and the coverage of the interval.
"""

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any, Literal

from service_api.calc.extra import NeedsExtra, library
from service_api.calc.lines import Interval, Line, fit_line, inverse_interval, two_sided_t
from service_api.calc.refused import Refused

LEVEL = 0.90  # of both intervals, two-sided
FEWEST = 3


@dataclass(frozen=True, slots=True)
class Reached:
    """The hours at which the line reaches the limit; its interval None where the data leave it unbounded."""

    hours: float
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Trend:
    """The line, its slope's interval, and where it reaches the limit; `why` says why it does not."""

    line: Line | None
    slope: Interval | None
    reached: Reached | None
    why: Literal["too_few_points", "no_trend", "improving", "no_limit"] | None


def trend(hours: Sequence[float], values: Sequence[float], limit: float | None, higher_is_worse: bool) -> Trend:
    """Fit the wear of one part and say where the mean line reaches the limit.

    hours, values : shape (n,), in order or not; limit : in the unit of the values; None: there is none
    Never raises for what was measured: under three readings, or all at the same hours, are `too_few_points`.
    Valid as far as the wear goes on as it did; the interval is Fieller's for the mean line (see `inverse_interval`).
    """
    if len(hours) < FEWEST:
        return Trend(None, None, None, "too_few_points")
    try:
        line = fit_line(hours, values)
    except Refused:  # every reading at the same hours: no line goes through them
        return Trend(None, None, None, "too_few_points")
    slope = line.slope_interval(LEVEL)
    if slope is None or slope.low <= 0 <= slope.high:
        return Trend(line, slope, None, "no_trend")
    if limit is None:
        return Trend(line, slope, None, "no_limit")
    if (line.slope > 0) is not higher_is_worse:
        return Trend(line, slope, None, "improving")
    try:
        found = inverse_interval(line, limit, LEVEL)
    except Refused:
        at = line.x_mean + (limit - line.y_mean) / line.slope
        return Trend(line, slope, Reached(at, None), None)
    return Trend(line, slope, Reached(found.estimate, Interval(found.lower, found.upper)), None)


def jumps(hours: Sequence[float], values: Sequence[float], at: float, value: float, u: float) -> bool:
    """True when a further reading lies further above the line of the others than scatter and U account for.

    values, value : the higher the worse (turn the sign where lower is); u : expanded uncertainty of one reading
    Needs four readings to compare with; beyond the 99.9 % limit of one more reading, and by more than U.
    """
    if len(hours) < FEWEST + 1 or value - max(values) <= u:
        return False
    try:
        band = fit_line(hours, values).predict_at(at, 0.998).interval  # two-sided, so 99.9 % lie below its high end
    except Refused:
        return False
    return band is not None and value > band.high + u


SERIES = 7  # doubles in the record of one series


@dataclass(frozen=True)
class Fleet:
    """Many series end to end, packed as doubles.

    points : hours and value of each reading, in turn
    series : SERIES doubles for each: how many readings (FEWEST or more), the limit, 1 where higher is worse (else -1),
        the day of the last reading, the hours then, the hours a day, the day of the next service (infinite: none)
    """

    points: bytes
    series: bytes


def reach_in_time(fleet: Fleet, horizon: float) -> list[int]:
    """The places of the series whose line reaches the limit before the next service, or before the horizon with none.

    horizon : a day, counted as those of the series are. Without a worsening trend, or without use, none is reached.
    The same as `trend(...).reached` for each, by one pass over all; without NumPy one by one.
    """
    try:
        numpy = library("numpy")
    except NeedsExtra:
        return [n for n, record in enumerate(_records(fleet)) if _one_in_time(*record, horizon)]
    count, limit, sign, day, hours, rate, service = numpy.frombuffer(fleet.series).reshape(-1, SERIES).T
    if not len(count):
        return []
    n = count.astype("int64")
    points = numpy.frombuffer(fleet.points).reshape(-1, 2)
    x, y = points[:, 0].copy(), points[:, 1].copy()
    starts = numpy.concatenate(([0], numpy.cumsum(n)[:-1]))

    def sums(of: Any) -> Any:
        return numpy.add.reduceat(of, starts)

    x_mean, y_mean = sums(x) / n, sums(y) / n
    x -= numpy.repeat(x_mean, n)
    y -= numpy.repeat(y_mean, n)
    sxx, sxy, syy = sums(x * x), sums(x * y), sums(y * y)
    with numpy.errstate(divide="ignore", invalid="ignore"):
        slope = sxy / sxx
        sse = numpy.maximum(syy - slope * sxy, 0.0)
        t = numpy.zeros(int(n.max()) + 1)
        for size in numpy.unique(n):
            t[size] = two_sided_t(LEVEL, int(size) - 2)
        sure = slope * sign > t[n] * numpy.sqrt(sse / (n - 2) / sxx)
        on = day + (x_mean + (limit - y_mean) / slope - hours) / rate
        found = sure & (rate > 0) & (on < numpy.where(numpy.isinf(service), horizon, service))
    return [int(place) for place in numpy.flatnonzero(found)]


def _records(fleet: Fleet) -> Iterator[tuple[Sequence[float], Sequence[float], Sequence[float]]]:
    """Hours, values and record of each series."""
    points, series, start = array("d", fleet.points), array("d", fleet.series), 0
    for at in range(0, len(series), SERIES):
        record = series[at : at + SERIES]
        end = start + 2 * int(record[0])
        yield points[start:end:2], points[start + 1 : end : 2], record
        start = end


def _one_in_time(x: Sequence[float], y: Sequence[float], record: Sequence[float], horizon: float) -> bool:
    _, limit, sign, day, hours, rate, service = record
    reached = trend(x, y, limit, sign > 0).reached
    return (
        reached is not None
        and rate > 0
        and day + (reached.hours - hours) / rate < (horizon if service == inf else service)
    )
