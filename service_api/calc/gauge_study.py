"""What a measurement says twice: repeatability of a gauge and reproducibility between those who use it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, fsum, sqrt

from service_api.calc.extra import library
from service_api.calc.lines import mean
from service_api.calc.refused import Refused, need_finite, need_level, need_some, need_whole

Readings = Sequence[Sequence[Sequence[float]]]  # [operator][trial][part], all in one uom
REPEATABILITY_LIMIT = 1.96 * sqrt(2)  # times s_r: two readings differ by no more in 95 of 100 cases (ISO 5725-6)
CATEGORIES = 1.41  # as printed by AIAG for the square root of 2
# 1 / d2* of the range of 2, 3 ... values from one sample (operators, parts), and 1 / d2 of many (trials).
K1 = {2: 0.8862, 3: 0.5908}
K2_K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations in the uom of the readings, and what share of all that is seen comes from measuring."""

    ev: float  # equipment: the same person, part and gauge again
    av: float  # appraisers, with their interaction with the parts where it is kept
    grr: float
    pv: float  # the parts themselves
    tv: float
    pct_grr: float
    ndc: int  # kinds of part that the gauge can tell apart


@dataclass(frozen=True, slots=True)
class RangeStudy:
    r_bar_bar: float
    x_diff: float
    r_p: float
    spread: Spread


@dataclass(frozen=True, slots=True)
class AnovaStudy:
    ss_part: float
    ss_operator: float
    ss_interaction: float
    ss_repeatability: float
    f_interaction: float
    p_interaction: float
    pooled: bool
    spread: Spread


@dataclass(frozen=True, slots=True)
class Precision:
    """One-way precision. f is None where the groups do not scatter at all."""

    grand_mean: float
    ms_between: float
    ms_within: float
    f: float | None
    s_r: float
    s_l: float
    s_reproducibility: float
    repeatability_limit: float
    s_of_means: float


def mean_and_sd(values: Sequence[float]) -> tuple[float, float]:
    """Return the mean and the standard deviation (n - 1), by sums about the mean that lose no digits.

    values : at least 2, finite. Raises Refused: `too-few-points`, `not-finite`. Certified data: NIST NumAcc1, Mavro.
    """
    if len(values) < 2:
        raise Refused("too-few-points", "a standard deviation needs two values")
    need_finite(*values)
    middle = mean(values)
    return middle, sqrt(fsum((v - middle) ** 2 for v in values) / (len(values) - 1))


def by_range(
    readings: Readings, k1: float | None = None, k2: float | None = None, k3: float | None = None
) -> RangeStudy:
    """Study a gauge by averages and ranges.

    readings : crossed and balanced; 2 trials or more, 2 operators or more, 2 parts or more
    k1, k2, k3 : the factors for trials, operators and parts; without them the printed ones, for up to 3 trials and up
    to 10 operators and parts
    Raises Refused: `unbalanced`, `too-few-points`, `not-finite`, `no-scatter`, `no-factor`, `not-positive`.
    Valid for readings of one normal scatter. A negative component counts as 0.
    Source: AIAG, Measurement Systems Analysis, 4th edition, average and range method.
    """
    operators, trials, parts = _sizes(readings)
    k1 = _factor(k1, K1, trials, "trials")
    k2, k3 = _factor(k2, K2_K3, operators, "operators"), _factor(k3, K2_K3, parts, "parts")
    cells = [[[trial[p] for trial in one] for p in range(parts)] for one in readings]
    r_bar_bar = mean([max(cell) - min(cell) for one in cells for cell in one])
    of_operators = [mean([v for cell in one for v in cell]) for one in cells]
    of_parts = [mean([v for one in cells for v in one[p]]) for p in range(parts)]
    x_diff, r_p = max(of_operators) - min(of_operators), max(of_parts) - min(of_parts)
    ev = r_bar_bar * k1
    av = sqrt(max(0.0, (x_diff * k2) ** 2 - ev * ev / (parts * trials)))
    return RangeStudy(r_bar_bar, x_diff, r_p, _spread(ev, av, r_p * k3))


def by_anova(readings: Readings, pool_alpha: float = 0.25) -> AnovaStudy:
    """Study a gauge by the two-way analysis of variance.

    readings : as in `by_range`; pool_alpha : the interaction is pooled with the scatter when its p is above
    Raises Refused as `by_range` does, and `bad-level`; NeedsExtra (the F distribution).
    Valid for readings of one normal scatter. A negative component counts as 0.
    Source: AIAG, Measurement Systems Analysis, 4th edition, ANOVA method; D. C. Montgomery, Design and Analysis of
    Experiments, two-factor random model.
    """
    operators, trials, parts = _sizes(readings)
    need_level(pool_alpha)
    cells = [[[trial[p] for trial in one] for p in range(parts)] for one in readings]
    cell_means = [[mean(cell) for cell in one] for one in cells]
    of_operators = [mean(one) for one in cell_means]
    of_parts = [mean([one[p] for one in cell_means]) for p in range(parts)]
    grand = mean(of_operators)
    ss_part = operators * trials * fsum((m - grand) ** 2 for m in of_parts)
    ss_operator = parts * trials * fsum((m - grand) ** 2 for m in of_operators)
    ss_interaction = trials * fsum(
        (cell_means[o][p] - of_operators[o] - of_parts[p] + grand) ** 2 for o in range(operators) for p in range(parts)
    )
    ss_repeat = fsum((v - cell_means[o][p]) ** 2 for o in range(operators) for p in range(parts) for v in cells[o][p])
    dof_part, dof_operator, dof_repeat = parts - 1, operators - 1, operators * parts * (trials - 1)
    dof_interaction = dof_part * dof_operator
    if all(len(set(cell)) == 1 for one in cells for cell in one):
        raise Refused("no-scatter", "every repeated reading is the same: the gauge is too coarse to study itself")
    f = (ss_interaction / dof_interaction) / (ss_repeat / dof_repeat)
    p = float(library("scipy.special").fdtrc(dof_interaction, dof_repeat, f))
    pooled = p > pool_alpha
    error = (ss_repeat + ss_interaction) / (dof_repeat + dof_interaction) if pooled else ss_repeat / dof_repeat
    beside = error if pooled else ss_interaction / dof_interaction
    interaction = max(0.0, (beside - error) / trials)
    between = max(0.0, (ss_operator / dof_operator - beside) / (parts * trials))
    of_part = max(0.0, (ss_part / dof_part - beside) / (operators * trials))
    spread = _spread(sqrt(error), sqrt(between + interaction), sqrt(of_part))
    return AnovaStudy(ss_part, ss_operator, ss_interaction, ss_repeat, f, p, pooled, spread)


def precision(groups: Sequence[Sequence[float]]) -> Precision:
    """Return the one-way precision of balanced groups: within a group, between groups, and both together.

    groups : 2 or more of the same size, 2 values or more each, finite
    Raises Refused: `unbalanced`, `too-few-points`, `not-finite`.
    Source: ISO 5725-2, basic method (read second-hand); certified data (NIST SiRstv).
    """
    need_some(groups, "group")
    sizes = {len(group) for group in groups}
    if len(sizes) > 1:
        raise Refused("unbalanced", "every group has as many values")
    found = [mean_and_sd(group) for group in groups]
    return precision_of_summaries(sizes.pop(), [m for m, _ in found], [s for _, s in found])


def precision_of_summaries(n: int, means: Sequence[float], sds: Sequence[float]) -> Precision:
    """As `precision`, from the size of every group, their means and their standard deviations (n - 1)."""
    need_whole(2, n=n)
    if len(means) != len(sds):
        raise Refused("lengths-differ", f"{len(means)} means and {len(sds)} standard deviations")
    need_finite(*sds)
    if any(s < 0 for s in sds):
        raise Refused("not-positive", "no standard deviation is below zero")
    grand, s_of_means = mean_and_sd(means)
    between, within = n * s_of_means**2, mean([s * s for s in sds])
    s_l = sqrt(max(0.0, (between - within) / n))
    s_r = sqrt(within)
    return Precision(
        grand_mean=grand,
        ms_between=between,
        ms_within=within,
        f=between / within if within else None,
        s_r=s_r,
        s_l=s_l,
        s_reproducibility=sqrt(within + s_l * s_l),
        repeatability_limit=REPEATABILITY_LIMIT * s_r,
        s_of_means=s_of_means,
    )


def _sizes(readings: Readings) -> tuple[int, int, int]:
    need_some(readings, "operator")
    trials = {len(one) for one in readings}
    parts = {len(trial) for one in readings for trial in one}
    if len(trials) > 1 or len(parts) > 1:
        raise Refused("unbalanced", "every operator reads every part as often")
    if len(readings) < 2 or min(trials) < 2 or min(parts) < 2:
        raise Refused("too-few-points", "a study needs two operators, two trials and two parts")
    need_finite(*(v for one in readings for trial in one for v in trial))
    return len(readings), trials.pop(), parts.pop()


def _factor(given: float | None, table: dict[int, float], size: int, what: str) -> float:
    if given is not None:
        need_finite(given)
        if given <= 0:
            raise Refused("not-positive", f"the factor for {what} is above zero")
        return given
    if size not in table:
        raise Refused("no-factor", f"no factor is printed for {size} {what}; give it, or use the analysis of variance")
    return table[size]


def _spread(ev: float, av: float, pv: float) -> Spread:
    grr = sqrt(ev * ev + av * av)
    tv = sqrt(grr * grr + pv * pv)
    if grr == 0:
        raise Refused("no-scatter", "every reading of a part is the same: the gauge is too coarse to study itself")
    return Spread(ev=ev, av=av, grr=grr, pv=pv, tv=tv, pct_grr=100 * grr / tv, ndc=floor(CATEGORIES * pv / grr))
