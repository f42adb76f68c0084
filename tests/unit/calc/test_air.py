from fractions import Fraction
from math import log, log10, pi, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from service_api.calc.air import (
    darcy_friction,
    fit_torque_line,
    hose_drop,
    leak_down,
    referred_flow,
    shaft_power,
    torque_line,
    volume_of_mass_flow,
)
from service_api.calc.refused import Refused


def test_free_air_is_worked_by_hand_in_fractions():
    """700 kPa, 35 degC to 100 kPa, 20 degC: 7 * 293.15 / 308.15."""
    assert approx(float(7 * Fraction("293.15") / Fraction("308.15")), rel=1e-14) == referred_flow(1, 700, 35).factor


@given(st.floats(50, 1500), st.floats(-20, 60), st.floats(50, 1500), st.floats(-20, 60))
def test_there_and_back_is_nothing(p, t, p_ref, t_ref):
    there, back = referred_flow(1, p, t, 0, 0, p_ref, t_ref), referred_flow(1, p_ref, t_ref, 0, 0, p, t)
    assert approx(1, rel=1e-12) == there.factor * back.factor


@pytest.mark.parametrize(
    ("inputs", "reason"),
    [
        ({"p_kpa": 0, "t_c": 20}, "not-positive"),
        ({"p_kpa": 4, "t_c": 30, "rh": 1, "p_sat_kpa": 4.247}, "not-positive"),
        ({"p_kpa": 100, "t_c": -273.15}, "below-zero-kelvin"),
        ({"p_kpa": 100, "t_c": 20, "rh": 1.01}, "bad-humidity"),
        ({"p_kpa": 100, "t_c": 20, "rh": -0.01}, "bad-humidity"),
        ({"p_kpa": 100, "t_c": 20, "p_sat_kpa": -1}, "bad-humidity"),
        ({"p_kpa": 100, "t_c": 20, "p_ref_kpa": 0}, "not-positive"),
        ({"p_kpa": float("nan"), "t_c": 20}, "not-finite"),
    ],
)
def test_air_that_cannot_be_is_refused_with_the_reason(inputs, reason):
    with pytest.raises(Refused) as refusal:
        referred_flow(1, **inputs)
    assert reason == refusal.value.reason
    with pytest.raises(Refused):
        referred_flow(-1, 100, 20)


def test_a_torque_line_gives_most_power_at_half_its_free_speed():
    line = torque_line(12, 6000)
    assert approx((3000, 6 * 2 * pi * 50)) == (line.peak_rpm, line.peak_watts)
    assert all(shaft_power(line.torque(n), n).watts < line.peak_watts for n in (2000, 4000))
    assert (12, approx(0, abs=1e-12)) == (line.torque(0), line.torque(6000))


def test_a_line_fitted_to_its_own_points_comes_back():
    line = torque_line(12, 6000)
    found = fit_torque_line([500, 2000, 4500], [line.torque(n) for n in (500, 2000, 4500)])
    assert approx((12, 6000)) == (found.stall_nm, found.free_rpm)


@pytest.mark.parametrize(
    ("rpm", "torque", "reason"),
    [
        ([500, 1500], [5, 6], "not-falling"),
        ([500, 1500], [5, 5], "not-falling"),
        ([500, 1500], [-5, -6], "not-falling"),
        ([500], [5], "too-few-points"),
        ([500, 500], [5, 4], "x-constant"),
    ],
)
def test_torque_without_a_free_speed_is_refused(rpm, torque, reason):
    with pytest.raises(Refused) as refusal:
        fit_torque_line(rpm, torque)
    assert reason == refusal.value.reason
    for stall, free in ((0, 1), (1, 0)):
        with pytest.raises(Refused):
            torque_line(stall, free)


def test_a_leak_worked_by_hand():
    """20 L from 701.3 to 671.3 kPa absolute in a minute at 20 degC: 20 * 30 / 100 = 6 L of free air."""
    assert approx(6) == leak_down(20, 701.3, 671.3, 60, 20, 20)


def test_a_warmer_vessel_hides_a_leak_and_a_gain_is_refused():
    """Without the temperature 1 K would pass for a leak of 700 / 294.15 of a kPa."""
    assert approx(0, abs=1e-9) == leak_down(20, 700, 700 * 294.15 / 293.15, 60, 20, 21)
    with pytest.raises(Refused) as refusal:
        leak_down(20, 700, 701, 60, 20, 20)
    assert "gained" == refusal.value.reason
    for wrong in ((0, 700, 690, 60), (20, 0, 690, 60), (20, 700, 690, 0)):
        with pytest.raises(Refused):
            leak_down(*wrong, 20, 20)


@pytest.mark.parametrize("reynolds", [4000, 1e5, 1e7])
@pytest.mark.parametrize("roughness", [0, 1e-5, 1e-3, 0.05])
def test_the_friction_factor_satisfies_colebrooks_equation(reynolds, roughness):
    root = 1 / sqrt(darcy_friction(reynolds, roughness))
    assert approx(root, rel=1e-12) == -2 * log10(roughness / 3.7 + 2.51 * root / reynolds)


def test_a_smooth_pipe_at_a_hundred_thousand_has_the_factor_of_the_moody_chart():
    """L. F. Moody, Trans. ASME 66 (1944) 671-684, read off the chart: 0.018 (memory); Blasius gives 0.0178."""
    assert approx(0.018, abs=2e-4) == darcy_friction(1e5, 0)
    assert approx(0.316 / 1e5**0.25, rel=0.02) == darcy_friction(1e5, 0)


def test_a_hose_loses_what_the_flow_equation_says():
    """30 L/s of free air, 19 mm, 20 m, 7.3 bar absolute. Fluid of constant density would lose f L/D rho v**2 / 2."""
    found = hose_drop(30, 19, 20, 730)
    mass = 0.03 * 100e3 / (8.314462618 / 0.0289647 * 293.15)
    area, density = pi * 0.019**2 / 4, 730e3 / (8.314462618 / 0.0289647 * 293.15)
    plain = found.friction * 20 / 0.019 * density / 2 * (mass / density / area) ** 2 / 1000
    assert plain < found.drop_kpa < plain * 1.05  # the air thins out on its way, so it loses a little more
    assert found.p_end_kpa + found.drop_kpa == approx(730)


@pytest.mark.parametrize(("flow", "length"), [(30, 20), (60, 3), (15, 60)])
def test_a_hose_satisfies_the_equation_of_isothermal_flow_with_its_acceleration(flow, length):
    """p1**2 - p2**2 = (f L/D + 2 ln(p1/p2)) G**2 R T / M, with G the mass flow per area (Crane, TP 410, chapter 1)."""
    found, gas = hose_drop(flow, 19, length, 730), 8.314462618 / 0.0289647 * 293.15
    flux = flow / 1000 * 100e3 / gas / (pi * 0.019**2 / 4)
    p1, p2 = 730e3, found.p_end_kpa * 1000
    right = (found.friction * length / 0.019 + 2 * log(p1 / p2)) * flux**2 * gas
    assert approx(right, rel=1e-9) == p1**2 - p2**2


@given(st.floats(5, 40), st.floats(1, 30))
def test_a_longer_or_narrower_hose_loses_more(flow, length):
    base = hose_drop(flow, 25, length, 800).drop_kpa
    assert base < hose_drop(flow, 25, length * 1.2, 800).drop_kpa
    assert base < hose_drop(flow, 23, length, 800).drop_kpa
    assert base > hose_drop(flow, 25, length, 900).drop_kpa


@pytest.mark.parametrize(
    ("flow", "bore", "length", "p_in", "roughness", "reason"),
    [
        (0.5, 25, 10, 700, 0.0015, "not-turbulent"),
        (200, 13, 100, 700, 0.0015, "too-fast"),
        (110, 13, 1, 700, 0.0015, "too-fast"),
        (30, 25, 10, 700, 2, "bad-roughness"),
        (30, 25, 10, 700, -1, "bad-roughness"),
        (0, 25, 10, 700, 0.0015, "not-positive"),
        (30, 0, 10, 700, 0.0015, "not-positive"),
        (30, 25, 10, 0, 0.0015, "not-positive"),
    ],
)
def test_a_hose_outside_the_range_is_refused_with_the_reason(flow, bore, length, p_in, roughness, reason):
    with pytest.raises(Refused) as refusal:
        hose_drop(flow, bore, length, p_in, 20, roughness)
    assert reason == refusal.value.reason


def test_friction_below_turbulence_and_gas_without_pressure_are_refused():
    for ask in (
        lambda: darcy_friction(3999, 0),
        lambda: volume_of_mass_flow(1, 0, 20),
        lambda: volume_of_mass_flow(-1, 1e5, 20),
        lambda: volume_of_mass_flow(1, 1e5, -274),
        lambda: shaft_power(float("nan"), 1),
    ):
        with pytest.raises(Refused):
            ask()
