from fractions import Fraction

import pytest

from service_api.calc.lost_motion import lead_from_threads, lost_motion, turns_from_degrees, turns_from_divisions


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
