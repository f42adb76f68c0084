"""What facts of several units say of one thing: a serial, a label, an id.

JOB.md 4.3 row 4, 4.4 row 10; CONTRACT A (ids), C and F.
"""

import pytest

from tests import factories as f
from tests.api.test_contradictions import DAY, codes, lifted, receipt

pytestmark = pytest.mark.usefixtures("standing_unit")
__all__ = ["codes"]

B114 = f.piece("P-9", serial="B-114")


def both(codes, **when):
    return codes("U-1", **when), codes("U-2", **when)


def test_row_4_3_4_one_serial_in_two_units_is_contested_on_both(tell, codes, ask):
    _, second = tell(
        f.fitted("bearing", B114, occurred_at=DAY[8]), f.fitted("bearing", B114, unit="U-2", occurred_at=DAY[9])
    )
    assert ["serial-in-two-places"] == receipt(second)
    assert (["serial-in-two-places"], ["serial-in-two-places"]) == both(codes)
    (one,) = ask("/v1/units/U-1/condition")["discrepancies"]
    assert [one] == ask("/v1/units/U-2/condition")["discrepancies"]
    assert ("unit:U-2", "U-2", ["U-1", "U-2"], True) == (
        one["subject"],
        one["unit"],
        one["units"],
        one["holds_release"],
    )
    assert ["on_hold", "on_hold"] == [ask(f"/v1/units/{u}/condition")["standing"] for u in ("U-1", "U-2")]
    tell(f.removed("bearing", B114, to="stock", occurred_at="2026-01-05T08:30:00+01:00"))
    assert ([], []) == both(codes), "the removal was only typed late"
    then = {"known_index": second["index"] + 1}
    assert (["serial-in-two-places"], ["serial-in-two-places"]) == both(codes, **then)
    assert ([], []) == both(codes, known_index=second["index"])
    assert ([], []) == both(codes, true_at=DAY[8], **then)


def test_row_4_3_4_of_two_pieces_of_one_fit_that_are_both_elsewhere_one_doubt_names_both(tell, codes, ask):
    pair = [B114, f.piece("P-9", serial="B-115")]
    tell(f.fitted("bearing", *pair, occurred_at=DAY[8]), f.fitted("bearing", *pair, unit="U-2", occurred_at=DAY[9]))
    assert (["serial-in-two-places"], ["serial-in-two-places"]) == both(codes)
    (one,) = ask("/v1/units/U-1/condition")["discrepancies"]
    assert ["B-114", "B-115"] == [serial for serial in ("B-114", "B-115") if serial in one["detail"]]
    (out,) = tell(f.removed("bearing", B114, to="stock", occurred_at="2026-01-05T08:30:00+01:00"))
    assert ([], []) == both(codes), "the set came out together"
    tell(f.withdrawn(out))
    assert (["serial-in-two-places"], ["serial-in-two-places"]) == both(codes)


@pytest.mark.parametrize("to", ["stock", "scrap"])
def test_row_4_3_4_in_a_unit_and_in_stock(tell, codes, to):
    """JOB.md: bearing B-114 in SEL-003 and in stock; or destroyed while another page has it."""
    tell(f.fitted("bearing", B114, occurred_at=DAY[8]))
    (out,) = tell(f.removed("bearing", B114, to=to, unit="U-2", occurred_at=DAY[9]))
    assert {"removed-from-empty", "serial-in-two-places"} == set(receipt(out))
    assert (["serial-in-two-places"], ["serial-in-two-places"]) == both(
        lambda unit, **when: codes(unit, but=("removed-from-empty",), **when)
    )
    tell(f.withdrawn(out))
    assert ([], []) == both(codes)


def test_row_4_3_4_look_alikes(tell, codes):
    """A part that moved by way of the stock; two part numbers with one serial; a lot in two units."""
    tell(
        f.fitted("bearing", B114, occurred_at=DAY[7]),
        f.removed("bearing", occurred_at=DAY[8], to="stock"),
        f.fitted("bearing", B114, unit="U-2", occurred_at=DAY[9]),
        f.fitted("feed-nut", f.piece("P-8", serial="B-114"), occurred_at=DAY[10]),
        f.fitted("vanes", f.piece("P-7", lot="L-1"), occurred_at=DAY[10]),
        f.fitted("vanes", f.piece("P-7", lot="L-1"), unit="U-2", occurred_at=DAY[10]),
    )
    assert ([], []) == both(codes)


@pytest.mark.parametrize("how", ["withdrawn", "another serial", "moved"])
def test_a_correction_of_either_fit_settles_it(tell, codes, how):
    _, second = tell(
        f.fitted("bearing", B114, occurred_at=DAY[8]), f.fitted("bearing", B114, unit="U-2", occurred_at=DAY[9])
    )
    right = {
        "withdrawn": f.withdrawn(second),
        "another serial": f.superseded(second, second["data"] | {"pieces": [f.piece("P-9", serial="B-115")]}),
        "moved": f.reattributed(second, "unit:U-1"),
    }[how]
    (right,) = tell(right)
    assert "serial-in-two-places" not in (*codes("U-1"), *codes("U-2"))
    tell(f.withdrawn(right))
    assert (["serial-in-two-places"], ["serial-in-two-places"]) == both(codes), "the correction was wrong"


def test_row_4_4_10_a_part_that_turns_up_elsewhere_without_a_step_is_a_gap_in_its_chain(tell, codes):
    _, _, found = tell(
        f.fitted("bearing", B114, occurred_at=DAY[7]),
        f.removed("bearing", B114, to="scrap", occurred_at=DAY[8]),
        f.fitted("bearing", B114, unit="U-2", occurred_at=DAY[9]),
    )
    assert (["piece-gap"], (["piece-gap"], ["piece-gap"])) == (receipt(found), both(codes))
    (lift,) = tell(lifted("piece-gap", found, unit="U-2", occurred_at=DAY[10]))
    assert ([], []) == both(codes)
    tell(f.withdrawn(lift))
    assert (["piece-gap"], ["piece-gap"]) == both(codes)


def test_row_4_4_10_a_part_taken_from_a_unit_without_a_removal_empties_its_slot(tell, codes, ask):
    """CONTRACT C, Lots: from then on, marked as a gap."""
    (fit,) = tell(f.fitted("bearing", B114, occurred_at=DAY[8]))
    taken = f.fitted("bearing", B114, unit="U-2", occurred_at=DAY[9])
    taken["data"]["from"] = "unit:U-1"
    tell(taken)
    assert (["piece-gap"], ["piece-gap"]) == both(codes)
    here, there = (ask(f"/v1/units/{u}/slots/bearing") for u in ("U-1", "U-2"))
    assert (None, "B-114") == (here["occupant"], there["occupant"]["pieces"][0]["serial"])
    assert fit["id"] == ask("/v1/units/U-1/slots/bearing", true_at=DAY[8])["occupant"]["entry"]


@pytest.mark.parametrize(
    ("to", "came_from"), [("stock", "stock"), ("stock", None), ("unit:U-2", None), ("supplier", "supplier")]
)
def test_row_4_4_10_look_alikes_a_step_that_is_logged(tell, codes, to, came_from):
    then = f.fitted("bearing", B114, unit="U-2", occurred_at=DAY[9])
    then["data"] = {k: v for k, v in (then["data"] | {"from": came_from}).items() if v is not None}
    tell(f.fitted("bearing", B114, occurred_at=DAY[7]), f.removed("bearing", B114, to=to, occurred_at=DAY[8]), then)
    assert ([], []) == both(codes)


def test_a_label_on_two_units_is_a_doubt_on_both_until_it_is_taken_off_one(tell, codes, ask):
    one, two = tell(
        f.tag_attached("OWN-7", occurred_at=DAY[8]), f.tag_attached("OWN-7", unit="U-2", occurred_at=DAY[9])
    )
    assert (["tag-on-two-units"], (["tag-on-two-units"], ["tag-on-two-units"])) == (receipt(two), both(codes))
    assert [one["id"], two["id"]] == ask("/v1/units/U-1/condition")["discrepancies"][0]["entries"]
    assert "on_hold" == ask("/v1/units/U-1/condition")["standing"]
    tell(f.tag_detached("OWN-7", "crossed", occurred_at=DAY[10]))
    assert ([], []) == both(codes)
    assert (["tag-on-two-units"], ["tag-on-two-units"]) == both(codes, true_at=DAY[9])


def test_a_label_that_went_from_one_unit_to_another_is_none(tell, codes):
    tell(
        f.tag_attached("OWN-7", occurred_at=DAY[7]),
        f.tag_detached("OWN-7", occurred_at=DAY[8]),
        f.tag_attached("OWN-7", unit="U-2", occurred_at=DAY[9]),
        f.tag_attached("OWN-8", occurred_at=DAY[9]),
    )
    assert ([], []) == both(codes)


def test_two_units_of_a_class_with_one_serial_share_it(tell, codes):
    """JOB.md 1.1: both real. Another class may well count from 1 again."""
    same = {"serial": "1188"}
    first, second, _ = tell(
        f.registered("U-3", more=same, occurred_at=DAY[1]),
        f.registered("U-4", more=same, occurred_at=DAY[2]),
        f.registered("U-5", "OTH", more=same, occurred_at=DAY[2]),
    )
    assert ([], ["serial-shared"]) == (receipt(first), receipt(second))
    assert (["serial-shared"], ["serial-shared"], []) == tuple(codes(u) for u in ("U-3", "U-4", "U-5"))
    tell(f.superseded(second, second["data"] | {"serial": "1189"}))
    assert ([], []) == (codes("U-3"), codes("U-4"))


OPENINGS = {
    "finding": lambda **more: f.finding_raised("X-1", **more),
    "hold": lambda **more: f.hold_placed("X-1", **more),
    "run": lambda **more: f.run_recorded("X-1", "interim", **more),
    "job": lambda **more: f.job_opened("X-1", **more),
    "complaint": lambda **more: f.complaint_reported("X-1", **more),
    "release": lambda **more: f.released("X-1", **more),
}


@pytest.mark.parametrize("kind", OPENINGS)
def test_a_second_opening_under_an_id_is_a_fact_and_the_id_is_taken(tell, codes, kind):
    """CONTRACT A: finding, run, hold, concession are scoped by unit, the others by book."""
    of_unit = kind in ("finding", "hold", "run")
    other = "U-1" if of_unit else "U-2"
    first, second = tell(
        OPENINGS[kind](occurred_at=DAY[8]), OPENINGS[kind](unit=other, by="bob.bench", occurred_at=DAY[9])
    )
    but = ("signed-unauthorised", "released-while-blocked", "verdict-overtaken")
    assert ([], ["id-taken"]) == (receipt(first, but), receipt(second, but))
    assert {"id-taken"} == {*codes("U-1", but), *codes(other, but)}
    tell(f.withdrawn(first))
    assert set() == {*codes("U-1", but), *codes(other, but)}


def test_of_two_findings_under_one_id_both_live_and_the_second_goes_by_its_entry(tell, ask):
    first, second = tell(
        f.finding_raised("F-1", occurred_at=DAY[8]), f.finding_raised("F-1", by="bob.bench", occurred_at=DAY[9])
    )
    assert [first["id"], second["id"]] == [x["entry"] for x in ask("/v1/units/U-1/condition")["findings"]]
    tell(f.finding_closed(second["id"], occurred_at=DAY[10]))
    assert [first["id"]] == [x["entry"] for x in ask("/v1/units/U-1/condition")["findings"]]


def test_look_alikes_of_a_taken_id(tell, codes):
    """The same finding number on two units; a job that is opened again after it was closed."""
    tell(
        f.finding_raised("F-1", occurred_at=DAY[8]),
        f.finding_raised("F-1", unit="U-2", occurred_at=DAY[8]),
        f.job_opened("J-1", occurred_at=DAY[8]),
        f.entry("job.closed", {"job": "J-1"}, occurred_at=DAY[9]),
        f.job_opened("J-1", occurred_at=DAY[10]),
    )
    assert ([], []) == both(codes)


def test_a_correction_that_was_refused_leaves_nothing_to_an_entry_of_the_same_id(tell, post, codes):
    """Both in one commit: the fact claims its serial as any other."""
    (first,) = tell(f.fitted("feed-nut", B114, subject="unit:U-1", occurred_at=DAY[8]))
    wrong = f.superseded(first, first["data"] | {"occurred_at": "2099-01-01T00:00:00Z"})
    second = f.fitted("feed-nut", B114, subject="unit:U-2", occurred_at=DAY[9], id=wrong["id"])
    outcomes = post([wrong, second]).json["outcomes"]
    assert [422, 201] == [o["status"] for o in outcomes], outcomes
    assert ["serial-in-two-places"] == receipt(outcomes[1]["entry"])
    assert (["serial-in-two-places"], ["serial-in-two-places"]) == both(codes)
