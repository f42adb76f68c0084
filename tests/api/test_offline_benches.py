"""JOB.md 4.3, row by row: two benches wrote while neither heard of the other; all is kept, and what clashes is said.

Row 3 is story S10 (tests/api/test_story_s10.py).
"""

import pytest

from tests import factories as f
from tests.api.test_contradictions import DAY, codes, lifted, receipt

pytestmark = pytest.mark.usefixtures("standing_unit")
__all__ = ["codes"]

ONE, OTHER = {"device": {"id": "tab-1", "seq": 1}}, {"by": "bob.bench", "device": {"id": "tab-2", "seq": 1}}


@pytest.fixture
def signers(nothing_asked):
    """Both may release, and the sheet asks for nothing."""


def test_row_4_3_1_the_same_thing_typed_twice_is_suspected_and_one_is_withdrawn_by_a_person(tell, codes, ask):
    """CONTRACT F: same type, unit and data, moments within 30 min, other `by` or device."""
    first = f.work_done("AC-LUB", occurred_at="2026-01-05T09:00:00+01:00", **ONE)
    twin = f.work_done("AC-LUB", occurred_at="2026-01-05T09:30:00+01:00", **OTHER)
    one, two = tell(first, twin)
    assert ([], ["duplicate-suspected"]) == (receipt(one), receipt(two))
    (doubt,) = ask("/v1/units/U-1/condition")["discrepancies"]
    assert ([one["id"], two["id"]], False) == (doubt["entries"], doubt["holds_release"])
    (gone,) = tell(f.withdrawn(one))
    assert [] == codes()
    tell(f.withdrawn(gone))
    assert ["duplicate-suspected"] == codes()
    tell(lifted("duplicate-suspected", two, occurred_at=DAY[10]))
    assert [] == codes()


@pytest.mark.parametrize(
    "second",
    [
        f.work_done("AC-LUB", occurred_at="2026-01-05T09:31:00+01:00", **OTHER),
        f.work_done("AC-LUB", occurred_at="2026-01-05T09:10:00+01:00", **ONE),
        f.work_done("AC-ADJ", occurred_at="2026-01-05T09:10:00+01:00", **OTHER),
        f.work_done("AC-LUB", unit="U-2", occurred_at="2026-01-05T09:10:00+01:00", **OTHER),
    ],
    ids=["later than half an hour", "the same person and device", "other work", "another unit"],
)
def test_row_4_3_1_look_alikes(tell, codes, second):
    first = f.work_done("AC-LUB", occurred_at="2026-01-05T09:00:00+01:00", **ONE)
    tell(first | {"id": f.entry_id(98)}, second | {"id": f.entry_id(99)})
    assert ([], []) == (codes(), codes("U-2"))


def test_row_4_3_1_look_alike_two_people_scan_the_tag(tell, codes):
    tell(f.scanned(occurred_at=DAY[9], **ONE), f.scanned(occurred_at=DAY[9], **OTHER))
    assert [] == codes()


def value(ask):
    row = ask("/v1/units/U-1/condition")["characteristics"][0]
    return row["latest"]["value"], row["conformity"]["outcome"]


def test_row_4_3_2_of_two_readings_that_differ_the_worse_counts_until_a_third_settles_it(tell, codes, ask):
    """JOB.md: 0.21 and 0.26 turn on one day. U is 0.02; 0.20 is the mark of watch, 0.31 the acting limit."""
    _, low = tell(f.reading("0.36", occurred_at=DAY[8], **ONE), f.reading("0.21", occurred_at=DAY[9], **OTHER))
    assert (["readings-disagree"], ["readings-disagree"]) == (receipt(low), codes())
    assert ("0.36", "replace") == value(ask), "0.21 came later and does not win by it"
    tell(f.reading("0.28", occurred_at=DAY[10], **ONE))
    assert ["readings-disagree"] * 2 == codes(), "0.28 is near neither"
    assert "0.36" == value(ask)[0]
    tell(f.reading("0.22", occurred_at=DAY[11], **OTHER))
    assert "0.22" == value(ask)[0]


def test_row_4_3_2_a_third_reading_within_u_of_one_confirms_it(tell, codes, ask):
    tell(f.reading("0.26", occurred_at=DAY[8], **ONE), f.reading("0.21", occurred_at=DAY[9], **OTHER))
    assert (["readings-disagree"], "0.26") == (codes(), value(ask)[0])
    tell(f.reading("0.25", occurred_at=DAY[10], **ONE))
    assert ([], "0.25") == (codes(), value(ask)[0])


def test_row_4_3_2_is_lifted_by_its_key(tell, codes, ask):
    _, low = tell(f.reading("0.26", occurred_at=DAY[8], **ONE), f.reading("0.21", occurred_at=DAY[9], **OTHER))
    tell(lifted("readings-disagree", low, occurred_at=DAY[10]))
    assert ([], "0.21") == (codes(), value(ask)[0])


@pytest.mark.parametrize(
    "second",
    [
        f.reading("0.24", occurred_at=DAY[9], **OTHER),
        f.reading("0.35", occurred_at=DAY[9], **ONE),
        f.reading("0.35", stage="as_left", occurred_at=DAY[9], **OTHER),
    ],
    ids=["within U", "the same person", "another stage"],
)
def test_row_4_3_2_look_alikes(tell, codes, second):
    tell(f.reading("0.26", occurred_at=DAY[8], **ONE) | {"id": f.entry_id(98)}, second | {"id": f.entry_id(99)})
    assert [] == codes()


def test_row_4_3_2_look_alikes_work_between_and_a_day_between(tell, codes):
    tell(
        f.reading("0.21", occurred_at="2026-01-04T08:00:00+01:00", **ONE),
        f.reading("0.26", occurred_at="2026-01-05T08:01:00+01:00", **OTHER),
        f.work_done(more={"slot": "feed-nut"}, occurred_at=DAY[9]),
        f.reading("0.10", occurred_at=DAY[10], **ONE),
    )
    assert [] == codes()


def test_row_4_3_5_a_release_stands_as_issued_and_the_crack_that_it_did_not_know_holds_the_unit(
    tell, codes, ask, signers
):
    """JOB.md: release at 15:10, crack found 14:55, synced at 17:00."""
    (signed,) = tell(f.released(occurred_at="2026-01-05T11:10:00+01:00"))
    assert "ready" == ask("/v1/units/U-1/condition")["standing"]
    crack = f.finding_raised(blocking=True, occurred_at="2026-01-05T10:55:00+01:00", **OTHER)
    (found,) = tell(crack)
    assert (["released-then-defect"], ["released-then-defect"]) == (receipt(found), codes())
    after = ask("/v1/units/U-1/condition")
    assert ("on_hold", signed["id"]) == (after["standing"], after["release"]["entry"])
    assert {found["id"], signed["id"]} == set(after["discrepancies"][0]["entries"])
    assert "ready" == ask("/v1/units/U-1/condition", known_index=found["index"])["standing"]
    tell(f.finding_closed(occurred_at="2026-01-05T12:00:00+01:00"))
    assert ["released-then-defect"] == codes(), "only the next good release ends it"
    tell(f.released("REL-2", occurred_at="2026-01-05T12:30:00+01:00"))
    assert ([], "ready") == (codes(), ask("/v1/units/U-1/condition")["standing"])


def test_row_4_3_5_look_alikes_a_finding_that_was_known_and_closed_and_one_of_the_next_visit(tell, codes, signers):
    tell(
        f.finding_raised("F-1", blocking=True, occurred_at=DAY[8], **OTHER),
        f.finding_closed("F-1", occurred_at=DAY[9]),
        f.released(occurred_at=DAY[10]),
        f.dispatched(occurred_at=DAY[10]),
        f.received(occurred_at=DAY[11]),
        f.finding_raised("F-2", blocking=True, occurred_at=DAY[12]),
    )
    assert [] == codes()


def test_a_release_signed_over_an_open_finding_is_released_while_blocked(tell, codes, ask, signers):
    """CONTRACT C: a block was known at `seen_index`, or at the release without one. The unit is on hold."""
    _, signed = tell(f.finding_raised(blocking=True, occurred_at=DAY[8]), f.released(occurred_at=DAY[9]))
    assert (["released-while-blocked"], ["released-while-blocked"]) == (receipt(signed), codes())
    assert "on_hold" == ask("/v1/units/U-1/condition")["standing"]
    tell(f.finding_closed(occurred_at=DAY[10]), f.released("REL-2", occurred_at=DAY[11]))
    assert [] == codes()


def test_a_block_that_came_after_what_the_signer_had_seen_is_released_then_defect(tell, codes, signers):
    (found,) = tell(f.finding_raised(blocking=True, occurred_at=DAY[8]))
    tell(f.released(occurred_at=DAY[9], more={"seen_index": found["index"]}))
    assert ["released-then-defect"] == codes()


def test_a_finding_that_a_concession_covers_does_not_block(tell, codes, signers):
    granted = {"concession": "C-1", "for": {"finding": "F-1"}, "why": "cosmetic", "until_on": "2026-06-01"}
    tell(
        f.finding_raised(blocking=True, occurred_at=DAY[8]),
        f.entry("concession.granted", granted, occurred_at=DAY[9]),
        f.released(kind="with_concession", more={"concessions": ["C-1"]}, occurred_at=DAY[10]),
    )
    assert [] == codes()


def test_row_4_3_6_both_sign_and_the_first_by_moment_is_the_release(tell, codes, ask, signers):
    """CONTRACT C: the second did not know of the first, for its `seen_index` is before it."""
    seen = ask("/v1/entries", limit=500)["entries"][-1]["index"] + 1
    late = f.released("REL-B", more={"job": "J-1", "seen_index": seen}, occurred_at=DAY[11], **OTHER)
    early = f.released("REL-A", more={"job": "J-1", "seen_index": seen}, occurred_at=DAY[10], **ONE)
    second, first = tell(late, early)
    found = ask("/v1/units/U-1/condition")["release"]
    assert ("REL-A", first["id"], [second["id"]]) == (found["release"], found["entry"], found["duplicates"])
    assert ["released-twice"] == codes()
    assert "ready" == ask("/v1/units/U-1/condition")["standing"], "a remark, and it stays"


def test_row_4_3_6_look_alike_whoever_knew_of_the_first_signs_the_next(tell, codes, ask, signers):
    tell(f.released("REL-A", more={"job": "J-1"}, occurred_at=DAY[10], **ONE))
    tell(f.released("REL-B", more={"job": "J-1"}, occurred_at=DAY[11], **OTHER))
    assert ([], "REL-B") == (codes(), ask("/v1/units/U-1/condition")["release"]["release"])


def test_row_4_3_7_a_verdict_keeps_its_revision_and_is_said_to_be_overtaken_by_the_next(tell, codes, ask):
    """The bench had revision 1 (acting limit 0.31); revision 2 acts at 0.23."""
    stricter = {"characteristics": [f.backlash(replace="0.25")]}
    tell(f.sheet_issued(rev=2, effective_on="2026-01-04", changes=stricter, occurred_at=DAY[1]))
    (read,) = tell(f.reading("0.28", more={"sheet_rev": 1}, occurred_at=DAY[9]))
    assert (["limit-moved"], ["limit-moved"]) == (receipt(read), codes())
    verdict = ask("/v1/units/U-1/condition")["characteristics"][0]["conformity"]
    assert (1, "watch") == (verdict["sheet_rev"], verdict["outcome"])
    tell(f.reading("0.15", more={"sheet_rev": 2}, occurred_at=DAY[10]))
    assert [] == codes(but=("wear-improved",))


@pytest.mark.parametrize("act", ["hold", "concession"])
def test_row_4_3_7_is_settled_when_somebody_acts_on_it(tell, codes, act):
    stricter = {"characteristics": [f.backlash(replace="0.25")]}
    tell(f.sheet_issued(rev=2, effective_on="2026-01-04", changes=stricter, occurred_at=DAY[1]))
    tell(f.reading("0.28", more={"sheet_rev": 1}, occurred_at=DAY[9]))
    granted = {"concession": "C-1", "for": {"characteristic": "TST-BL"}, "why": "light duty", "until_on": "2026-06-01"}
    acts = {"hold": f.hold_placed(), "concession": f.entry("concession.granted", granted)}
    tell(acts[act] | {"occurred_at": DAY[10]})
    assert [] == codes()


def test_row_4_3_7_look_alike_a_limit_that_moved_and_still_accepts(tell, codes):
    looser = {"characteristics": [f.backlash(replace="0.40")]}
    tell(f.sheet_issued(rev=2, effective_on="2026-01-04", changes=looser, occurred_at=DAY[1]))
    tell(f.reading("0.28", more={"sheet_rev": 1}, occurred_at=DAY[9]))
    assert [] == codes()


def test_row_4_3_8_a_part_from_a_stopped_lot_that_went_in_unknowing_holds_the_unit(tell, codes, ask):
    alert = f.alert_issued(action="inspect", scope={"lots": ["L-9"]}, occurred_at=DAY[8])
    _, fit = tell(alert, f.fitted("bearing", f.piece(lot="L-9"), occurred_at=DAY[9], **OTHER))
    assert (["alert-part-fitted"], ["alert-part-fitted"]) == (receipt(fit), codes())
    found = ask("/v1/units/U-1/condition")
    assert ("on_hold", "L-9") == (found["standing"], found["slots"][1]["occupant"]["pieces"][0]["lot"])
    tell(f.removed("bearing", f.piece(lot="L-9"), to="quarantine", occurred_at=DAY[10]))
    assert [] == codes()


def test_row_4_3_8_is_settled_when_the_alert_is_closed(tell, codes):
    alert = f.alert_issued(action="inspect", scope={"lots": ["L-9"]}, occurred_at=DAY[8])
    tell(alert, f.fitted("bearing", f.piece(lot="L-9"), occurred_at=DAY[9]))
    assert ["alert-part-fitted"] == codes()
    tell(f.entry("alert.closed", {"why": "all sound"}, subject="alert:A-1", occurred_at=DAY[10]))
    assert [] == codes()


def test_row_4_3_8_look_alikes_fitted_before_the_alert_and_another_lot(tell, codes):
    tell(
        f.fitted("bearing", f.piece(lot="L-9"), occurred_at=DAY[7]),
        f.alert_issued(action="inspect", scope={"lots": ["L-9"]}, occurred_at=DAY[8]),
        f.fitted("feed-nut", f.piece(lot="L-8"), occurred_at=DAY[9]),
    )
    assert [] == codes()
