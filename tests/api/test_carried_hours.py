"""Hours go with a part from place to place (JOB.md 1.14, 1.20; CONTRACT D: what its earlier places add up to)."""

from decimal import Decimal as D

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")
DAY = [f"2026-01-{day:02}T09:00:00+01:00" for day in range(3, 28)]
BEARING = f.piece("P-7", serial="B-7")


@pytest.fixture(autouse=True)
def later(clock):
    clock.set("2026-03-01T12:00:00+01:00")


@pytest.fixture
def on_it(ask):
    def hours(unit, slot="bearing", **query):
        found = ask(f"/v1/units/{unit}/slots/{slot}", **query)["hours_on"]
        return (found["value"] and D(found["value"]), found["unknown"])

    return hours


def read(unit, hours, day):
    return f.meter_read(hours, unit=unit, occurred_at=DAY[day])


def moved(day, to="stock", piece=BEARING, unit="U-1", slot="bearing"):
    return f.removed(slot, piece, to=to, unit=unit, occurred_at=DAY[day])


def put(day, piece=BEARING, unit="U-2", slot="bearing", **more):
    fit = f.fitted(slot, piece, unit=unit, occurred_at=DAY[day])
    return fit | {"data": fit["data"] | more}


def test_a_serial_brings_along_what_it_ran_in_another_unit(tell, on_it):
    """100 to 150 h in U-1 are 50 h; 10 to 30 h in U-2 are 20 h more."""
    tell(read("U-1", "100", 0), read("U-2", "10", 0), put(1, unit="U-1"), read("U-1", "150", 5), moved(6))
    tell(put(8))
    assert (D(50), None) == on_it("U-2")
    tell(read("U-2", "30", 10))
    assert (D(70), None) == on_it("U-2")


def test_over_three_places_and_back_into_the_first(tell, on_it):
    """50 h in U-1, 20 h in U-2, and 5 h in U-1 again."""
    tell(read("U-1", "100", 0), read("U-2", "10", 0), put(1, unit="U-1"), read("U-1", "150", 5), moved(6))
    tell(put(8), read("U-2", "30", 10), moved(11, unit="U-2"), put(12, unit="U-1", slot="other"))
    tell(read("U-1", "155", 14))
    assert (D(75), None) == on_it("U-1", "other")


def test_what_a_fit_states_counts_from_there_on(tell, on_it):
    """Stated 400 h when it went into U-1, and 50 h there."""
    first = BEARING | {"hours": f.q("400", "h")}
    tell(read("U-1", "100", 0), read("U-2", "10", 0), put(1, first, "U-1"), read("U-1", "150", 5), moved(6), put(8))
    assert (D(450), None) == on_it("U-2")


def test_a_piece_without_a_serial_is_followed_by_the_unit_that_it_came_from(tell, on_it):
    vanes = f.piece("P-V", 5, lot="L-1")
    tell(read("U-1", "100", 0), read("U-2", "10", 0), put(1, vanes, "U-1"), read("U-1", "150", 5))
    tell(moved(6, "unit:U-2", vanes), put(6, vanes, **{"from": "unit:U-1"}))
    assert (D(50), None) == on_it("U-2")


def test_look_alikes_out_of_stock_by_lot_and_said_to_be_new(tell, on_it):
    """Of a lot nobody knows which pieces these were; and new is new."""
    vanes = f.piece("P-V", 5, lot="L-1")
    tell(
        read("U-1", "100", 0), read("U-2", "10", 0), put(1, vanes, "U-1"), read("U-1", "150", 5), moved(6, piece=vanes)
    )
    tell(put(8, vanes), put(8, f.piece("P-7", serial="B-8", condition="new"), slot="other"))
    assert [(D(0), None)] * 2 == [on_it("U-2"), on_it("U-2", "other")]


def test_a_range_stays_a_range_and_without_a_meter_unknown(tell, ask, on_it):
    """Of the old meter nobody read the end: 100 h, and up to 24 h a day for four days."""
    gone = {"meter": "hours", "old_final": {"unknown": "dead"}, "new_start": f.q("0", "h")}
    tell(read("U-1", "100", 0), put(0, unit="U-1"), f.entry("meter.replaced", gone, occurred_at=DAY[4]), moved(5))
    assert (None, "no meter") == (tell(put(6)) and on_it("U-2"))
    tell(read("U-2", "10", 5))
    found = ask("/v1/units/U-2/slots/bearing")["hours_on"]
    assert (None, "0", "96.0") == (found["value"], found["low"], found["high"])


def test_a_correction_on_the_other_page_shows_here_and_was_not_known_then(tell, ask, on_it):
    """The answer about now is not kept while it rests on another unit's page."""
    _, _, _, shown, _ = tell(
        read("U-1", "100", 0), read("U-2", "10", 0), put(1, unit="U-1"), read("U-1", "150", 5), moved(6)
    )
    (fit,) = tell(put(8))
    where = "/v1/units/U-2/condition"

    def hours():
        return next(s for s in ask(where)["slots"] if s["slot"] == "bearing")["hours_on"]["value"]

    assert "50" == hours() == hours()
    (last,) = tell(f.superseded(shown, shown["data"] | {"value": f.q("160", "h")}, occurred_at=DAY[9]))
    assert "60" == hours()
    assert last["index"] + 1 == ask(where)["as_of"]["index"]
    assert (D(50), None) == on_it("U-2", known_index=fit["index"] + 1)
    assert (D(60), None) == on_it("U-2", true_at=DAY[8])
