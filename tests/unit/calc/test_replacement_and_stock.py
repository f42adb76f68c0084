from math import exp, gamma

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx
from scipy import integrate, stats

from service_api.calc.life import Weibull
from service_api.calc.refused import Refused
from service_api.calc.replacement import age_replacement, minimal_repair_interval
from service_api.calc.stock import backorders, least_stock, mean_demand, no_shortage


def cost_rate(age: float, planned: float, failure: float, life: Weibull) -> float:
    """By the definition: the mean cost of a part over the mean hours it runs, replaced at `age` or at failure."""
    run, _ = integrate.quad(life.survival, 0, age, epsabs=0, epsrel=1e-10)
    alive = life.survival(age)
    return (planned * alive + failure * (1 - alive)) / run


@given(st.floats(1.2, 6), st.floats(1.5, 50))
def test_no_other_age_costs_less_than_the_one_that_is_found(shape, failure):
    life = Weibull(shape, 1000)
    found = age_replacement(1, failure, life)
    if found.interval is None or found.interval > 20_000:
        return
    assert approx(cost_rate(found.interval, 1, failure, life), rel=1e-7) == found.cost_rate
    for other in (0.9, 1.1):
        assert cost_rate(found.interval * other, 1, failure, life) >= found.cost_rate * (1 - 1e-9)


@given(st.floats(1.2, 6), st.floats(1.5, 50), st.floats(0.01, 100))
def test_another_unit_of_time_scales_the_age_and_another_currency_the_cost(shape, failure, factor):
    found = age_replacement(1, failure, Weibull(shape, 1000))
    scaled = age_replacement(factor, failure * factor, Weibull(shape, 1000 * factor))
    if found.interval is None or scaled.interval is None:
        assert found.interval is scaled.interval
        return
    assert approx(found.interval * factor, rel=1e-9) == scaled.interval
    assert approx(found.cost_rate, rel=1e-9) == scaled.cost_rate


@pytest.mark.parametrize(("shape", "failure"), [(1, 100), (0.7, 100), (3, 1), (3, 0.5), (1.00001, 100)])
def test_without_wear_out_or_a_dear_failure_no_age_pays(shape, failure):
    """Running to failure costs the failure over the mean life, scale * Gamma(1 + 1/shape)."""
    found = age_replacement(1, failure, Weibull(shape, 1000))
    assert (None, 0.0) == (found.interval, found.saving)
    assert approx(failure / (1000 * gamma(1 + 1 / shape))) == found.cost_rate_run_to_failure


@pytest.mark.parametrize(("planned", "failure"), [(0, 5), (-1, 5), (1, 0), (float("nan"), 5), (1, float("inf"))])
def test_costs_that_are_none_are_refused(planned, failure):
    for ask in (age_replacement, minimal_repair_interval):
        with pytest.raises(Refused):
            ask(planned, failure, Weibull(2, 1000))


def test_an_overhaul_worked_by_hand_and_one_that_never_pays():
    """500 sqrt(900 / 100) = 1500 h; (900 + 100 * 9) / 1500 = 1.2. Barlow and Hunter (1960)."""
    assert approx((1500, 1.2)) == (lambda o: (o.interval, o.cost_rate))(
        minimal_repair_interval(900, 100, Weibull(2, 500))
    )
    with pytest.raises(Refused) as refusal:
        minimal_repair_interval(900, 100, Weibull(1, 500))
    assert "no-wear-out" == refusal.value.reason


def test_a_mean_life_beyond_a_double_is_refused():
    with pytest.raises(Refused):
        age_replacement(1, 5, Weibull(0.005, 1000))


@given(st.floats(0, 300), st.floats(0.5, 0.9999))
def test_the_stock_is_the_least_that_is_enough(mean, assurance):
    found = least_stock(mean, assurance)
    assert found.achieved >= assurance > found.one_less


@given(st.floats(0.001, 500), st.integers(0, 600))
def test_backorders_are_what_the_stock_leaves_of_the_demand(mean, stock):
    """E(X) = E(min(X, s)) + E(X - s)+, the former summed directly."""
    served = sum(min(k, stock) * stats.poisson.pmf(k, mean) for k in range(stock + 1))
    served += stock * stats.poisson.sf(stock, mean)
    assert approx(mean - served, abs=1e-9 * max(1, mean)) == backorders(mean, stock)


def test_no_demand_needs_no_stock():
    assert (0, 1.0, 0.0) == (least_stock(0, 0.99).stock, no_shortage(0, 0), backorders(0, 0))
    assert approx(exp(-0.04)) == least_stock(0.04, 0.95).achieved


@pytest.mark.parametrize(
    "ask",
    [
        lambda: least_stock(-1, 0.9),
        lambda: least_stock(2, 1),
        lambda: least_stock(2, 0),
        lambda: least_stock(2e6, 0.9),
        lambda: least_stock(float("nan"), 0.9),
        lambda: backorders(2, -1),
        lambda: backorders(2, 1.5),
        lambda: mean_demand(-1, 1, 1),
        lambda: mean_demand(1, float("inf"), 1),
    ],
)
def test_what_is_no_demand_is_refused(ask):
    with pytest.raises(Refused):
        ask()
