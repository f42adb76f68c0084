"""Question 36 of JOB.md 6: how many hours has it done with me, read or estimated (JOB.md 1.14; CONTRACT D)."""

from typing import Any

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")


def at(day: int, hour: int = 9) -> dict[str, str]:
    return {"occurred_at": f"2026-01-{day:02d}T{hour:02d}:00:00+01:00"}


def guess(hours: str, *bounds: str, **envelope: Any) -> dict[str, Any]:
    data: dict[str, Any] = {"meter": "hours", "value": f.q(hours, "h"), "how": "estimated"}
    return f.entry("meter.read", data | ({"range": [f.q(b, "h") for b in bounds]} if bounds else {}), **envelope)


def kept(ask: Any, keeper: str = "party-a", **query: Any) -> dict[str, Any]:
    (found,) = ask("/v1/units/U-1/hours", keeper=keeper, **query)["keepers"]
    return dict(found)


def told(hours: dict[str, Any]) -> tuple[Any, ...]:
    return hours["value"], hours["low"], hours["high"], hours["how"]


def test_q36_from_the_reading_before_it_went_out_to_the_first_after_it_came_back(tell, ask) -> None:
    first, out, back, last = tell(
        f.meter_read("100.0", **at(1)), f.dispatched(**at(2)), f.received(**at(4)), f.meter_read("131.5", **at(4, 11))
    )
    found = kept(ask)
    assert ("31.5", None, None, "read") == told(found["hours"])
    assert [first["id"], last["id"]] == found["hours"]["entries"]
    (period,) = found["periods"]
    assert [out["id"], back["id"]] == period["entries"]
    assert ("2026-01-02T08:00", "2026-01-04T08:00") == (period["from"][:16], period["until"][:16])


def test_q36_an_estimate_is_said_to_be_one(tell, ask) -> None:
    tell(f.meter_read("100.0", **at(1)), f.dispatched(**at(2)), guess("120", **at(3)))
    assert ("20.0", None, None, "estimated") == told(kept(ask)["hours"])
    tell(guess("125", "120", "130", **at(4)))
    assert (None, "20.0", "30.0", "estimated") == told(kept(ask)["hours"])


def test_q36_an_exchange_without_the_old_count_leaves_a_range(tell, ask) -> None:
    """The counter was changed two days after its last reading, 48 h at most; before the hire the same gap is exact."""
    swap = {"meter": "hours", "old_final": {"unknown": "crushed"}, "new_start": f.q("0.0", "h")}
    tell(
        f.meter_read("100.0", **at(1)),
        f.dispatched(**at(1, 10)),
        f.entry("meter.replaced", swap, **at(3)),
        f.received(**at(4)),
        f.meter_read("2.0", **at(4, 10)),
        f.dispatched("party-b", **at(4, 11)),
        f.meter_read("7.0", **at(5)),
    )
    assert (None, "2.0", "50.0", "read") == told(kept(ask)["hours"])
    assert ("5.0", None, None, "read") == told(kept(ask, "party-b")["hours"])


def test_q36_where_nobody_read_it_on_its_return_it_is_a_range_up_to_the_next_reading(tell, ask) -> None:
    tell(
        f.meter_read("100.0", **at(1)),
        f.dispatched(**at(2)),
        f.meter_read("110.0", **at(2, 12)),
        f.received(**at(3)),
        f.dispatched("party-b", **at(4)),
        f.meter_read("130.0", **at(5)),
    )
    assert (None, "10.0", "30.0", "read") == told(kept(ask)["hours"])
    assert ("20.0", None, None, "read") == told(kept(ask, "party-b")["hours"])


def test_q36_two_hires_add_up_and_what_it_did_in_the_shop_is_nobody_s(tell, ask) -> None:
    tell(
        f.meter_read("100.0", **at(1)),
        f.dispatched(**at(1, 10)),
        f.received(**at(2)),
        f.meter_read("110.0", **at(2, 10)),
        f.meter_read("111.0", **at(2, 12)),
        f.dispatched(**at(3)),
        f.received(**at(4)),
        f.meter_read("121.5", **at(4, 10)),
    )
    found = kept(ask)
    assert ["10.0", "10.5"] == [p["hours"]["value"] for p in found["periods"]]
    assert "20.5" == found["hours"]["value"]
    assert "10.0" == kept(ask, true_at="2026-01-02T12:00:00+01:00")["hours"]["value"]


def test_q36_without_a_reading_before_it_is_not_known(tell, ask) -> None:
    tell(f.dispatched(**at(2)), f.meter_read("131.5", **at(4)))
    assert "not read before it went out" == kept(ask)["hours"]["unknown"]


def test_q36_a_customer_is_told_of_themselves_alone(tell, client_of) -> None:
    tell(
        f.meter_read("100.0", **at(1)),
        f.dispatched("party-b", **at(1, 10)),
        f.received(**at(2)),
        f.meter_read("110.0", **at(2, 10)),
        f.dispatched(**at(3)),
        f.meter_read("115.0", **at(4)),
    )
    mine = client_of("customer", person="cus.a", party="party-a")
    found = mine.get("/v1/units/U-1/hours").json["keepers"]
    assert [("party-a", "5.0")] == [(k["keeper"], k["hours"]["value"]) for k in found]
    assert [] == mine.get("/v1/units/U-1/hours?keeper=party-b").json["keepers"]


def test_q36_the_demo_s_sel_004_with_the_tidal_array(demo) -> None:
    """JOB.md S1: out at 212, 498, 1,012 and 1,268 h to 22 November 2022, 14 June 2023, 18 June and 3 December 2024."""
    found = demo.ask("/v1/units/SEL-004/hours", keeper="harl-tidal-array", true_at="2024-12-03T23:00:00+01:00")
    (keeper,) = found["keepers"]
    assert ["286.0", "267.0", "256.0", "235.0"] == [p["hours"]["value"] for p in keeper["periods"]]
    assert ("1044.0", "read") == (keeper["hours"]["value"], keeper["hours"]["how"])
