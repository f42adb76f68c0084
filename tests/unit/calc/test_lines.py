from math import pi, sqrt, tan

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pytest import approx

from service_api.calc.lines import (
    fit_line,
    inverse_interval,
    inverse_of_readings,
    student_t_quantile,
    two_sided_t,
)
from service_api.calc.refused import Refused

HOURS = [0, 212.4, 431.0, 655.7, 905.2]
BACKLASH = [0.03, 0.06, 0.085, 0.13, 0.165]
POINTS = st.lists(st.tuples(st.integers(0, 5000), st.integers(0, 1000)), min_size=3, max_size=12)


def columns(points: list[tuple[int, int]]) -> tuple[list[float], list[float]]:
    x, y = [float(a) for a, _ in points], [b / 1000 for _, b in points]
    assume(len(set(x)) > 1)
    return x, y


def test_a_line_worked_by_hand():
    """x 1 2 3, y 2 4 5: means 2 and 11/3, Sxx 2, Sxy 3, so slope 3/2; residuals -1/6 1/3 -1/6, so SSE 1/6."""
    line = fit_line([1, 2, 3], [2, 4, 5])
    assert approx((1.5, 11 / 3 - 3, 1 / 6, sqrt(1 / 6), sqrt(1 / 12)), rel=1e-14) == (
        line.slope,
        line.intercept,
        line.sse,
        line.residual_sd,
        line.se_slope,
    )
    assert approx(1 - (1 / 6) / (14 / 3), rel=1e-14) == line.r2


def test_the_slope_interval_worked_by_hand():
    """The same three points at 90 %: one degree of freedom, t = tan(0.45 pi), times sqrt(1/12)."""
    interval = fit_line([1, 2, 3], [2, 4, 5]).slope_interval(0.9)
    half = tan(0.45 * pi) * sqrt(1 / 12)
    assert interval is not None
    assert approx((1.5 - half, 1.5 + half), rel=1e-12) == (interval.low, interval.high)


@given(POINTS, st.sampled_from([0.001, 0.01, 1 / 25.4, 60.0, 1000.0]))
def test_another_unit_of_x_scales_the_slope_and_keeps_the_fit(points, scale):
    x, y = columns(points)
    line, scaled = fit_line(x, y), fit_line([value * scale for value in x], y)
    assert approx(line.slope, rel=1e-9, abs=1e-15) == scaled.slope * scale
    assert approx(line.residual_sd, rel=1e-9, abs=1e-12) == scaled.residual_sd


@given(POINTS, st.randoms(use_true_random=False))
def test_the_order_of_the_points_does_not_matter(points, random):
    shuffled = random.sample(points, len(points))
    line, other = fit_line(*columns(points)), fit_line(*columns(shuffled))
    assert approx((line.slope, line.intercept), rel=1e-12, abs=1e-15) == (other.slope, other.intercept)


@given(POINTS)
def test_the_residuals_sum_to_nothing(points):
    """The normal equations: residuals are free of the mean and of x."""
    x, y = columns(points)
    line = fit_line(x, y)
    residuals = [b - line.at(a) for a, b in zip(x, y, strict=True)]
    assert approx(0, abs=1e-11) == sum(residuals)
    assert approx(0, abs=1e-7) == sum(r * a for r, a in zip(residuals, x, strict=True))


@given(POINTS, st.floats(0.5, 0.99))
def test_a_limit_of_the_mean_line_is_crossed_where_the_band_meets_the_height(points, level):
    """Fieller's limits are where the band about the mean line passes y0; so the band is asked at both."""
    x, y = columns(points)
    line = fit_line(x, y)
    y0 = line.y_mean + 0.25
    slope = line.slope_interval(level)
    assert slope is not None
    if line.slope == 0 or slope.low <= 0 <= slope.high:
        with pytest.raises(Refused):
            inverse_interval(line, y0, level)
        return
    found = inverse_interval(line, y0, level)
    assume(found.g < 0.99)
    for x0 in (found.lower, found.upper):
        band = line.mean_at(x0, level).interval
        assert band is not None
        assert min(abs(band.low - y0), abs(band.high - y0)) < 1e-8 * max(1, abs(line.slope * (x0 - line.x_mean)))


def test_two_points_have_a_line_and_no_scatter():
    line = fit_line([100, 300], [0.05, 0.09])
    assert (None, None, None, None) == (
        line.residual_sd,
        line.se_slope,
        line.slope_interval(0.9),
        line.mean_at(200, 0.9).interval,
    )
    assert approx(0.07) == line.mean_at(200, 0.9).value


@pytest.mark.parametrize(
    ("x", "y", "reason"),
    [
        ([], [], "too-few-points"),
        ([1], [1], "too-few-points"),
        ([1, 2], [1], "lengths-differ"),
        ([5, 5, 5], [1, 2, 3], "x-constant"),
        ([0, 1e-200], [1, 2], "x-constant"),
        ([0, float("nan")], [1, 2], "not-finite"),
        ([0, 1], [1, float("inf")], "not-finite"),
        ([0, 1e200], [1, 2], "not-finite"),
        ([0, 10**400], [1, 2], "not-finite"),
        ([0, True], [1, 2], "not-finite"),
        ([0, "1"], [1, 2], "not-finite"),
        ([0, 1e-160], [0, 1e150], "not-finite"),
    ],
)
def test_points_without_a_line_are_refused_with_the_reason(x, y, reason):
    with pytest.raises(Refused) as refusal:
        fit_line(x, y)
    assert reason == refusal.value.reason


def test_a_crossing_that_no_bounded_interval_holds_is_refused():
    flat = fit_line([0, 100, 200, 300], [0.05, 0.07, 0.04, 0.06])
    for line, reason in (
        (flat, "slope-not-significant"),
        (fit_line([0, 1, 2], [3, 3, 3]), "slope-not-significant"),
        (fit_line([0, 1], [1, 2]), "no-scatter"),
    ):
        with pytest.raises(Refused) as refusal:
            inverse_interval(line, 0.2, 0.95)
        assert reason == refusal.value.reason


def test_points_on_a_line_cross_a_height_at_one_place():
    """y = 2 x: height 7 at 3.5, with no scatter to blur it."""
    found = inverse_interval(fit_line([0, 1, 2], [0, 2, 4]), 7, 0.9)
    assert (3.5, 3.5, 3.5) == (found.lower, found.estimate, found.upper)


def test_a_reading_blurs_a_crossing_more_than_the_mean_line_does():
    line = fit_line(HOURS, BACKLASH)
    mean, reading = inverse_interval(line, 0.2, 0.9), inverse_of_readings(line, [0.2], 0.9)
    assert reading.lower < mean.lower < mean.estimate < mean.upper < reading.upper
    with pytest.raises(Refused):
        inverse_of_readings(line, [], 0.9)


@pytest.mark.parametrize("level", [0, 1, -0.1, 1.5, float("nan")])
def test_a_level_outside_0_to_1_is_refused(level):
    line = fit_line(HOURS, BACKLASH)
    for ask in (
        lambda: line.slope_interval(level),
        lambda: line.mean_at(1, level),
        lambda: inverse_interval(line, 0.2, level),
        lambda: student_t_quantile(level, 3),
    ):
        with pytest.raises(Refused):
            ask()


@pytest.mark.parametrize(
    ("p", "dof", "t"),
    [
        (0.975, 3, 3.1824463052837086),
        (0.9999999990686774, 3, 1057.904361792512),
        (0.95, 4, 2.1318467863266495),
        (0.9995, 5, 6.868826625881275),
        (0.975, 10, 2.2281388519862744),
        (0.51, 29, 0.025286049562012945),
        (0.995, 99.5, 2.6261466720631477),
        (0.975, 100, 1.9839715185235518),
        (0.975, 101, 1.983731002955606),
        (0.9, 1000, 1.2823987214609245),
        (0.95, 2.5, 2.5582186141359355),
        (0.75, 0.5, 1.5537739740300374),
        (0.6, 100000.0, 0.2533477771571799),
        (0.975, 1000000.0, 1.9599663568141066),
    ],
)
def test_the_t_quantile_agrees_with_arithmetic_of_fifty_digits(p, dof, t):
    """mpmath 1.4.1: the incomplete beta function at 50 digits, inverted by Newton's method to 25."""
    assert approx(t, rel=1e-12 if dof <= 1e5 else 1e-11) == student_t_quantile(p, dof)


@pytest.mark.parametrize("p", [0.501, 0.6, 0.75, 0.95, 0.999, 1 - 2**-40, 0.3, 2**-30])
def test_the_t_quantile_of_one_and_two_degrees_of_freedom_is_elementary(p):
    """Abramowitz and Stegun, 26.7: tan(pi (p - 1/2)), and (2 p - 1) / sqrt(2 p (1 - p))."""
    one = tan(pi * (p - 0.5)) if 0.01 < p < 0.99 else (1 if p > 0.5 else -1) / tan(pi * min(p, 1 - p))
    assert approx(one, rel=1e-12) == student_t_quantile(p, 1)
    assert approx((2 * p - 1) / sqrt(2 * p * (1 - p)), rel=1e-12) == student_t_quantile(p, 2)


@given(st.floats(1e-6, 1 - 1e-6), st.floats(0.5, 1e4))
def test_the_t_quantile_mirrors_about_one_half(p, dof):
    assert approx(student_t_quantile(p, dof), rel=1e-9, abs=1e-9) == -student_t_quantile(1 - p, dof)


def test_the_middle_is_zero_and_the_two_sided_quantile_takes_half_of_the_rest():
    """One degree of freedom: half the area lies between -1 and 1, for the arc tangent of 1 is a quarter of pi."""
    assert 0 == student_t_quantile(0.5, 7)
    assert approx(1, rel=1e-13) == two_sided_t(0.5, 1)


@pytest.mark.parametrize("dof", [0, -1, 1e7, float("nan")])
def test_degrees_of_freedom_outside_the_range_are_refused(dof):
    with pytest.raises(Refused):
        student_t_quantile(0.9, dof)
