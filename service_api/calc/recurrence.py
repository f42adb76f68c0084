"""Repairs that come again on the same unit: how many by an age, and whether they come faster or slower."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import erfc, exp, fsum, log, sqrt
from statistics import NormalDist

from service_api.calc.extra import library
from service_api.calc.kendall import LONGEST, inverted_pairs_at_most
from service_api.calc.lines import Interval
from service_api.calc.refused import Refused, need_finite, need_level, need_positive, need_some


@dataclass(frozen=True, slots=True)
class History:
    """The ages at which one unit was repaired, in any order, and the age at which the watch ended."""

    events: Sequence[float]
    end: float


@dataclass(frozen=True, slots=True)
class MeanCumulative:
    """Repairs a unit has had by each age, on average. `se` holds for units that differ (robust)."""

    times: tuple[float, ...]
    at_risk: tuple[int, ...]
    mcf: tuple[float, ...]
    se: tuple[float, ...]
    se_independent: tuple[float, ...]  # if repairs of one unit had nothing to do with one another
    longest: float

    def at(self, age: float) -> tuple[float, float] | None:
        """The function and its robust error at an age; None beyond the longest watch. Raises Refused."""
        need_finite(age)
        if age > self.longest:
            return None
        steps = sum(1 for t in self.times if t <= age)
        return (self.mcf[steps - 1], self.se[steps - 1]) if steps else (0.0, 0.0)

    def limits(self, step: int, level: float) -> Interval | None:
        """Of one step, on the log scale; None where nothing has been repaired. Raises Refused: `bad-level`."""
        need_level(level)
        if not self.mcf or self.mcf[step] == 0:
            return None
        z = -NormalDist().inv_cdf((1 - level) / 2)
        away = exp(z * self.se[step] / self.mcf[step])
        return Interval(self.mcf[step] / away, self.mcf[step] * away)


@dataclass(frozen=True, slots=True)
class Watched:
    """The ages of one system's failures, in any order; no `until`: the watch ended at the last of them."""

    times: Sequence[float]
    until: float | None = None


@dataclass(frozen=True, slots=True)
class Unbiased:
    """What is known beside it of one system alone; None where a divisor is zero."""

    shape: float
    rate_scale: float
    mtbf_cumulative: float
    mtbf_now: float | None
    shape_interval: Interval


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Expected failures by age t are rate_scale * t ** shape; a shape above 1 is getting worse."""

    n: int
    shape: float
    rate_scale: float
    until: float  # the longest watch

    one: Unbiased | None

    @property
    def characteristic_age(self) -> float:
        """By this age one failure is expected."""
        return float(self.rate_scale ** (-1 / self.shape))

    @property
    def intensity_now(self) -> float:
        """Failures an hour at the end of the longest watch."""
        return float(self.rate_scale * self.shape * self.until ** (self.shape - 1))


@dataclass(frozen=True, slots=True)
class Trend:
    """Three tests that repairs come at a constant rate. Small p for improving: they come slower than by chance."""

    laplace_u: float  # above 0: they come faster and faster
    laplace_p: float  # two-sided
    mil_chi2: float
    mil_dof: int
    mil_p_improving: float
    mil_p_worsening: float
    reversals: int
    reversal_z: float | None
    reversal_p_improving: float | None  # exact; None beyond 200 repairs


def mean_cumulative(histories: Sequence[History]) -> MeanCumulative:
    """Return the mean cumulative number of repairs per unit over age, with its standard errors.

    histories : one or more units, each at risk up to and including the end of its watch
    Raises Refused: `no-data`, `not-finite`, `not-positive` (a watch of no length), `outside` (a repair outside it).
    Valid for units whose watch ended for reasons that have nothing to do with repairs. One unit has no robust error.
    Source: W. Nelson, Technometrics 37 (1995) 147-157; J. F. Lawless and C. Nadeau, Technometrics 37 (1995) 158-168;
    for independent increments the variance of the ReliaWiki page on recurrent events (read second-hand).
    """
    need_some(histories, "history")
    for history in histories:
        need_positive(end_of_watch=history.end)
        need_finite(*history.events)
        if any(not 0 < event <= history.end for event in history.events):
            raise Refused("outside", "every repair lies inside its unit's watch")
    times = sorted({event for history in histories for event in history.events})
    counts: list[dict[float, int]] = []
    for history in histories:
        of_unit: dict[float, int] = {}
        for event in history.events:
            of_unit[event] = of_unit.get(event, 0) + 1
        counts.append(of_unit)
    away = [0.0] * len(histories)  # each unit's own deviation from the mean so far; the robust error squares it
    total, independent = 0.0, 0.0
    risks, mcf, se, se_independent = [], [], [], []
    for time in times:
        watched = [i for i, history in enumerate(histories) if history.end >= time]
        risk = len(watched)
        step = sum(counts[i].get(time, 0) for i in watched) / risk
        for i in watched:
            away[i] += (counts[i].get(time, 0) - step) / risk
        total += step
        independent += step * (1 - 1 / risk) / risk  # repairs at one age are taken one after another
        risks.append(risk)
        mcf.append(total)
        se.append(sqrt(fsum(a * a for a in away)))
        se_independent.append(sqrt(independent))
    longest = max(history.end for history in histories)
    return MeanCumulative(tuple(times), tuple(risks), tuple(mcf), tuple(se), tuple(se_independent), longest)


def power_law(systems: Sequence[Watched]) -> PowerLaw:
    """Fit a power-law process (Crow-AMSAA) to one or more systems that are repaired as they were.

    systems : two failures or more in all, each at an age above 0 and no later than the end of its watch
    Raises Refused: `no-data`, `too-few-events`, `not-finite`, `not-positive`, `outside`, `no-fit` (all at the end of
    their watch); NeedsExtra.
    Source: MIL-HDBK-189C and L. H. Crow (1974), maximum likelihood; NIST/SEMATECH e-Handbook, 8.4.5.2, for the unbiased
    estimators; the interval of the shape is 95 %, by chi-square.
    """
    need_some(systems, "system")
    ends = []
    for system in systems:
        need_finite(*system.times)
        if system.until is None and not len(system.times):
            raise Refused("no-data", "a system without failures needs the end of its watch")
        end = max(system.times) if system.until is None else system.until
        need_positive(end_of_watch=end)
        if any(not 0 < t <= end for t in system.times):
            raise Refused("outside", "every failure lies inside its system's watch")
        ends.append(end)
    n = sum(len(system.times) for system in systems)
    if n < 2:
        raise Refused("too-few-events", "a process needs two failures")
    longest = max(ends)
    logs = fsum(log(longest / t) for system in systems for t in system.times)
    if logs <= 0 and len(set(ends)) == 1:
        raise Refused("no-fit", "every failure lies at the end of its watch")
    shape = n / logs if len(set(ends)) == 1 else _common_shape(n, logs, [end / longest for end in ends])
    rate_scale = n / fsum(exp(shape * log(end)) for end in ends)
    one = _unbiased(systems[0], n, shape, longest, logs) if len(systems) == 1 else None
    return PowerLaw(n, shape, rate_scale, longest, one)


def _common_shape(n: int, logs: float, ends: Sequence[float]) -> float:
    """The shape of systems watched to different ages (as shares of the longest), where the score is zero."""

    def score(log_shape: float) -> float:
        shape = exp(log_shape)
        powers = [end**shape for end in ends]
        weighted = fsum(p * log(end) for p, end in zip(powers, ends, strict=True)) / fsum(powers)
        return n / shape - logs - n * weighted

    low, high = log(1e-4), log(1e4)
    if score(low) <= 0 or score(high) >= 0:
        raise Refused("no-fit", "no shape from 0.0001 to 10000 fits")
    return exp(float(library("scipy.optimize").brentq(score, low, high, xtol=1e-15, rtol=1e-14)))


def _unbiased(system: Watched, n: int, shape: float, end: float, logs: float) -> Unbiased:
    timed = system.until is not None
    corrected = (n - 1 if timed else n - 2) / logs
    dof = 2 * n if timed else 2 * (n - 1)
    chi2 = library("scipy.special").chdtri
    return Unbiased(
        shape=corrected,
        rate_scale=n / end**corrected,
        mtbf_cumulative=end / n,
        mtbf_now=end / (n * corrected) if corrected else None,
        shape_interval=Interval(shape * float(chi2(dof, 0.975)) / (2 * n), shape * float(chi2(dof, 0.025)) / (2 * n)),
    )


def trend_tests(times: Sequence[float], until: float | None = None) -> Trend:
    """Test whether repairs of one unit come at a constant rate: Laplace, military handbook, reversals.

    times : ages of the repairs, ascending, two or more; until : the end of the watch; without it the watch ended at
    the last repair, which then tells nothing itself
    Raises Refused: `too-few-events`, `unsorted`, `not-finite`, `outside`; NeedsExtra.
    Valid for one unit; pooling units that differ makes a trend of the difference. Laplace's u is near enough to normal
    from 4 repairs on.
    Source: NIST/SEMATECH e-Handbook, 8.2.3.4; the exact chance of the reversals is Kendall's.
    """
    if len(times) < 2:
        raise Refused("too-few-events", "a trend needs two repairs")
    need_finite(*times)
    if any(later < earlier for earlier, later in pairwise(times)):
        raise Refused("unsorted", "ages of repairs ascend")
    end = times[-1] if until is None else until
    need_positive(end_of_watch=end)
    if times[0] <= 0 or times[-1] > end:
        raise Refused("outside", "every repair lies inside the watch")
    used = list(times) if until is not None else list(times[:-1])
    n = len(used)
    u = (fsum(used) / n - end / 2) / (end * sqrt(1 / (12 * n)))
    chi2, dof = 2 * fsum(log(end / t) for t in used), 2 * n
    special = library("scipy.special")
    count, z, p = _reversals([b - a for a, b in zip((0.0, *times), times, strict=False)])
    return Trend(
        laplace_u=u,
        laplace_p=erfc(abs(u) / sqrt(2)),
        mil_chi2=chi2,
        mil_dof=dof,
        mil_p_improving=float(special.chdtrc(dof, chi2)),
        mil_p_worsening=float(special.chdtr(dof, chi2)),
        reversals=count,
        reversal_z=z,
        reversal_p_improving=p,
    )


def _reversals(gaps: Sequence[float]) -> tuple[int, float | None, float | None]:
    """Pairs of times between repairs of which the later is longer: many when things get better."""
    n = len(gaps)
    count = sum(1 for i in range(n) for j in range(i + 1, n) if gaps[i] < gaps[j])
    z = (count - n * (n - 1) / 4 + 0.5) / sqrt((2 * n + 5) * (n - 1) * n / 72)
    pairs = n * (n - 1) // 2
    return count, z, inverted_pairs_at_most(n, pairs - count) if n <= LONGEST else None
