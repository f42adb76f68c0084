from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx
from scipy import stats

from service_api.calc.gauge_study import by_anova, by_range, mean_and_sd, precision, precision_of_summaries
from service_api.calc.refused import Refused

DESIGNED = [[[13, 15, 29], [15, 17, 31]], [[10, 24, 38], [12, 26, 40]], [[4, 18, 20], [6, 20, 22]]]
CELLS = st.lists(st.integers(0, 50), min_size=12, max_size=12)


def table(cells: list[int]) -> list[list[list[float]]]:
    """2 operators, 2 trials, 3 parts."""
    numbers = iter(cells)
    return [[[float(next(numbers)) for _ in range(3)] for _ in range(2)] for _ in range(2)]


def test_a_designed_table_comes_apart_into_its_components():
    """Mean squares 600, 150, 48, 2: scatter 2, interaction 23, operators 17, parts 92 (hand calculation)."""
    found = by_anova(DESIGNED)
    assert approx((1200, 300, 192, 18)) == (
        found.ss_part,
        found.ss_operator,
        found.ss_interaction,
        found.ss_repeatability,
    )
    assert approx((sqrt(2), sqrt(40), sqrt(92))) == (found.spread.ev, found.spread.av, found.spread.pv)


@given(CELLS)
def test_the_sums_of_squares_add_up_to_that_of_all_readings(cells):
    readings = table(cells)
    every = [v for one in readings for trial in one for v in trial]
    if any(a == b for a, b in zip(readings[0][0], readings[0][1], strict=True)):
        return
    found = by_anova(readings)
    total = sum((v - sum(every) / 12) ** 2 for v in every)
    assert approx(total, abs=1e-8) == (
        found.ss_part + found.ss_operator + found.ss_interaction + found.ss_repeatability
    )


@given(CELLS, st.sampled_from([25.4, 0.001, 1000.0]))
def test_another_unit_scales_the_spread_and_keeps_the_shares(cells, factor):
    readings = table(cells)
    scaled = [[[v * factor for v in trial] for trial in one] for one in readings]
    for study in (by_range, by_anova):
        try:
            found = study(readings)
        except Refused as refused:
            with pytest.raises(Refused) as refusal:
                study(scaled)
            assert refused.reason == refusal.value.reason
            continue
        other = study(scaled)
        assert approx(found.spread.grr * factor, rel=1e-9) == other.spread.grr
        assert approx(found.spread.pct_grr, rel=1e-9) == other.spread.pct_grr


def test_the_order_of_operators_trials_and_parts_does_not_matter():
    mixed = [[[trial[p] for p in (2, 0, 1)] for trial in reversed(one)] for one in reversed(DESIGNED)]
    assert approx(by_anova(DESIGNED).spread.grr) == by_anova(mixed).spread.grr
    assert approx(by_range(DESIGNED).spread.grr) == by_range(mixed).spread.grr


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        ([], "no-data"),
        ([[[1, 2], [1, 3]]], "too-few-points"),
        ([[[1, 2]], [[1, 3]]], "too-few-points"),
        ([[[1], [2]], [[3], [4]]], "too-few-points"),
        ([[[1, 2], [1, 2]], [[1, 2], [1]]], "unbalanced"),
        ([[[1, 2], [1, 2]], [[1, 2]]], "unbalanced"),
        ([[[1, 2], [1, 2]], [[1, 2], [1, 2]]], "no-scatter"),
        ([[[1, 2], [1, float("nan")]], [[1, 2], [1, 2]]], "not-finite"),
    ],
)
def test_a_study_that_tells_nothing_is_refused_with_the_reason(readings, reason):
    for study in (by_range, by_anova):
        with pytest.raises(Refused) as refusal:
            study(readings)
        assert reason == refusal.value.reason


def test_a_factor_that_is_not_printed_has_to_be_given():
    four_trials = [[[1, 2], [1, 3], [2, 2], [1, 2]], [[1, 2], [1, 2], [1, 2], [2, 3]]]
    with pytest.raises(Refused) as refusal:
        by_range(four_trials)
    assert "no-factor" == refusal.value.reason
    assert by_range(four_trials, k1=0.4857).spread.ev > 0
    with pytest.raises(Refused):
        by_range(DESIGNED, k2=0)
    with pytest.raises(Refused):
        by_anova(DESIGNED, pool_alpha=1)


@given(st.lists(st.lists(st.integers(0, 50), min_size=3, max_size=3), min_size=2, max_size=5))
def test_the_ratio_between_groups_agrees_with_the_kept_library(groups):
    found = precision(groups)
    if found.f is None:
        assert 0 == found.ms_within
        return
    assert approx(float(stats.f_oneway(*groups).statistic), rel=1e-9) == found.f


def test_summaries_of_the_groups_tell_the_same_as_the_groups():
    groups = [[1.0, 3.0, 2.0], [2.0, 2.5, 4.0]]
    summaries = [mean_and_sd(group) for group in groups]
    other = precision_of_summaries(3, [m for m, _ in summaries], [s for _, s in summaries])
    assert approx(precision(groups).s_reproducibility) == other.s_reproducibility


@pytest.mark.parametrize(
    "ask",
    [
        lambda: precision([]),
        lambda: precision([[1, 2, 3]]),
        lambda: precision([[1], [2]]),
        lambda: precision([[1, 2], [3]]),
        lambda: precision_of_summaries(3, [1, 2], [0.1]),
        lambda: precision_of_summaries(3, [1, 2], [0.1, -0.1]),
        lambda: precision_of_summaries(1, [1, 2], [0.1, 0.1]),
        lambda: mean_and_sd([3.2]),
        lambda: mean_and_sd([3.2, float("nan")]),
    ],
)
def test_groups_that_tell_no_precision_are_refused(ask):
    with pytest.raises(Refused):
        ask()
