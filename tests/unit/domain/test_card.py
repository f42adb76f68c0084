"""The card of a unit: what the bench must know after one scan (JOB.md questions 1, 7, 39)."""

from decimal import Decimal as D

import pytest

from service_api.domain.card import CLOSING, card
from service_api.domain.cautions import NOTHING, UnderWay
from service_api.domain.discrepancies import between
from tests import factories as f
from tests.histories import alert, context, on, revision, state_of

DAY = [on(f"01-05 {hour:02}:00") for hour in range(24)]
PAGE = f.registered(more={"serial": "S-1"}, occurred_at=on("01-01 00:00"))


SHARED = between("serial-shared", "e-7", "unit:U-7", ("U-1", "U-7"), (PAGE["id"], "e-7"), "one serial")


def of(*raws, **more):
    return card(state_of(PAGE, *raws), context(**more))


def warned(found):
    return [w.warning for w in found.warnings]


# Warnings


@pytest.mark.parametrize(("today", "warnings"), [("2026-04-05", ["tag-changed"]), ("2026-04-06", [])])
def test_a_tag_that_changed_within_90_days_asks_for_a_look_at_the_engraving(today, warnings):
    """5 January and 90 days is 5 April."""
    old, new = f.tag_attached("OWN-1", occurred_at=on("01-04 09:00")), f.tag_attached("OWN-2", occurred_at=DAY[9])
    found = of(old, f.tag_detached("OWN-1", occurred_at=DAY[9]), new, today=today)
    assert warnings == warned(found)
    assert [(old["id"], new["id"])][: len(warnings)] == [w.entries for w in found.warnings]


def test_the_first_label_is_no_change():
    assert [] == warned(of(f.tag_attached("OWN-1")))


def test_a_shared_serial_names_the_others():
    (warning,) = of(beside=(SHARED,)).warnings
    assert ("serial-shared", True, SHARED.entries) == (warning.warning, "U-7" in warning.words, warning.entries)


def test_the_worst_stands_first():
    retired = f.entry("unit.retired", {"why": "cracked", "authorised_by": f.SECOND}, occurred_at=DAY[9])
    changed = f.tag_attached("OWN-1", occurred_at=DAY[7]), f.tag_attached("OWN-2", occurred_at=DAY[8])
    named = (alert(units=["U-1"]),)
    assert ["retired", "alert", "tag-changed", "serial-shared"] == warned(
        of(*changed, retired, beside=(SHARED,), alerts=named)
    )
    assert ["on-hold", "alert"] == warned(of(f.hold_placed(), alerts=named))


# Checks (R3: a blank is no answer)


def test_a_blank_check_stands_apart_from_one_that_was_not_done():
    job = f.job_opened(occurred_at=DAY[8])
    (left,) = of(job).unanswered_checks
    assert (("guards", "labels"), (), "J-1", "service", job["id"]) == (
        left.blank,
        left.not_done,
        left.job,
        left.purpose,
        left.entry,
    )
    for answer in ("not_done", "not_reachable"):
        (left,) = of(job, f.check_answered("guards", answer, job="J-1")).unanswered_checks
        assert (("labels",), ("guards",)) == (left.blank, left.not_done)
    for answer in ("ok", "defect", "not_applicable"):
        (left,) = of(job, f.check_answered("guards", answer, job="J-1")).unanswered_checks
        assert (("labels",), ()) == (left.blank, left.not_done)


def test_an_answer_counts_for_its_own_job():
    job = f.job_opened(occurred_at=DAY[8])
    (left,) = of(job, f.check_answered("guards", "ok", job="J-0")).unanswered_checks
    assert ("guards", "labels") == left.blank


def test_a_closed_job_asks_for_nothing():
    assert () == of(f.job_opened(occurred_at=DAY[8]), f.entry("job.closed", {"job": "J-1"})).unanswered_checks


# Cautions


def cautions_of(*raws, here=NOTHING, **when):
    sheet = revision(cautions=[{"caution": "C-1", "words": "let the air out", "when": when, "rests_on": "practice"}])
    found = card(state_of(PAGE, *raws), context(sheet), here)
    assert CLOSING == found.caution_closing
    return [(c.caution, c.revision) for c in found.cautions]


def test_a_caution_without_a_condition_always_shows():
    assert [("C-1", 1)] == cautions_of()


def test_a_caution_shows_for_its_purpose():
    assert [] == cautions_of(purposes=["repair"])
    assert [] == cautions_of(f.job_opened(), purposes=["repair"])
    assert [("C-1", 1)] == cautions_of(f.job_opened("J-1", "repair"), purposes=["repair"])


def test_a_caution_shows_for_its_slot_when_something_is_open_there():
    assert [] == cautions_of(f.finding_raised(), slots=["feed-nut"])
    assert [("C-1", 1)] == cautions_of(f.finding_raised(more={"slot": "feed-nut"}), slots=["feed-nut"])


def test_a_caution_for_an_activity_shows_while_that_is_done_in_an_open_job():
    assert [] == cautions_of(f.job_opened(), activities=["AC-RPL"])
    assert [] == cautions_of(f.job_opened(), here=UnderWay(frozenset({"AC-CLN"})), activities=["AC-RPL"])
    assert [("C-1", 1)] == cautions_of(f.job_opened(), here=UnderWay(frozenset({"AC-RPL"})), activities=["AC-RPL"])


def test_a_caution_shows_while_its_energy_is_isolated():
    air = UnderWay(energies=frozenset({"line air"}))
    assert [("C-1", 1)] == cautions_of(f.job_opened(), here=air, energies=["line air"])
    assert [] == cautions_of(f.job_opened(), here=air, energies=["mains"])


def test_everything_that_is_stated_has_to_fit():
    when = {"activities": ["AC-TST"], "slots": ["bearing"]}
    assert [] == cautions_of(here=UnderWay(frozenset({"AC-TST"}), frozenset({"feed-nut"})), **when)
    assert [("C-1", 1)] == cautions_of(here=UnderWay(frozenset({"AC-TST"}), frozenset({"bearing"})), **when)


# Holds, concessions, exams, due


def test_placed_and_computed_holds_stand_beside_each_other():
    held = f.hold_placed(occurred_at=DAY[8])
    gone = f.meter_read("9", occurred_at=DAY[8]), f.meter_read("3", occurred_at=DAY[9])
    named = (alert(part_no="P-1"),)
    placed, computed, stopped = of(held, *gone, f.fitted(occurred_at=DAY[7]), alerts=named).holds
    assert ("H-1", None, ("lead",), (held["id"],)) == (placed.hold, placed.key, placed.lift_by, placed.entries)
    assert (None, f"meter-backwards:{gone[1]['id']}") == (computed.hold, computed.key)
    assert (None, "alert:A-1") == (stopped.hold, stopped.key)


def conceded(**more):
    data = {"concession": "CN", "for": {"finding": "F"}, "why": "w"} | more
    return f.entry("concession.granted", data, signed={"by": "vouched"}, occurred_at=DAY[7])


def test_a_concession_is_open_on_its_last_day_and_overdue_after_it():
    until = conceded(until_on="2026-01-31")
    assert ["open", "overdue"] == [of(until, today=d).concessions[0].state for d in ("2026-01-31", "2026-02-01")]
    hours = conceded(until_hours=f.q("50", "h"))
    assert ["open", "overdue"] == [of(hours, f.meter_read(h)).concessions[0].state for h in ("50", "50.1")]
    assert () == of(until, f.entry("concession.ended", {"concession": "CN", "why": "w"})).concessions


def test_a_concession_s_hours_may_be_stated_in_minutes():
    """CONTRACT C: until_hours as typed. 3000 min are 50 h."""
    minutes = conceded(until_hours=f.q("3000", "min"))
    assert ["open", "overdue"] == [of(minutes, f.meter_read(h)).concessions[0].state for h in ("50", "50.1")]


def test_what_is_due_stands_in_the_order_of_its_day():
    exam = f.entry(
        "exam.recorded",
        {"exam": "lifting", "examiner": "e", "result": "pass", "due_next": "2026-03-01"},
        signed={"by": "vouched"},
    )
    found = of(exam, f.service_planned("2026-02-01"))
    assert [("service", "2026-02-01"), ("exam lifting", "2026-03-01")] == [(d.what, d.on) for d in found.due]
    assert [False, True] == [of(exam, today=d).exams[0].overdue for d in ("2026-03-01", "2026-03-02")]


# As left


def test_the_last_as_left_is_that_of_what_is_fitted_now():
    left = f.reading("0.05", stage="as_left", occurred_at=DAY[8])
    found = f.reading("0.24", occurred_at=DAY[9])
    (row,) = of(f.fitted(occurred_at=DAY[7]), left, found).last_as_left
    assert ("TST-BL", D("0.05"), left["id"]) == (row.characteristic, row.latest.value, row.latest.entry)
    renewed = f.removed(occurred_at=DAY[10]), f.fitted("feed-nut", f.piece(serial="N-9"), occurred_at=DAY[11])
    assert () == of(f.fitted(occurred_at=DAY[7]), left, found, *renewed).last_as_left


def test_who_and_what_the_unit_is():
    found = of(f.tag_attached("OWN-1"), f.received("north"))
    assert ("U-1", "TST", "machine", "S-1", ["OWN-1"], "north") == (
        found.identity.unit,
        found.identity.class_,
        found.identity.family,
        found.identity.serial,
        [t.tag for t in found.identity.tags],
        found.place.site,
    )
