"""A unit's state: slots, tags, place, open matters, doubts (JOB.md 4.3, 4.4; CONTRACT C, D, F)."""

from decimal import Decimal as D

import pytest

from service_api.domain import condition as c
from service_api.domain.condition import slot_history
from service_api.domain.doubts import discrepancies
from service_api.domain.fold import step
from service_api.domain.holds import holds
from service_api.domain.hours import Hours, hours
from service_api.domain.state import begin, witness
from tests import factories as f
from tests.histories import alert, at, context, on, raised, state_of, true

DAY = [on(f"01-05 {hour:02}:00") for hour in range(24)]
VOUCHED = {"signed": {"by": "vouched"}}


def page(*raws):
    """The state of a unit that had its page before."""
    return state_of(f.registered(occurred_at=on("01-01 00:00")), *raws)


def nut(serial, **more):
    return f.piece(serial=serial, **more)


def serials(state, slot="feed-nut"):
    return [p.serial for o in state.slots.get(slot, ()) for p in o.pieces]


# Slots


def test_a_fit_holds_the_slot_until_the_removal_of_the_same_serial():
    fit = f.fitted("feed-nut", nut("N-7"), occurred_at=DAY[8])
    assert ["N-7"] == serials(state_of(fit))
    assert [] == serials(state_of(fit, f.removed("feed-nut", nut("N-7"), occurred_at=DAY[9])))
    assert ["N-7"] == serials(state_of(fit, f.removed("feed-nut", nut("N-8"), occurred_at=DAY[9])))


def test_two_benches_filling_one_slot_leave_it_contested():
    """JOB.md 4.3: nobody's entry wins by arriving last; the release is blocked until somebody looks."""
    first, second = (f.fitted("feed-nut", nut(s), occurred_at=DAY[8 + n]) for n, s in enumerate(("N-7", "N-9")))
    state = page(first, second)
    assert ["N-7", "N-9"] == serials(state)
    (doubt,) = state.raised.values()
    assert ("slot-contested", (first["id"], second["id"]), "feed-nut") == (doubt.code, doubt.entries, doubt.slot)
    shown = c.slot(state, "feed-nut", context())
    assert (True, None, [first["id"], second["id"]]) == (
        shown.contested,
        shown.occupant,
        [o.entry for o in shown.candidates],
    )


def test_a_contested_slot_is_settled_by_the_missing_removal():
    fits = [f.fitted("feed-nut", nut(s), occurred_at=DAY[8 + n]) for n, s in enumerate(("N-7", "N-9"))]
    state = page(*fits, f.removed("feed-nut", nut("N-7"), occurred_at=DAY[11]))
    assert (["N-9"], []) == (serials(state), raised(state))


def test_other_slots_have_no_say():
    state = page(f.fitted("feed-nut", nut("N-7")), f.fitted("bearing", nut("B-1")))
    assert ([], ["N-7"], ["B-1"]) == (raised(state), serials(state), serials(state, "bearing"))


@pytest.mark.parametrize(
    "named",
    [
        [],
        [f.piece(serial="N-7")],
        [f.piece(serial="N-7", lot="L-1")],
        [f.piece(lot="L-1")],
        [f.piece()],
    ],
)
def test_a_removal_may_say_less_than_the_fit(named):
    """The serial decides where it is named, else the lot, else the part number; naming nothing empties the slot."""
    state = page(
        f.fitted("feed-nut", nut("N-7", lot="L-1"), occurred_at=DAY[8]),
        f.removed("feed-nut", *named, occurred_at=DAY[9]),
    )
    assert ([], []) == (serials(state), raised(state))


@pytest.mark.parametrize("named", [f.piece(serial="N-8", lot="L-1"), f.piece(lot="L-2"), f.piece("P-2")])
def test_a_removal_of_something_else_leaves_the_slot_as_it_was(named):
    state = state_of(
        f.fitted("feed-nut", nut("N-7", lot="L-1"), occurred_at=DAY[8]),
        f.removed("feed-nut", named, occurred_at=DAY[9]),
    )
    assert ["N-7"] == serials(state)


def test_a_removal_from_an_empty_slot_is_kept_and_invents_no_past():
    """JOB.md 4.4: record the removal, occupant unknown."""
    out = f.removed("feed-nut", nut("N-6"), to="bin")
    assert ["removed-from-empty"] == raised(page(out))
    (span,) = slot_history(true(out), "feed-nut")
    assert (None, at("01-05 09:00"), "bin", True) == (span.from_, span.until, span.to, bool(span.unknown))


def test_a_slot_s_history_tells_who_was_in_it_from_when_to_when():
    raws = (
        f.fitted("feed-nut", nut("N-7"), occurred_at=DAY[8]),
        f.removed("feed-nut", nut("N-7"), occurred_at=DAY[9]),
        f.fitted("feed-nut", nut("N-8"), occurred_at=DAY[10]),
        f.fitted("bearing", nut("B-1"), occurred_at=DAY[10]),
    )
    assert [(at("01-05 08:00"), at("01-05 09:00"), "scrap"), (at("01-05 10:00"), None, None)] == [
        (s.from_, s.until, s.to) for s in slot_history(true(*raws), "feed-nut")
    ]


def test_hours_on_a_part_are_what_it_had_and_the_unit_s_since():
    """Fitted with 120 h on it at 400 h; the unit shows 460: 180 h."""
    raws = (
        f.registered(more={"meters": [{"meter": "hours", "uom": "h", "start": "400"}]}, occurred_at=DAY[0]),
        f.fitted("feed-nut", nut("N-7", hours=f.q("120", "h")), occurred_at=DAY[8]),
    )
    later = f.meter_read("460", occurred_at=on("01-15 08:00"))
    assert D(180) == c.slot(state_of(*raws, later), "feed-nut", context()).hours_on.value


def test_a_part_fitted_after_a_gap_in_the_meter_has_an_exact_figure():
    """CONTRACT D: subtracted along the chain. Backwards from 412 to 12 makes 12 to 424; fitted; at 20 it has 8 h on."""
    raws = (
        f.meter_read("412", occurred_at=on("01-01 08:00")),
        f.meter_read("12", occurred_at=on("01-05 08:00")),
        f.fitted("feed-nut", nut("N-7"), occurred_at=on("01-05 09:00")),
        f.meter_read("20", occurred_at=on("01-06 09:00")),
    )
    state = state_of(*raws)
    assert (D(20), D(432)) == state.hours
    assert (
        Hours(value=D(8), read_at=at("01-06 09:00"), entries=(raws[2]["id"], raws[3]["id"]))
        == c.slot(state, "feed-nut", context()).hours_on
    )


def test_hours_are_unknown_with_the_reason_and_never_zero():
    assert "no meter" == hours(state_of(f.registered())).unknown
    meters = {"meters": [{"meter": "hours", "uom": "h"}]}
    assert "never read" == hours(state_of(f.registered(more=meters))).unknown
    assert (
        "never read" == c.slot(state_of(f.registered(more=meters), f.fitted()), "feed-nut", context()).hours_on.unknown
    )


def test_hours_that_come_with_a_reading_are_a_meter_reading():
    state = state_of(f.reading("0.1", hours="12.5"))
    assert ((D("12.5"), D("12.5")), "read") == (state.hours, state.hours_meter.how)


def test_a_customer_s_figure_is_an_estimate_unless_something_contradicts_it():
    """CONTRACT D: `complaint.reported.hours`. 40 against our 400 is no reading and moves nothing."""
    told = f.complaint_reported(occurred_at=on("01-10 08:00"))
    told["data"]["hours"] = f.q("410", "h")
    state = page(f.meter_read("400"), told)
    assert ((D(410), D(410)), "estimated") == (state.hours, state.hours_meter.how)
    told["data"]["hours"] = f.q("40", "h")
    state = page(f.meter_read("400"), told)
    assert ((D(400), D(400)), []) == (state.hours, raised(state))


def test_hours_in_another_kind_of_uom_are_a_doubt_and_no_reading():
    read = f.meter_read("5")
    read["data"]["value"]["uom"] = "mm"
    known = {"meters": [{"meter": "hours", "uom": "h", "start": "1"}]}
    state = state_of(f.registered(more=known, occurred_at=DAY[0]), read)
    assert (["meter-gap"], (D(1), D(1))) == (raised(state), state.hours)


# Tags and place


def test_a_tag_is_worn_from_its_attachment_to_its_detachment():
    on_it = f.tag_attached("OWN-7", occurred_at=DAY[8])
    (worn,) = state_of(on_it).tags
    assert ("OWN-7", at("01-05 08:00"), None, on_it["id"]) == (worn.tag, worn.since, worn.until, worn.entry)
    (worn,) = state_of(on_it, f.tag_detached("OWN-7", "damaged", occurred_at=DAY[9])).tags
    assert (at("01-05 09:00"), "damaged") == (worn.until, worn.why)


def test_a_tag_may_come_back_and_both_times_are_kept():
    spans = state_of(
        f.tag_attached("OWN-7", occurred_at=DAY[8]),
        f.tag_detached("OWN-7", occurred_at=DAY[9]),
        f.tag_attached("OWN-7", occurred_at=DAY[10]),
    ).tags
    assert [at("01-05 09:00"), None] == [s.until for s in spans]


def test_detaching_a_label_that_is_not_worn_changes_nothing():
    before = f.tag_attached("OWN-7", occurred_at=DAY[8])
    assert state_of(before).tags == state_of(before, f.tag_detached("OWN-8", occurred_at=DAY[9])).tags


def test_the_last_place_counts():
    state = state_of(
        f.received("north", occurred_at=DAY[8]),
        f.dispatched("party-a", occurred_at=DAY[9]),
    )
    assert (None, "party-a") == (state.place.site, state.place.party)
    state = state_of(f.dispatched("party-a", occurred_at=DAY[8]), f.received("north", occurred_at=DAY[9]))
    assert ("north", None, None) == (state.place.site, state.place.party, state.out)


# Standing: the first that holds (CONTRACT C)


def standing(*raws, **more):
    state, around = state_of(*raws), context(**more)
    return c.standing(state, around, discrepancies(state, around))


READY = (f.registered(occurred_at=DAY[0]), f.released(occurred_at=DAY[8], **VOUCHED))


def test_a_proved_release_makes_ready_and_one_without_a_session_holds():
    assert "ready" == standing(*READY)[0]
    assert "in_shop" == standing(f.registered())[0]
    word, (why,) = standing(f.registered(occurred_at=DAY[0]), f.released(occurred_at=DAY[8], signed={"by": "none"}))
    assert ("on_hold", True) == (word, why.why.startswith("signature-unproved"))


@pytest.mark.parametrize(
    "fact",
    [
        f.received(occurred_at=DAY[9]),
        f.work_done("AC-ADJ", occurred_at=DAY[9]),
        f.fitted(occurred_at=DAY[9]),
        f.entry("setting.left", {"setting": "s", "value": f.q("1", "bar")}, occurred_at=DAY[9]),
        f.check_answered("guards", "defect", occurred_at=DAY[9]),
        f.finding_raised(blocking=True, occurred_at=DAY[9]),
    ],
    ids=lambda fact: fact["type"],
)
def test_what_takes_a_unit_out_of_ready(fact):
    """A defect from before the release that nobody had told of holds the unit; other late news is read and lifted."""
    assert "in_shop" == standing(*READY, fact)[0]
    before = "on_hold" if fact["type"] == "finding.raised" else "ready"
    assert before == standing(*READY, fact | {"occurred_at": DAY[7]})[0]


@pytest.mark.parametrize(
    "fact",
    [
        f.work_done("AC-INS", occurred_at=DAY[9]),
        f.check_answered("labels", "defect", occurred_at=DAY[9]),
        f.check_answered("guards", "ok", occurred_at=DAY[9]),
        f.finding_raised(blocking=False, occurred_at=DAY[9]),
        f.scanned(occurred_at=DAY[9]),
    ],
    ids=lambda fact: fact["type"] + str(fact["data"]),
)
def test_what_does_not(fact):
    assert "ready" == standing(*READY, fact)[0]


def test_a_reopened_job_takes_the_unit_out_of_ready():
    job = f.job_opened(occurred_at=DAY[5]), f.entry("job.closed", {"job": "J-1"}, occurred_at=DAY[6])
    again = f.job_opened(occurred_at=DAY[9])
    assert "in_shop" == standing(READY[0], *job, READY[1], again)[0]


def test_a_hold_holds_until_it_is_lifted():
    held = f.hold_placed(occurred_at=DAY[9])
    assert "on_hold" == standing(*READY, held)[0]
    assert "ready" == standing(*READY, held, f.hold_lifted(occurred_at=DAY[10], **VOUCHED))[0]


def test_an_exam_past_its_due_day_holds_and_on_that_day_does_not():
    exam = f.entry(
        "exam.recorded",
        {"exam": "lifting", "examiner": "e", "result": "pass", "due_next": "2026-01-31"},
        occurred_at=DAY[7],
        **VOUCHED,
    )
    assert "ready" == standing(*READY, exam, today="2026-01-31")[0]
    assert "on_hold" == standing(*READY, exam, today="2026-02-01")[0]


def test_a_concession_past_its_day_or_its_hours_holds():
    data = {
        "concession": "C",
        "for": {"finding": "F"},
        "why": "w",
        "until_on": "2026-01-31",
        "until_hours": f.q("50", "h"),
    }
    granted = f.entry("concession.granted", data, occurred_at=DAY[7], **VOUCHED)
    assert "ready" == standing(*READY, granted, today="2026-01-31")[0]
    assert "on_hold" == standing(*READY, granted, today="2026-02-01")[0]
    assert "ready" == standing(*READY, granted, f.meter_read("50", occurred_at=DAY[9]))[0]
    assert "on_hold" == standing(*READY, granted, f.meter_read("50.1", occurred_at=DAY[9]))[0]


def test_an_alert_that_holds_holds_the_unit():
    assert "on_hold" == standing(READY[0], f.fitted(occurred_at=DAY[7]), READY[1], alerts=(alert(part_no="P-1"),))[0]


def test_the_order_of_the_words():
    """retired, unidentified, on_hold, out, ready, in_shop."""
    found, held = f.registered(more={"origin": "unidentified"}, occurred_at=DAY[0]), f.hold_placed(occurred_at=DAY[9])
    gone = f.dispatched(occurred_at=DAY[10])
    retired = f.entry("unit.retired", {"why": "cracked", "authorised_by": f.SECOND}, occurred_at=DAY[11])
    assert "out" == standing(*READY, gone)[0]
    assert "on_hold" == standing(*READY, held, gone)[0]
    assert "unidentified" == standing(found, held)[0]
    assert "retired" == standing(found, held, retired)[0]


def test_a_retired_unit_that_is_seen_again_stays_retired_and_says_so():
    retired = f.entry("unit.retired", {"why": "cracked", "authorised_by": f.SECOND}, occurred_at=DAY[9])
    seen = f.scanned(occurred_at=DAY[10])
    assert ["scan-after-scrap"] == raised(state_of(f.registered(occurred_at=DAY[0]), retired, seen))
    assert "retired" == standing(f.registered(occurred_at=DAY[0]), retired, seen)[0]


def retired(hour=9, **more):
    return f.entry("unit.retired", {"why": "dropped", "authorised_by": f.SECOND} | more, occurred_at=DAY[hour])


def test_of_two_retirements_the_first_counts_and_the_second_is_a_doubt():
    one, two = retired(), retired(11)
    state = page(one, two)
    assert (one["id"], [f"scan-after-scrap:{two['id']}"]) == (state.retired.entry, list(state.raised))


@pytest.mark.parametrize(("slot", "to", "doubts"), [
    ("pendant", "stock", []),
    ("pendant", "unit:U-2", []),
    ("load-chain", "scrap", []),
    ("load-chain", "stock", ["scan-after-scrap"]),
    ("vane-set", "unit:U-2", ["scan-after-scrap"]),
])  # fmt: skip
def test_a_harvest_is_what_the_retirement_allows_and_scrap_may_go_to_scrap(slot, to, doubts):
    """JOB.md 1.20: parts never to be harvested; CONTRACT D: the removal of a harvest is no scan after scrap."""
    fits = [f.fitted(name, f.piece(lot="L-1"), occurred_at=DAY[7]) for name in ("pendant", "load-chain", "vane-set")]
    out = f.removed(slot, f.piece(lot="L-1"), to=to, occurred_at=DAY[10])
    assert doubts == raised(page(*fits, retired(harvest_allowed=["pendant"]), out))
    assert [] == raised(page(*fits, retired(), out)), "where nobody said what may be taken, nothing is a doubt"


def test_a_unit_that_goes_out_without_being_ready_is_a_doubt_until_it_is_back_or_released():
    gone = f.dispatched(occurred_at=DAY[9])
    assert ["dispatched-unreleased"] == raised(state_of(f.registered(occurred_at=DAY[0]), gone))
    assert [] == raised(state_of(*READY, gone))
    assert [] == raised(state_of(f.registered(occurred_at=DAY[0]), gone, f.received(occurred_at=DAY[10])))
    late = f.released(occurred_at=DAY[10], **VOUCHED)
    assert [] == raised(state_of(f.registered(occurred_at=DAY[0]), gone, late))
    history = gone | {"source": {"kind": "history"}}
    assert [] == raised(state_of(f.registered(occurred_at=DAY[0]), history))


# What holds for every entry


def test_more_than_seven_days_between_the_clocks_is_a_remark():
    """CONTRACT B: late-typed; exactly seven is not. History and import do not count."""

    def typed(heard_at, **more):
        return raised(
            state_of(f.registered(occurred_at=DAY[0]), f.scanned(occurred_at=DAY[8], recorded_at=heard_at, **more))
        )

    assert [] == typed(on("01-12 08:00"))
    assert ["late-typed"] == typed(on("01-12 08:01"))
    assert [] == typed(on("02-12 08:00"), source={"kind": "import"})
    assert ["late-typed"] == typed(on("02-12 08:00"), source={"kind": "paper"})


def test_a_clock_that_runs_ahead_is_a_remark():
    assert ["clock-ahead"] == raised(
        state_of(f.registered(occurred_at=DAY[0]), f.scanned(occurred_at=on("01-05 08:02"), recorded_at=DAY[8]))
    )


def test_what_happened_before_the_page_was_there_is_a_remark():
    assert ["before-registered"] == raised(state_of(f.registered(occurred_at=DAY[9]), f.scanned(occurred_at=DAY[8])))


def test_an_unproved_signature_ends_with_a_proved_one_on_the_same_type():
    exam = f.entry("exam.recorded", {"exam": "x", "examiner": "e", "result": "pass"}, occurred_at=DAY[8])
    page = f.registered(occurred_at=DAY[0])
    bad, good = exam | {"signed": {"by": "none"}}, f.EntryFactory(**exam | VOUCHED | {"occurred_at": DAY[9]})
    assert ["signature-unproved"] == raised(state_of(page, bad))
    assert ["signature-unproved"] == raised(state_of(page, bad, f.released(occurred_at=DAY[9], **VOUCHED)))
    assert [] == raised(state_of(page, bad, good))


def test_a_dispute_stands_until_it_is_settled():
    read = f.meter_read("40", occurred_at=DAY[8])
    page = f.registered(occurred_at=DAY[0])
    assert ["disputed"] == raised(state_of(page, read, f.disputed(read)))
    assert [] == raised(state_of(page, read, f.disputed(read), f.settled(read)))


def test_a_discrepancy_is_lifted_by_its_key_where_that_is_allowed():
    """CONTRACT F: meter-too-fast by its key; meter-backwards by the facts only."""
    fast = f.meter_read("900", occurred_at=DAY[9])
    raws = (f.registered(occurred_at=DAY[0]), f.meter_read("400", occurred_at=DAY[8]), fast)
    lift = f.hold_lifted(f"meter-too-fast:{fast['id']}", occurred_at=DAY[10], **VOUCHED)
    assert ["meter-too-fast"] == raised(state_of(*raws))
    assert [] == raised(state_of(*raws, lift))
    back = f.meter_read("3", occurred_at=DAY[9])
    lift = f.hold_lifted(f"meter-backwards:{back['id']}", occurred_at=DAY[10], **VOUCHED)
    assert ["meter-backwards"] == raised(state_of(*raws[:2], back, lift))


# Readings, findings, jobs


def test_the_latest_reading_and_the_latest_as_left_are_kept_apart():
    left = f.reading("0.05", stage="as_left", occurred_at=DAY[8])
    found = f.reading("0.24", occurred_at=DAY[9])
    measured = state_of(left, found).measured["TST-BL"]
    assert (found["id"], left["id"], (left["id"],)) == (
        measured.latest.entry,
        measured.as_left.entry,
        tuple(t.entry for t in measured.firsts),
    )


def test_after_a_new_part_nothing_is_measured_until_somebody_measures():
    """CONTRACT C: `latest` null after a new occupant until measured, then outcome undecided."""
    raws = (
        f.registered(occurred_at=DAY[0]),
        f.fitted(occurred_at=DAY[7]),
        f.reading("0.24", occurred_at=DAY[8]),
        f.removed(occurred_at=DAY[9]),
        f.fitted("feed-nut", nut("N-8"), occurred_at=DAY[10]),
    )
    row = c.characteristics(state_of(*raws), context())[0]
    assert (None, "undecided") == (row.latest, row.conformity.outcome)
    row = c.characteristics(state_of(*raws, f.reading("0.05", occurred_at=DAY[11])), context())[0]
    assert (D("0.05"), "good") == (row.latest.value, row.conformity.outcome)


def test_a_characteristic_that_no_sheet_knows_is_a_fact_and_undecided():
    state = state_of(
        f.registered(occurred_at=DAY[0]), f.reading("1", characteristic="ODD", uom="mm", occurred_at=DAY[8])
    )
    found = c.condition(state, context())
    odd = next(row for row in found.characteristics if row.characteristic == "ODD")
    assert ("undecided", D(1)) == (odd.conformity.outcome, odd.latest.value)
    assert ["unknown-characteristic"] == [x.code for x in found.discrepancies]


def test_findings_complaints_and_concessions_stand_until_they_are_closed():
    opened = f.finding_raised(occurred_at=DAY[8]), f.complaint_reported(occurred_at=DAY[8])
    state = state_of(*opened)
    assert (["F-1"], ["C-1"]) == (list(state.findings), list(state.complaints))
    closed = f.entry("complaint.closed", {"complaint": "C-1", "outcome": "withdrawn"}, occurred_at=DAY[9])
    state = state_of(*opened, f.finding_closed(occurred_at=DAY[9]), closed)
    assert ({}, {}) == (state.findings, state.complaints)


def test_a_plan_ends_when_a_service_is_closed_and_not_with_another_job():
    plan = f.service_planned("2026-06-01", occurred_at=DAY[7])

    def after(purpose):
        job = f.job_opened("J-9", purpose, occurred_at=DAY[8])
        return state_of(plan, job, f.entry("job.closed", {"job": "J-9"}, occurred_at=DAY[9]))

    assert ((), True) == (after("service").plans, after("service").serviced is not None)
    assert (1, None) == (len(after("repair").plans), after("repair").serviced)


# The fold


def test_the_state_knows_how_far_it_has_come():
    raws = (f.scanned(occurred_at=DAY[9]), f.scanned(occurred_at=DAY[8]))
    state = state_of(*raws)
    assert (2, 1, (at("01-05 09:00"), -1, 0)) == (state.entries, state.index, state.head)
    assert (7, 2) == (witness(state, 7).index, witness(state, 7).entries)
    assert 1 == witness(state, 0).index


def test_a_step_leaves_the_state_before_it_as_it_was():
    before = begin("U-1")
    step(before, true(f.fitted())[0])
    assert begin("U-1") == before


def test_what_nobody_can_settle_is_no_part_of_the_state_that_goes_on():
    """CONTRACT F, remarks that stay: a state must not grow with them."""
    late = [f.scanned(occurred_at=DAY[n], recorded_at="2026-02-01T00:00:00Z") for n in range(8, 20)]
    state = page(*late)
    assert {} == state.raised
    assert ["late-typed"] * 12 == [r.code for r in state.remarks]
    assert ["late-typed"] * 12 == [d.code for d in c.discrepancies(state, context())]


def test_of_the_readings_as_left_those_are_kept_that_may_be_a_baseline():
    """The first of the unit, and the first since each part was fitted that is in it now (CONTRACT C, baseline)."""
    raws = [f.reading("0.05", stage="as_left", occurred_at=DAY[1])]
    for hour in range(2, 18, 4):
        raws += [
            f.fitted("feed-nut", nut(f"N-{hour}"), occurred_at=DAY[hour]),
            f.reading("0.06", stage="as_left", occurred_at=DAY[hour + 1]),
            f.reading("0.07", stage="as_left", occurred_at=DAY[hour + 2]),
            f.removed("feed-nut", nut(f"N-{hour}"), occurred_at=DAY[hour + 3]),
        ]
    last = f.fitted("bearing", nut("B-1"), occurred_at=DAY[18]), f.reading("1", stage="as_left", occurred_at=DAY[19])
    firsts = page(*raws, *last).measured["TST-BL"].firsts
    assert [raws[0]["id"], last[1]["id"]] == [t.entry for t in firsts]
    firsts = page(*raws[:-1]).measured["TST-BL"].firsts
    assert [raws[0]["id"], raws[-3]["id"]] == [t.entry for t in firsts]


def test_open_matters_stand_in_one_order_whatever_came_first():
    one, two = f.hold_placed("H-1", occurred_at=DAY[8]), f.hold_placed("H-2", occurred_at=DAY[7])
    assert ["H-1", "H-2"] == list(page(two, one).holds)
    held = holds(page(two, one), context(), ())
    assert ["H-2", "H-1"] == [h.hold for h in held], "an answer gives them as they came up"


# Rebuild: what resets and what does not (JOB.md 1.19)


def rebuild(*scope, hour=12):
    data = {"standard": "S", "scope": [{"slot": slot, "treatment": how} for slot, how in scope]}
    return f.entry("rebuild.completed", data, occurred_at=DAY[hour])


def rebuilt(*more):
    """A unit with 100 h on its meter, an exam, a concession, a plan, a finding, and a part in each of two slots."""
    exam = {"exam": "thorough", "examiner": "outside", "result": "pass", "due_next": "2026-06-30"}
    grant = {"concession": "CN", "for": {"finding": "F-1"}, "why": "w", "until_on": "2026-06-30"}
    return state_of(
        f.registered(more={"meters": [{"meter": "hours", "uom": "h", "start": "0"}]}, occurred_at=on("01-01 00:00")),
        f.fitted("bar", nut("B-1"), occurred_at=DAY[7]),
        f.fitted("feed-nut", nut("N-1"), occurred_at=DAY[7]),
        f.entry("exam.recorded", exam, **VOUCHED, occurred_at=DAY[8]),
        f.entry("concession.granted", grant, **VOUCHED, occurred_at=DAY[8]),
        f.finding_raised(occurred_at=DAY[8]),
        f.meter_read("100", occurred_at=on("01-10 00:00")),
        *({**raw, "occurred_at": raw["occurred_at"].replace("01-05", "01-11")} for raw in more),
    )


RENEWAL = (
    f.removed("feed-nut", nut("N-1"), occurred_at=DAY[9]),
    f.fitted("feed-nut", nut("N-2"), occurred_at=DAY[10]),
    rebuild(("feed-nut", "renewed"), ("bar", "kept")),
)


def test_a_rebuild_resets_its_own_counters_and_what_it_renewed():
    state = rebuilt(*RENEWAL)
    assert (D(0), 1) == (c.since_rebuild(state, context()).hours.value, c.since_rebuild(state, context()).count)
    assert (D(100), RENEWAL[-1]["id"]) == (state.serviced.hours, state.serviced.entry)
    assert D(0) == c.slot(state, "feed-nut", context()).hours_on.value
    again = rebuild(("bar", "reconditioned"), hour=15)
    assert 2 == c.since_rebuild(rebuilt(*RENEWAL, again), context()).count


def test_a_rebuild_resets_neither_the_unit_nor_what_it_kept_nor_what_is_open():
    state = rebuilt(*RENEWAL)
    assert D(100) == hours(state).value
    assert D(100) == c.slot(state, "bar", context()).hours_on.value
    assert ("2026-06-30", "2026-06-30") == (state.exams["thorough"].due_next, state.concessions["CN"].until_on)
    assert ["F-1"] == list(state.findings)


def test_what_a_rebuild_only_says_to_have_renewed_resets_nothing():
    state = rebuilt(RENEWAL[-1])
    assert D(100) == c.slot(state, "feed-nut", context()).hours_on.value
    assert ["reset-without-change"] == raised(state)
