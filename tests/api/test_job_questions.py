"""What a job came to: JOB.md 6, questions 6, 22, 35 and 40, each by one call, on a book of its own and on the demo."""

from typing import Any

from tests import factories as f

JOB = {"job": "J-1"}


def at(day: int, hour: int = 9) -> dict[str, str]:
    return {"occurred_at": f"2026-01-{day:02d}T{hour:02d}:00:00+01:00"}


def nut(qty: int = 1, lot: str = "L-1") -> dict[str, Any]:
    return f.piece(qty=qty, lot=lot)


def moved(qty: int, source: str, target: str, **envelope: Any) -> dict[str, Any]:
    data = {"part_no": "P-1", "qty": qty, "from": source, "to": target}
    return f.entry("lot.moved", data, **({"subject": "lot:L-1"} | envelope))


# 6: logged on the wrong unit


def lines(ask: Any, unit: str) -> list[tuple[str, str | None, list[str]]]:
    return [(e["id"], e["mark"], e["marked_by"]) for e in ask(f"/v1/units/{unit}/history")["entries"]]


def test_q6_what_was_logged_on_the_wrong_unit_moves_with_its_reason_and_both_histories_show_it(
    tell, ask, standing_unit
) -> None:
    (read,) = tell(f.reading("0.21", **at(4)))
    (move,) = tell(f.reattributed(read, "unit:U-2", **at(5)))
    assert ("labels were crossed", f.SECOND) == (move["data"]["why"], move["data"]["second"])
    assert (read["id"], "moved_out", [move["id"]]) in lines(ask, "U-1")
    assert (read["id"], "moved_in", [move["id"]]) in lines(ask, "U-2")

    def measured(unit: str) -> Any:
        rows = ask(f"/v1/units/{unit}/condition")["characteristics"]
        return next(r for r in rows if r["characteristic"] == "TST-BL")["latest"]

    assert (None, "0.21") == (measured("U-1"), measured("U-2")["value"])


def test_q6_s4_the_fit_that_was_logged_under_the_other_label_is_in_both_histories(demo) -> None:
    """JOB.md S4: vane set 2 was logged on FAC-003 and is in FAC-006."""
    one, other = (
        {e["id"]: e["mark"] for e in demo.ask(f"/v1/units/{unit}/history")["entries"]}
        for unit in ("FAC-003", "FAC-006")
    )
    both = [ident for ident, mark in one.items() if mark == "moved_out"]
    assert 4 == len(both)
    assert {"moved_in"} == {other[ident] for ident in both}


# 22: parts used on a job


def parts(ask: Any) -> list[tuple[Any, ...]]:
    return [
        (p["part_no"], p["lot"], p["issued"], p["returned"], p["fitted"], p["scrapped"], p["gap"])
        for p in ask("/v1/jobs/J-1")["parts"]
    ]


def test_q22_issued_less_returned_is_fitted_and_scrapped(tell, ask, standing_unit) -> None:
    """Six issued into the job's kit, two back, three fitted, one broken."""
    told = tell(
        f.lot_received("L-1", 10, **at(2)),
        f.job_opened("J-1", **at(3)),
        moved(6, "stock", "kit:J-1", **JOB, **at(3)),
        f.entry("part.fitted", {"slot": "vanes", "pieces": [nut(3)], "from": "kit:J-1"}, **JOB, **at(3, 10)),
        moved(1, "kit:J-1", "scrap", **JOB, **at(3, 11)),
        moved(2, "kit:J-1", "stock", **JOB, **at(3, 12)),
    )
    assert [("P-1", "L-1", 6, 2, 3, 1, 0)] == parts(ask)
    (row,) = ask("/v1/jobs/J-1")["parts"]
    assert [e["id"] for e in told[2:]] == row["entries"]


def test_q22_what_was_issued_and_is_nowhere_is_a_gap(tell, ask, standing_unit) -> None:
    tell(
        f.job_opened("J-1", **at(3)),
        moved(5, "stock", "kit:J-1", **JOB, **at(3)),
        f.entry("part.fitted", {"slot": "vanes", "pieces": [nut(3)], "from": "kit:J-1"}, **JOB, **at(3, 10)),
    )
    assert [("P-1", "L-1", 5, 0, 3, 0, 2)] == parts(ask)


def test_q22_parts_are_told_by_part_number_and_lot_and_old_ones_by_where_they_went(tell, ask, standing_unit) -> None:
    tell(
        f.fitted("feed-nut", nut(1, "L-0"), **at(2)),
        f.job_opened("J-1", **at(3)),
        f.removed("feed-nut", nut(1, "L-0"), to="scrap", **JOB, **at(3, 10)),
        f.fitted("feed-nut", nut(), **JOB, **at(3, 11)),
        f.fitted("bearing", f.piece("P-2", serial="B-1"), **JOB, **at(3, 12)),
    )
    assert [("P-1", "L-0", 0, 0, 0, 0, 0), ("P-1", "L-1", 1, 0, 1, 0, 0), ("P-2", None, 1, 0, 1, 0, 0)] == parts(ask)
    assert {"scrap": 1} == ask("/v1/jobs/J-1")["parts"][0]["removed"]


def test_q22_the_demo_tells_the_new_nut_of_15_april_2025_by_its_lot(demo) -> None:
    """JOB.md S1."""
    rows = {(p["part_no"], p["lot"]): p for p in demo.ask("/v1/jobs/J-20250415-SEL-004")["parts"]}
    new, old = rows["CSN-FN-20", "CF-2503-20"], rows["CSN-FN-20", "CF-2202-20"]
    assert (1, 1, 0) == (new["issued"], new["fitted"], new["gap"])
    assert {"scrap": 1} == old["removed"]


# 35: what did you do, and what did you leave alone


def test_q35_what_was_done_and_what_was_left_alone(tell, ask, standing_unit) -> None:
    opened, adjusted, nothing, painted, declined, kept, setting = tell(
        f.job_opened("J-1", **at(3)),
        f.work_done("AC-ADJ", more={"slot": "feed-nut", "minutes": 35, "detail": "half a turn"}, **JOB, **at(3, 10)),
        f.work_done("AC-NIL", more={"slot": "bearing", "detail": "turns freely"}, **JOB, **at(3, 10)),
        f.entry("check.answered", {"check": "labels", "answer": "not_reachable", "why": "painted"}, **JOB, **at(3, 11)),
        f.finding_raised("F-1", **JOB, **at(3, 11)),
        f.entry("finding.closed", {"finding": "F-1", "how": "accepted", "why": "declined"}, **JOB, **at(3, 12)),
        f.entry("setting.left", {"setting": "gib-drag", "value": f.q("32", "N")}, **JOB, **at(3, 13)),
    )
    found = ask("/v1/jobs/J-1")
    assert [
        ("AC-ADJ", "feed-nut", "half a turn", 35, [adjusted["id"]]),
        ("gib-drag", None, "32 N", None, [setting["id"]]),
    ] == [(d["what"], d["slot"], d["detail"], d["minutes"], d["entries"]) for d in found["done"]]
    assert [
        ("guards", "blank", None, [opened["id"]]),
        ("labels", "not_reachable", "painted", [painted["id"]]),
        ("AC-NIL", "nothing_needed", "turns freely", [nothing["id"]]),
        ("F-1", "accepted", "declined", [declined["id"], kept["id"]]),
    ] == [(x["what"], x["answer"], x["why"], x["entries"]) for x in found["left_alone"]]


def test_q35_a_customer_is_told_of_the_jobs_on_their_own_units(tell, client_of, standing_unit) -> None:
    tell(
        f.registered("U-3", more={"owner": "party-a"}, **at(2)),
        f.job_opened("J-1", unit="U-3", **at(3)),
        f.work_done("AC-NIL", unit="U-3", **JOB, **at(3, 10)),
    )
    answer = client_of("customer", person="cus.a", party="party-a").get("/v1/jobs/J-1").json
    assert ["blank", "blank", "nothing_needed"] == [x["answer"] for x in answer["left_alone"]]
    assert 404 == client_of("customer", person="cus.b", party="party-b").get("/v1/jobs/J-1").status_code


def test_q35_s9_the_demo_tells_of_the_re_centring_and_of_what_was_not_done(demo) -> None:
    """JOB.md S9: 35 minutes, no part."""
    history = demo.ask("/v1/units/SEL-002/history")["entries"]
    opened = next(e for e in history if e["type"] == "job.opened" and e["at"].startswith("2025-03-11"))
    found = demo.ask(f"/v1/jobs/{opened['job']}")
    work = [d for d in found["done"] if d["what"] == "AC-ALN"]
    assert [("feed-actuator", 35)] == [(d["slot"], d["minutes"]) for d in work]
    assert "fitted" not in {d["what"] for d in found["done"]}
    assert "blank" in {x["answer"] for x in found["left_alone"]}


# 40: why was this part changed


def test_q40_the_finding_and_the_reading_that_led_to_it_stand_with_the_change(tell, ask, standing_unit) -> None:
    finding = {"slot": "feed-nut", "mode": "MD-LST", "mechanism": "MC-WRA", "cause": "CS-AGE", "confidence": "likely"}
    _, _, read, seen, raised, out, new, after = tell(
        f.fitted("feed-nut", nut(1, "L-0"), **at(2)),
        f.job_opened("J-1", **at(3)),
        f.reading("0.34", **JOB, **at(3, 10)),
        f.entry("check.answered", {"check": "guards", "answer": "defect", "finding": "F-1"}, **JOB, **at(3, 10)),
        f.finding_raised("F-1", more=finding, **JOB, **at(3, 11)),
        f.entry(
            "part.removed",
            {"slot": "feed-nut", "pieces": [nut(1, "L-0")], "to": "scrap", "why": "worn out", "finding": "F-1"},
            **JOB,
            **at(3, 12),
        ),
        f.entry("part.fitted", {"slot": "feed-nut", "pieces": [nut()], "finding": "F-1"}, **JOB, **at(3, 13)),
        f.reading("0.04", stage="as_left", **JOB, **at(3, 14)),
    )
    (change,) = ask("/v1/jobs/J-1")["changes"]
    assert ("U-1", "feed-nut", ["worn out"]) == (change["unit"], change["slot"], change["why"])
    assert (["L-0"], ["L-1"]) == ([p["lot"] for p in change["out"]], [p["lot"] for p in change["fitted"]])
    (told,) = change["findings"]
    assert (raised["id"], "MC-WRA", "likely") == (told["entry"], told["mechanism"], told["confidence"])
    assert {read["id"]: "TST-BL as found: 0.34 circ", seen["id"]: "guards: defect"} == {
        led["entry"]: led["what"] for led in change["led_by"]
    }
    assert [out["id"], new["id"]] == change["entries"]
    assert after["id"] not in {led["entry"] for led in change["led_by"]}


def test_q40_without_a_finding_the_readings_of_that_visit_are_told(tell, ask, standing_unit) -> None:
    _, read, *_ = tell(
        f.job_opened("J-1", **at(3)),
        f.reading("0.34", **JOB, **at(3, 10)),
        f.reading("0.05", characteristic="TST-AC", uom="mm", **JOB, **at(3, 10)),
        f.fitted("feed-nut", nut(), **JOB, **at(3, 13)),
    )
    (change,) = ask("/v1/jobs/J-1")["changes"]
    assert ([], [read["id"]]) == (change["findings"], [led["entry"] for led in change["led_by"]])


def test_q40_s1_the_nut_of_15_april_2025_was_changed_for_what_was_read(demo) -> None:
    """JOB.md S1: done at 0.30, as the trend had said."""
    (change,) = demo.ask("/v1/jobs/J-20250415-SEL-004")["changes"]
    assert ("feed-nut", ["MC-WRA"]) == (change["slot"], [x["mechanism"] for x in change["findings"]])
    (led,) = change["led_by"]
    assert "SEL-BL as found: 0.30 0.29 0.30 circ" == led["what"]
    entry = demo.ask(f"/v1/entries/{led['entry']}")
    assert ("reading.taken", "G-022") == (entry["type"], entry["data"]["gauge"])
