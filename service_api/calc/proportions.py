"""Shares of a count, with an interval that stays honest at small counts."""

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist


@dataclass(frozen=True, slots=True)
class Share:
    share: float
    lower: float
    upper: float


def wilson(count: int, n: int, level: float = 0.95) -> Share:
    """Return count / n with its two-sided Wilson score interval, without continuity correction.

    count : successes, 0 to n; n : trials, at least 1; level : coverage, inside 0..1
    Raises ValueError for anything else.
    The interval lies inside 0..1 and, unlike the textbook one, has a width at 0 of n and at n of n.
    Source: E. B. Wilson, JASA 22 (1927) 209-212; as the score method in R. G. Newcombe, Statistics in Medicine
    17 (1998) 857-872.
    """
    if any(isinstance(number, bool) or not isinstance(number, int) for number in (count, n)):
        raise ValueError("count and n are whole numbers")
    if n < 1 or not 0 <= count <= n:
        raise ValueError(f"{count} of {n} is no share: need n of 1 or more, and count from 0 to n")
    if not 0 < level < 1:
        raise ValueError("a level lies between 0 and 1")
    z = -NormalDist().inv_cdf((1 - level) / 2)
    share, shrink = count / n, 1 + z * z / n
    middle = (share + z * z / (2 * n)) / shrink
    half = z / shrink * sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    # At the ends the interval closes exactly on 0 or 1; the subtraction would leave a rounding error there.
    return Share(share, 0.0 if count == 0 else middle - half, 1.0 if count == n else middle + half)
