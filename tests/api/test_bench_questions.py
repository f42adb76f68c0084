"""Questions 3, 5, 7, 8 and 21 of JOB.md section 6, each by one call, on a book made for the test."""

from typing import Any

from tests import factories as make

UNIT = f"/v1/units/{make.UNIT}"


def at(day: int, hour: int = 9) -> dict[str, str]:
    return {"occurred_at": f"2026-01-{day:02d}T{hour:02d}:00:00+01:00"}


def test_q3_032_under_a_limit_of_033_is_not_proved_and_says_what_acts(tell, ask, standing_unit) -> None:
    """JOB.md 1.8: limit 0.33, U 0.02, rule G, so 0.31 acts."""
    (read,) = tell(make.reading("0.32"))
    row = next(r for r in ask(f"{UNIT}/condition")["characteristics"] if r["characteristic"] == "TST-BL")
    judged = row["conformity"]
    told = (judged["outcome"], judged["limit"], judged["acting_limit"], judged["uncertainty"], judged["rule"])
    assert ("not_proved", "0.33", "0.31", "0.02", "guarded") == told
    assert (1, "none") == (judged["sheet_rev"], judged["gauge_state"])
    assert read["id"] == row["latest"]["entry"]


def test_q5_serial_lot_and_hours_of_what_is_in_the_slot(tell, ask, standing_unit) -> None:
    *_, fit, _ = tell(
        make.meter_read("130.0", **at(2)),
        make.fitted("bearing", make.piece(serial="B-7", lot="L-9", hours=make.q("40.0", "h")), **at(2, 10)),
        make.meter_read("160.0", **at(5, 12)),
    )
    found = ask(f"{UNIT}/slots/bearing")
    (piece,) = found["occupant"]["pieces"]
    assert ("B-7", "L-9", fit["id"]) == (piece["serial"], piece["lot"], found["occupant"]["entry"])
    assert "70.0" == found["hours_on"]["value"]  # 40 before, 30 here
    assert fit["id"] in found["hours_on"]["entries"]


def test_q5_hours_are_a_range_when_the_chain_has_a_gap(tell, ask, standing_unit) -> None:
    """The counter was changed at an unknown count: last reading 100 h, two days before the change."""
    swap = {"meter": "hours", "old_final": {"unknown": "crushed"}, "new_start": make.q("0.0", "h")}
    tell(
        make.meter_read("90.0", **at(2)),
        make.fitted("bearing", make.piece(serial="B-7"), **at(2, 10)),
        make.meter_read("100.0", **at(3)),
        make.entry("meter.replaced", swap, **at(5)),
        make.meter_read("1.0", **at(5, 11)),
    )
    hours = ask(f"{UNIT}/slots/bearing")["hours_on"]
    assert ("11.0", "59.0") == (hours["low"], hours["high"])  # 10 and 1, and at most 48 between (CONTRACT D)


def test_q7_what_was_left_blank_stands_apart_from_what_could_not_be_done(tell, ask, standing_unit) -> None:
    done = {"check": "labels", "answer": "not_reachable", "why": "painted over"}
    tell(make.job_opened("J-1"), make.entry("check.answered", done, job="J-1"))
    (waiting,) = ask("/v1/jobs/J-1")["unanswered_checks"]
    assert (["guards"], ["labels"]) == (waiting["blank"], [c["check"] for c in waiting["not_done"]])


def test_q8_a_set_of_five_from_two_boxes_is_one_occupant_found_by_either_lot(tell, ask, standing_unit) -> None:
    two = [make.piece("V-18", 3, lot="VN-A"), make.piece("V-18", 2, lot="VN-C")]
    (fit,) = tell(make.fitted("vane-set", *two))
    found = ask(f"{UNIT}/slots/vane-set")
    assert not found["contested"]
    assert [("VN-A", 3), ("VN-C", 2)] == [(p["lot"], p["qty"]) for p in found["occupant"]["pieces"]]
    for lot in ("VN-A", "VN-C"):
        assert [fit["id"]] == [e["id"] for e in ask("/v1/entries", subject=f"lot:{lot}")["entries"]]


def hours(ask: Any, **query: str) -> dict[str, Any]:
    found: dict[str, Any] = ask(f"{UNIT}/condition", **query)["hours"]
    return found


def test_q21_hours_are_never_negative_and_estimates_are_marked(tell, ask, standing_unit) -> None:
    guess = {"meter": "hours", "value": make.q("150", "h"), "how": "estimated"}
    first, _ = tell(make.meter_read("100.0", **at(3)), make.entry("meter.read", guess, **at(5)))
    assert ("150", "estimated") == (hours(ask)["value"], hours(ask)["how"])
    then = hours(ask, true_at="2026-01-04T09:00:00+01:00")
    assert ("100.0", "read", [first["id"]]) == (then["value"], then["how"], then["entries"][-1:])


def test_q21_a_count_that_runs_backwards_is_a_range_and_is_not_clamped(tell, ask, standing_unit) -> None:
    tell(make.meter_read("100.0", **at(3)), make.meter_read("20.0", **at(5)))
    assert ("20.0", "120.0") == (hours(ask)["low"], hours(ask)["high"])  # CONTRACT D, backwards and unanswered


def test_q21_an_estimated_range_lasts_until_the_next_reading(tell, ask, standing_unit) -> None:
    guess = {"meter": "hours", "value": make.q("150", "h"), "how": "estimated"}
    guess |= {"range": [make.q("130", "h"), make.q("170", "h")]}
    tell(make.meter_read("100.0", **at(3)), make.entry("meter.read", guess, **at(5)))
    assert ("130", "170") == (hours(ask)["low"], hours(ask)["high"])
    tell(make.meter_read("155.0", **at(5, 12)))
    assert ("155.0", "read") == (hours(ask)["value"], hours(ask)["how"])
