"""When to replace a part before it fails, and when to overhaul, from costs and a Weibull life."""

from dataclasses import dataclass
from math import exp, gamma, inf, log

from service_api.calc.extra import library
from service_api.calc.life import Weibull
from service_api.calc.refused import Refused, need_positive


@dataclass(frozen=True, slots=True)
class AgeReplacement:
    """The age that costs least; None, with the rate of running to failure, when no age costs less."""

    interval: float | None
    cost_rate: float
    cost_rate_run_to_failure: float

    @property
    def saving(self) -> float:
        """The share of the cost of running to failure that is saved."""
        return 1 - self.cost_rate / self.cost_rate_run_to_failure


@dataclass(frozen=True, slots=True)
class Overhaul:
    interval: float
    cost_rate: float


def age_replacement(cost_planned: float, cost_failure: float, life: Weibull) -> AgeReplacement:
    """Return the age at which to replace, and what an hour costs then.

    cost_planned, cost_failure : in one currency, above 0; the failure's holds everything that it stops
    Raises Refused: `not-finite`, `not-positive`; NeedsExtra.
    Without wear-out (a shape of 1 or less), or when a failure costs no more than a planned change, no age pays.
    Valid for parts that are as good as new after either change. Source: R. E. Barlow and F. Proschan, Mathematical
    Theory of Reliability (1965), chapter 4 (memory).
    """
    need_positive(cost_planned=cost_planned, cost_failure=cost_failure)
    shape, scale = life.shape, life.scale
    mean = scale * gamma(1 + 1 / shape) if shape > 0.006 else inf
    if mean == inf:
        raise Refused("not-finite", "with this shape the mean life leaves the range of a double")
    to_failure = cost_failure / mean
    if shape <= 1 or cost_failure <= cost_planned:
        return AgeReplacement(None, to_failure, to_failure)
    special = library("scipy.special")
    wanted = cost_planned / (cost_failure - cost_planned)

    def excess(log_age: float) -> float:
        """h(t) times the mean hours run by then, less the share failed by then, less what is wanted."""
        z = exp(shape * log_age)  # (t / scale) ** shape
        hazard = shape * exp((shape - 1) * log_age)  # times scale
        run = gamma(1 + 1 / shape) * float(special.gammainc(1 / shape, z))  # in scale
        failed = float(-special.expm1(-z))
        return hazard * run - failed - wanted

    low, high = -700.0 / shape, 1.0
    while excess(high) < 0:
        high *= 2
        if shape * high > 700:
            return AgeReplacement(None, to_failure, to_failure)  # so late that every part has failed before
    while excess(low) > 0:
        low *= 1.5
    log_age = float(library("scipy.optimize").brentq(excess, low, high, xtol=1e-15, rtol=1e-14))
    rate = (cost_failure - cost_planned) * shape / scale * exp((shape - 1) * log_age)
    return AgeReplacement(scale * exp(log_age), rate, to_failure)


def minimal_repair_interval(cost_overhaul: float, cost_minimal_repair: float, life: Weibull) -> Overhaul:
    """Return the interval between overhauls when a failure between them is put right without making anything newer.

    cost_overhaul, cost_minimal_repair : in one currency, above 0; life : its shape above 1
    Raises Refused: `not-finite`, `not-positive`, `no-wear-out`. Source: R. E. Barlow and L. Hunter, Operations
    Research 8 (1960) 90-100 (rule from memory).
    """
    need_positive(cost_overhaul=cost_overhaul, cost_minimal_repair=cost_minimal_repair)
    if life.shape <= 1:
        raise Refused("no-wear-out", "with a shape of 1 or less an overhaul never pays")
    log_age = log(cost_overhaul / (cost_minimal_repair * (life.shape - 1))) / life.shape
    interval = life.scale * exp(log_age)
    return Overhaul(interval, (cost_overhaul + cost_minimal_repair * exp(life.shape * log_age)) / interval)
