from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx
from scipy import integrate, stats

from service_api.calc.refused import Refused
from service_api.calc.risk import (
    Gamma,
    Limits,
    Normal,
    accept_upper_for_risk,
    conformance,
    decide,
    global_risk,
    rejection_threshold,
    worst_case_risk,
)

Y, U = st.floats(-50, 50), st.floats(0.01, 10)


@given(Y, U, st.floats(-50, 50), st.floats(0, 50))
def test_inside_below_and_above_are_all_there_is(y, u, lower, width):
    found = conformance(y, u, lower, lower + width)
    assert approx(1, abs=1e-12) == found.p_conform + found.p_below + found.p_above


@given(Y, U, st.floats(-50, 50), st.sampled_from([25.4, 0.001, 1000.0]))
def test_another_unit_changes_no_probability(y, u, upper, factor):
    found, scaled = conformance(y, u, upper=upper), conformance(y * factor, u * factor, upper=upper * factor)
    assert approx(found.p_above, rel=1e-6, abs=1e-300) == scaled.p_above


@pytest.mark.parametrize(
    ("inputs", "reason"),
    [
        ({"y": 1, "u": 0, "upper": 2}, "not-positive"),
        ({"y": 1, "u": -1, "upper": 2}, "not-positive"),
        ({"y": 1, "u": 1}, "no-limit"),
        ({"y": 1, "u": 1, "lower": 3, "upper": 2}, "limits-crossed"),
        ({"y": float("nan"), "u": 1, "upper": 2}, "not-finite"),
        ({"y": 1, "u": 1, "upper": float("inf")}, "not-finite"),
    ],
)
def test_what_cannot_conform_to_anything_is_refused_with_the_reason(inputs, reason):
    with pytest.raises(Refused) as refusal:
        conformance(**inputs)
    assert reason == refusal.value.reason


def test_decimals_decide_exactly_at_the_edge():
    """0.20 - 2 * 0.01 is 0.18, and 0.18 conforms; in binary it would be a rounding above."""
    found = decide([D("0.18"), D("0.1801"), D("0.22"), D("0.2201")], D("0.01"), D(2), D(1), None, D("0.20"))
    assert ("conforms", "undecided", "undecided", "does not conform") == found.verdicts


@given(st.decimals(0, 10, places=2), st.decimals("0.01", 1, places=2), st.decimals(0, 2, places=1))
def test_a_wider_guard_band_never_lets_more_through(y, u, guard):
    strict, simple = decide([y], u, D(2), guard, None, D(5)), decide([y], u, D(2), D(0), None, D(5))
    assert strict.verdicts != ("conforms",) or simple.verdicts == ("conforms",)
    assert simple.verdicts != ("conforms",) or strict.verdicts != ("does not conform",)


@pytest.mark.parametrize(
    ("y", "u", "k", "guard", "lower", "upper", "reason"),
    [
        ([], "1", "2", "1", None, "9", "no-data"),
        (["1"], "-1", "2", "1", None, "9", "not-positive"),
        (["1"], "1", "0", "1", None, "9", "not-positive"),
        (["1"], "1", "2", "-1", None, "9", "not-positive"),
        (["1"], "1", "2", "1", None, None, "no-limit"),
        (["1"], "1", "2", "1", "9", "1", "limits-crossed"),
        (["1"], "0.03", "2", "1", "0", "0.1", "no-zone"),
        (["NaN"], "1", "2", "1", None, "9", "not-finite"),
    ],
)
def test_what_cannot_be_decided_is_refused_with_the_reason(y, u, k, guard, lower, upper, reason):
    with pytest.raises(Refused) as refusal:
        decide([D(v) for v in y], D(u), D(k), D(guard), lower and D(lower), upper and D(upper))
    assert reason == refusal.value.reason


def test_a_reading_at_the_limit_is_wrong_half_the_time_and_a_guard_band_of_one_u_brings_that_to_2_per_cent():
    """ILAC-G8:09/2019, 4.2.2 (read as quoted): 50 %, and under 2.5 %."""
    assert 0.5 == worst_case_risk(2, 0)
    assert approx(0.02275, abs=5e-6) == worst_case_risk(2, 1)
    for ask in (lambda: worst_case_risk(0, 1), lambda: worst_case_risk(2, -1)):
        with pytest.raises(Refused):
            ask()


@pytest.mark.parametrize(
    ("limit", "u_rel", "confidence", "reason"),
    [
        (100, 0.5, 0.999, "no-threshold"),
        (0, 0.1, 0.9, "not-positive"),
        (100, 0, 0.9, "not-positive"),
        (100, 0.1, 1, "bad-level"),
    ],
)
def test_a_limit_that_no_reading_shows_exceeded_is_refused(limit, u_rel, confidence, reason):
    with pytest.raises(Refused) as refusal:
        rejection_threshold(limit, u_rel, confidence)
    assert reason == refusal.value.reason


@pytest.mark.parametrize("u_m", [0.5, 0.05])
@pytest.mark.parametrize(
    ("prior", "peer"),
    [(Normal(0, 1), stats.norm(0, 1)), (Gamma(2.5, 2), stats.gamma(2.5, scale=0.5))],
    ids=["normal", "gamma"],
)
def test_the_risks_agree_with_a_plain_double_sum(prior, peer, u_m):
    """The definition, summed by the kept library over a grid of true values."""
    tolerance, accept = Limits(-1, 1.5), Limits(-0.9, 1.4)

    def accepted(x: float) -> float:
        return stats.norm.cdf((1.4 - x) / u_m) - stats.norm.cdf((-0.9 - x) / u_m)

    below, _ = integrate.quad(lambda x: peer.pdf(x) * accepted(x), -12, -1, limit=500)
    above, _ = integrate.quad(lambda x: peer.pdf(x) * accepted(x), 1.5, 6, limit=500)
    good, _ = integrate.quad(lambda x: peer.pdf(x) * (1 - accepted(x)), -1, 1.5, limit=500, points=(-0.9, 0, 1.4))
    found = global_risk(prior, u_m, tolerance, accept)
    assert approx((below + above, good), rel=1e-6) == (found.consumer, found.producer)
    assert approx(peer.cdf(-1) + peer.sf(1.5), rel=1e-9) == found.p_out


def test_a_stricter_acceptance_limit_trades_the_consumers_risk_for_the_producers():
    prior, tolerance = Normal(0.1, 0.06), Limits(upper=0.2)
    loose, strict = (global_risk(prior, 0.015, tolerance, Limits(upper=at)) for at in (0.2, 0.18))
    assert strict.consumer < loose.consumer
    assert strict.producer > loose.producer
    assert loose.p_out == strict.p_out


@pytest.mark.parametrize("target", [0.02, 1e-3, 1e-6, 1e-9])
def test_the_acceptance_limit_that_is_found_has_the_risk_that_was_asked_for(target):
    prior, tolerance = Normal(0.1, 0.06), Limits(upper=0.2)
    at = accept_upper_for_risk(prior, 0.015, tolerance, target)
    assert at is not None
    assert approx(target, rel=1e-6) == global_risk(prior, 0.015, tolerance, Limits(upper=at)).consumer


def test_a_risk_that_every_limit_meets_asks_for_none():
    assert accept_upper_for_risk(Normal(0.1, 0.06), 0.015, Limits(upper=0.2), 0.5) is None


@pytest.mark.parametrize(
    "ask",
    [
        lambda: global_risk(Normal(0, 1), 0, Limits(upper=1), Limits(upper=1)),
        lambda: global_risk(Normal(0, 1), 1, Limits(), Limits(upper=1)),
        lambda: global_risk(Normal(0, 1), 1, Limits(2, 1), Limits(upper=1)),
        lambda: accept_upper_for_risk(Normal(0, 1), 1, Limits(lower=1), 0.1),
        lambda: accept_upper_for_risk(Normal(0, 1), 1, Limits(upper=1), 0),
        lambda: Normal(0, 0),
        lambda: Gamma(0, 1),
        lambda: Gamma(1, -1),
    ],
)
def test_a_process_without_scatter_or_limit_is_refused(ask):
    with pytest.raises(Refused):
        ask()
