from itertools import permutations
from math import exp, log, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from service_api.calc.kendall import inverted_pairs_at_most
from service_api.calc.recurrence import History, Watched, mean_cumulative, power_law, trend_tests
from service_api.calc.refused import Refused

AGES = st.lists(st.integers(1, 900), min_size=2, max_size=12)


def test_a_mean_cumulative_function_worked_by_hand():
    """Two units. At 10 h one of two repairs: 1/2. At 30 h one is left and repairs: 1/2 + 1.

    Robust: at 10 h each is 1/4 from the mean, so sqrt(2 / 16); at 30 h the one left is no further from itself.
    """
    found = mean_cumulative([History([10], 20), History([30], 40)])
    assert ((10, 30), (2, 1), (0.5, 1.5)) == (found.times, found.at_risk, found.mcf)
    assert approx((sqrt(2) / 4, sqrt(2) / 4)) == found.se


def test_a_unit_is_at_risk_up_to_and_including_the_end_of_its_watch():
    assert (2,) == mean_cumulative([History([50], 50), History([], 50)]).at_risk


def test_beyond_the_longest_watch_nothing_is_known_and_before_the_first_repair_nothing_has_happened():
    found = mean_cumulative([History([10], 20)])
    assert ((0.0, 0.0), (1.0, 0.0), None) == (found.at(9.9), found.at(20), found.at(20.1))
    assert mean_cumulative([History([], 20)]).limits(0, 0.95) is None


@given(st.lists(AGES, min_size=1, max_size=4), st.floats(0.01, 100))
def test_another_unit_of_time_moves_the_steps_and_keeps_their_height(ages, factor):
    histories = [History(events, 1000) for events in ages]
    scaled = [History([e * factor for e in events], 1000 * factor) for events in ages]
    found, other = mean_cumulative(histories), mean_cumulative(scaled)
    assert approx(found.mcf) == other.mcf
    assert approx([t * factor for t in found.times]) == list(other.times)


@given(st.lists(AGES, min_size=1, max_size=4), st.randoms(use_true_random=False))
def test_the_order_of_units_and_repairs_does_not_matter(ages, random):
    histories = [History(events, 1000) for events in ages]
    mixed = [History(random.sample(h.events, len(h.events)), h.end) for h in random.sample(histories, len(histories))]
    assert approx(mean_cumulative(histories).mcf) == mean_cumulative(mixed).mcf
    assert approx(mean_cumulative(histories).se) == mean_cumulative(mixed).se


@given(st.lists(AGES, min_size=1, max_size=4))
def test_a_unit_that_was_never_repaired_only_lowers_the_mean(ages):
    histories = [History(events, 1000) for events in ages]
    lower = mean_cumulative([*histories, History([], 1000)]).mcf
    assert all(b <= a for a, b in zip(mean_cumulative(histories).mcf, lower, strict=True))


@pytest.mark.parametrize(
    ("histories", "reason"),
    [
        ([], "no-data"),
        ([History([60], 50)], "outside"),
        ([History([0], 50)], "outside"),
        ([History([], 0)], "not-positive"),
        ([History([float("nan")], 50)], "not-finite"),
    ],
)
def test_repairs_outside_their_watch_are_refused(histories, reason):
    with pytest.raises(Refused) as refusal:
        mean_cumulative(histories)
    assert reason == refusal.value.reason


def test_a_power_law_worked_by_hand():
    """One system, two failures at T/e and T/e**2, T = 100: shape 2 / (1 + 2), rate scale 2 / 100**(2/3)."""
    found = power_law([Watched([100 / exp(1), 100 / exp(2)], 100)])
    assert approx((2 / 3, 2 / 100 ** (2 / 3))) == (found.shape, found.rate_scale)
    assert approx(2) == found.rate_scale * 100**found.shape
    assert found.one is not None
    assert approx(1 / 3) == found.one.shape  # (n - 1) / sum of the logs


def test_systems_watched_equally_long_have_the_pooled_closed_form():
    """n / sum ln(T / t) over all of them, as one system has."""
    pooled = power_law([Watched([10, 60], 100), Watched([35], 100), Watched([], 100)])
    assert approx(3 / (log(10) + log(100 / 60) + log(100 / 35))) == pooled.shape
    assert pooled.one is None


@given(AGES, st.lists(st.integers(1, 700), max_size=5), st.floats(0.01, 100))
def test_another_unit_of_time_keeps_the_shape_of_the_process(first, second, factor):
    found = power_law([Watched(first, 1000), Watched(second, 750)])
    scaled = power_law(
        [Watched([t * factor for t in first], 1000 * factor), Watched([t * factor for t in second], 750 * factor)]
    )
    assert approx(found.shape, rel=1e-8) == scaled.shape
    assert approx(found.intensity_now / factor, rel=1e-7) == scaled.intensity_now


@given(AGES, st.lists(st.integers(1, 700), max_size=5))
def test_the_expected_failures_are_those_seen(first, second):
    """The likelihood's other equation: the fitted process expects n over all the watches."""
    found = power_law([Watched(first, 1000), Watched(second, 750)])
    assert approx(found.n, rel=1e-9) == sum(found.rate_scale * end**found.shape for end in (1000, 750))


@pytest.mark.parametrize(
    ("systems", "reason"),
    [
        ([], "no-data"),
        ([Watched([])], "no-data"),
        ([Watched([100], 500)], "too-few-events"),
        ([Watched([0, 100], 500)], "outside"),
        ([Watched([100, 501], 500)], "outside"),
        ([Watched([500, 500], 500)], "no-fit"),
        ([Watched([500, 500], 500), Watched([], 400)], "no-fit"),
        ([Watched([100, 200], 0)], "not-positive"),
    ],
)
def test_processes_without_a_fit_are_refused_with_the_reason(systems, reason):
    with pytest.raises(Refused) as refusal:
        power_law(systems)
    assert reason == refusal.value.reason


def test_repairs_evenly_spread_show_no_trend_and_crowded_ones_do():
    """Laplace by hand: mean 50 of 100 gives 0; mean 90 gives 40 / (100 / sqrt(48)), four repairs."""
    assert approx(0, abs=1e-12) == trend_tests([20, 40, 60, 80], 100).laplace_u
    assert approx(40 / (100 / sqrt(48))) == trend_tests([85, 88, 92, 95], 100).laplace_u


@given(st.lists(st.floats(1, 999), min_size=2, max_size=20).map(sorted), st.floats(0.01, 100))
def test_another_unit_of_time_keeps_every_test_of_trend(times, factor):
    found, scaled = trend_tests(times, 1000), trend_tests([t * factor for t in times], 1000 * factor)
    assert approx((found.laplace_u, found.mil_chi2), rel=1e-7, abs=1e-9) == (scaled.laplace_u, scaled.mil_chi2)


@pytest.mark.parametrize(
    ("times", "until", "reason"),
    [
        ([5], 10, "too-few-events"),
        ([9, 5], 10, "unsorted"),
        ([0, 5], 10, "outside"),
        ([5, 11], 10, "outside"),
        ([5, float("nan")], 10, "not-finite"),
    ],
)
def test_repairs_without_a_trend_are_refused_with_the_reason(times, until, reason):
    with pytest.raises(Refused) as refusal:
        trend_tests(times, until)
    assert reason == refusal.value.reason


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6])
def test_the_chance_of_inverted_pairs_is_that_of_all_orders_counted(n):
    counts = [sum(a > b for i, a in enumerate(p) for b in p[i + 1 :]) for p in permutations(range(n))]
    for most in range(n * (n - 1) // 2 + 1):
        assert approx(sum(c <= most for c in counts) / len(counts)) == inverted_pairs_at_most(n, most)
