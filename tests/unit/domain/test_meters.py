"""The meter chain: JOB.md 4.4, CONTRACT D (Hours). Every total is worked out by hand beside its check."""

from decimal import Decimal as D

import pytest

from service_api.calc.uom import WrongDimension
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.meters import MeterState, amount, in_hours, read, replaced, rolled
from tests.histories import at

NEW = MeterState(meter="hours", uom="h")


def chain(*steps):
    """A meter after readings (moment, count) or other functions of it; and the codes of all doubts."""
    meter, codes = NEW, []
    for n, step in enumerate(steps):
        if callable(step):
            meter, doubts = step(meter)
        else:
            meter, doubts = read(meter, D(step[1]), at(step[0]), f"e{n}")
        codes += [doubt.code for doubt in doubts]
    return meter, codes


def test_a_meter_that_was_never_read_has_no_total():
    assert NEW.total is None


def test_the_last_reading_stands():
    meter, codes = chain(("01-01 08:00", "100.0"), ("01-03 08:00", "112.5"))
    assert ((D("112.5"), D("112.5")), []) == (meter.total, codes)
    assert ("e1", at("01-03 08:00")) == (meter.last_entry, meter.last_at)


def test_a_range_stands_until_the_next_reading():
    meter, _ = chain(("01-01 08:00", "100"))
    guessed, _ = read(meter, D("110"), at("01-05 08:00"), "g", "estimated", D("125"))
    assert (D("110"), D("125"), "estimated") == (*guessed.total, guessed.how)
    after, codes = read(guessed, D("118"), at("01-06 08:00"), "r")
    assert ((D("118"), D("118")), []) == (after.total, codes)


def test_a_meter_that_runs_backwards_makes_the_hours_a_range_and_clamps_nothing():
    """412 then 12: low is the new reading taken as right, 12; high the highest before + the new, 412 + 12 = 424."""
    meter, codes = chain(("01-01 08:00", "412"), ("01-05 08:00", "12"))
    assert ((D(12), D(424)), ["meter-backwards"]) == (meter.total, codes)
    meter, codes = chain(("01-01 08:00", "412"), ("01-05 08:00", "12"), ("01-06 08:00", "20"))
    assert ((D(20), D(432)), ["meter-backwards"]) == (meter.total, codes)


def test_the_same_count_again_is_not_backwards():
    assert [] == chain(("01-01 08:00", "412"), ("01-05 08:00", "412"))[1]


def test_more_than_a_day_has_cannot_be():
    """24 h a day: two days hold 48; 48.0 is possible and 48.2 is not."""
    assert [] == chain(("01-01 08:00", "100"), ("01-03 08:00", "148.0"))[1]
    assert ["meter-too-fast"] == chain(("01-01 08:00", "100"), ("01-03 08:00", "148.2"))[1]


def test_one_step_of_the_counter_is_no_doubt_however_soon():
    """A counter shows tenths of an hour: 0.1 h between two looks within a minute is its resolution."""
    assert [] == chain(("01-01 08:00", "100.0"), ("01-01 08:01", "100.1"))[1]
    assert ["meter-too-fast"] == chain(("01-01 08:00", "100.0"), ("01-01 08:01", "100.2"))[1]


def test_three_times_the_usual_rate_is_a_query():
    """Two intervals of 2 h a day make the usual rate 2; 6 a day is three times that, more is a query (JOB.md 4.4)."""
    start = (("01-01 08:00", "0"), ("01-11 08:00", "20"), ("01-21 08:00", "40"))
    assert [] == chain(*start, ("01-31 08:00", "100"))[1]
    meter = chain(*start)[0]
    _, (doubt,) = read(meter, D("101"), at("01-31 08:00"), "e")
    assert ("meter-too-fast", "query: 6.10 h a day, usually 2.00") == (doubt.code, doubt.detail)


def test_one_interval_makes_no_usual_rate():
    assert [] == chain(("01-01 08:00", "0"), ("01-11 08:00", "10"), ("01-21 08:00", "200"))[1]


def test_an_exchange_with_the_old_count_leaves_no_gap():
    """500 on the old one, the new begins at 0 and shows 30: 530."""
    meter, codes = chain(
        ("01-01 08:00", "480"),
        lambda m: replaced(m, D(500), D(0), at("01-02 08:00"), "x"),
        ("01-05 08:00", "30"),
    )
    assert ((D(530), D(530)), []) == (meter.total, codes)


def test_a_new_counter_that_begins_above_zero_takes_its_start_off():
    """500 on the old one, the new begins at 7 and shows 37: 500 + 30."""
    meter, _ = replaced(chain(("01-01 08:00", "480"))[0], D(500), D(7), at("01-02 08:00"), "x")
    assert (D(530), D(530)) == read(meter, D(37), at("01-05 08:00"), "r")[0].total


def test_an_exchange_without_the_old_count_leaves_a_range():
    """Last 480 two days before: at least 480, at most 480 + 48 = 528 (24 h a day); then 30 more on the new one."""
    meter, (doubt,) = replaced(chain(("01-01 08:00", "480"))[0], None, D(0), at("01-03 08:00"), "x")
    assert ("meter-gap", ("e0", "x")) == (doubt.code, doubt.entries)
    assert (D(480), D(528)) == meter.total
    assert (D(510), D(558)) == read(meter, D(30), at("01-05 08:00"), "r")[0].total


def test_a_stated_range_of_the_old_count_is_taken():
    meter, (doubt,) = replaced(chain(("01-01 08:00", "480"))[0], None, D(0), at("01-03 08:00"), "x", (D(490), D(495)))
    assert ("meter-gap", (D(490), D(495))) == (doubt.code, meter.total)


def test_a_counter_that_rolls_over_goes_on():
    """CONTRACT D: total = before + at - last + new. 9990, through zero at 10000, now 15: 10015."""
    meter = rolled(chain(("01-01 08:00", "9990"))[0], D(10000), at("01-02 08:00"), "x")
    assert (D(10000), D(10000)) == meter.total
    after, doubts = read(meter, D(15), at("01-03 08:00"), "r")
    assert ((D(10015), D(10015)), []) == (after.total, doubts)


def test_the_chain_names_the_entries_that_made_it():
    meter, _ = chain(("01-01 08:00", "480"), lambda m: replaced(m, D(500), D(0), at("01-02 08:00"), "x"))
    assert ("e0", "x") == meter.links


def test_another_uom_of_time_is_converted_and_one_of_length_is_not():
    """90 min are 1.5 h, exactly."""
    assert D("1.5") == amount(Quantity(D(90), "min"), "h")
    assert amount(Unknown("display dead"), "h") is None
    with pytest.raises(WrongDimension):
        amount(Quantity(D(9), "mm"), "h")


def test_only_a_known_time_has_hours():
    assert [D(50), None, None, None] == [
        in_hours(v) for v in (Quantity(D(3000), "min"), Quantity(D(1), "mm"), Unknown("gone"), None)
    ]
