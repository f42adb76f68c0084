from fractions import Fraction

import pytest

from service_api.calc.lost_motion import (
    lead_from_threads,
    lost_motion,
    nut_clearance,
    turns_from_degrees,
    turns_from_divisions,
)
from service_api.calc.refused import Refused


def test_a_third_of_a_turn_on_a_lead_of_two_millimetres_is_two_thirds_exactly():
    """Hand calculation: 120/360 * 2 mm."""
    assert Fraction(2, 3) == lost_motion(turns_from_degrees(Fraction(120)), Fraction(2)).mm


def test_a_two_start_thread_travels_twice_its_pitch():
    """Hand calculation: 5/125 turn * 2/8 in = 0.01 in = 0.254 mm."""
    travel = lost_motion(turns_from_divisions(Fraction(5), Fraction(125)), lead_from_threads(Fraction(8), 2))
    assert (Fraction(1, 100), Fraction(254, 1000)) == (travel.inch, travel.mm)


def test_a_screw_without_lead_or_threads_and_a_collar_without_divisions_are_refused():
    for wrong in (
        lambda: lost_motion(Fraction(1), Fraction(0)),
        lambda: lead_from_threads(Fraction(0)),
        lambda: lead_from_threads(Fraction(8), 0),
        lambda: turns_from_divisions(Fraction(1), Fraction(0)),
    ):
        with pytest.raises(ValueError):
            wrong()


def test_the_thrust_float_is_taken_off_the_lost_motion():
    """0.27 turn of 2 mm is 0.54 mm; less 0.04 mm of float the nut has lost 0.50 mm (hand calculation, JOB.md 1.7)."""
    assert Fraction(1, 2) == nut_clearance(Fraction("0.27"), Fraction(2), Fraction("0.04")).mm
    for turns, thrust, reason in (("0.01", "0.04", "float-exceeds"), ("0.27", "-0.01", "not-positive")):
        with pytest.raises(Refused) as refusal:
            nut_clearance(Fraction(turns), Fraction(2), Fraction(thrust))
        assert reason == refusal.value.reason
