"""Uncertainty budgets by the law of propagation (JCGM 100:2008, the GUM)."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import floor, fsum, hypot, sqrt
from statistics import NormalDist

from service_api.calc.lines import mean, two_sided_t
from service_api.calc.refused import Refused, as_written, need_finite, need_level, need_some


@dataclass(frozen=True, slots=True)
class Component:
    """One input: its sensitivity c (uom of the result per uom of the input), its u, and its degrees of freedom."""

    c: float
    u: float
    dof: float | None = None  # None: so well known that they count as infinite


@dataclass(frozen=True, slots=True)
class Coverage:
    """k at the whole degrees of freedom at or below the effective ones; None below one of them."""

    k: float | None
    k_untruncated: float
    expanded: float | None


@dataclass(frozen=True, slots=True)
class Budget:
    u: float
    dof: float | None  # effective; None: infinite
    contributions: tuple[float, ...]
    whole_dof: int | None

    def expanded(self, k: float) -> float:
        """Return U = k u. Raises Refused: `not-finite`, `not-positive`."""
        need_finite(k)
        if k <= 0:
            raise Refused("not-positive", "a coverage factor is above zero")
        return k * self.u

    def coverage(self, level: float) -> Coverage:
        """Return the coverage factors for a level, two-sided, by Student's t. Raises Refused: `bad-level`.

        Source: GUM, G.4.1 (truncated to the next lower whole number) and G.6.4.
        """
        need_level(level)
        if self.dof is None or self.whole_dof is None:
            k = _t(level, None)
            return Coverage(k, k, k * self.u)
        at_whole = _t(level, self.whole_dof) if self.whole_dof >= 1 else None
        return Coverage(at_whole, _t(level, self.dof), None if at_whole is None else at_whole * self.u)


def budget(components: Sequence[Component]) -> Budget:
    """Combine independent components: u by the root of the sum of squares, degrees of freedom by Welch-Satterthwaite.

    components : at least one; u 0 or above, dof above 0 or None
    Raises Refused: `no-data`, `not-finite`, `not-positive`.
    Valid where the result is near enough to linear in its inputs over their uncertainties, and these are independent.
    The degrees of freedom are formed exactly, so that cutting them to a whole number never loses one to a rounding.
    Source: GUM, 5.1.2 and G.4.1, equation G.2b.
    """
    need_some(components, "component")
    need_finite(*(value for part in components for value in (part.c, part.u)))
    need_finite(*(part.dof for part in components if part.dof is not None))
    if any(part.u < 0 for part in components):
        raise Refused("not-positive", "no standard uncertainty is below zero")
    if any(part.dof is not None and part.dof <= 0 for part in components):
        raise Refused("not-positive", "degrees of freedom are above zero")
    exact = [abs(as_written(part.c)) * as_written(part.u) for part in components]
    variance = sum((e * e for e in exact), Fraction(0))
    below = sum(
        (e**4 / as_written(part.dof) for e, part in zip(exact, components, strict=True) if part.dof is not None),
        Fraction(0),
    )
    dof = variance * variance / below if below else None
    if dof is not None and dof > 10**300:  # no double holds it, and no table tells it from infinite
        dof = None
    return Budget(
        u=hypot(*map(float, exact)),
        dof=None if dof is None else float(dof),
        contributions=tuple(float(e) for e in exact),
        whole_dof=None if dof is None else floor(dof),
    )


@dataclass(frozen=True, slots=True)
class Correlated:
    """Results of the same readings: their standard uncertainties and the correlations between them."""

    u: tuple[float, ...]
    r: tuple[tuple[float, ...], ...]
    u_if_ignored: tuple[float, ...]  # what the uncertainties would be if the inputs were independent


def means_and_covariances(
    columns: Sequence[Sequence[float]],
) -> tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]:
    """Return the means of inputs that were read together, and the covariances of those means.

    columns : one for each input, shape (n,) each, n at least 2; row for row they were read together
    Raises Refused: `no-data`, `lengths-differ`, `too-few-points`, `not-finite`. Source: GUM, 5.2.3, equation 17.
    """
    need_some(columns, "column of readings")
    n = len(columns[0])
    if any(len(column) != n for column in columns):
        raise Refused("lengths-differ", "inputs that are read together have as many readings")
    if n < 2:
        raise Refused("too-few-points", "a scatter needs two readings")
    need_finite(*(value for column in columns for value in column))
    means = tuple(mean(column) for column in columns)
    away = [[value - m for value in column] for column, m in zip(columns, means, strict=True)]
    shared = tuple(
        tuple(fsum(a * b for a, b in zip(one, other, strict=True)) / (n * (n - 1)) for other in away) for one in away
    )
    return means, shared


def propagate(gradients: Sequence[Sequence[float]], covariance: Sequence[Sequence[float]]) -> Correlated:
    """Carry the covariances of the inputs through to the results.

    gradients : one for each result, its sensitivity to each input; covariance : of the inputs, shape (m, m)
    Raises Refused: `no-data`, `lengths-differ`, `not-finite`. Source: GUM, 5.2.2, equation 13, and H.2.
    """
    need_some(gradients, "result")
    size = len(covariance)
    if any(len(row) != size for row in (*gradients, *covariance)):
        raise Refused("lengths-differ", "a gradient has a sensitivity for each input")
    need_finite(*(value for row in (*gradients, *covariance) for value in row))

    def joined(a: Sequence[float], b: Sequence[float]) -> float:
        return fsum(a[i] * covariance[i][j] * b[j] for i in range(size) for j in range(size))

    u = tuple(sqrt(max(0.0, joined(row, row))) for row in gradients)
    r = tuple(
        tuple(joined(a, b) / (u[i] * u[j]) if u[i] and u[j] else float(i == j) for j, b in enumerate(gradients))
        for i, a in enumerate(gradients)
    )
    alone = tuple(sqrt(fsum(g * g * covariance[i][i] for i, g in enumerate(row))) for row in gradients)
    return Correlated(u, r, alone)


def _t(level: float, dof: float | None) -> float:
    if dof is not None and dof <= 1e6:
        return two_sided_t(level, dof)
    z = -NormalDist().inv_cdf((1 - level) / 2)
    # beyond a million degrees of freedom two terms of the expansion are exact to a rounding (Abramowitz, 26.7.5)
    return z if dof is None else z + (z**3 + z) / (4 * dof)
