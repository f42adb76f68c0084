from array import array
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from service_api.calc import trend as trends
from service_api.calc.extra import NeedsExtra
from service_api.calc.trend import Fleet, jumps, reach_in_time, trend

HOURS = [212, 498, 765, 1012, 1268, 1503]
BACKLASH = [0.06, 0.10, 0.14, 0.19, 0.23, 0.27]
SERIES = st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 60)), min_size=3, max_size=12)


def test_the_feed_nut_of_s1_reaches_031_at_1754_hours():
    """JOB.md 8.1, S1: 0.0165 turn per 100 h; 0.31 at about 1,754 h, 0.33 at about 1,876 h."""
    found = trend(HOURS, BACKLASH, 0.31, True)
    assert found.line is not None and found.reached is not None
    assert approx(0.0165, abs=5e-5) == found.line.slope * 100
    assert approx(1754, abs=1) == found.reached.hours
    assert approx(1876, abs=1) == trend(HOURS, BACKLASH, 0.33, True).reached.hours


@pytest.mark.parametrize(
    ("hours", "values", "limit", "higher", "why"),
    [
        ([], [], 0.3, True, "too_few_points"),
        ([0, 100], [0.1, 0.2], 0.3, True, "too_few_points"),
        ([100, 100, 100], [0.1, 0.2, 0.3], 0.3, True, "too_few_points"),
        ([0, 100, 200], [0.19, 0.21, 0.20], 0.3, True, "no_trend"),
        ([0, 100, 200], [0.2, 0.2, 0.2], 0.3, True, "no_trend"),
        ([0, 100, 200], [0.30, 0.20, 0.101], 0.3, True, "improving"),
        ([0, 100, 200], [0.10, 0.20, 0.301], 0.05, False, "improving"),
        (HOURS, BACKLASH, None, True, "no_limit"),
    ],
)
def test_a_series_that_reaches_nothing_says_why(hours, values, limit, higher, why):
    found = trend(hours, values, limit, higher)
    assert (why, None) == (found.why, found.reached)


@given(SERIES, st.randoms(use_true_random=False))
def test_the_order_of_the_readings_does_not_matter(series, random):
    mixed = random.sample(series, len(series))
    found, other = (trend([float(x) for x, _ in s], [y / 100 for _, y in s], 0.7, True) for s in (series, mixed))
    assert found.why == other.why
    if found.reached is not None and other.reached is not None:
        assert approx(found.reached.hours, rel=1e-9) == other.reached.hours


@given(SERIES, st.sampled_from([1 / 60, 25.4, 1000.0]), st.sampled_from([1 / 25.4, 1000.0]))
def test_other_units_scale_the_hours_and_the_height(series, of_hours, of_values):
    x, y = [float(a) for a, _ in series], [b / 100 for _, b in series]
    found = trend(x, y, 0.7, True)
    scaled = trend([a * of_hours for a in x], [b * of_values for b in y], 0.7 * of_values, True)
    if found.reached is not None and scaled.reached is not None:
        assert approx(found.reached.hours * of_hours, rel=1e-7) == scaled.reached.hours


@given(SERIES)
def test_lower_is_worse_is_the_mirror_of_higher_is_worse(series):
    x, y = [float(a) for a, _ in series], [b / 100 for _, b in series]
    up, down = trend(x, y, 0.7, True), trend(x, [-b for b in y], -0.7, False)
    assert (up.why, up.reached and up.reached.hours) == (down.why, down.reached and down.reached.hours)


def test_a_step_within_scatter_is_no_jump_and_few_readings_tell_none():
    even = [0.10, 0.11, 0.13, 0.14, 0.15, 0.17]
    hours = [float(100 * n) for n in range(6)]
    assert not jumps(hours, even, 600.0, 0.20, 0.02)
    assert jumps(hours, even, 600.0, 0.28, 0.02)
    assert not jumps(hours[:3], even[:3], 600.0, 0.28, 0.02)
    assert not jumps([0.0] * 4, even[:4], 600.0, 0.28, 0.02)


def packed(many: list[list[tuple[int, int]]], limit: float, signs: list[float], rate: float = 2.0) -> Fleet:
    """Read last on day 1000 at 0 h on the clock of the days; no service planned."""
    points, records = array("d"), array("d")
    for series, sign in zip(many, signs, strict=True):
        for x, y in series:
            points.extend((float(x), y / 100))
        records.extend((len(series), limit, sign, 1000.0, 0.0, rate, inf))
    return Fleet(points.tobytes(), records.tobytes())


@given(st.lists(SERIES, max_size=6), st.data())
def test_all_series_at_once_reach_in_time_what_each_reaches_alone(many, data):
    """The line reaches 0.70 at so many hours; at 2 h a day from day 1000 on that is before day 1400, or not."""
    signs = [data.draw(st.sampled_from([1.0, -1.0])) for _ in many]
    found = reach_in_time(packed(many, 0.7, signs), 1400.0)
    for place, (series, sign) in enumerate(zip(many, signs, strict=True)):
        alone = trend([float(x) for x, _ in series], [y / 100 for _, y in series], 0.7, sign > 0)
        if alone.slope is not None and _on_edge(alone.slope.low, alone.slope.high):
            continue  # on the edge of a trend a rounding decides
        if alone.reached is not None and abs(alone.reached.hours - 800) < 1e-6:
            continue
        assert (place in found) == (alone.reached is not None and alone.reached.hours < 800)


WORN = [(0, 10), (100, 14), (200, 20), (300, 24)]  # reaches 0.31 at 441.667 h
STEADY = [(0, 10), (100, 9), (200, 10)]


def test_a_planned_service_comes_before_the_horizon_and_a_part_that_is_not_used_reaches_nothing():
    """441.667 h at 2 h a day from day 1000 on are day 1220.83."""
    fleet = packed([WORN, STEADY, WORN], 0.31, [1.0] * 3)
    assert ([], [0, 2]) == (reach_in_time(fleet, 1220.8), reach_in_time(fleet, 1220.9))
    records = array("d", fleet.series)
    records[6], records[20] = 1220.8, 1220.9
    assert [2] == reach_in_time(Fleet(fleet.points, records.tobytes()), 9999.0)
    assert [] == reach_in_time(packed([WORN], 0.31, [1.0], rate=0.0), 9999.0)


def test_without_numpy_they_are_done_one_by_one(monkeypatch):
    def missing(name: str) -> None:
        raise NeedsExtra(name)

    fleet = packed([WORN, STEADY, WORN], 0.31, [1.0, 1.0, -1.0])
    monkeypatch.setattr(trends, "library", missing)
    assert ([], [0]) == (reach_in_time(fleet, 1220.8), reach_in_time(fleet, 1220.9))


def test_no_series_at_all_reach_nothing():
    assert [] == reach_in_time(Fleet(b"", b""), 1400.0)


def _on_edge(low: float, high: float) -> bool:
    return min(abs(low), abs(high)) <= 1e-6 * max(abs(low), abs(high))
