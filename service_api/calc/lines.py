"""Straight lines through points: least squares, intervals, and where a line reaches a limit."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, expm1, fsum, gamma, isfinite, log, log1p, pi, sqrt
from statistics import NormalDist

from service_api.calc.refused import Refused, need_finite, need_level


@dataclass(frozen=True, slots=True)
class Interval:
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty u and its interval; both None where two points leave no scatter."""

    value: float
    u: float | None
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class Line:
    """A least-squares line. The uncertain members are None where two points leave no scatter."""

    n: int
    intercept: float
    slope: float
    se_intercept: float | None
    se_slope: float | None
    residual_sd: float | None  # n - 2 degrees of freedom
    r2: float | None  # None when every y is the same
    sse: float
    x_mean: float
    y_mean: float
    sxx: float  # sum of squares of x about its mean

    @property
    def dof(self) -> int:
        return self.n - 2

    @property
    def corr_slope_intercept(self) -> float:
        """The correlation of the errors of slope and intercept."""
        return -self.x_mean / sqrt(self.x_mean**2 + self.sxx / self.n)

    def at(self, x0: float) -> float:
        """The height of the line at x0."""
        return self.y_mean + self.slope * (x0 - self.x_mean)

    def slope_interval(self, level: float) -> Interval | None:
        """The two-sided interval of the slope; None for two points. Raises Refused: `bad-level`."""
        return self._spread(self.slope, self.se_slope, level)

    def mean_at(self, x0: float, level: float) -> Estimate:
        """The mean of y at x0. Raises Refused: `bad-level`, `not-finite`."""
        return self._estimate(x0, 0.0, level)

    def predict_at(self, x0: float, level: float) -> Estimate:
        """One new y at x0, with its own scatter. Raises Refused: `bad-level`, `not-finite`."""
        return self._estimate(x0, 1.0, level)

    def _estimate(self, x0: float, own: float, level: float) -> Estimate:
        need_finite(x0)
        u = None
        if self.residual_sd is not None:
            u = self.residual_sd * sqrt(own + 1 / self.n + (x0 - self.x_mean) ** 2 / self.sxx)
        return Estimate(self.at(x0), u, self._spread(self.at(x0), u, level))

    def _spread(self, value: float, u: float | None, level: float) -> Interval | None:
        t = two_sided_t(level, self.dof) if u is not None else 0.0
        return None if u is None else Interval(value - t * u, value + t * u)


@dataclass(frozen=True, slots=True)
class Inverse:
    """The x at which a line reaches a height: Fieller's limits, and the first-order (Wald) ones beside them."""

    estimate: float
    lower: float
    upper: float
    g: float  # below 1 the slope is significant; near 0 both kinds of limits agree
    se_wald: float
    half_width_wald: float


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Fit y = intercept + slope * x by ordinary least squares.

    x, y : shape (n,), n at least 2, finite (at most 1e150), x not all the same; any units
    Raises Refused: `lengths-differ`, `too-few-points`, `not-finite`, `x-constant`.
    Valid where the scatter of y is the same all along and that of x is small beside its range.
    Sums are exact to the last rounding and taken about the means, so x near ten million loses no digits.
    Source: N. R. Draper and H. Smith, Applied Regression Analysis, chapter 1; certified data in tests/vectors/checks.
    """
    n = len(x)
    if n != len(y):
        raise Refused("lengths-differ", f"{n} x and {len(y)} y")
    if n < 2:
        raise Refused("too-few-points", "a line needs two points")
    need_finite(*x, *y)
    if min(x) == max(x):
        raise Refused("x-constant", "every x is the same")
    x_mean, y_mean = mean(x), mean(y)
    dx, dy = [value - x_mean for value in x], [value - y_mean for value in y]
    sxx = fsum(d * d for d in dx)
    syy = fsum(d * d for d in dy) if min(y) != max(y) else 0.0  # equal y: their mean may be a rounding off
    if sxx == 0:
        raise Refused("x-constant", "every x is the same to the precision of a double")
    slope = fsum(a * b for a, b in zip(dx, dy, strict=True)) / sxx if syy else 0.0
    residuals = [b - slope * a for a, b in zip(dx, dy, strict=True)] if syy else []
    sse = fsum(residual * residual for residual in residuals)
    if not (isfinite(slope) and isfinite(sse)):
        raise Refused("not-finite", "this slope leaves the range of a double")
    sd = sqrt(sse / (n - 2)) if n > 2 else None
    return Line(
        n=n,
        intercept=y_mean - slope * x_mean,
        slope=slope,
        se_intercept=None if sd is None else sd * sqrt(1 / n + x_mean**2 / sxx),
        se_slope=None if sd is None else sd / sqrt(sxx),
        residual_sd=sd,
        r2=1 - sse / syy if syy else None,
        sse=sse,
        x_mean=x_mean,
        y_mean=y_mean,
        sxx=sxx,
    )


def inverse_interval(line: Line, y0: float, level: float) -> Inverse:
    """Return the x at which the mean line reaches y0, with Fieller's interval.

    line : of three points or more; y0 : finite, in the unit of y; level : coverage, inside 0..1
    Raises Refused: `no-scatter` (two points), `slope-not-significant` (g >= 1: no bounded interval), `bad-level`,
    `not-finite`.
    Valid near the data; beyond them it rests on the line staying straight.
    Source: E. C. Fieller, JRSS B 16 (1954) 175-185; in the form of B. M. Greenwell and C. M. Schubert Kabban,
    The R Journal 6 (2014) 90-100, the interval for a mean response (regulation).
    """
    need_finite(y0)
    if line.residual_sd is None:
        raise Refused("no-scatter", "two points leave no scatter to build an interval from")
    return _fieller(line, y0, line.residual_sd, 1 / line.n, two_sided_t(level, line.dof))


def inverse_of_readings(line: Line, readings: Sequence[float], level: float) -> Inverse:
    """Return the x that new readings of one thing stand for, with Fieller's interval (calibration).

    As `inverse_interval`, and also: m readings bring their own scatter, pooled with the line's on n + m - 3 degrees
    of freedom. Raises Refused for no readings too (`no-readings`).
    """
    m = len(readings)
    if not m:
        raise Refused("no-readings", "an inverse needs at least one reading")
    need_finite(*readings)
    if line.residual_sd is None:
        raise Refused("no-scatter", "two points leave no scatter to build an interval from")
    y0, dof = mean(readings), line.n + m - 3
    sd = sqrt((line.sse + fsum((reading - y0) ** 2 for reading in readings)) / dof)
    return _fieller(line, y0, sd, 1 / m + 1 / line.n, two_sided_t(level, dof))


def _fieller(line: Line, y0: float, sd: float, at_centre: float, t: float) -> Inverse:
    if line.slope == 0 or (g := (t * sd / line.slope) ** 2 / line.sxx) >= 1:
        raise Refused("slope-not-significant", "the slope may be zero, so no bounded interval holds the crossing")
    away = (y0 - line.y_mean) / line.slope
    unit = abs(sd / line.slope)
    half = t * unit * sqrt(at_centre * (1 - g) + away**2 / line.sxx)
    se_wald = unit * sqrt(at_centre + away**2 / line.sxx)
    return Inverse(
        estimate=line.x_mean + away,
        lower=line.x_mean + (away - half) / (1 - g),
        upper=line.x_mean + (away + half) / (1 - g),
        g=g,
        se_wald=se_wald,
        half_width_wald=t * se_wald,
    )


def student_t_quantile(p: float, dof: float) -> float:
    """Return the t that a Student variable on `dof` degrees of freedom stays below with probability `p`.

    p : inside 0..1; dof : above 0, up to a million. Raises Refused (`bad-level`, `bad-dof`) for anything else.
    Good to 1e-12 of t up to 100,000 degrees of freedom, to 1e-11 above.
    Source: the area is a regularised incomplete beta function (Abramowitz and Stegun, 26.5.27 and 26.7.1), summed as
    the continued fraction of DLMF 8.17.22 and inverted by Newton's method.
    """
    need_level(p, "a probability")
    return _t_beyond(2 * min(p, 1 - p), abs(2 * p - 1), dof) * (1 if p > 0.5 else -1)


def two_sided_t(level: float, dof: float) -> float:
    """Return the t that holds `level` of a Student variable between -t and t. Raises Refused as the quantile does."""
    need_level(level)
    return _t_beyond(1 - level, level, dof)


@lru_cache(maxsize=1024)
def _t_beyond(outside: float, inside: float, dof: float) -> float:
    """The t with `outside` of the area beyond -t and t, and `inside` between them; the smaller of the two is met."""
    if not 0 < dof <= 1e6:
        raise Refused("bad-dof", "degrees of freedom lie above 0 and at or below a million")
    if inside == 0:
        return 0.0
    density_at_0 = _gamma_ratio(dof / 2) / sqrt(dof * pi)
    u = log(-NormalDist().inv_cdf(outside / 2)) if inside > 1e-8 else log(inside / 2 / density_at_0)
    for _ in range(500):
        # In u = ln t the logarithm of either area bends one way only, so Newton's steps close in from one side.
        t = exp(u)
        between, beyond = _t_areas(t, dof)
        slope = 2 * t * density_at_0 * exp(-(dof + 1) / 2 * log1p(t * t / dof))
        step = log(between / inside) * between / slope if inside < outside else log(outside / beyond) * beyond / slope
        u -= max(-2.0, min(2.0, step))
        if abs(step) < 1e-14:
            break
    return exp(u)


def _t_areas(t: float, dof: float) -> tuple[float, float]:
    """The area between -t and t, and the area beyond; whichever is small keeps its digits."""
    a, b, square = dof / 2, 0.5, t * t / dof
    x, y = 1 / (1 + square), square / (1 + square)
    # x^a y^b / B(a, b), by way of log1p: x is close to 1 where dof is large
    front = exp(-a * log1p(square)) * sqrt(y) * _gamma_ratio(a) / sqrt(pi)
    if x < (a + 1) / (a + b + 2):
        beyond = front / a * _beta_fraction(a, b, x)
        return 1 - beyond, beyond
    between = front / b * _beta_fraction(b, a, y)
    return between, 1 - between


def _gamma_ratio(a: float) -> float:
    """Gamma(a + 1/2) / Gamma(a); by the asymptotic series of DLMF 5.11.13 where the gammas would overflow."""
    if a < 50:
        return gamma(a + 0.5) / gamma(a)
    r = 1 / (a * a)
    series = -1 / 8 + r * (1 / 192 + r * (-1 / 640 + r * (17 / 14336 - r * 31 / 18432)))
    return sqrt(a) * (1 + expm1(series / a))


def _beta_fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of DLMF 8.17.22, by Lentz's method; it converges fast for x below (a+1)/(a+b+2)."""
    tiny = 1e-300
    c, d = 1.0, 1 / (1 - (a + b) * x / (a + 1) or tiny)
    value = d
    for m in range(1, 100_000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 / (1 + term * d or tiny)
            c = 1 + term / c or tiny
            value *= c * d
        if abs(c * d - 1) < 4e-16:
            break
    return value


def mean(values: Sequence[float]) -> float:
    """Return the mean of finite values, to the last rounding. Raises nothing; no values are a ZeroDivisionError."""
    first = fsum(values) / len(values)
    return first + fsum(value - first for value in values) / len(values)  # takes the division's rounding back out
