"""Questions of JOB.md section 6, each by one call, on a book made for the test and on the demo."""

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


# On the demo


def row_of(demo: Any, unit: str, code: str, **query: str) -> dict[str, Any]:
    rows = demo.ask(f"/v1/units/{unit}/condition", **query)["characteristics"]
    found: dict[str, Any] = next(r for r in rows if r["characteristic"] == code)
    return found


def test_q1_the_card_warns_of_a_tag_that_changed_within_90_days_and_defers_to_the_manual(demo) -> None:
    """S4: both labels were tied again on 9 January 2024; the 90th day after it is 8 April."""
    for on, warned in (("2024-04-08", True), ("2024-04-09", False)):
        card = demo.ask("/v1/units/FAC-003/card", true_at=f"{on}T12:00:00+01:00")
        assert warned == ("tag-changed" in {w["warning"] for w in card["warnings"]}), on
        closing = "Follow the machine's manual, site rules and the persons licensed or appointed where you are."
        assert closing == card["caution_closing"]  # JOB.md section 7
    dull = demo.ask("/v1/units/HPU-001/card")
    assert [] == dull["warnings"]


def test_q2_the_backlash_last_time_is_that_of_the_nut_that_is_in_now(demo) -> None:
    """S1: 0.30 on the old nut and 0.04 on the new one, on the same day."""
    row = row_of(demo, "SEL-004", "SEL-BL", true_at="2025-04-16T12:00:00+01:00")
    where = [(r["position"], r["value"]) for r in row["latest"]["readings"]]
    assert [("25", "0.04"), ("50", "0.04"), ("75", "0.03")] == where
    assert ["CF-2503-20"] == [p["lot"] for p in row["occupant"]["pieces"]]
    before = row_of(demo, "SEL-004", "SEL-BL", true_at="2025-04-14T12:00:00+01:00")
    assert ("0.27", ["CF-2202-20"]) == (before["latest"]["value"], [p["lot"] for p in before["occupant"]["pieces"]])


def test_q18_what_was_true_and_what_was_known_are_told_apart(demo) -> None:
    """FAC-007: done on 16 January 2024, typed from a paper card nine days later."""
    then = "2024-01-20T12:00:00+01:00"
    true = row_of(demo, "FAC-007", "FAC-BL", true_at=then)
    known = row_of(demo, "FAC-007", "FAC-BL", true_at=then, known_at=then)
    assert ("0.07", None) == (true["latest"]["value"], known["latest"])
    assert "undecided" == known["conformity"]["outcome"]


def test_q23_a_changed_limit_keeps_its_dates_and_its_old_meaning(demo) -> None:
    """S14: revision 3 of the hoists' sheet from 1 January 2025."""
    found = demo.ask("/v1/classes/ACH/sheet", on="2024-12-31")
    assert [(2, "2022-03-01"), (3, "2025-01-01")] == [(r["rev"], r["effective_on"]) for r in found["revisions"]]
    assert (2, "2022-03-01") == (found["rev"], found["effective_on"])


def test_q37_how_to_measure_stands_with_its_cautions_in_the_revision_in_force(demo) -> None:
    sheet = demo.ask("/v1/classes/SEL/sheet")["sheet"]
    row = next(c for c in sheet["characteristics"] if c["code"] == "SEL-BL")
    assert "Push-pull first for thrust float" in row["method"]  # JOB.md 1.7
    assert (True, "0.33", ["25", "50", "75"]) == (row["needs_gauge"], row["replace"], row["positions"])
    assert {"stored-energy", "trapped-air"} <= {c["caution"] for c in sheet["cautions"]}
