"""JOB.md 4.4, row by row: the fact is kept, the contradiction is said, and what settles it ends it (CONTRACT C, D, F).

Each row has a look-alike beside it that must not be flagged. Moments and hours are those of the test.
"""

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")

DAY = [f"2026-01-05T{hour:02}:00:00+01:00" for hour in range(14)]
REMARKS = {"signed-unauthorised", "dispatched-unreleased"}  # beside the point where a test only needs a release


@pytest.fixture
def codes(ask):
    """The codes that stand on a unit, those left out that the test is not about."""

    def read(unit="U-1", but=(), **when):
        found = [d["code"] for d in ask(f"/v1/units/{unit}/condition", **when)["discrepancies"]]
        card = [d["code"] for d in ask(f"/v1/units/{unit}/card", **when)["discrepancies"]]
        assert found == card
        return [code for code in found if code not in but]

    return read


def receipt(recorded, but=()):
    """What the receipt says was raised."""
    return [d["code"] for d in recorded["discrepancies"] if d["code"] not in but]


def lifted(code, recorded, **more):
    return f.hold_lifted(f"{code}:{recorded['id']}", by=f.SECOND, **more)


def hours(ask, **when):
    found = ask("/v1/units/U-1/condition", **when)["hours"]
    return found["value"] or (found["low"], found["high"])


def test_row_4_4_1_hours_that_go_backwards_are_a_range_until_somebody_answers(tell, ask, codes):
    """CONTRACT D: low is the new reading taken as right, high the highest before and the new."""
    _, back = tell(f.meter_read("400", occurred_at=DAY[8]), f.meter_read("1", occurred_at=DAY[10]))
    assert (["meter-backwards"], ["meter-backwards"]) == (receipt(back), codes())
    assert ("1", "401") == hours(ask)
    swap = {"meter": "hours", "old_final": f.q("400", "h"), "new_start": f.q("0", "h")}
    tell(f.entry("meter.replaced", swap, occurred_at=DAY[9]))
    assert ([], "401") == (codes(), hours(ask))


def test_row_4_4_2_more_than_a_day_has_cannot_be_and_three_times_the_usual_is_a_query(tell, codes, ask):
    steps = [("2026-01-02", "0"), ("2026-01-03", "4"), ("2026-01-04", "8"), ("2026-01-05", "21")]
    *_, last = tell(*(f.meter_read(count, occurred_at=f"{day}T12:00:00+01:00") for day, count in steps))
    (query,) = last["discrepancies"]
    assert ("meter-too-fast", False, True) == (query["code"], query["holds_release"], query["detail"][:5] == "query")
    assert ["meter-too-fast"] == codes()
    tell(lifted("meter-too-fast", last, occurred_at="2026-01-05T12:30:00+01:00"))
    assert [] == codes()
    (fast,) = tell(f.meter_read("60", occurred_at="2026-01-05T13:00:00+01:00"))
    assert ["meter-too-fast"] == receipt(fast)
    assert "60" == hours(ask), "the reading stands"


def test_row_4_4_2_look_alike_a_busy_day_within_three_times_the_usual(tell, codes):
    steps = [("2026-01-02", "0"), ("2026-01-03", "4"), ("2026-01-04", "8"), ("2026-01-05", "20")]
    tell(*(f.meter_read(count, occurred_at=f"{day}T12:00:00+01:00") for day, count in steps))
    assert [] == codes()


def test_row_4_4_3_an_exchange_without_the_old_figure_is_a_gap_with_bounds(tell, ask, codes):
    """A day after 100 h the counter is exchanged unread: between 100 and 124 (24 h a day)."""
    swap = {"meter": "hours", "old_final": {"unknown": "display dead"}, "new_start": f.q("0", "h")}
    _, gap = tell(
        f.meter_read("100", occurred_at="2026-01-04T09:00:00+01:00"),
        f.entry("meter.replaced", swap, occurred_at=DAY[9]),
    )
    assert (["meter-gap"], ["meter-gap"]) == (receipt(gap), codes())
    assert ("100", "124.0") == hours(ask)
    tell(f.superseded(gap, gap["data"] | {"old_final": f.q("103", "h")}))
    assert ([], "103") == (codes(), hours(ask))


def test_row_4_4_4_a_removal_from_an_empty_slot_is_kept_and_settled_by_the_earlier_fit(tell, codes, ask):
    (out,) = tell(f.removed("bearing", f.piece(serial="B-1"), to="bin", occurred_at=DAY[9]))
    assert (["removed-from-empty"], ["removed-from-empty"]) == (receipt(out), codes())
    (span,) = ask("/v1/units/U-1/slots/bearing")["history"]
    assert (None, True) == (span["from"], bool(span["unknown"]))
    tell(f.fitted("bearing", f.piece(serial="B-1"), occurred_at=DAY[8]))
    assert [] == codes()


def test_row_4_4_5_two_sites_sooner_than_anybody_travels(tell, codes):
    """CONTRACT F: two sites within 60 min, live."""
    _, there = tell(
        f.scanned(site="north-shed", occurred_at="2026-01-05T09:00:00+01:00"),
        f.scanned(site="port-cendry", occurred_at="2026-01-05T09:59:00+01:00"),
    )
    assert (["place-impossible"], ["place-impossible"]) == (receipt(there), codes())
    tell(lifted("place-impossible", there, occurred_at=DAY[11]))
    assert [] == codes()


@pytest.mark.parametrize(
    "second",
    [
        f.scanned(site="port-cendry", occurred_at="2026-01-05T10:00:00+01:00"),
        f.scanned(site="north-shed", bench="b-9", occurred_at="2026-01-05T09:01:00+01:00"),
        f.scanned(site="port-cendry", occurred_at="2026-01-05T09:30:00+01:00", source={"kind": "paper"}),
        f.entry("unit.moved", {"site": "port-cendry"}, occurred_at="2026-01-05T09:30:00+01:00"),
        f.work_done(site="port-cendry", tag_read="typed", occurred_at="2026-01-05T09:30:00+01:00"),
    ],
    ids=["an hour", "the same site", "typed from paper", "a move that is logged", "a label typed from a card"],
)
def test_row_4_4_5_look_alikes(tell, codes, second):
    tell(f.scanned(site="north-shed", occurred_at="2026-01-05T09:00:00+01:00"), second | {"id": f.entry_id(99)})
    assert [] == codes()


def test_row_4_4_6_on_hire_and_scanned_on_our_bench_is_a_return_not_booked(tell, codes, ask):
    _, seen = tell(f.dispatched(occurred_at=DAY[8]), f.scanned(bench="b-1", occurred_at=DAY[10]))
    assert ["return-not-booked"] == receipt(seen)
    assert "out" == ask("/v1/units/U-1/condition")["standing"], "nothing is forced"
    tell(f.work_done(bench="b-1", occurred_at=DAY[11]))
    assert ["return-not-booked"] == codes(but=REMARKS), "said once"
    tell(f.received(occurred_at=DAY[9]))
    assert [] == codes()


def test_row_4_4_6_look_alike_seen_where_it_was_sent(tell, codes):
    tell(
        f.entry("unit.dispatched", {"to": "party-a", "site": "quay-4"}, occurred_at=DAY[8]),
        f.scanned(site="quay-4", occurred_at=DAY[10]),
        f.complaint_reported(occurred_at=DAY[10]),
        f.meter_read("12", occurred_at=DAY[11]),
    )
    assert [] == codes(but=REMARKS)


def test_row_4_4_7_a_scrapped_unit_that_is_measured_is_kept_and_held_for_review(tell, codes, ask):
    gone = f.entry("unit.retired", {"why": "cracked", "authorised_by": f.SECOND}, occurred_at=DAY[8])
    _, read = tell(gone, f.reading("0.12", occurred_at=DAY[9]))
    assert (["scan-after-scrap"], ["scan-after-scrap"]) == (receipt(read), codes())
    found = ask("/v1/units/U-1/condition")
    assert ("retired", "0.12") == (found["standing"], found["characteristics"][0]["latest"]["value"])
    assert [f"scan-after-scrap:{read['id']}"] == [h["key"] for h in ask("/v1/units/U-1/card")["holds"]]
    tell(lifted("scan-after-scrap", read, occurred_at=DAY[10]))
    assert [] == codes()


def test_row_4_4_7_look_alike_a_harvest_and_a_note(tell, codes):
    gone = f.entry("unit.retired", {"why": "cracked", "authorised_by": f.SECOND}, occurred_at=DAY[8])
    fit, retired = tell(f.fitted("bearing", f.piece(serial="B-1"), occurred_at=DAY[7]), gone)
    tell(
        f.removed("bearing", f.piece(serial="B-1"), to="stock", occurred_at=DAY[9]),
        f.annotated(retired, occurred_at=DAY[9]),
        f.superseded(fit, fit["data"] | {"from": "bin"}, occurred_at=DAY[9]),
    )
    assert [] == codes()


def better(occurred_at=DAY[10], **more):
    """Two readings of one occupant, the second better by 0.20 turn where U is 0.02."""
    return f.reading("0.30", occurred_at=DAY[8]), f.reading("0.10", occurred_at=occurred_at, **more)


def test_row_4_4_8_wear_that_improves_with_nothing_logged_is_not_believed(tell, codes):
    _, _, then = tell(f.fitted(occurred_at=DAY[7]), *better())
    assert (["wear-improved"], ["wear-improved"]) == (receipt(then), codes())
    tell(f.reading("0.11", occurred_at=DAY[11]))
    assert ["wear-improved"] == codes(), "a further reading explains nothing"
    tell(f.removed(occurred_at=DAY[9]), f.fitted(occurred_at=DAY[9]))
    assert [] == codes(), "the part change was missing"


def test_row_4_4_8_is_lifted_by_its_key(tell, codes):
    _, then = tell(*better())
    tell(lifted("wear-improved", then, occurred_at=DAY[11]))
    assert [] == codes()
    tell(f.reading("0.12", occurred_at=DAY[12]))
    assert [] == codes()


@pytest.mark.parametrize(
    "between",
    [
        f.work_done(more={"slot": "feed-nut"}, occurred_at=DAY[9]),
        f.work_done(occurred_at=DAY[9]),
        f.entry("setting.left", {"setting": "preload", "value": f.q("1", "N.m")}, occurred_at=DAY[9]),
        f.fitted(occurred_at=DAY[9]),
    ],
    ids=["work on the slot", "work that names no slot", "a setting", "a part"],
)
def test_row_4_4_8_look_alikes_something_was_done(tell, codes, between):
    first, then = better()
    tell(first, between | {"id": f.entry_id(99)}, then)
    assert [] == codes()


def test_row_4_4_8_look_alikes_the_scatter_of_the_gauge_and_work_on_another_slot(tell, codes):
    """0.02 better is not more than U of 0.02. Work on the bearing is no work on the nut."""
    tell(f.reading("0.30", occurred_at=DAY[8]), f.reading("0.28", occurred_at=DAY[9]))
    assert [] == codes()
    tell(f.work_done(more={"slot": "bearing"}, occurred_at=DAY[10]), f.reading("0.10", occurred_at=DAY[11]))
    assert ["wear-improved"] == codes()


def test_row_4_4_9_wear_is_not_reset_while_the_old_serial_is_in(tell, codes, ask):
    """The same serial again, or a rebuild that says renewed, without a removal; the hours on it go on."""
    old = f.piece(serial="N-1")
    tell(f.meter_read("100", occurred_at=DAY[6]), f.fitted("feed-nut", old, occurred_at=DAY[7]))
    _, again = tell(f.meter_read("102", occurred_at=DAY[9]), f.fitted("feed-nut", old, occurred_at=DAY[10]))
    assert (["reset-without-change"], ["reset-without-change"]) == (receipt(again), codes())
    slot = ask("/v1/units/U-1/slots/feed-nut")
    assert (False, "2") == (slot["contested"], slot["hours_on"]["value"])
    tell(f.removed("feed-nut", old, occurred_at="2026-01-05T09:30:00+01:00", to="stock"))
    hours = ask("/v1/units/U-1/slots/feed-nut")["hours_on"]["value"]
    assert ([], "2") == (codes(), hours), "CONTRACT D: what its earlier places add up to"


def rebuilt(**more):
    data = {"standard": "full", "scope": [{"slot": "feed-nut", "treatment": "renewed"}], "job": "J-1"}
    return f.entry("rebuild.completed", data, **more)


def test_row_4_4_9_a_rebuild_that_renewed_a_slot_whose_part_is_the_old_one(tell, codes, ask):
    old, new = f.piece(serial="N-1"), f.piece(serial="N-2")
    *_, done = tell(
        f.fitted("feed-nut", old, occurred_at=DAY[7]), f.job_opened(occurred_at=DAY[8]), rebuilt(occurred_at=DAY[11])
    )
    assert (["reset-without-change"], ["reset-without-change"]) == (receipt(done), codes())
    tell(f.removed("feed-nut", old, occurred_at=DAY[9]), f.fitted("feed-nut", new, occurred_at=DAY[10]))
    assert [] == codes(), "the change was only typed late"
    assert 1 == ask("/v1/units/U-1/condition")["since_rebuild"]["count"]


def test_row_4_4_9_look_alike_what_the_rebuild_kept(tell, codes):
    kept = rebuilt(occurred_at=DAY[9])
    kept["data"]["scope"] = [{"slot": "feed-nut", "treatment": "kept"}]
    tell(f.fitted("feed-nut", f.piece(serial="N-1"), occurred_at=DAY[7]), kept)
    assert [] == codes()


WINDOW = {"supply": {"low": "5.5", "high": "7.0", "uom": "bar"}}


def on_the_stand(pressure, **more):
    data = {
        "run": "R-1",
        "stage": "final",
        "sheet_rev": 2,
        "conditions": {"supply": pressure},
        "results": [{"test": "free-speed", "value": f.q("62", "{rev}/min")}],
    }
    return f.entry("run.recorded", data, **more)


@pytest.fixture
def stand_sheet(tell):
    """Revision 2 asks for 5.5 to 7.0 bar at the inlet."""
    test = f.sheet()["tests"][0] | {"conditions": WINDOW}
    tell(f.sheet_issued(rev=2, effective_on="2026-01-03", changes={"tests": [test]}, occurred_at=DAY[1]))


def test_row_4_4_11_a_run_off_the_sheet_s_conditions_is_kept_and_said(tell, codes, stand_sheet):
    (run,) = tell(on_the_stand(f.q("7.2", "bar"), occurred_at=DAY[9]))
    assert (["run-off-conditions"], ["run-off-conditions"]) == (receipt(run), codes())
    (run,) = tell(on_the_stand({"unknown": "no gauge"}, occurred_at=DAY[10]))
    assert ["run-off-conditions"] == receipt(run, but=("id-taken",))


def test_row_4_4_11_look_alike_a_run_as_found(tell, codes, stand_sheet):
    """Only a final run is to satisfy a release."""
    run = on_the_stand(f.q("7.2", "bar"), occurred_at=DAY[9])
    run["data"]["stage"] = "as_found"
    tell(run)
    assert [] == codes()


def test_row_4_4_11_look_alike_on_the_edge_and_in_another_uom(tell, codes, stand_sheet):
    """7.0 bar is inside, and so are 0.6 MPa."""
    tell(on_the_stand(f.q("7.0", "bar"), occurred_at=DAY[9]), on_the_stand(f.q("0.6", "MPa"), occurred_at=DAY[10]))
    assert [] == codes(but=("id-taken",))


@pytest.fixture
def no_checks(tell):
    """The sheet asks for no check: a release needs nothing but who may sign it."""
    tell(f.sheet_issued(rev=2, effective_on="2025-02-01", changes={"checks": []}, occurred_at=DAY[1]))


def test_row_4_4_12_a_release_by_somebody_not_authorised_that_day_stands_and_is_flagged(no_checks, tell, codes, ask):
    """`until_on` is inclusive; the flag stays when somebody authorised signs after it: both are shown."""
    lapsed = f.authorised("ada.bench", "release", occurred_at=DAY[1])
    lapsed["data"]["until_on"] = "2026-01-04"
    tell(lapsed, f.authorised("bob.bench", "release", occurred_at=DAY[1]))
    (bad,) = tell(f.released("REL-1", occurred_at=DAY[9]))
    assert (["signed-unauthorised"], ["signed-unauthorised"]) == (receipt(bad), codes())
    assert "ready" == ask("/v1/units/U-1/condition")["standing"]
    (good,) = tell(f.released("REL-2", by="bob.bench", occurred_at=DAY[10]))
    assert ([], ["signed-unauthorised"]) == (receipt(good), codes())
    found = ask("/v1/units/U-1/condition")
    assert ("ready", "REL-2") == (found["standing"], found["release"]["release"])
    assert [bad["id"]] == found["discrepancies"][0]["entries"]


def test_row_4_4_12_look_alike_the_last_day_of_an_authorisation(no_checks, tell, codes):
    last = f.authorised("ada.bench", "release", occurred_at=DAY[1])
    last["data"]["until_on"] = "2026-01-05"
    tell(last)
    tell(f.released(occurred_at=DAY[9]))
    assert [] == codes()
    ended = {"tasks": ["release"], "on": "2026-01-05", "why": "left"}
    tell(f.entry("authorisation.ended", ended, subject="person:ada.bench", occurred_at=DAY[8]))
    assert ["signed-unauthorised"] == codes(), "`on` is the first day without"


def test_row_4_4_13_a_certificate_dated_back_opens_a_question(tell, codes, clock):
    """What was known stays by `recorded_at`: before it arrived, the gauge was overdue."""
    tell(f.gauge_calibrated(due="2026-01-03", occurred_at=DAY[1]))
    tell(f.reading("0.12", gauge=f.GAUGE, occurred_at=DAY[9]))
    assert ["gauge-overdue"] == codes()
    clock.set("2026-01-13T09:00:00+01:00")
    (back,) = tell(f.gauge_calibrated(due="2027-01-05", occurred_at="2026-01-05T08:30:00+01:00"))
    assert {"late-typed", "certificate-backdated"} == set(receipt(back))
    assert ["certificate-backdated"] == codes(f.GAUGE, but=("late-typed",))
    assert ([], ["gauge-overdue"]) == (codes(), codes(known_index=back["index"]))


def test_row_4_4_13_look_alike_a_certificate_that_came_by_post(tell, codes, clock):
    clock.set("2026-01-12T09:00:00+01:00")
    tell(f.gauge_calibrated(occurred_at="2026-01-05T09:00:00+01:00"))
    assert [] == codes(f.GAUGE)


def examined(result="pass", **more):
    data = {"exam": "lifting", "examiner": "e", "result": result, "due_next": "2026-12-31"}
    return f.entry("exam.recorded", data, **more)


def test_row_4_4_14_the_later_defect_rules_over_the_exam_and_the_examiner_is_told(tell, codes, ask):
    _, crack = tell(examined(occurred_at=DAY[8]), f.finding_raised(blocking=True, occurred_at=DAY[9]))
    assert (["exam-against-defect"], ["exam-against-defect"]) == (receipt(crack), codes())
    assert "tell the examiner" in ask("/v1/units/U-1/condition")["discrepancies"][0]["detail"]
    tell(f.finding_closed(occurred_at=DAY[10]))
    assert [] == codes()


def test_row_4_4_14_is_settled_by_a_later_exam_and_raised_by_one_that_looks_away(tell, codes):
    tell(examined(occurred_at=DAY[8]), f.finding_raised(blocking=True, occurred_at=DAY[9]))
    tell(examined("pass_with_defects", occurred_at=DAY[10]))
    assert [] == codes()
    (blind,) = tell(examined(occurred_at=DAY[11]))
    assert ["exam-against-defect"] == receipt(blind)


def test_row_4_4_14_look_alike_a_defect_that_the_exam_named_and_one_that_does_not_block(tell, codes):
    tell(
        examined("pass_with_defects", occurred_at=DAY[8]),
        f.finding_raised("F-1", blocking=True, occurred_at=DAY[9]),
        examined("fail", occurred_at=DAY[10]),
        f.finding_closed("F-1", occurred_at=DAY[11]),
        examined(occurred_at=DAY[12]),
        f.finding_raised("F-2", blocking=False, occurred_at=DAY[12]),
    )
    assert [] == codes()


def test_row_4_4_15_the_customer_s_40_hours_against_our_400_are_a_dispute_and_no_reading(tell, codes, ask):
    """Ours counts and is flagged until somebody settles it; the verdict on a claim comes with the clauses."""
    count, told = tell(f.meter_read("400", occurred_at=DAY[8]), f.complaint_reported(occurred_at=DAY[9]))
    told_of = told["data"] | {"hours": f.q("40", "h")}
    tell(f.superseded(told, told_of))
    assert ([], "400") == (codes(), hours(ask))
    tell(f.disputed(count))
    assert (["disputed"], "400") == (codes(), hours(ask))
    assert "on_hold" == ask("/v1/units/U-1/condition")["standing"]
    tell(f.settled(count, "upheld"))
    assert ([], "400") == (codes(), hours(ask))
