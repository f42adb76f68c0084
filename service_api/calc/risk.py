"""How sure a statement of conformity is: probabilities, guard bands, and the risks of being wrong.

Lengths, limits and uncertainties of one call share one uom. u is a standard uncertainty, U = k u the expanded one.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from math import erfc, exp, inf, isfinite, log, pi, sqrt
from statistics import NormalDist
from typing import Literal, Protocol

from service_api.calc.extra import library
from service_api.calc.refused import Refused, need_finite, need_level, need_positive, need_some

Verdict = Literal["conforms", "undecided", "does not conform"]


@dataclass(frozen=True, slots=True)
class Conformance:
    """Probabilities that the true value lies inside, below and above the limits; each small one keeps its digits."""

    p_conform: float
    p_below: float
    p_above: float


@dataclass(frozen=True, slots=True)
class Decision:
    guard_band: Decimal
    accept_lower: Decimal | None
    accept_upper: Decimal | None
    verdicts: tuple[Verdict, ...]


@dataclass(frozen=True, slots=True)
class Threshold:
    threshold: float
    guard_band: float


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """Shares of all that is made: outside the limits; bad and accepted; good and rejected."""

    p_out: float
    consumer: float
    producer: float


@dataclass(frozen=True, slots=True)
class Limits:
    """A tolerance, or an acceptance interval; None where a side has no limit."""

    lower: float | None = None
    upper: float | None = None

    @property
    def span(self) -> tuple[float, float]:
        return (-inf if self.lower is None else self.lower, inf if self.upper is None else self.upper)


class Prior(Protocol):
    """What is known of a value before it is measured."""

    @property
    def span(self) -> tuple[float, float]:
        """Between these lies all of it, to far below a rounding."""

    @property
    def marks(self) -> tuple[float, ...]:
        """Places that an integration must not step over."""

    def density(self, x: float) -> float: ...

    def between(self, low: float, high: float) -> float:
        """The probability between two values."""


@dataclass(frozen=True, slots=True)
class Normal:
    mean: float
    sd: float

    def __post_init__(self) -> None:
        need_finite(self.mean)
        need_positive(sd=self.sd)

    @property
    def span(self) -> tuple[float, float]:
        return self.mean - 38 * self.sd, self.mean + 38 * self.sd

    @property
    def marks(self) -> tuple[float, ...]:
        return tuple(self.mean + k * self.sd for k in (-8, -4, -2, 0, 2, 4, 8))

    def density(self, x: float) -> float:
        return exp(-(((x - self.mean) / self.sd) ** 2) / 2) / (self.sd * sqrt(2 * pi))

    def between(self, low: float, high: float) -> float:
        return _between((low - self.mean) / self.sd, (high - self.mean) / self.sd)


@dataclass(frozen=True, slots=True)
class Gamma:
    """Above zero; the mean is shape / rate."""

    shape: float
    rate: float

    def __post_init__(self) -> None:
        need_positive(shape=self.shape, rate=self.rate)

    @property
    def span(self) -> tuple[float, float]:
        return 0.0, float(library("scipy.special").gammainccinv(self.shape, 1e-300)) / self.rate

    @property
    def marks(self) -> tuple[float, ...]:
        inverse = library("scipy.special").gammaincinv
        return tuple(float(inverse(self.shape, p)) / self.rate for p in (1e-12, 1e-6, 1e-3, 0.1, 0.5, 0.9, 0.999))

    def density(self, x: float) -> float:
        if x <= 0:
            return 0.0
        of_gamma = float(library("scipy.special").gammaln(self.shape))
        return exp(self.shape * log(self.rate) + (self.shape - 1) * log(x) - self.rate * x - of_gamma)

    def between(self, low: float, high: float) -> float:
        special = library("scipy.special")
        a, b = max(0.0, low) * self.rate, max(0.0, high) * self.rate
        if a >= self.shape:  # the upper tail keeps its digits
            return float(special.gammaincc(self.shape, a) - special.gammaincc(self.shape, b))
        return float(special.gammainc(self.shape, b) - special.gammainc(self.shape, a))


def conformance(y: float, u: float, lower: float | None = None, upper: float | None = None) -> Conformance:
    """Return how likely the true value conforms, given one measured value and nothing else.

    y : measured value; u : its standard uncertainty, above 0; at least one limit
    Raises Refused: `not-finite`, `not-positive`, `no-limit`, `limits-crossed`.
    Valid for a normal uncertainty and no other knowledge of the value.
    Source: JCGM 106:2012, 7.2 to 7.4.
    """
    _need_limits(lower, upper)
    need_finite(y)
    need_positive(u=u)
    low, high = Limits(lower, upper).span
    a, b = (low - y) / u, (high - y) / u
    return Conformance(_between(a, b), _below(a), _below(-b))


def decide(
    y: Sequence[Decimal], u: Decimal, k: Decimal, guard: Decimal, lower: Decimal | None, upper: Decimal | None
) -> Decision:
    """Decide each measured value with guard bands on both sides of the limits, exact in decimals.

    y : shape (n,); u : standard uncertainty, 0 or above; k : coverage factor, above 0; guard : factor r, 0 or above
    The guard band is w = r k u. Inside the limits by w or more conforms, beyond a limit by more than w does not
    conform, between is undecided; without a guard band nothing is.
    Raises Refused: `no-data`, `not-finite`, `not-positive`, `no-limit`, `limits-crossed`, `no-zone` (the guard bands
    leave nothing to accept).
    Source: ILAC-G8:09/2019, clause 4.2 (read in part); ISO 14253-1 (rule from memory).
    """
    need_some(y, "value")
    _need_limits(lower, upper)
    if not all(v.is_finite() for v in (*y, u, k, guard)):
        raise Refused("not-finite", "every value is a finite number")
    if u < 0 or guard < 0 or k <= 0:
        raise Refused("not-positive", "u and the guard factor are 0 or above, k is above 0")
    w = guard * k * u
    accept_lower, accept_upper = None if lower is None else lower + w, None if upper is None else upper - w
    if accept_lower is not None and accept_upper is not None and accept_lower > accept_upper:
        raise Refused("no-zone", f"guard bands of {w} leave no acceptance zone")

    def verdict(value: Decimal) -> Verdict:
        if (lower is not None and value < lower - w) or (upper is not None and value > upper + w):
            return "does not conform"
        inside = (accept_lower is None or value >= accept_lower) and (accept_upper is None or value <= accept_upper)
        return "conforms" if inside else "undecided"

    return Decision(w, accept_lower, accept_upper, tuple(verdict(value) for value in y))


def worst_case_risk(k: float, guard: float) -> float:
    """Return the greatest probability of accepting what does not conform: a value read right at the acceptance limit.

    k : coverage factor, above 0; guard : factor r of the guard band r k u, 0 or above
    Raises Refused: `not-finite`, `not-positive`. Valid for a normal uncertainty and one limit that matters.
    Source: ILAC-G8:09/2019, clause 4.2.2 (read as quoted): 50 % at r = 0, under 2.5 % at r = 1.
    """
    need_positive(k=k)
    need_finite(guard)
    if guard < 0:
        raise Refused("not-positive", "a guard factor is 0 or above")
    return _below(-guard * k)


def rejection_threshold(limit: float, u_rel: float, confidence: float) -> Threshold:
    """Return the reading above which an upper limit is exceeded with this confidence, when u grows with the value.

    limit : above 0; u_rel : standard uncertainty as a share of the value, above 0; confidence : inside 0..1
    Raises Refused: `not-finite`, `not-positive`, `bad-level`, `no-threshold` (z u_rel of 1 or more).
    Source: JCGM 106:2012, 8.3.3 (its speed example).
    """
    need_positive(limit=limit, u_rel=u_rel)
    need_level(confidence, "a confidence")
    z = NormalDist().inv_cdf(confidence)
    if z * u_rel >= 1:
        raise Refused("no-threshold", "with this uncertainty no reading shows the limit exceeded")
    threshold = limit / (1 - z * u_rel)
    return Threshold(threshold, threshold - limit)


def global_risk(prior: Prior, u_m: float, tolerance: Limits, accept: Limits) -> GlobalRisk:
    """Return the risks of a measuring process over all that is made.

    prior : of the true values; u_m : standard uncertainty of measuring, above 0; tolerance, accept : with a limit each
    Raises Refused: `not-positive`, `not-finite`, `no-limit`, `limits-crossed`; NeedsExtra (integration).
    Valid for a normal measuring error that does not depend on the value. Good to 1e-8 of each risk.
    Source: JCGM 106:2012, 9.5, equations 17 to 20.
    """
    need_positive(u_m=u_m)
    for limits in (tolerance, accept):
        _need_limits(limits.lower, limits.upper)
    low, high = tolerance.span
    start, end = prior.span
    outside = ((min(start, low), low), (high, max(end, high)))
    inside = ((low, high),)
    consumer = _share(prior, u_m, accept, outside, accepted=True)
    producer = _share(prior, u_m, accept, inside, accepted=False)
    return GlobalRisk(prior.between(-inf, low) + prior.between(high, inf), consumer, producer)


def accept_upper_for_risk(
    prior: Prior, u_m: float, tolerance: Limits, target: float, accept_lower: float | None = None
) -> float | None:
    """Return the upper acceptance limit at which the consumer's global risk is `target`; None when all limits meet it.

    accept_lower : without it the tolerance's own, if it has one; target : inside 0..1
    Raises Refused as `global_risk` does, `bad-level`, and `no-limit-found` (rejecting nearly all leaves more risk).
    """
    need_level(target, "a risk")
    if tolerance.upper is None:
        raise Refused("no-limit", "an upper limit is needed to guard")

    least = tolerance.lower if accept_lower is None else accept_lower

    def excess(at: float) -> float:
        risk = global_risk(prior, u_m, tolerance, Limits(least, at)).consumer
        return log(max(risk, 1e-320) / target)

    start, end = prior.span
    low = max(start - 38 * u_m, -inf if least is None else least)
    high = end + 38 * u_m
    if excess(high) <= 0:
        return None
    if excess(low) > 0:
        raise Refused("no-limit-found", "no acceptance limit brings the risk down to this")
    return float(library("scipy.optimize").brentq(excess, low, high, xtol=1e-12 * (high - low), rtol=1e-14))


def _share(prior: Prior, u_m: float, accept: Limits, pieces: Sequence[tuple[float, float]], *, accepted: bool) -> float:
    """The share of the prior in these pieces that is accepted, or rejected."""
    a, b = accept.span

    def chance(x: float) -> float:
        if accepted:
            return prior.density(x) * _between((a - x) / u_m, (b - x) / u_m)
        return prior.density(x) * (_below((a - x) / u_m) + _below((x - b) / u_m))

    edges = [edge + k * u_m for edge in (a, b) if isfinite(edge) for k in (-9, -6, -3, -1, 0, 1, 3, 6, 9)]
    start, end = prior.span
    total = 0.0
    for low, high in pieces:
        if max(low, start) < min(high, end):
            total += _integral(chance, max(low, start), min(high, end), (*prior.marks, *edges))
    return total


def _integral(f: Callable[[float], float], low: float, high: float, marks: Sequence[float]) -> float:
    bounds = [low, *sorted({m for m in marks if low < m < high}), high]
    quad = library("scipy.integrate").quad
    # full_output: where a piece is nothing but underflow, a warning about its digits says nothing
    pieces = (quad(f, a, b, epsabs=0, epsrel=1e-11, limit=200, full_output=1)[0] for a, b in pairwise(bounds))
    return float(sum(pieces))


def _below(z: float) -> float:
    """P(standard normal < z)."""
    return erfc(-z / sqrt(2)) / 2


def _between(a: float, b: float) -> float:
    """P(a < standard normal < b); taken from the side where both tails are small."""
    if a >= b:
        return 0.0
    return _below(-a) - _below(-b) if a > 0 else _below(b) - _below(a)


def _need_limits(lower: float | Decimal | None, upper: float | Decimal | None) -> None:
    given = [limit for limit in (lower, upper) if limit is not None]
    if not given:
        raise Refused("no-limit", "nothing to conform to")
    if any(isinstance(limit, bool) or not isfinite(limit) for limit in given):
        raise Refused("not-finite", "a limit is a finite number")
    if len(given) == 2 and given[0] > given[1]:
        raise Refused("limits-crossed", "the lower limit lies above the upper one")
