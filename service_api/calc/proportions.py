"""Shares of a count, with an interval that stays honest at small counts."""

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

from service_api.calc.refused import Refused, need_level, need_whole


@dataclass(frozen=True, slots=True)
class Share:
    share: float
    lower: float
    upper: float


def wilson(count: int, n: int, level: float = 0.95) -> Share:
    """Return count / n with its two-sided Wilson score interval, without continuity correction.

    count : successes, 0 to n; n : trials, at least 1; level : coverage, inside 0..1
    Raises Refused: `no-data` (n of 0), `not-whole`, `no-share` (more than n), `bad-level`.
    The interval lies inside 0..1 and, unlike the textbook one, has a width at 0 of n and at n of n.
    Source: E. B. Wilson, JASA 22 (1927) 209-212; as the score method in R. G. Newcombe, Statistics in Medicine
    17 (1998) 857-872.
    """
    need_whole(0, count=count, n=n)
    if not n:
        raise Refused("no-data", "nothing was tried, so there is no share")
    if count > n:
        raise Refused("no-share", f"{count} of {n} is no share")
    need_level(level)
    z = -NormalDist().inv_cdf((1 - level) / 2)
    share, shrink = count / n, 1 + z * z / n
    middle = (share + z * z / (2 * n)) / shrink
    half = z / shrink * sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    # At the ends the interval closes exactly on 0 or 1; the subtraction would leave a rounding error there.
    return Share(share, 0.0 if count == 0 else middle - half, 1.0 if count == n else middle + half)
