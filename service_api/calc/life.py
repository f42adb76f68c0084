"""Lives of parts: those that failed, and those still running, which count as not yet (right-censored)."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, log1p, sqrt
from statistics import NormalDist
from typing import Any

from service_api.calc.extra import library
from service_api.calc.lines import Interval
from service_api.calc.refused import Refused, need_level, need_positive, need_some, need_whole

LOWEST_SHAPE, HIGHEST_SHAPE = 0.01, 1000.0


@dataclass(frozen=True, slots=True)
class Limits:
    """The interval of one quantity in three ways: symmetric on a log scale, symmetric, and by likelihood ratio."""

    log: Interval
    plain: Interval
    ratio: Interval


@dataclass(frozen=True, slots=True)
class Weibull:
    """A two-parameter Weibull life: by `scale` 63.2 % have failed; a shape above 1 is wear-out.

    Raises Refused: `not-finite`, `not-positive`.
    """

    shape: float
    scale: float

    def __post_init__(self) -> None:
        need_positive(shape=self.shape, scale=self.scale)

    def cumulative_hazard(self, hours: float) -> float:
        """H(t), the expected failures of one slot whose part is put right as it was."""
        return float((hours / self.scale) ** self.shape)

    def survival(self, hours: float) -> float:
        return exp(-self.cumulative_hazard(hours))

    def quantile(self, share: float) -> float:
        """The hours by which this share has failed. Raises Refused: `bad-level`."""
        need_level(share, "a share")
        return float(self.scale * (-log1p(-share)) ** (1 / self.shape))


@dataclass(frozen=True, slots=True)
class Fit:
    """A Weibull life fitted to lives; `u_shape` and the like are standard errors."""

    life: Weibull
    failed: int
    running: int
    loglik: float
    u_shape: float
    u_scale: float
    mu: float  # ln scale
    sigma: float  # 1 / shape
    u_mu: float
    u_sigma: float
    correlation: float  # of ln scale and ln shape
    lives: Any  # arrays of the hours and of the weights, for the profiles
    level: float

    def shape_limits(self) -> Limits:
        return self._limits(self.life.shape, self.u_shape / self.life.shape, self._profile_shape)

    def scale_limits(self) -> Limits:
        return self._limits(self.life.scale, self.u_scale / self.life.scale, self._profile_scale(1 - exp(-1)))

    def quantile_limits(self, share: float) -> Limits:
        """Of the hours by which this share has failed. Raises Refused: `bad-level`."""
        at = self.life.quantile(share)
        return self._limits(at, self.u_quantile(share) / at, self._profile_scale(share))

    def u_quantile(self, share: float) -> float:
        """The standard error of the hours by which this share has failed."""
        at = self.life.quantile(share)
        # ln t = ln scale + ln(-ln(1 - p)) / shape, so its sensitivities are 1 and -ln(-ln(1 - p)) / shape
        a, b = self.u_scale / self.life.scale, log(-log1p(-share)) / self.life.shape * self.u_shape / self.life.shape
        return at * sqrt(max(0.0, a * a + b * b - 2 * self.correlation * a * b))

    def _limits(self, value: float, relative: float, profile: Any) -> Limits:
        z = -NormalDist().inv_cdf((1 - self.level) / 2)
        plain = Interval(value * (1 - z * relative), value * (1 + z * relative))
        on_log = Interval(value * exp(-z * relative), value * exp(z * relative))
        return Limits(on_log, plain, self._by_ratio(value, relative, profile, z))

    def _by_ratio(self, value: float, relative: float, profile: Any, z: float) -> Interval:
        """Where twice the log-likelihood falls by z squared from its greatest, on either side of `value`."""
        brentq = library("scipy.optimize").brentq

        def fall(step: float) -> float:
            return float(2 * (self.loglik - profile(value * exp(step))) - z * z)

        def edge(direction: float) -> float:
            far = direction * max(relative, 1e-6) * z
            for _ in range(60):
                if fall(far) > 0:
                    return value * exp(float(brentq(fall, 0.0, far, xtol=1e-14, rtol=1e-14)))
                far *= 1.6
            raise Refused("no-interval", "the likelihood is too flat for an interval")

        return Interval(edge(-1), edge(1))

    def _profile_shape(self, shape: float) -> float:
        hours, failed, every = self.lives
        most = float(hours.max())
        scale = most * float((every * (hours / most) ** shape).sum() / failed.sum()) ** (1 / shape)
        return _loglik(self.lives, shape, scale)

    def _profile_scale(self, share: float) -> Any:
        """The greatest log-likelihood among the lives whose quantile `share` is at a given number of hours."""
        optimize = library("scipy.optimize")
        turned = log(-log1p(-share))

        def profile(at: float) -> float:
            def loss(log_shape: float) -> float:
                shape = exp(log_shape)
                return -_loglik(self.lives, shape, at * exp(-turned / shape))

            middle = log(self.life.shape)
            best = optimize.minimize_scalar(loss, bracket=(middle - 0.1, middle + 0.1), options={"xtol": 1e-10})
            return -float(best.fun)

        return profile


@dataclass(frozen=True, slots=True)
class Survival:
    """Steps of the survival at the hours of failures. Uncertain members are None where nothing is left to fail."""

    times: tuple[float, ...]
    at_risk: tuple[int, ...]
    events: tuple[int, ...]
    survival: tuple[float, ...]
    se: tuple[float | None, ...]  # Greenwood
    limits: tuple[Interval | None, ...]  # on the log(-log) scale
    median: float | None  # the first hours at which half or fewer survive


@dataclass(frozen=True, slots=True)
class MeanTime:
    """Hours between failures at a constant rate; None where no failure bounds it."""

    mtbf: float | None
    lower: float
    upper: float | None
    lower_one_sided: float


Lives = Sequence[float | Sequence[float]]  # hours, or (hours, how many)


def fit_weibull(failed: Lives, running: Lives = (), level: float = 0.95) -> Fit:
    """Fit a two-parameter Weibull life to parts that failed and parts that did not, yet.

    failed, running : hours, or pairs of hours and a count; each above 0; at least two different hours of failure
    level : of the limits, inside 0..1
    Raises Refused: `no-failure`, `one-age` (all failed at the same hours), `not-positive`, `not-finite`, `not-whole`,
    `no-fit` (no shape from 0.01 to 1000), `bad-level`; NeedsExtra.
    Valid for one kind of part on one duty. Few failures bring the shape out high: show the limits beside it. A further
    survivor lengthens the life at any given shape, but it may move the shape as well.
    Source: maximum likelihood with observed information (W. Q. Meeker and L. A. Escobar, Statistical Methods for
    Reliability Data, chapter 8); the likelihood-ratio limits as there, section 8.4.
    """
    need_level(level)
    gone, alive = _counted(failed), _counted(running)
    if not gone:
        raise Refused("no-failure", "nothing has failed: no life can be told")
    if len({hours for hours, _ in gone}) < 2:
        raise Refused("one-age", "all failed at one age: no shape fits")
    numpy = library("numpy")
    hours = numpy.array([h for h, _ in (*gone, *alive)])
    dead = numpy.array([float(n) for _, n in gone] + [0.0] * len(alive))
    every = numpy.array([float(n) for _, n in (*gone, *alive)])
    lives = (hours, dead, every)
    most = float(hours.max())
    t = hours / most  # shares of the longest keep the powers small
    mean_log = float((dead * numpy.log(t)).sum() / dead.sum())

    def score(shape: float) -> float:
        weights = every * t**shape
        return float((weights * numpy.log(t)).sum() / weights.sum()) - 1 / shape - mean_log

    if score(LOWEST_SHAPE) >= 0 or score(HIGHEST_SHAPE) <= 0:
        raise Refused("no-fit", "no shape from 0.01 to 1000 fits")
    shape = float(library("scipy.optimize").brentq(score, LOWEST_SHAPE, HIGHEST_SHAPE, xtol=1e-14, rtol=1e-14))
    scale = most * float((every * t**shape).sum() / dead.sum()) ** (1 / shape)
    # The observed information in (ln scale, ln shape), where the hazard is exp(w), w = shape (ln t - ln scale).
    w = shape * (numpy.log(hours) - log(scale))
    load = every * numpy.exp(w)
    a = shape * shape * float(load.sum())
    b = float((dead * w).sum() - (load * w * (1 + w)).sum())
    c = -shape * float((dead - load * (1 + w)).sum())
    information = (a, -c, -b)
    determinant = information[0] * information[2] - information[1] ** 2
    u_log_scale, u_log_shape = sqrt(information[2] / determinant), sqrt(information[0] / determinant)
    return Fit(
        life=Weibull(shape, scale),
        failed=int(dead.sum()),
        running=int(every.sum() - dead.sum()),
        loglik=_loglik(lives, shape, scale),
        u_shape=shape * u_log_shape,
        u_scale=scale * u_log_scale,
        mu=log(scale),
        sigma=1 / shape,
        u_mu=u_log_scale,
        u_sigma=u_log_shape / shape,
        correlation=-information[1] / sqrt(information[0] * information[2]),
        lives=lives,
        level=level,
    )


def kaplan_meier(failed: Lives, running: Lives = (), level: float = 0.95) -> Survival:
    """Return the share that survives, step by step, without assuming a kind of life.

    failed, running : as in `fit_weibull`; a life that ran to t without failing is at risk at t; no failure is no step
    Raises Refused: `no-data`, `not-positive`, `not-finite`, `not-whole`, `bad-level`.
    Source: E. L. Kaplan and P. Meier, JASA 53 (1958) 457-481; M. Greenwood's variance; limits on the log(-log) scale
    (J. D. Kalbfleisch and R. L. Prentice).
    """
    need_level(level)
    gone, alive = _counted(failed), _counted(running)
    need_some((*gone, *alive), "life")
    z = -NormalDist().inv_cdf((1 - level) / 2)
    events: dict[float, int] = {}
    for hours, count in gone:
        events[hours] = events.get(hours, 0) + count
    left = {hours: 0 for hours, _ in (*gone, *alive)}
    for hours, count in (*gone, *alive):
        left[hours] += count
    times, risks, shares = [], [], []
    errors: list[float | None] = []
    limits: list[Interval | None] = []
    at_risk, share, summed = sum(left.values()), 1.0, 0.0
    for hours in sorted(left):
        if deaths := events.get(hours):
            share *= 1 - deaths / at_risk
            times.append(hours)
            risks.append(at_risk)
            shares.append(share)
            if deaths == at_risk:
                errors.append(None)
                limits.append(None)
            else:
                summed += deaths / (at_risk * (at_risk - deaths))
                errors.append(share * sqrt(summed))
                half = z * sqrt(summed) / abs(log(share))
                limits.append(Interval(share ** exp(half), share ** exp(-half)))
        at_risk -= left[hours]
    # a share of one half may come out a rounding above it
    median = next((t for t, s in zip(times, shares, strict=True) if s <= 0.5 * (1 + 1e-12)), None)
    return Survival(
        times=tuple(times),
        at_risk=tuple(risks),
        events=tuple(events[t] for t in times),
        survival=tuple(shares),
        se=tuple(errors),
        limits=tuple(limits),
        median=median,
    )


def mean_time(hours: float, failures: int, level: float = 0.95) -> MeanTime:
    """Return the mean time between failures of a constant rate, watched for a fixed time.

    hours : in all, above 0; failures : 0 or more; level : of the two-sided interval and of the one-sided bound
    Raises Refused: `not-positive`, `not-finite`, `not-whole`, `bad-level`; NeedsExtra.
    Valid for a rate that stays the same (look for a trend first) and a watch whose end did not depend on failures.
    Source: NIST/SEMATECH e-Handbook, 8.4.5.1 (chi-square factors; with no failure T / -ln(1 - level)).
    """
    need_positive(hours=hours)
    need_whole(0, failures=failures)
    need_level(level)
    chi2 = library("scipy.special").chdtri  # its argument is the upper tail
    outside = (1 - level) / 2
    return MeanTime(
        mtbf=hours / failures if failures else None,
        lower=2 * hours / float(chi2(2 * failures + 2, outside)),
        upper=2 * hours / float(chi2(2 * failures, 1 - outside)) if failures else None,
        lower_one_sided=2 * hours / float(chi2(2 * failures + 2, 1 - level)),
    )


def _counted(lives: Lives) -> list[tuple[float, int]]:
    """Lives as (hours, how many)."""
    found = []
    for life in lives:
        hours, count = (life, 1) if isinstance(life, int | float) else life
        need_positive(a_life=hours)
        need_whole(1, a_count=count)  # type: ignore[arg-type]
        found.append((float(hours), int(count)))
    return found


def _loglik(lives: Any, shape: float, scale: float) -> float:
    hours, dead, every = lives
    numpy = library("numpy")
    w = shape * (numpy.log(hours) - log(scale))
    with numpy.errstate(over="ignore"):
        value = float((dead * (log(shape) + w - numpy.log(hours))).sum() - (every * numpy.exp(w)).sum())
    return value if value > -1e300 else -1e300
