import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pytest import approx
from scipy import stats

from service_api.calc.curves import fit_after_resets, fit_polynomial, fit_through_origin
from service_api.calc.lines import fit_line
from service_api.calc.refused import Refused
from service_api.calc.theil_sen import theil_sen

POINTS = st.lists(st.tuples(st.integers(0, 5000), st.integers(0, 1000)), min_size=3, max_size=12)


def columns(points: list[tuple[int, int]]) -> tuple[list[float], list[float]]:
    x, y = [float(a) for a, _ in points], [b / 1000 for _, b in points]
    assume(len(set(x)) > 1)
    return x, y


@given(POINTS)
def test_a_polynomial_of_degree_one_is_the_straight_line(points):
    x, y = columns(points)
    line, found = fit_line(x, y), fit_polynomial(x, y, 1)
    assert approx((line.intercept, line.slope), rel=1e-9, abs=1e-12) == found.coefficients
    if line.residual_sd is not None:
        assert approx(line.residual_sd, rel=1e-6, abs=1e-9) == found.residual_sd


def test_a_parabola_through_three_points_is_exact_and_leaves_no_scatter():
    found = fit_polynomial([1, 2, 3], [1, 4, 9], 2)
    assert ((0.0, 0.0, 1.0), None) == (found.coefficients, found.residual_sd)


@pytest.mark.parametrize(
    ("x", "y", "degree", "reason"),
    [
        ([1, 2], [1, 2], 2, "too-few-points"),
        ([1, 1, 1], [1, 2, 3], 1, "too-few-points"),
        ([1, 2], [1], 1, "lengths-differ"),
        ([], [], 0, "no-data"),
        ([1, 2], [1, 2], -1, "not-whole"),
        ([1, 2], [1, 2], 1.0, "not-whole"),
        (list(range(20)), list(range(20)), 13, "bad-degree"),
        ([1, float("nan")], [1, 2], 1, "not-finite"),
    ],
)
def test_a_polynomial_that_the_points_do_not_bear_is_refused(x, y, degree, reason):
    with pytest.raises(Refused) as refusal:
        fit_polynomial(x, y, degree)
    assert reason == refusal.value.reason


def test_a_line_through_the_origin_worked_by_hand():
    """x 1 2, y 2 3: slope 8/5; residuals 2/5 and -1/5, so SSE 1/5 on one degree of freedom; se sqrt(1/5 / 5)."""
    found = fit_through_origin([1, 2], [2, 3])
    assert approx((1.6, 0.2**0.5, 0.2)) == (found.slope, found.residual_sd, found.se_slope)
    assert fit_through_origin([2], [3]).residual_sd is None


@pytest.mark.parametrize(("x", "y", "reason"), [([0, 0], [1, 2], "x-constant"), ([], [], "no-data")])
def test_nothing_but_zero_hours_has_no_line_through_the_origin(x, y, reason):
    with pytest.raises(Refused) as refusal:
        fit_through_origin(x, y)
    assert reason == refusal.value.reason


def test_a_reading_at_a_replacement_belongs_to_the_new_part_and_its_hours_begin_there():
    """Two parts that wear 0.01 an hour from 0: 0, 0.1 up to 10 h; then 0 at 20 h, 0.1 at 30 h."""
    segments, whole = fit_after_resets([(0, 0), (10, 0.1), (20, 0), (30, 0.1)], [20])
    assert (2, 2) == (segments[0].n, segments[1].n)
    for segment in segments:
        assert segment.line is not None
        assert approx((0.01, 0), abs=1e-15) == (segment.line.slope, segment.line.intercept)
    assert whole.slope < 0.005


def test_a_part_with_one_reading_has_no_line_and_says_why():
    segments, _ = fit_after_resets([(0, 0), (10, 0.1), (25, 0.2)], [20, 40])
    assert [(2, None), (1, "too-few-points"), (0, "too-few-points")] == [(s.n, s.why) for s in segments]


@given(POINTS, st.randoms(use_true_random=False))
def test_the_order_of_readings_and_replacements_does_not_matter(points, random):
    columns(points)
    readings, resets = [(float(a), b / 1000) for a, b in points], [1000.0, 3000.0]
    one = fit_after_resets(readings, resets)
    other = fit_after_resets(random.sample(readings, len(readings)), resets[::-1])
    assert [s.n for s in one[0]] == [s.n for s in other[0]]
    assert approx(one[1].slope, rel=1e-9, abs=1e-15) == other[1].slope


@given(POINTS, st.sampled_from([0.5, 0.9, 0.95]))
def test_the_median_slope_and_its_normal_limits_agree_with_the_kept_library(points, level):
    """scipy.stats.theilslopes, which has no exact limits; that is why the rest is ours."""
    x, y = columns(points)
    found = theil_sen(x, y, level)
    assume(found.normal is not None)  # so many ties that no variance is left
    kept = stats.theilslopes(y, x, level)
    assert approx((kept.slope, kept.intercept), abs=1e-12) == (found.slope, found.intercept_separate)
    assert approx((kept.low_slope, kept.high_slope), abs=1e-12) == (found.normal.low, found.normal.high)


@given(POINTS, st.sampled_from([0.001, 1 / 25.4, 60.0]), st.randoms(use_true_random=False))
def test_another_unit_scales_the_median_slope_and_the_order_does_not_matter(points, scale, random):
    x, y = columns(points)
    mixed = random.sample(list(zip(x, y, strict=True)), len(x))
    found, scaled = theil_sen(x, y), theil_sen([a * scale for a, _ in mixed], [b for _, b in mixed])
    assert approx(found.slope, rel=1e-9, abs=1e-15) == scaled.slope * scale


def test_one_wild_reading_does_not_move_the_median_slope():
    x = [float(i) for i in range(10)]
    assert approx(2.0) == theil_sen(x, [2 * a if a != 5 else 100.0 for a in x]).slope


@pytest.mark.parametrize(
    ("x", "y", "reason"),
    [
        ([1], [1], "too-few-points"),
        ([1, 1], [1, 2], "x-constant"),
        ([1, 2], [1], "lengths-differ"),
        ([1, float("inf")], [1, 2], "not-finite"),
    ],
)
def test_points_without_a_median_slope_are_refused(x, y, reason):
    with pytest.raises(Refused) as refusal:
        theil_sen(x, y)
    assert reason == refusal.value.reason


def test_repeated_hours_have_no_exact_limits():
    assert theil_sen([1, 1, 2, 3, 4, 5, 6, 7], [1, 2, 3, 4, 5, 6, 7, 8]).exact is None
