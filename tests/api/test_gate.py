"""The gate: every block of CONTRACT C with one case that raises it and a look-alike that must not (JOB.md 1.13)."""

import json
from hashlib import sha256

import pytest
import rfc8785

from tests import factories as f
from tests.api.releasing import EARLY, JOB, SIGNER, at, codes, job_done, prepared, run

GATE = "/v1/units/U-1/gate"
ASKED = {"job": JOB, "by": SIGNER}


@pytest.fixture
def ready(tell):
    """A unit against whose release nothing stands."""
    tell(*prepared())
    return tell(*job_done())


@pytest.fixture
def gate(ask):
    return lambda **more: ask(GATE, **(ASKED | more))


def told(code, gate):
    """The one block of this code."""
    (found,) = [b for b in gate["blocks"] if b["code"] == code]
    assert found["why"] and found["who_may"]
    return found


def test_nothing_stands_against_a_job_that_is_done(ready, gate):
    assert [] == gate()["blocks"]


def test_the_draft_is_the_certificate_as_it_would_be(ready, gate):
    draft = gate(second="bob.bench")["certificate"]
    assert ("U-1", "TST", JOB, "full", 1) == tuple(draft[k] for k in ("unit", "class", "job", "kind", "sheet_rev"))
    assert (None, None, None) == (draft["release"], draft["book"], draft["at"])
    (reading,) = draft["readings"]
    assert ("TST-BL", "0.10", "good") == (
        reading["characteristic"],
        reading["value"],
        reading["conformity"]["outcome"],
    )
    assert [("R-1", "passed")] == [(r["run"], r["outcome"]) for r in draft["runs"]]
    assert [("guards", "ok"), ("labels", "blank")] == [(c["check"], c["answer"]) for c in draft["checks"]]
    assert [(SIGNER, "release"), ("bob.bench", "second")] == [(a["person"], a["task"]) for a in draft["authorised"]]


def test_the_digest_is_that_of_the_canonical_form(ready, gate):
    """CONTRACT C: SHA-256 of the RFC 8785 form: blocks without `who_may`, the certificate without who signs."""
    found = gate()
    blocks = [{k: v for k, v in b.items() if k != "who_may"} for b in found["blocks"]]
    draft = {k: v for k, v in found["certificate"].items() if k not in ("at", "by", "second", "book", "release")}
    assert sha256(rfc8785.dumps({"blocks": blocks, "certificate": draft})).hexdigest() == found["digest"]


def test_the_digest_moves_with_what_it_rests_on_and_not_with_who_signs(tell, ready, gate):
    before = gate()["digest"]
    assert before == gate(by=f.SECOND)["digest"] or [] != gate(by=f.SECOND)["certificate"]["authorised"]
    tell(f.finding_raised("F-9", occurred_at=at(50)))
    assert before != gate()["digest"]


def test_what_the_job_says_on_another_unit_is_no_part_of_it(tell, ready, gate):
    tell(f.registered("U-2", occurred_at=EARLY))
    before = gate()
    tell(
        f.check_answered("guards", "defect", subject="unit:U-2", job=JOB, occurred_at=at(50)),
        f.fitted("bearing", f.piece(serial="B-9"), subject="unit:U-2", job=JOB, occurred_at=at(51)),
        f.finding_raised("F-1", blocking=True, subject="unit:U-2", job=JOB, occurred_at=at(52)),
    )
    assert before == gate()


def test_work_that_was_booked_on_another_unit_counts_where_it_was_done(tell, ready, gate):
    """Moved here it comes after the run; moved on again it does not; and each time only for who knew of it."""
    (_, work) = tell(
        f.registered("U-2", occurred_at=EARLY),
        f.work_done("AC-ADJ", subject="unit:U-2", job=JOB, occurred_at=at(45)),
    )
    assert [] == codes(gate())
    (here,) = tell(f.reattributed(work, "unit:U-1", occurred_at=at(46)))
    assert ["run-missing"] == codes(gate())
    tell(f.withdrawn(here, occurred_at=at(47)))
    assert [] == codes(gate())
    known = here["index"]
    asked = [gate(known_index=known), gate(known_index=known + 1), gate(true_at=at(44), known_index=known + 1)]
    assert [[], ["run-missing"], []] == [codes(found) for found in asked]


# Block by block: what raises it, and the look-alike


def test_finding_open_blocks_and_one_that_does_not_block_stands_on_the_certificate(tell, ready, gate):
    light, heavy = tell(
        f.finding_raised("F-1", occurred_at=at(41)), f.finding_raised("F-2", blocking=True, occurred_at=at(42))
    )
    found = gate()
    assert [heavy["id"]] == told("finding-open", found)["entries"]
    assert {light["id"], heavy["id"]} == {x["entry"] for x in found["certificate"]["findings"]}
    tell(f.finding_closed("F-2", occurred_at=at(45)))
    assert [] == codes(gate())


@pytest.mark.parametrize("answer", ["not_done", "not_reachable"])
def test_check_unanswered(tell, ready, gate, answer):
    given = f.check_answered("guards", answer, job=JOB, occurred_at=at(30))
    given["data"]["why"] = "no light"
    (recorded,) = tell(given)
    assert [recorded["id"]] == told("check-unanswered", gate())["entries"]


def test_check_unanswered_counts_per_job_and_a_check_that_does_not_block_may_be_blank(tell, ready, gate):
    tell(f.job_opened("J-2", occurred_at=at(50)))
    assert ["check-unanswered", "run-missing"] == codes(gate(job="J-2"))
    tell(f.check_answered("guards", "not_applicable", job="J-2", occurred_at=at(51)))
    assert ["run-missing"] == codes(gate(job="J-2"))


def test_a_job_that_nobody_opened_on_the_unit_is_said_to_be_none(tell, ready, gate):
    tell(f.job_opened("J-2", occurred_at=at(50)), f.registered("U-2", occurred_at=EARLY))
    tell(f.job_opened("J-3", subject="unit:U-2", occurred_at=at(51)))
    nobody = ", which nobody opened on this unit"
    for job, said in (("J-2", False), ("J-3", True), ("J-22", True)):
        found = gate(job=job)
        assert ["check-unanswered", "run-missing"] == codes(found)
        assert {said} == {f"in job {job}{nobody}" in b["why"] for b in found["blocks"]}


def defect(finding, minute=30):
    given = f.check_answered("guards", "defect", job=JOB, occurred_at=at(minute))
    return given if finding is None else given | {"data": given["data"] | {"finding": finding}}


def test_check_defect_needs_a_finding_that_is_closed(tell, ready, gate):
    tell(f.finding_raised("F-1", occurred_at=at(29), job=JOB), defect("F-1"))
    assert ["check-defect"] == codes(gate())
    tell(f.finding_closed("F-1", occurred_at=at(35)))  # in no job
    assert [] == codes(gate())


@pytest.mark.parametrize("finding", [None, "F-never-raised"])
def test_check_defect_without_a_finding_stays(tell, ready, gate, finding):
    tell(defect(finding))
    assert ["check-defect"] == codes(gate())


def test_run_missing_after_the_last_work_and_not_after_a_look(tell, ready, gate):
    tell(f.work_done("AC-INS", job=JOB, occurred_at=at(45)))
    assert [] == codes(gate())
    (work,) = tell(f.work_done("AC-ADJ", job=JOB, occurred_at=at(46)))
    assert work["id"] in told("run-missing", gate())["entries"]
    tell(run("R-2", occurred_at=at(50)))
    assert [] == codes(gate())


def test_run_missing_on_another_revision_and_in_another_job(tell, gate):
    tell(*prepared())
    tell(*job_done()[:-1], run(rev=7), run("R-2", job="J-9"))
    found = told("run-missing", gate())
    assert "revision" in found["why"]


def test_run_failed_later_counts_against_an_earlier_pass_and_a_repeat_counts_for_it(tell, ready, gate):
    (failed,) = tell(run("R-2", "55", occurred_at=at(45)))
    assert [failed["id"]] == told("run-failed", gate())["entries"]
    assert ["passed", "failed"] == [r["outcome"] for r in gate()["certificate"]["runs"]]
    tell(run("R-3", occurred_at=at(50)))
    assert [] == codes(gate())
    assert ["passed", "failed", "passed"] == [r["outcome"] for r in gate()["certificate"]["runs"]]


def test_run_off_conditions_proves_nothing_and_takes_nothing_back(tell, gate):
    tell(*prepared())
    tell(*job_done()[:-1], run(supply="5.1"))
    assert ["run-off-conditions"] == codes(gate())
    tell(run("R-2", occurred_at=at(42)), run("R-3", supply="5.1", occurred_at=at(43)))
    assert [] == codes(gate())


def test_beyond_limit(tell, ready, gate):
    (read,) = tell(f.reading("0.34", stage="as_left", job=JOB, occurred_at=at(45)))
    assert [read["id"]] == told("beyond-limit", gate())["entries"]


def test_not_proved_within_the_uncertainty_and_exactly_at_the_acting_limit_is_proved(tell, ready, gate):
    """The limit is 0.33 and U 0.02, so 0.31 is the last that is proved."""
    tell(f.reading("0.32", stage="as_left", job=JOB, occurred_at=at(45)))
    assert ["not-proved"] == codes(gate())
    tell(f.reading("0.31", stage="as_left", job=JOB, occurred_at=at(46)))
    assert [] == codes(gate())


def test_not_proved_when_the_value_is_not_known_and_not_when_it_was_never_measured(tell, ready, gate):
    assert "TST-AC" not in [r["characteristic"] for r in gate()["certificate"]["readings"]]
    unknown = f.reading("1", characteristic="TST-AC", uom="mm", stage="as_left", job=JOB, occurred_at=at(45))
    unknown["data"]["readings"] = [{"value": {"unknown": "the dial stuck"}}]
    tell(unknown)
    assert ["not-proved"] == codes(gate())


def test_not_proved_by_a_gauge_that_was_found_out_later(tell, ready, gate):
    read = f.reading("0.05", characteristic="TST-AC", uom="mm", stage="as_left", gauge=f.GAUGE, job=JOB)
    tell(read | {"occurred_at": at(45)})
    assert [] == codes(gate())
    out = f.gauge_calibrated(occurred_at=at(120))
    out["data"]["as_found"] = [{"at": "0.50", "error": "0.050"}]
    tell(out)
    assert ["not-proved"] == codes(gate())


def test_slot_contested(tell, ready, gate):
    first, then = tell(
        f.fitted("bearing", f.piece(serial="B-1"), occurred_at=at(21)),
        f.fitted("bearing", f.piece(serial="B-2"), occurred_at=at(22)),
    )
    found = told("slot-contested", gate())
    assert ({first["id"], then["id"]}, ["lead", "manager"]) == (set(found["entries"]), found["who_may"])
    assert 1 == found["why"].count("look at the iron")
    tell(f.removed("bearing", f.piece(serial="B-1"), occurred_at=at(23)))
    assert [] == codes(gate())


def exam(due_next, result="pass", **envelope):
    data = {"exam": "thorough", "examiner": "outside", "result": result, "due_next": due_next}
    return f.entry("exam.recorded", data, **({"occurred_at": at(1)} | envelope))


@pytest.mark.parametrize(
    ("due", "asked", "blocks"),
    [
        ("2026-01-04", {}, ["exam-due"]),
        ("2026-01-05", {}, []),  # on its due day it still counts
        ("2026-03-01", {"hire_until": "2026-03-02"}, ["exam-due"]),
        ("2026-03-01", {"hire_until": "2026-03-01"}, []),
    ],
)
def test_exam_due_before_the_release_or_inside_the_planned_hire(tell, ready, gate, due, asked, blocks):
    tell(exam(due))
    assert blocks == codes(gate(**asked))


def test_exam_due_where_one_was_failed_or_the_sheet_asks_for_one_that_is_not_there(tell, gate):
    tell(*prepared(exams=[{"exam": "thorough", "months": 12}]))
    tell(*job_done())
    assert ["exam-due"] == codes(gate())
    tell(exam("2027-01-01", "fail"))
    assert ["exam-due"] == codes(gate())
    tell(exam("2027-01-01", occurred_at=at(2)))
    assert [] == codes(gate())


def test_not_authorised_on_the_day_whatever_the_day_after_says(tell, ready, gate):
    tell(f.authorised(f.PERSON, "release", from_on="2026-01-06", occurred_at=at(1)))
    found = told("not-authorised", gate(by=f.PERSON))
    assert "2026-01-06" in found["why"]
    assert [] == codes(gate(by=f.PERSON, true_at="2026-01-06T08:00:00+01:00"))


def test_second_person_who_did_the_work_and_who_may_not(tell, gate):
    """bob looked and may be the second; ada did the work; stan is not authorised for it."""
    tell(*prepared(release={"final_run": True, "second_person": True}))
    tell(*job_done(), f.authorised(f.PERSON, "second", occurred_at=at(1)))
    assert ["second-person"] == codes(gate())
    assert "did work" in told("second-person", gate(second=f.PERSON))["why"]
    assert "may not sign" in told("second-person", gate(second="sta.stand"))["why"]
    assert "another" in told("second-person", gate(by=f.SECOND, second=f.SECOND))["why"]
    assert [] == codes(gate(second="bob.bench"))


def test_hold_open_names_who_may_lift_it(tell, ready, gate):
    tell(f.hold_placed("H-1", "signatory", occurred_at=at(45)))
    assert ["signatory"] == told("hold-open", gate())["who_may"]
    tell(f.hold_lifted("H-1", by=SIGNER, occurred_at=at(46)))
    assert [] == codes(gate())


@pytest.mark.parametrize(("action", "blocks"), [("stop_use", ["alert-open"]), ("inspect", [])])
def test_alert_open_where_it_holds(tell, ready, gate, action, blocks):
    tell(f.fitted(occurred_at=at(22)), f.reading("0.10", occurred_at=at(23), job=JOB))
    tell(f.alert_issued(action=action, occurred_at=at(50)))
    assert blocks == codes(gate())


def conceded(name="C-1", *, until_on="2026-01-05", **for_):
    data = {"concession": name, "for": for_, "why": "agreed with the owner", "until_on": until_on}
    return f.entry("concession.granted", data, occurred_at=at(50))


def test_a_concession_lifts_the_block_of_its_finding_when_the_release_names_it(tell, ready, gate):
    tell(f.finding_raised("F-1", blocking=True, occurred_at=at(42)), conceded(finding="F-1"))
    assert ["finding-open"] == codes(gate())
    found = gate(concessions="C-1", kind="with_concession")
    assert ([], "C-1") == (found["blocks"], found["certificate"]["findings"][0]["concession"])
    assert ["finding-open"] == codes(gate(concessions="C-2"))
    assert told("finding-open", gate(concessions="C-2"))["why"].endswith("; no concession C-2 is open on U-1")


def test_a_concession_that_nobody_granted_or_that_has_ended_blocks_where_nothing_else_does(tell, ready, gate):
    """CONTRACT C: it must be in the book; else the certificate would say `with_concession` and list none."""

    def blocked():
        found = told("concession-overdue", gate(concessions="C-1", kind="with_concession"))
        assert [] == found["entries"] == codes(gate())
        return found["why"]

    assert "no concession C-1 is open on U-1: leave it out, or have it granted" == blocked()
    tell(conceded(characteristic="TST-BL"))
    assert ([], 1) == (codes(found := gate(concessions="C-1")), len(found["certificate"]["concessions"]))
    tell(f.entry("concession.ended", {"concession": "C-1", "why": "put right"}, occurred_at=at(52)))
    assert "no concession C-1 is open on U-1: leave it out, or have it granted" == blocked()


def test_a_concession_of_another_unit_is_none_of_this_one(tell, ready, gate):
    tell(f.registered("U-2", occurred_at=EARLY), conceded(finding="F-1") | {"subject": "unit:U-2"})
    assert ["concession-overdue"] == codes(gate(concessions="C-1"))


@pytest.mark.parametrize("value", ["0.32", "0.34"])
def test_a_concession_lifts_not_proved_and_beyond_limit_of_its_characteristic(tell, ready, gate, value):
    tell(f.reading(value, stage="as_left", job=JOB, occurred_at=at(45)), conceded(characteristic="TST-BL"))
    assert 1 == len(codes(gate()))
    assert [] == codes(gate(concessions="C-1"))
    assert 1 == len(codes(gate(concessions="C-1", true_at=at(49))))


def test_concession_overdue_and_on_its_last_day_it_counts(tell, ready, gate):
    tell(f.finding_raised("F-1", blocking=True, occurred_at=at(42)), conceded(finding="F-1"))
    assert [] == codes(gate(concessions="C-1"))
    late = {"concessions": "C-1", "true_at": "2026-01-06T08:00:00+01:00"}
    assert ["finding-open", "concession-overdue"] == codes(gate(**late))


def test_meter_doubt_and_a_jump_that_is_only_a_query(tell, ready, gate):
    tell(f.meter_read("500", occurred_at=at(30)))
    assert [] == codes(gate())
    tell(f.meter_read("100", occurred_at=at(31)))
    assert ["meter-doubt"] == codes(gate())


def test_identity_doubt_by_a_label_on_two_units_and_not_by_a_shared_serial(tell, ready, gate):
    tell(f.registered("U-2", occurred_at=at(1)))
    assert [] == codes(gate())
    tell(f.tag_attached("OWN-1", occurred_at=at(2)), f.tag_attached("OWN-1", unit="U-2", occurred_at=at(3)))
    assert ["identity-doubt"] == codes(gate())


def test_disputed_until_it_is_settled(tell, ready, gate):
    work = ready[3]
    (dispute,) = tell(f.disputed(work, occurred_at=at(50)))
    found = told("disputed", gate())
    assert (["manager"], True) == (found["who_may"], dispute["id"] in found["entries"])
    tell(f.settled(work, occurred_at=at(51)))
    assert [] == codes(gate())


def test_not_in_shop_when_dispatched_or_retired_and_not_when_moved(tell, ready, gate):
    tell(f.entry("unit.moved", {"site": "south-shed"}, occurred_at=at(45)))
    assert [] == codes(gate())
    tell(f.dispatched(occurred_at=at(46)))
    assert ["not-in-shop"] == codes(gate())
    tell(f.received(occurred_at=at(47)))
    assert [] == codes(gate())
    tell(f.entry("unit.retired", {"why": "worn out", "authorised_by": "mo.manager"}, occurred_at=at(48)))
    assert "retired" in told("not-in-shop", gate())["why"]


# Of then, as known then, and corrected


def test_the_gate_of_another_moment_takes_facts_up_to_it(tell, ready, gate):
    tell(f.finding_raised("F-2", blocking=True, occurred_at=at(90)))
    assert [] == codes(gate(true_at=at(60)))
    assert ["finding-open"] == codes(gate())


def test_a_correction_shows_from_when_it_was_known(tell, ready, gate):
    (read,) = tell(f.reading("0.32", stage="as_left", job=JOB, occurred_at=at(45)))
    (correction,) = tell(f.superseded(read, read["data"] | {"readings": [{"value": "0.30"}]}, occurred_at=at(55)))
    assert ["not-proved"] == codes(gate(known_index=correction["index"]))
    assert [] == codes(gate(known_index=correction["index"] + 1))
    assert [] == codes(gate())


def test_a_corrected_and_a_withdrawn_answer_of_the_job(tell, ready, gate):
    answered = ready[2]
    (change,) = tell(f.superseded(answered, {"check": "guards", "answer": "not_done", "why": "x"}, occurred_at=at(55)))
    assert ["check-unanswered"] == codes(gate())
    tell(f.withdrawn(change, occurred_at=at(56)))
    assert [] == codes(gate())
    tell(f.withdrawn(answered, occurred_at=at(57)))
    assert ["check-unanswered"] == codes(gate())


def test_the_answer_says_for_what_it_holds(tell, ready, gate, ask):
    found = gate()
    tell(f.registered("U-3", occurred_at=at(1)), f.scanned(unit="U-3", occurred_at=at(50)))
    assert found["as_of"] == gate()["as_of"]
    again = gate(known_index=found["as_of"]["index"])
    assert (found["blocks"], found["certificate"]) == (again["blocks"], again["certificate"])


# Bad questions


@pytest.mark.parametrize(
    "query",
    [
        {"hire_until": "2026-01-04"},  # ends before the day of the release
        {"hire_from": "2026-02-02", "hire_until": "2026-02-01"},
        {"hire_until": "soon"},
        {"kind": "half"},
        {"colour": "red"},
        {"job": ""},
        {"by": "a b"},
        {"second": "x" * 65},
        {"concessions": "C-1,C;2"},
    ],
)
def test_a_question_that_means_nothing_is_refused(ready, client, query):
    answer = client.get(GATE, query_string=ASKED | query)
    assert (422, "bad-query") == (answer.status_code, answer.json["errors"][0]["code"])


def test_an_unknown_unit_is_named_so(ready, client):
    answer = client.get("/v1/units/U-9/gate")
    assert (404, ["U-1"]) == (answer.status_code, [u for u in answer.json["near"] if u == "U-1"])
    assert json.loads(answer.data)["type"].endswith("/problems/unknown-unit")


def test_a_unit_that_was_not_there_yet_is_said_to_have_come_later(ready, client):
    answer = client.get(GATE, query_string={"true_at": "2026-01-01T08:00:00+01:00"})
    assert (404, "no unit U-1 was registered by 2026-01-01T07:00:00.000Z") == (
        answer.status_code,
        answer.json["detail"],
    )
