"""Kendall's statistic of a sequence without trend: how likely so many pairs in order are by chance."""

from functools import lru_cache
from itertools import accumulate

LONGEST = 200  # of an exact distribution; beyond it the normal approximation is better than the arithmetic is quick


@lru_cache(maxsize=32)
def tail(n: int) -> tuple[float, ...]:
    """Return P(at most i of the n (n - 1) / 2 pairs are out of order), i from 0 on, when every order is as likely.

    n : 1 to LONGEST. Source: M. G. Kendall, Rank Correlation Methods; the count of permutations by inversions.
    """
    share = [1.0]
    for k in range(2, n + 1):
        sums = [*accumulate(share)]
        size = len(share) + k - 1
        share = [(sums[min(i, len(sums) - 1)] - (sums[i - k] if i >= k else 0.0)) / k for i in range(size)]
    return tuple(min(1.0, p) for p in accumulate(share))


def inverted_pairs_at_most(n: int, count: int) -> float:
    """Return P(at most `count` pairs out of order); by the mirror, also P(at least `count` fewer than all in order)."""
    return 0.0 if count < 0 else tail(n)[min(count, n * (n - 1) // 2)]
