"""JOB.md 4.2, row by row: late entries are facts, the order is that of the corrected moment, and nothing is guessed.

Clocks and positions are those of CONTRACT B; the fake clock stands at 2026-01-05 12:00 UTC.
"""

import pytest

from tests import factories as f
from tests.api.reading_back import faults
from tests.api.test_contradictions import DAY, codes, lifted, receipt

pytestmark = pytest.mark.usefixtures("standing_unit")
__all__ = ["codes"]

PAPER = {"source": {"kind": "paper", "ref": "card 12"}}


def order(ask, unit="U-1"):
    return [i["id"] for i in ask(f"/v1/units/{unit}/history")["entries"]]


def test_row_4_2_1_a_paper_sheet_is_typed_the_next_day_and_over_seven_days_it_is_flagged(tell, codes, clock, ask):
    """Happened as on paper, recorded now, with the paper's own mark; seven days are not over seven."""
    clock.set("2026-01-12T08:00:00+00:00")
    week, older = tell(
        f.reading("0.12", occurred_at="2026-01-05T09:00:00+01:00", typed_by="lou.lead", **PAPER),
        f.reading("0.11", occurred_at="2026-01-05T08:59:59+01:00", **PAPER),
    )
    assert ([], ["late-typed"]) == (receipt(week), receipt(older))
    assert ("2026-01-05T09:00:00+01:00", "card 12", "lou.lead") == (
        week["occurred_at"],
        week["source"]["ref"],
        week["typed_by"],
    )
    assert "2026-01-12T08:00:00.000000Z" == week["recorded_at"]
    (late,) = ask("/v1/units/U-1/condition")["discrepancies"]
    assert ("late-typed", False) == (late["code"], late["holds_release"])
    (history,) = tell(f.scanned(occurred_at="2025-06-01T09:00:00+02:00", source={"kind": "history"}))
    assert "late-typed" not in receipt(history)


@pytest.mark.parametrize(
    ("moment", "offset", "status"),
    [
        ("2026-01-05T12:05:00Z", 0, 201),
        ("2026-01-05T12:05:01Z", 0, 422),
        ("2026-01-05T12:15:00Z", 600_000, 201),
        ("2026-01-05T12:15:01Z", 600_000, 422),
        ("2026-01-05T12:00:00Z", -301_000, 422),
    ],
)
def test_row_4_2_2_the_future_is_refused_beyond_five_minutes_once_the_offset_is_taken_off(post, moment, offset, status):
    device = {"id": "tab-1", "seq": 1, "clock_offset_ms": offset}
    answer = post(f.scanned(occurred_at=moment, device=device))
    assert status == answer.status_code
    if status == 422:
        assert [("/occurred_at", "too-far-ahead")] == faults(answer.json)


def test_row_4_2_2_inside_five_minutes_it_is_accepted_and_flagged(tell, codes):
    (fast,) = tell(f.scanned(occurred_at="2026-01-05T12:04:00Z"))
    assert (["clock-ahead"], ["clock-ahead"]) == (receipt(fast), codes())
    device = {"id": "tab-1", "seq": 1, "clock_offset_ms": 240_000}
    (known,) = tell(f.scanned(occurred_at="2026-01-05T12:04:00Z", device=device))
    assert [] == receipt(known), "its clock is known to be four minutes fast"


def test_row_4_2_3_before_the_unit_was_here_is_accepted_and_flagged(tell, codes, clock):
    (early,) = tell(f.reading("0.05", occurred_at="2026-01-01T09:00:00+01:00"))
    assert (["before-registered"], ["before-registered"]) == (receipt(early), codes())


def test_row_4_2_3_history_brought_in_carries_its_source(tell, ask):
    (old,) = tell(
        f.reading(
            "0.05", occurred_at="2024-01-01T09:00:00+01:00", source={"kind": "history", "ref": "ledger 7, by hand"}
        )
    )
    assert ["before-registered"] == receipt(old)
    assert "ledger 7, by hand" == ask(f"/v1/entries/{old['id']}")["source"]["ref"]


@pytest.fixture
def released_at_noon(nothing_asked, tell):
    """A release that stands, by somebody authorised."""
    (signed,) = tell(f.released("REL-1", occurred_at=DAY[10]))
    return signed


def test_row_4_2_4_what_arrives_after_a_release_and_is_older_says_so_until_a_signatory_has_read_it(
    tell, codes, ask, released_at_noon
):
    (late,) = tell(f.reading("0.12", occurred_at=DAY[9], **PAPER))
    assert (["late-after-release"], ["late-after-release"]) == (receipt(late), codes())
    (doubt,) = ask("/v1/units/U-1/condition")["discrepancies"]
    assert ("arrived after release REL-1, and happened before it", ["signatory"]) == (
        doubt["detail"],
        doubt["who_may"],
    )
    assert [late["id"], released_at_noon["id"]] == doubt["entries"]
    assert "ready" == ask("/v1/units/U-1/condition")["standing"], "it holds nothing"
    assert [] == codes(true_at=DAY[9]), "by then there was no release"
    tell(lifted("late-after-release", late, occurred_at=DAY[11]))
    assert [] == codes()


def test_row_4_2_4_what_bears_on_a_critical_item_holds_the_unit(tell, codes, ask, released_at_noon):
    """A blocking finding from before the release is more than late: released-then-defect."""
    tell(f.finding_raised(blocking=True, occurred_at=DAY[9], **PAPER))
    assert ["released-then-defect"] == codes()
    assert "on_hold" == ask("/v1/units/U-1/condition")["standing"]


def test_row_4_2_4_a_correction_after_the_release_of_what_it_rested_on_says_so(nothing_asked, tell, codes, ask):
    """JOB.md 4.1: it does not silently turn the old release bad; it opens a review on the unit, wherever it is."""
    (read,) = tell(f.reading("0.12", occurred_at=DAY[8]))
    (signed,) = tell(f.released("REL-1", occurred_at=DAY[10]))
    (wrong,) = tell(f.superseded(read, read["data"] | {"readings": [{"value": "0.32"}]}))
    assert (["late-after-release"], ["late-after-release", "verdict-overtaken"]) == (receipt(wrong), codes())
    assert "on_hold" == ask("/v1/units/U-1/condition")["standing"], "0.32 is not proved below 0.33 by a U of 0.02"
    tell(f.reading("0.12", stage="as_left", occurred_at=DAY[10]), f.released("REL-2", occurred_at=DAY[11]))
    assert [] == codes(but=("wear-improved",)), "the next release knew of it"
    assert [] == codes(known_index=signed["index"] + 1)


def test_row_4_2_4_look_alikes_before_and_after_it_in_order(tell, codes, released_at_noon):
    tell(f.reading("0.12", occurred_at=DAY[11]), f.annotated(released_at_noon, occurred_at=DAY[9]))
    assert [] == codes()


def test_row_4_2_5_what_happened_inside_a_closed_hire_is_accepted_in_its_place(tell, ask, codes):
    """The list of decisions that used older knowledge comes with the decisions."""
    gone, back = tell(f.dispatched(occurred_at=DAY[8]), f.received(occurred_at=DAY[11]))
    (late,) = tell(f.complaint_reported(occurred_at=DAY[9]))
    assert [gone["id"], late["id"], back["id"]] == order(ask)[1:]
    assert "in_shop" == ask("/v1/units/U-1/condition")["standing"]


def test_row_4_2_6_two_clocks_the_corrected_moment_orders_then_the_device_s_number_then_the_index(tell, ask):
    """Device time, offset and receipt time are all kept; the offset is device minus true."""
    slow = {"id": "tab-1", "seq": 7, "clock_offset_ms": -600_000}
    tie, first = {"id": "tab-2", "seq": 2}, {"id": "tab-2", "seq": 1}
    told = tell(
        f.scanned(occurred_at="2026-01-05T09:55:00+01:00", device=slow),
        f.scanned(occurred_at="2026-01-05T10:00:00+01:00", device=tie),
        f.scanned(occurred_at="2026-01-05T10:00:00+01:00", device=first),
        f.scanned(occurred_at="2026-01-05T10:00:00+01:00"),
        f.scanned(occurred_at="2026-01-05T10:00:00+01:00"),
    )
    a, b, c, d, e = (t["id"] for t in told)
    assert [d, e, c, b, a] == order(ask)[1:], "no device has no number and comes first; then the index"
    line = ask("/v1/units/U-1/history")["entries"][-1]
    assert ("2026-01-05T09:55:00+01:00", "2026-01-05T09:05:00.000Z", -600_000) == (
        line["occurred_at"],
        line["at"],
        line["device"]["clock_offset_ms"],
    )


def test_row_4_2_7_what_was_known_and_what_was_true_are_both_askable(tell, ask, clock):
    """By recorded-at: what did we know on 3 May? By happened-at: what was true on 3 May?"""
    clock.set("2026-05-04T08:00:00+00:00")
    tell(f.reading("0.12", occurred_at="2026-05-01T09:00:00+02:00"))
    clock.set("2026-05-05T08:00:00+00:00")
    tell(f.reading("0.19", occurred_at="2026-05-03T09:00:00+02:00", **PAPER))

    def value(**when):
        return ask("/v1/units/U-1/condition", **when)["characteristics"][0]["latest"]["value"]

    assert "0.12" == value(known_at="2026-05-04T23:00:00Z")
    assert "0.19" == value(true_at="2026-05-03T23:00:00Z")
    assert "0.12" == value(true_at="2026-05-03T23:00:00Z", known_at="2026-05-04T23:00:00Z")
    assert "0.12" == value(true_at="2026-05-02T23:00:00Z")
