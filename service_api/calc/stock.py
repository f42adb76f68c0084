"""Spares on the shelf: how many cover a demand that comes at random."""

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

from service_api.calc.extra import library
from service_api.calc.refused import Refused, need_finite, need_level, need_whole


@dataclass(frozen=True, slots=True)
class Stock:
    stock: int
    achieved: float  # the probability of no shortage with this stock
    one_less: float  # and with one less


def mean_demand(units: float, rate: float, hours: float) -> float:
    """Return the mean demand. units : 0 or more; rate : per unit and hour; hours : of the period. Raises Refused."""
    need_finite(units, rate, hours)
    if units < 0 or rate < 0 or hours < 0:
        raise Refused("negative", "units, rate and hours are 0 or above")
    return units * rate * hours


def least_stock(mean: float, assurance: float) -> Stock:
    """Return the least stock that covers a Poisson demand with this probability.

    mean : 0 to a million; assurance : inside 0..1
    Raises Refused: `not-finite`, `negative`, `too-many`, `bad-level`; NeedsExtra.
    Valid for independent failures and no delivery within the period. Source: Poisson distribution; C. C. Sherbrooke,
    Optimal Inventory Modeling of Systems, chapter 2 (memory).
    """
    _need_mean(mean)
    need_level(assurance, "an assurance")
    # from a normal approximation, stepped to the least that is enough
    stock = max(0, int(mean + NormalDist().inv_cdf(assurance) * sqrt(mean)))
    while stock and no_shortage(mean, stock - 1) >= assurance:
        stock -= 1
    while no_shortage(mean, stock) < assurance:
        stock += 1
    return Stock(stock, no_shortage(mean, stock), no_shortage(mean, stock - 1))


def no_shortage(mean: float, stock: int) -> float:
    """Return P(demand <= stock); 0 below a stock of 0. Raises Refused: `not-finite`, `negative`, `too-many`."""
    _need_mean(mean)
    return 0.0 if stock < 0 else float(library("scipy.special").pdtr(stock, mean)) if mean else 1.0


def backorders(mean: float, stock: int) -> float:
    """Return the expected number that a stock leaves unserved. Raises Refused: `not-whole`, and as `no_shortage`."""
    _need_mean(mean)
    need_whole(0, stock=stock)
    if mean == 0:
        return 0.0
    above = library("scipy.special").pdtrc  # P(demand > k)
    at_least = 1.0 if stock == 0 else float(above(stock - 1, mean))
    return mean * at_least - stock * float(above(stock, mean))


def _need_mean(mean: float) -> None:
    need_finite(mean)
    if mean < 0:
        raise Refused("negative", "a mean demand is 0 or above")
    if mean > 1e6:
        raise Refused("too-many", "a mean demand above a million is no shop's")
