"""How often the wear alarm is wrong: simulated series with a known truth and a fixed seed.

The machine is that of S1 (JOB.md 8.1): limit 0.33 turn, U 0.02 so that 0.31 acts, a collar read to 0.01, a reading
about every 250 h, the next service 250 h after the last. One reading scatters by half of U. An alarm is a reading past
0.31, or a line that reaches 0.31 before the next service. With this seed, per 100 series:

    false alarms   0.0 of parts that stay at 0.10, 0.20, 0.27, and of those that wear at a third of S1's rate
    missed         18.0, 6.8, 9.1, 11.4 of parts that cross before the service, from 3, 4, 6, 8 readings;
                   0.2 of those with 6 readings that cross in the first half of the time to the service
    coverage       89.6, 91.2, 90.5, 89.7 of the 90 % interval, from 3, 4, 6, 8 readings

The bounds below leave three binomial sigmas about these, so that they hold with another seed.
"""

from random import Random

import pytest

from service_api.calc.trend import trend

SEED, SERIES = 20241203, 1000
ACTING, SIGMA, APART = 0.31, 0.01, 250.0


def read(true: float, random: Random) -> float:
    """What the collar shows: the worse of three places is the value; it is read to a hundredth of a turn."""
    return round(true + random.gauss(0, SIGMA), 2)


def hours(count: int, random: Random) -> list[float]:
    return [APART * n + random.uniform(-25, 25) for n in range(1, count + 1)]


def alarms(x: list[float], y: list[float]) -> bool:
    if y[-1] > ACTING:
        return True
    found = trend(x, y, ACTING, True)
    return found.reached is not None and found.reached.hours < x[-1] + APART


def per_100(hits: int) -> float:
    return 100 * hits / SERIES


@pytest.mark.parametrize(("level", "most"), [(0.10, 0.3), (0.20, 0.3), (0.27, 0.5)])
def test_false_alarms_of_healthy_parts_that_do_not_wear_at_all(level, most):
    """Three to eight readings of a part that stays at `level`: repeatability noise alone."""
    random, hits = Random(SEED), 0
    for _ in range(SERIES):
        x = hours(random.randint(3, 8), random)
        hits += alarms(x, [read(level, random) for _ in x])
    assert per_100(hits) <= most


def test_false_alarms_of_healthy_parts_that_wear_as_they_should():
    """A third of S1's wear, 0.005 turn in 100 h from 0.05: after eight readings it has reached 0.15."""
    random, hits = Random(SEED), 0
    for _ in range(SERIES):
        x = hours(random.randint(3, 8), random)
        hits += alarms(x, [read(0.05 + 5e-5 * h, random) for h in x])
    assert per_100(hits) <= 0.3


def worn(random: Random, count: int) -> tuple[list[float], list[float], float]:
    """A part that truly crosses between its last reading and the next service; the hours at which it does."""
    x = hours(count, random)
    crossing = x[-1] + APART * random.random()
    slope = (ACTING - 0.05) / crossing
    return x, [read(0.05 + slope * h, random) for h in x], crossing


@pytest.mark.parametrize(("count", "most"), [(3, 22.0), (4, 9.5), (6, 12.0), (8, 14.5)])
def test_missed_crossings_of_worn_parts(count, most):
    """Most misses cross within days of the service itself, where the line says a little after it instead."""
    random, missed = Random(SEED), 0
    for _ in range(SERIES):
        x, y, _ = worn(random, count)
        missed += not alarms(x, y)
    assert per_100(missed) <= most


def test_a_crossing_in_the_first_half_of_the_interval_is_hardly_ever_missed():
    """Half an interval ahead of the service the line has room to be wrong: six readings."""
    random, missed, seen = Random(SEED), 0, 0
    for _ in range(SERIES):
        x, y, crossing = worn(random, 6)
        if crossing < x[-1] + APART / 2:
            seen, missed = seen + 1, missed + (not alarms(x, y))
    assert 100 * missed / seen <= 1.0


@pytest.mark.parametrize("count", [3, 4, 6, 8])
def test_the_interval_of_90_per_cent_covers_90_of_100_crossings(count):
    """From three readings one series in eight has no sure slope, so no interval; from four on each has one."""
    random, inside, told = Random(SEED), 0, 0
    for _ in range(SERIES):
        x, y, crossing = worn(random, count)
        found = trend(x, y, ACTING, True)
        if found.reached is not None and found.reached.interval is not None:
            told += 1
            inside += found.reached.interval.low <= crossing <= found.reached.interval.high
    assert told >= (0.85 if count == 3 else 0.99) * SERIES
    assert 86.5 <= 100 * inside / told <= 93.0
