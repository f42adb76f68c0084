import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pytest import approx
from scipy import stats

from service_api.calc.life import Weibull, fit_weibull, kaplan_meier, mean_time
from service_api.calc.refused import Refused

FAILED = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
HOURS = st.lists(st.integers(1, 4000), min_size=2, max_size=15)


def test_the_published_example_comes_out_to_six_of_its_seven_digits():
    """NIST/SEMATECH e-Handbook 8.4.1.3: ten failed, ten taken off at 500 h. (40-digit sums give 606.5276.)"""
    fit = fit_weibull(FAILED, [(500, 10)])
    assert (approx(1.7208, abs=5e-5), approx(606.5280, abs=5e-4)) == (fit.life.shape, fit.life.scale)
    assert (10, 10) == (fit.failed, fit.running)


def test_a_life_worked_by_hand():
    """H(t) = (t/1000)**2: at 500 h 0.25, so exp(-0.25) survive; ln 2 is reached at 1000 sqrt(ln 2) h."""
    life = Weibull(2, 1000)
    assert (approx(0.25), approx(math.exp(-0.25))) == (life.cumulative_hazard(500), life.survival(500))
    assert approx(1000 * math.sqrt(math.log(2))) == life.quantile(0.5)


@given(HOURS, st.lists(st.integers(1, 5000), max_size=10), st.floats(0.01, 100))
def test_another_unit_of_time_scales_the_life_and_keeps_the_shape(failed, running, factor):
    assume(max(failed) > 1.01 * min(failed))
    fit = fit_weibull(failed, running)
    scaled = fit_weibull([h * factor for h in failed], [h * factor for h in running])
    assert approx(fit.life.shape, rel=1e-9) == scaled.life.shape
    assert approx(fit.life.scale * factor, rel=1e-9) == scaled.life.scale
    assert approx(fit.u_scale * factor, rel=1e-7) == scaled.u_scale


@given(HOURS, st.lists(st.integers(1, 5000), max_size=10), st.randoms(use_true_random=False))
def test_the_order_of_the_lives_does_not_matter(failed, running, random):
    assume(max(failed) > 1.01 * min(failed))
    fit = fit_weibull(failed, running)
    other = fit_weibull(random.sample(failed, len(failed)), random.sample(running, len(running)))
    assert approx((fit.life.shape, fit.life.scale), rel=1e-9) == (other.life.shape, other.life.scale)


@given(HOURS, st.lists(st.integers(1, 5000), max_size=10), st.integers(1, 5000))
def test_adding_a_survivor_never_shortens_life(failed, running, survivor):
    """One more that has not failed leaves every step's share of survivors as high or higher, and so the median."""
    before, after = kaplan_meier(failed, running), kaplan_meier(failed, [*running, survivor])
    assert before.times == after.times
    assert all(b <= a + 1e-12 for b, a in zip(before.survival, after.survival, strict=True))
    assert after.median is None or (before.median is not None and before.median <= after.median)


@given(st.integers(0, 20), st.floats(1, 1e5), st.floats(0.1, 1e5))
def test_adding_a_survivor_never_shortens_the_mean_time_between_failures(failures, hours, more):
    before, after = mean_time(hours, failures), mean_time(hours + more, failures)
    assert before.lower < after.lower
    assert (before.upper is None and after.upper is None) or before.upper < after.upper


@pytest.mark.parametrize(("failed", "running"), [(FAILED, [500] * 10), ([5, 8, 13], []), ([3, 4, 9, 9], [2, 9, 20])])
def test_the_fit_agrees_with_the_kept_library(failed, running):
    """SciPy's general maximum likelihood, which climbs by steps, so to four digits."""
    data = stats.CensoredData(uncensored=failed, right=running)
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    life = fit_weibull(failed, running).life
    assert approx((shape, scale), rel=2e-4) == (life.shape, life.scale)


@settings(max_examples=30)
@given(HOURS, st.lists(st.integers(1, 5000), max_size=10))
def test_the_steps_agree_with_the_kept_library(failed, running):
    """SciPy's ecdf of censored data; it gives no count at risk, which is why the steps are ours."""
    found = kaplan_meier(failed, running)
    sf = stats.ecdf(stats.CensoredData(uncensored=failed, right=running)).sf
    shares = dict(zip(sf.quantiles.tolist(), sf.probabilities.tolist(), strict=True))
    assert approx([shares[t] for t in found.times], abs=1e-12) == list(found.survival)


def test_a_life_cut_off_at_the_hours_of_a_failure_was_at_risk_then():
    """Three at risk at 100 h, of which one fails and one is cut off; one is left at 200 h."""
    assert (3, 1) == kaplan_meier([100, 200], [100]).at_risk


def test_where_nothing_is_left_the_error_is_unknown_and_half_is_half():
    """Two lives: half survive the first, none the second; Greenwood's sum has a zero divisor there."""
    found = kaplan_meier([10, 20])
    assert ((0.5, 0.0), 10.0) == (found.survival, found.median)
    assert found.se[1] is None
    assert found.limits[1] is None


def test_no_failure_at_all_is_a_survival_without_steps():
    assert ((), None) == (kaplan_meier([], [100, 200]).times, kaplan_meier([], [100, 200]).median)


def test_limits_bracket_the_estimate_and_the_ratio_falls_as_it_should():
    """At the limits twice the log-likelihood has fallen by 1.96 squared, the 95 % point of chi-square on one degree."""
    fit = fit_weibull(FAILED, [(500, 10)])
    for value, limits in (
        (fit.life.shape, fit.shape_limits()),
        (fit.life.scale, fit.scale_limits()),
        (fit.life.quantile(0.1), fit.quantile_limits(0.1)),
    ):
        assert all(i.low < value < i.high for i in (limits.log, limits.plain, limits.ratio))
    low = fit.shape_limits().ratio.low
    scale = (sum(t**low for t in [*FAILED, *[500] * 10]) / 10) ** (1 / low)
    loglik = sum(math.log(low / scale) + (low - 1) * math.log(t / scale) for t in FAILED)
    loglik -= sum((t / scale) ** low for t in [*FAILED, *[500] * 10])
    assert approx(3.841458820694124, rel=1e-6) == 2 * (fit.loglik - loglik)


@pytest.mark.parametrize(
    ("failed", "running", "reason"),
    [
        ([], [100], "no-failure"),
        ([], [], "no-failure"),
        ([100, 100], [], "one-age"),
        ([100], [300], "one-age"),
        ([0, 5], [], "not-positive"),
        ([-5, 5], [], "not-positive"),
        ([5, 9], [0], "not-positive"),
        ([5, float("nan")], [], "not-finite"),
        ([5, float("inf")], [], "not-finite"),
        ([True, 5], [], "not-finite"),
        ([(5, 0), 9], [], "not-whole"),
        ([(5, 1.5), 9], [], "not-whole"),
        ([100, 100.0001], [], "no-fit"),
    ],
)
def test_lives_without_a_fit_are_refused_with_the_reason(failed, running, reason):
    with pytest.raises(Refused) as refusal:
        fit_weibull(failed, running)
    assert reason == refusal.value.reason


@pytest.mark.parametrize("level", [0, 1, float("nan"), -1])
def test_a_level_outside_0_to_1_is_refused(level):
    for ask in (
        lambda: fit_weibull(FAILED, level=level),
        lambda: kaplan_meier(FAILED, level=level),
        lambda: mean_time(100, 1, level),
        lambda: Weibull(1, 1).quantile(level),
    ):
        with pytest.raises(Refused):
            ask()


@pytest.mark.parametrize(
    ("hours", "failures", "reason"),
    [(0, 0, "not-positive"), (-1, 0, "not-positive"), (10, -1, "not-whole"), (10, 1.0, "not-whole")],
)
def test_a_rate_of_nothing_watched_is_refused(hours, failures, reason):
    with pytest.raises(Refused) as refusal:
        mean_time(hours, failures)
    assert reason == refusal.value.reason


def test_no_failure_bounds_the_mean_time_from_below_only():
    """NIST/SEMATECH e-Handbook 8.4.5.1: T / -ln(1 - level); 500 / ln 10."""
    found = mean_time(500, 0, 0.9)
    assert (None, None, approx(500 / math.log(10))) == (found.mtbf, found.upper, found.lower_one_sided)


@pytest.mark.parametrize(("shape", "scale"), [(0, 1), (1, 0), (-1, 1), (1, float("inf"))])
def test_a_life_without_shape_or_scale_is_refused(shape, scale):
    with pytest.raises(Refused):
        Weibull(shape, scale)
