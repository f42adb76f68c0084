"""The machine's clock against one that counts on through sleep (DESIGN section 4: more than five minutes)."""

from datetime import UTC, datetime, timedelta

import pytest

from service_api.clocks import ClockWatch, Reading
from service_api.domain.refusals import ClockDoubt

START = datetime(2026, 1, 5, 12, tzinfo=UTC)


class Somebody:
    """Who confirms the clock, and how often that was looked up."""

    def __init__(self):
        self.confirmed, self.asked = None, 0

    def confirm(self, passed, stepped=0.0):
        self.confirmed = Reading(START + timedelta(seconds=passed + stepped), 1000.0 + passed)

    def __call__(self):
        self.asked += 1
        return self.confirmed


def watch(not_before=""):
    somebody = Somebody()
    return ClockWatch(Reading(START, 1000.0), somebody, not_before), somebody


def ask(watched, passed, stepped=0.0):
    """After so many seconds, with the clock set by so many."""
    watched.check(START + timedelta(seconds=passed + stepped), 1000.0 + passed)


@pytest.mark.parametrize("passed", [0, 1, 86_400, 3 * 365 * 86_400])
@pytest.mark.parametrize("stepped", [0, 299, -299, 300, -300])
def test_up_to_five_minutes_are_no_doubt_however_long_it_slept(passed, stepped):
    ask(watch()[0], passed, stepped)


@pytest.mark.parametrize("stepped", [301, -301, 315_360_000, -315_360_000])
def test_a_step_of_more_is_in_doubt_until_somebody_confirms(stepped):
    watched, said = watch()
    ask(watched, 60)
    for passed in (61, 62, 7200):
        with pytest.raises(ClockDoubt, match=r"set (forward|back) by"):
            ask(watched, passed, stepped)
    said.confirm(7200, stepped)
    ask(watched, 7201, stepped)
    ask(watched, 90_000, stepped)
    with pytest.raises(ClockDoubt):
        ask(watched, 90_001)  # set back to where it was: another step


def test_a_confirmation_counts_for_the_clock_as_it_stood_not_for_the_next_step():
    watched, said = watch()
    said.confirm(10)
    ask(watched, 20)
    with pytest.raises(ClockDoubt):
        ask(watched, 30, 3600)
    said.confirm(40, 7200)
    with pytest.raises(ClockDoubt):
        ask(watched, 50, 3600)
    said.confirm(60, 3600)
    ask(watched, 70, 3600)


def test_whoever_confirms_before_anybody_wrote_need_not_do_it_twice():
    watched, said = watch()
    said.confirm(10, 3600)
    ask(watched, 20, 3600)


def test_a_clock_that_was_set_back_meanwhile_waits_for_the_confirmation_too():
    watched, said = watch()
    with pytest.raises(ClockDoubt):
        ask(watched, 10, 3600)
    with pytest.raises(ClockDoubt):
        ask(watched, 20)
    said.confirm(25)
    ask(watched, 30)


def test_small_steps_add_up():
    watched, _ = watch()
    ask(watched, 10, 200)
    with pytest.raises(ClockDoubt):
        ask(watched, 20, 400)


def test_at_the_start_it_may_not_be_earlier_than_the_last_entry():
    ask(watch("2026-01-05T12:05:00.000000Z")[0], 1)
    watched, said = watch("2026-01-05T12:05:00.000001Z")
    with pytest.raises(ClockDoubt, match="0:05:00 earlier than the book's last entry"):
        ask(watched, 1)
    said.confirm(1)
    ask(watched, 2)


def test_nothing_is_looked_up_while_all_is_well():
    watched, said = watch()
    for passed in range(100):
        ask(watched, passed)
    assert 0 == said.asked
