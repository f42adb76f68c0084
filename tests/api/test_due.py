"""What is due by a day: JOB.md R10 (for a stated day), 1.13, 1.21, 1.23; question 14 beside it. The days are worked by
hand from CONTRACT C (a due day still counts on itself) and D (hours a day from the last 370 days)."""

import pytest

from service_api.projections import units
from tests import factories as f
from tests.conftest import client_with, token_of

DUE = "/v1/fleet/due"
START = "2025-06-02T08:00:00+02:00"  # the clock stands on 5 January 2026


@pytest.fixture
def fleet(tell):
    """A class that is serviced every 12 months or 500 h and examined every 6 months; two units, one gauge."""
    changes = {"service": {"months": 12, "hours": 500}, "exams": [{"exam": "thorough", "months": 6}]}
    owned = {"owner": "party-a"}
    return tell(
        f.sheet_issued(changes=changes, occurred_at=START),
        f.registered(more=owned, occurred_at=START),
        f.registered("U-2", occurred_at=START),
        f.registered(f.GAUGE, "GDIAL", occurred_at=START),
    )


@pytest.fixture
def due(ask):
    """(unit, what, state, day) of everything that is due."""

    def rows(**query):
        found = ask(DUE, **query)["due"]
        return [(r["unit"], r["what"], r["state"], r["on"] or r["expected_on"]) for r in found]

    return rows


def exam(due_next=None, result="pass", unit="U-1", **more):
    data = {"exam": "thorough", "examiner": "outside person", "result": result} | (
        {"due_next": due_next} if due_next else {}
    )
    return f.entry("exam.recorded", data, unit=unit, **({"occurred_at": START} | more))


def planned(unit="U-1", **ends):
    return f.entry("service.planned", ends, unit=unit, occurred_at=START)


def granted(name="CN", **ends):
    data = {"concession": name, "for": {"characteristic": "TST-BL"}, "why": "short hire"} | ends
    return f.entry("concession.granted", data, occurred_at=START)


def serviced(unit="U-1", at=START):
    return (
        f.job_opened(unit=unit, occurred_at=at),
        f.entry("job.closed", {"job": "J-1"}, unit=unit, job="J-1", occurred_at=at),
    )


def test_q14_due_is_told_kind_by_kind_overdue_first_and_a_look_alike_is_not(tell, due, ask, fleet):
    """Examined on 2 June 2025 without a due day, so for the six months of the sheet."""
    plan, _, looked, gauge, given = tell(
        planned(due_on="2026-02-04"),
        planned("U-2", due_on="2026-02-05"),  # the look-alike: one day beyond thirty
        exam(),
        f.gauge_calibrated(due="2026-01-05", occurred_at=START),
        granted(until_on="2026-01-31"),
    )
    tell(exam("2026-06-30", unit="U-2"))
    got = ask(DUE)
    assert [
        ("U-1", "exam thorough", "overdue", "2025-12-02"),
        ("G-1", "calibration", "due", "2026-01-05"),
        ("U-1", "concession CN", "due", "2026-01-31"),
        ("U-1", "service", "due", "2026-02-04"),
    ] == due()
    assert [[looked["id"]], [gauge["id"]], [given["id"]], [plan["id"]]] == [r["entries"] for r in got["due"]]
    assert ("2026-02-04", {"overdue": 1, "due": 3, "undated": 0}) == (got["until"], got["counts"])
    assert ("U-2", "service", "due", "2026-02-05") in due(until="2026-02-05")
    assert ("U-2", "exam thorough", "due", "2026-06-30") == due(until="2026-06-30")[-1]


def test_a_day_counts_on_itself_and_is_overdue_on_the_next(tell, due, fleet):
    tell(
        exam("2026-01-31"), exam("2026-12-31", unit="U-2"), granted(until_on="2026-01-31"), planned(due_on="2026-01-31")
    )
    tell(f.gauge_calibrated(due="2026-01-31", occurred_at=START))
    on, after = due(true_at="2026-01-31T23:59:59+01:00"), due(true_at="2026-02-01T00:00:00+01:00")
    assert 4 == len(on) == len(after)
    assert ({"due"}, {"overdue"}) == ({state for *_, state, _ in on}, {state for *_, state, _ in after})


def test_an_examination_that_was_failed_is_overdue_and_one_that_nobody_made_is_due_as_at_the_gate(tell, due, fleet):
    tell(exam(result="fail"))
    assert [("U-1", "exam thorough", "overdue", "2025-06-02"), ("U-2", "exam thorough", "due", None)] == due()


def test_the_sheets_interval_runs_from_the_last_service_and_a_service_ends_a_plan(tell, due, fleet):
    tell(exam("2027-01-01"), exam("2027-01-01", unit="U-2"), planned(due_on="2025-12-24"))
    assert [("U-1", "service", "overdue", "2025-12-24")] == due(until="2027-01-01")[:1]
    tell(*serviced(at="2025-12-29T09:00:00+01:00"))
    assert [] == due(until="2026-12-28")
    assert [("U-1", "service", "due", "2026-12-29")] == due(until="2026-12-29")


def test_hours_are_dated_by_the_hours_a_day_and_overdue_once_they_are_passed(tell, due, ask, fleet, clock):
    """100 h on 1 November, 200 h fifty days later: 2 h a day, so 230 h on 5 January and 240 h on the 10th."""
    tell(exam("2027-01-01"), exam("2027-01-01", unit="U-2"))
    tell(f.meter_read("100", occurred_at="2025-11-01T08:00:00+00:00"))
    tell(f.meter_read("200", occurred_at="2025-12-21T08:00:00+00:00"))
    tell(planned(due_hours=f.q("240", "h")), granted(until_hours=f.q("240", "h")))
    assert [] == due(until="2026-01-09")
    for_both = [("U-1", "concession CN", "due", "2026-01-10"), ("U-1", "service", "due", "2026-01-10")]
    assert for_both == due(until="2026-01-10")
    (row, _) = ask(DUE)["due"]
    assert (None, "240", "200") == (row["on"], row["hours"], row["hours_now"]["value"])
    clock.set("2026-01-11T09:00:00+00:00")
    tell(f.meter_read("240", occurred_at="2026-01-11T08:00:00+00:00"))
    assert {"due"} == {state for *_, state, _ in due()}
    tell(f.meter_read("240.1", occurred_at="2026-01-11T08:30:00+00:00"))
    assert {"overdue"} == {state for *_, state, _ in due()}


def test_hours_of_a_unit_that_nobody_reads_cannot_be_dated_and_say_so_at_the_end(tell, due, fleet):
    tell(exam("2027-01-01"), exam("2026-01-10", unit="U-2"), planned(due_hours=f.q("240", "h")))
    assert [("U-2", "exam thorough", "due", "2026-01-10"), ("U-1", "service", "undated", None)] == due()


def test_nothing_is_due_on_scrap(tell, due, fleet):
    tell(exam("2026-01-04"), exam("2027-01-01", unit="U-2"))
    assert 1 == len(due())
    tell(f.entry("unit.retired", {"why": "cracked", "authorised_by": f.SECOND}, occurred_at=f.AT))
    assert [] == due()


def test_what_is_due_on_a_merged_number_is_told_once_with_the_unit_that_took_it(tell, due, fleet):
    tell(exam("2027-01-01"), exam("2026-01-10", unit="U-2", occurred_at="2025-07-01T08:00:00+02:00"))
    merged = {"into": "U-1", "why": "one iron", "evidence": ["engraving"], "second": f.SECOND}
    assert ["U-2"] == [unit for unit, *_ in due()]
    tell(f.entry("unit.merged", merged, unit="U-2", occurred_at=f.AT))
    assert [("U-1", "exam thorough", "due", "2026-01-10")] == due()
    tell(exam("2027-01-01", unit="U-2", occurred_at=f.AT))  # typed on the old number
    assert [] == due()


def test_what_was_due_then_and_by_what_was_known_then(tell, due, ask, fleet):
    _, first = tell(exam("2027-01-01", unit="U-2"), planned(due_on="2026-01-20"))
    tell(exam("2027-01-01"))
    tell(f.superseded(first, {"due_on": "2026-03-20"}))
    assert [] == due()
    known = ask(DUE, known_index=first["index"] + 1, unit="U-1")
    assert ["exam thorough", "service"] == [r["what"] for r in known["due"]]
    assert first["index"] + 1 == known["as_of"]["index"]
    then = due(true_at="2026-03-19T12:00:00+00:00")
    assert [("U-1", "service", "due", "2026-03-20")] == then


def test_narrowed_and_page_by_page(tell, due, client, fleet):
    tell(exam("2026-01-10"), exam("2026-01-11", unit="U-2"), f.gauge_calibrated(due="2026-01-12", occurred_at=START))
    tell(f.received(occurred_at=f.AT, unit="U-2"))
    assert ["U-1", "U-2", "G-1"] == [unit for unit, *_ in due()]
    assert ["G-1"] == [unit for unit, *_ in due(**{"class": "GDIAL"})] == [unit for unit, *_ in due(what="calibration")]
    assert ["U-2"] == [unit for unit, *_ in due(site="north-shed")] == [unit for unit, *_ in due(unit="U-2")]
    first = client.get(DUE, query_string={"limit": 2})
    assert ("2", {"overdue": 0, "due": 3, "undated": 0}) == (first.json["next"], first.json["counts"])
    assert 'cursor=2>; rel="next"' in first.headers["Link"]
    assert ["G-1"] == [unit for unit, *_ in due(limit=2, cursor="2")]


@pytest.mark.parametrize(
    ("name", "text"), [("until", "2026-01-04"), ("until", "soon"), ("what", "rent"), ("party", "x")]
)
def test_a_question_that_means_nothing_is_refused(client, name, text):
    answer = client.get(DUE, query_string={name: text})
    assert (422, f"?{name}") == (answer.status_code, answer.json["errors"][0]["pointer"])


def test_a_customer_hears_of_the_units_that_are_theirs_now(tell, due, app, store, book, fleet):
    theirs = client_with(app, token_of(store, book, "customer", person="cus.a", party="party-a"))
    tell(exam("2026-01-10"), exam("2026-01-11", unit="U-2"))
    assert ["U-1"] == [r["unit"] for r in theirs.get(DUE).json["due"]]
    assert [] == theirs.get(DUE, query_string={"unit": "U-2"}).json["due"]
    tell(f.dispatched(unit="U-2", occurred_at=f.AT))
    assert ["U-1", "U-2"] == [r["unit"] for r in theirs.get(DUE).json["due"]]
    tell(f.received(unit="U-2", occurred_at="2026-01-05T10:00:00+01:00"))
    assert ["U-1"] == [r["unit"] for r in theirs.get(DUE).json["due"]]
    assert ["U-1", "U-2"] == [unit for unit, *_ in due()]


def test_only_pages_that_moved_are_read_again(tell, due, fleet, monkeypatch):
    asked = []
    read = units.read_states
    monkeypatch.setattr(units, "read_states", lambda c, b, wanted: asked.append(list(wanted)) or read(c, b, wanted))
    due()
    due(until="2026-12-31")
    tell(exam("2026-01-10"))
    asked_by_append, found = len(asked), due()
    assert (["G-1", "U-1", "U-2"], []) == (asked[0], asked[1])
    assert [["U-1"]] == asked[asked_by_append:]
    assert ("U-1", "exam thorough", "due", "2026-01-10") in found
    changes = {"service": {}, "exams": []}
    tell(f.sheet_issued(rev=2, effective_on="2026-01-05", changes=changes))
    assert [("U-1", "exam thorough", "due", "2026-01-10")] == due()  # the new sheet asks U-2 for none


def test_s12_the_demo_names_the_hoist_whose_examination_ends_inside_the_hire(demo):
    """JOB.md 8.1: ACH-002, examined to 30 September 2024, hire asked from 16 September to 14 October. The day after its
    examination on the 13th it is no longer due, while the hoists that nobody examined that week are."""
    asked = {"class": "ACH", "what": "exam", "until": "2024-10-14"}

    def hoists(day):
        return {r["unit"]: r["on"] for r in demo.ask(DUE, true_at=f"{day}T18:00:00+02:00", **asked)["due"]}

    before, after = hoists("2024-09-12"), hoists("2024-09-14")
    assert "2024-09-30" == before["ACH-002"]
    assert before.keys() - after.keys() == {"ACH-002"}
