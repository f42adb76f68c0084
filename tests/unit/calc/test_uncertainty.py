from math import sqrt

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pytest import approx
from scipy import stats

from service_api.calc.refused import Refused
from service_api.calc.uncertainty import Component, budget, means_and_covariances, propagate

PARTS = st.lists(
    st.builds(Component, st.floats(-100, 100), st.floats(0.001, 10), st.none() | st.integers(1, 60)),
    min_size=1,
    max_size=6,
)


def test_two_equal_components_double_their_degrees_of_freedom_exactly():
    """Welch-Satterthwaite by hand: (2 u**2)**2 / (2 u**4 / 7) = 14, and not 13.999, which would be cut to 13."""
    found = budget([Component(1, 0.1, 7), Component(-1, 0.1, 7)])
    assert (14.0, 14) == (found.dof, found.whole_dof)
    assert approx(float(stats.t.ppf(0.975, 14)), rel=1e-10) == found.coverage(0.95).k


@given(PARTS, st.floats(0.01, 100))
@example([Component(3.0422174160683446e-159, 1.0, None)], 0.5)  # its square is too small for all digits of a double
def test_another_unit_scales_the_uncertainty_and_keeps_the_degrees_of_freedom(parts, factor):
    found, scaled = budget(parts), budget([Component(p.c * factor, p.u, p.dof) for p in parts])
    assert approx(found.u * factor, rel=1e-9, abs=1e-300) == scaled.u
    if found.dof is not None and scaled.dof is not None:
        assert approx(found.dof, rel=1e-6) == scaled.dof


@given(PARTS)
def test_the_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(parts):
    """GUM G.4.1, note 1."""
    found = budget(parts)
    finite = [p.dof for p in parts if p.dof is not None and p.c]
    if found.dof is not None:
        assert found.dof >= min(finite) * (1 - 1e-9)
        if all(p.dof is not None for p in parts):
            assert found.dof <= sum(finite) * (1 + 1e-9)


@pytest.mark.parametrize("dof", [2e6, 1e9])
def test_millions_of_degrees_of_freedom_are_all_but_normal(dof):
    assert approx(float(stats.t.ppf(0.995, dof)), rel=1e-11) == budget([Component(1, 1, dof)]).coverage(0.99).k


def test_under_one_degree_of_freedom_no_whole_number_lies_below():
    assert budget([Component(1, 1, 0.5)]).coverage(0.95).k is None


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ([], "no-data"),
        ([Component(1, -0.1, 3)], "not-positive"),
        ([Component(1, 0.1, 0)], "not-positive"),
        ([Component(1, float("nan"), 3)], "not-finite"),
        ([Component(float("inf"), 1, 3)], "not-finite"),
    ],
)
def test_a_budget_that_cannot_be_combined_is_refused_with_the_reason(parts, reason):
    with pytest.raises(Refused) as refusal:
        budget(parts)
    assert reason == refusal.value.reason


def test_levels_and_factors_that_are_none_are_refused():
    found = budget([Component(1, 1)])
    for ask in (lambda: found.coverage(1), lambda: found.expanded(0), lambda: found.expanded(float("nan"))):
        with pytest.raises(Refused):
            ask()


def test_the_sum_of_two_inputs_that_move_together_is_worked_by_hand():
    """Readings 1 2 3 and 2 4 6: variances of the means 1/3 and 4/3, covariance 2/3; the sum has 1/3 + 4/3 + 4/3 = 3."""
    means, covariance = means_and_covariances([[1, 2, 3], [2, 4, 6]])
    found = propagate([(1, 1), (1, 0)], covariance)
    assert (2.0, 4.0) == means
    assert approx((sqrt(3), sqrt(1 / 3))) == found.u
    assert approx(1) == found.r[0][1]
    assert approx(sqrt(5 / 3)) == found.u_if_ignored[0]


@pytest.mark.parametrize(
    "ask",
    [
        lambda: means_and_covariances([]),
        lambda: means_and_covariances([[1], [2]]),
        lambda: means_and_covariances([[1, 2], [2]]),
        lambda: means_and_covariances([[1, float("nan")]]),
        lambda: propagate([], [[1]]),
        lambda: propagate([(1, 2)], [[1]]),
    ],
)
def test_readings_that_do_not_belong_together_are_refused(ask):
    with pytest.raises(Refused):
        ask()
