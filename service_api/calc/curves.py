"""Fits beside the straight line: through the origin, polynomials, and a new line after each replacement."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import fsum, sqrt

from service_api.calc.lines import Line, fit_line
from service_api.calc.refused import Refused, as_written, need_finite, need_some, need_whole


@dataclass(frozen=True, slots=True)
class Proportional:
    """y = slope * x. The uncertain members are None where one point leaves no scatter."""

    n: int
    slope: float
    se_slope: float | None
    residual_sd: float | None  # n - 1 degrees of freedom


@dataclass(frozen=True, slots=True)
class Polynomial:
    """y = sum of coefficients[k] * x**k. The uncertain members are None where no point is left over."""

    n: int
    coefficients: tuple[float, ...]
    se_coefficients: tuple[float, ...] | None
    residual_sd: float | None  # n - degree - 1 degrees of freedom


@dataclass(frozen=True, slots=True)
class Segment:
    """The readings of one part, its hours counted from its fitting; no line where they give none, and why."""

    n: int
    line: Line | None
    why: str | None


def fit_through_origin(x: Sequence[float], y: Sequence[float]) -> Proportional:
    """Fit y = slope * x by least squares.

    x, y : shape (n,), n at least 1, finite, some x not zero
    Raises Refused: `lengths-differ`, `no-data`, `not-finite`, `x-constant` (every x is zero).
    Valid where nothing is known to give nothing: a wear that starts at its new value is no such thing.
    Source: N. R. Draper and H. Smith, Applied Regression Analysis, chapter 1; certified data (NIST NoInt1).
    """
    _check(x, y)
    sxx = fsum(a * a for a in x)
    if sxx == 0:
        raise Refused("x-constant", "every x is zero")
    slope = fsum(a * b for a, b in zip(x, y, strict=True)) / sxx
    sd = None
    if len(x) > 1:
        sd = sqrt(fsum((b - slope * a) ** 2 for a, b in zip(x, y, strict=True)) / (len(x) - 1))
    return Proportional(len(x), slope, None if sd is None else sd / sqrt(sxx), sd)


def fit_polynomial(x: Sequence[float], y: Sequence[float], degree: int) -> Polynomial:
    """Fit a polynomial by least squares, in exact rational arithmetic on the decimals that were written.

    x, y : shape (n,), finite; at least degree + 1 different x; degree : 0 to 12
    Raises Refused: `lengths-differ`, `no-data`, `not-finite`, `not-whole`, `too-few-points`, `bad-degree`.
    Exact up to the last rounding, so that no scaling of x is needed; meant for calibration curves of up to some
    hundred points. Never extrapolate one.
    Source: the normal equations (Draper and Smith, chapter 5); certified data (NIST Pontius).
    """
    _check(x, y)
    need_whole(0, degree=degree)
    if degree > 12:
        raise Refused("bad-degree", "a degree of more than 12 fits the scatter")
    n, size = len(x), degree + 1
    if len(set(x)) < size:
        raise Refused("too-few-points", f"a polynomial of degree {degree} needs {size} different x")
    exact_x, exact_y = [as_written(a) for a in x], [as_written(b) for b in y]
    powers = [[a**k for a in exact_x] for k in range(2 * degree + 1)]
    sums = [sum(row, Fraction(0)) for row in powers]
    right = [sum((p * b for p, b in zip(powers[k], exact_y, strict=True)), Fraction(0)) for k in range(size)]
    inverse = _inverted([[sums[i + j] for j in range(size)] for i in range(size)])
    found = [sum((a * b for a, b in zip(row, right, strict=True)), Fraction(0)) for row in inverse]
    sse = sum((b * b for b in exact_y), Fraction(0))
    sse -= sum((c * r for c, r in zip(found, right, strict=True)), Fraction(0))
    if n == size:
        return Polynomial(n, tuple(float(c) for c in found), None, None)
    variance = sse / (n - size)
    errors = tuple(sqrt(variance * inverse[k][k]) for k in range(size))
    return Polynomial(n, tuple(float(c) for c in found), errors, sqrt(variance))


def fit_after_resets(
    readings: Sequence[tuple[float, float]], resets: Sequence[float]
) -> tuple[tuple[Segment, ...], Line]:
    """Fit a line to each part that was in, hours counted from its fitting; and one that ignores the replacements.

    readings : (hours, wear) in any order; resets : hours at which a new part went in, each once
    A reading at a reset belongs to the new part. Returns one segment more than there are resets.
    Raises Refused for the line that ignores the resets, as `fit_line` does, and `not-finite` for a reset.
    """
    need_finite(*resets, *(value for reading in readings for value in reading))
    bounds = [float("-inf"), *sorted(set(resets)), float("inf")]
    segments = []
    for low, high in pairwise(bounds):
        fitted = low if low > float("-inf") else 0.0
        inside = [(x - fitted, y) for x, y in readings if low <= x < high]
        try:
            segments.append(Segment(len(inside), fit_line([x for x, _ in inside], [y for _, y in inside]), None))
        except Refused as refused:
            segments.append(Segment(len(inside), None, refused.reason))
    return tuple(segments), fit_line([x for x, _ in readings], [y for _, y in readings])


def _check(x: Sequence[float], y: Sequence[float]) -> None:
    if len(x) != len(y):
        raise Refused("lengths-differ", f"{len(x)} x and {len(y)} y")
    need_some(x, "point")
    need_finite(*x, *y)


def _inverted(matrix: list[list[Fraction]]) -> list[list[Fraction]]:
    """Gauss and Jordan; the matrix is positive definite, so no pivot is zero."""
    size = len(matrix)
    rows = [[*row, *(Fraction(int(i == j)) for j in range(size))] for i, row in enumerate(matrix)]
    for i in range(size):
        rows[i] = [value / rows[i][i] for value in rows[i]]
        for j in range(size):
            if j != i:
                rows[j] = [a - rows[j][i] * b for a, b in zip(rows[j], rows[i], strict=True)]
    return [row[size:] for row in rows]
