"""A trend that one wild reading does not move: the median of the slopes of all pairs."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist, median

from service_api.calc.kendall import LONGEST, inverted_pairs_at_most
from service_api.calc.lines import Interval
from service_api.calc.refused import Refused, need_finite, need_level


@dataclass(frozen=True, slots=True)
class TheilSen:
    """A robust line. The exact interval is None with x that repeat, or where too few points give the level."""

    slope: float
    n_slopes: int
    intercept_separate: float  # median of y less the slope times the median of x
    intercept_joint: float  # median of y less the slope times x
    normal: Interval | None
    exact: Interval | None
    exact_level: float | None  # what the exact interval covers: the level asked for or a little more


def theil_sen(x: Sequence[float], y: Sequence[float], level: float = 0.95) -> TheilSen:
    """Return the median slope over all pairs of points whose x differ, with its intervals.

    x, y : shape (n,), finite, at least two different x; level : coverage, inside 0..1; time and room grow as n**2
    Raises Refused: `lengths-differ`, `too-few-points`, `not-finite`, `x-constant`, `bad-level`.
    Valid for scatter of any shape, the same all along; up to 29 % of the readings may be wild.
    Source: P. K. Sen, JASA 63 (1968) 1379-1389, equation 2.6 for the normal limits; M. Hollander and D. A. Wolfe,
    Nonparametric Statistical Methods, chapter 9, for the exact ones: the smallest K with P(K' >= K) <= (1 - level) / 2.
    """
    n = len(x)
    if n != len(y):
        raise Refused("lengths-differ", f"{n} x and {len(y)} y")
    if n < 2:
        raise Refused("too-few-points", "a slope needs two points")
    need_finite(*x, *y)
    need_level(level)
    slopes = sorted((y[j] - y[i]) / (x[j] - x[i]) for i in range(n) for j in range(i + 1, n) if x[i] != x[j])
    if not slopes:
        raise Refused("x-constant", "every x is the same")
    slope = median(slopes)
    exact, covered = _exact(slopes, x, level)
    return TheilSen(
        slope=slope,
        n_slopes=len(slopes),
        intercept_separate=median(y) - slope * median(x),
        intercept_joint=median(b - slope * a for a, b in zip(x, y, strict=True)),
        normal=_normal(slopes, x, y, level),
        exact=exact,
        exact_level=covered,
    )


def _normal(slopes: Sequence[float], x: Sequence[float], y: Sequence[float], level: float) -> Interval | None:
    n, count = len(x), len(slopes)
    tied = sum(k * (k - 1) * (2 * k + 5) for values in (x, y) for k in Counter(values).values())
    variance = (n * (n - 1) * (2 * n + 5) - tied) / 18
    if variance <= 0:
        return None
    half = -NormalDist().inv_cdf((1 - level) / 2) * sqrt(variance)
    low, high = max(round((count - half) / 2) - 1, 0), min(round((count + half) / 2), count - 1)
    return Interval(slopes[low], slopes[high])


def _exact(slopes: Sequence[float], x: Sequence[float], level: float) -> tuple[Interval | None, float | None]:
    n, count = len(x), len(slopes)
    if len(set(x)) < n or n > LONGEST:
        return None, None
    # K = pairs in order less pairs out of order = count - 2 * inverted, so a large K is few inverted pairs
    inverted = -1
    while inverted_pairs_at_most(n, inverted + 1) <= (1 - level) / 2:
        inverted += 1
    if inverted < 0:
        return None, None
    # K' = count - 2 inverted is the smallest such K; C = K' - 2 leaves M = (count - C) / 2 slopes outside each end
    outside = inverted + 1
    return Interval(slopes[outside - 1], slopes[count - outside]), 1 - 2 * inverted_pairs_at_most(n, inverted)
