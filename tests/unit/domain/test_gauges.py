"""Fitness of a gauge: JOB.md 1.23, CONTRACT D (Gauge fitness)."""

from datetime import date
from decimal import Decimal as D

import pytest

from service_api.domain.gauges import fitness
from tests.histories import at, calibration, gauge

NOW, TODAY = at("01-05 09:00"), date(2026, 1, 5)


def fit(*calibrations, moment=NOW, day=TODAY, **more):
    return fitness(gauge(*calibrations), moment, day, **more)


def test_a_gauge_counts_on_its_due_day_and_not_on_the_next():
    last = calibration("01-01 09:00", due="2026-01-05")
    assert "ok" == fit(last)
    assert "overdue" == fit(last, moment=at("01-06 09:00"), day=date(2026, 1, 6))


def test_a_gauge_without_a_calibration_before_the_reading_is_overdue():
    assert "overdue" == fit()
    assert "overdue" == fit(calibration("01-05 09:01"))
    assert "ok" == fit(calibration("01-05 09:00")), "a calibration of that very moment is before it"


def test_a_calibration_without_a_due_day_does_not_run_out():
    assert "ok" == fit(calibration("01-01 09:00", due=None))
    assert "ok" == fit(calibration("01-01 09:00", due={"unknown": "label gone"}))


def test_the_last_calibration_before_the_reading_counts():
    old, new = calibration("01-01 08:00", due="2026-01-02"), calibration("01-03 08:00", due="2026-06-01")
    assert "ok" == fit(old, new)
    assert "overdue" == fit(old, new, moment=at("01-02 23:00"), day=date(2026, 1, 3))


@pytest.mark.parametrize(("u", "state"), [("0.06", "ok"), ("0.0601", "too-coarse")])
def test_a_quarter_of_the_span_of_wear_is_fine_and_more_is_too_coarse(u, state):
    """CONTRACT D: U / |replace - nearer end of new| <= 0.25. Here 0.33 - 0.09 = 0.24; a quarter is 0.06."""
    found = fit(calibration("01-01 09:00", uncertainty=u), limit=D("0.33"), new=(D("0.03"), D("0.09")))
    assert state == found


def test_the_nearer_end_counts_for_a_lower_limit_too():
    """12.5 against 13.9 to 14.0: the span is 1.4, a quarter 0.35."""
    span = {"limit": D("12.5"), "new": (D("13.9"), D("14.0"))}
    assert "ok" == fit(calibration("01-01 09:00", uncertainty="0.35"), **span)
    assert "too-coarse" == fit(calibration("01-01 09:00", uncertainty="0.36"), **span)


def test_a_limit_inside_new_leaves_no_span_to_measure():
    assert "too-coarse" == fit(calibration("01-01 09:00", uncertainty="0.001"), limit=D(1), new=(D(0), D(1)))


@pytest.mark.parametrize(
    ("value", "limit", "state"), [("0", "10", "ok"), ("-0.1", "5", "out-of-range"), ("5", "10.1", "out-of-range")]
)
def test_the_reading_and_the_limit_have_to_lie_in_the_range(value, limit, state):
    found = fit(calibration("01-01 09:00", range=["0", "10"]), values=(D(value),), limit=D(limit))
    assert state == found


def test_the_first_thing_against_it_is_said():
    """Overdue, out of range and too coarse at once."""
    bad = calibration("01-01 09:00", due="2026-01-04", range=["0", "1"], uncertainty="9")
    good_day = calibration("01-01 09:00", range=["0", "1"], uncertainty="9")
    judged = {"values": (D(5),), "limit": D("0.5"), "new": (D(0), D(0))}
    assert ["overdue", "out-of-range"] == [fit(bad, **judged), fit(good_day, **judged)]


def test_a_gauge_is_found_out_by_the_next_calibration_only():
    """The one after a good one says nothing about readings before the good one. Allowed is 0.010, either way."""
    before = calibration("01-01 09:00")
    assert "found-out" == fit(before, calibration("02-01 09:00", error="-0.011"))
    assert "ok" == fit(before, calibration("02-01 09:00", error="0.010"))
    assert "ok" == fit(before, calibration("02-01 09:00"), calibration("03-01 09:00", error="0.5"))
