"""JOB.md 4.1, kind by kind: a correction is one more entry, what it corrects stays readable, and it may be corrected.

More of the same rules is in tests/api/test_histories.py. Who may send which kind: tests of the roles.
"""

import pytest

from tests import factories as f
from tests.api.reading_back import faults
from tests.api.test_contradictions import DAY, codes, receipt

pytestmark = pytest.mark.usefixtures("standing_unit")
__all__ = ["codes"]


@pytest.fixture
def value(ask):
    def read(unit="U-1", **when):
        latest = ask(f"/v1/units/{unit}/condition", **when)["characteristics"][0]["latest"]
        return latest and latest["value"]

    return read


def with_value(entry, text):
    return entry["data"] | {"readings": [{"value": text}]}


def test_row_4_1_1_supersede_a_slip_a_wrong_uom_a_wrong_gauge_and_a_wrong_time(tell, value, ask):
    """New value counts, the old stays visible with the reason, what is derived is recomputed."""
    (read,) = tell(f.reading("0.02", hours="120", gauge=f.GAUGE, occurred_at=DAY[9]))
    right = with_value(read, "0.20") | {"hours": f.q("102", "h")}
    (fixed,) = tell(f.superseded(read, right, at=DAY[8]))
    assert "0.20" == value()
    assert "102" == ask("/v1/units/U-1/condition")["hours"]["value"]
    (line,) = [i for i in ask("/v1/units/U-1/history")["entries"] if i["id"] == read["id"]]
    assert ("superseded", [fixed["id"]], "2026-01-05T07:00:00.000Z") == (line["mark"], line["marked_by"], line["at"])
    assert ("0.02", DAY[9]) == (line["data"]["readings"][0]["value"], line["occurred_at"])
    in_mm = {k: v for k, v in read["data"].items() if k != "gauge"}
    tell(f.superseded(read, in_mm | {"uom": "deg", "readings": [{"value": "90"}]}))
    assert "0.25" == value()


def test_row_4_1_1_a_chain_of_corrections_and_a_corrected_correction_that_is_withdrawn(tell, value):
    """0.10, no: 0.20, no: 0.30; the last was wrong itself, and without it the one before counts again."""
    (read,) = tell(f.reading("0.10"))
    (first,) = tell(f.superseded(read, with_value(read, "0.20")))
    (second,) = tell(f.superseded(first, first["data"] | {"data": with_value(read, "0.30")}))
    inner = second["data"]["data"] | {"data": with_value(read, "0.31")}
    (third,) = tell(f.superseded(second, second["data"] | {"data": inner}))
    assert "0.31" == value()
    tell(f.withdrawn(third))
    assert "0.30" == value()
    tell(f.withdrawn(second))
    assert "0.20" == value()
    tell(f.withdrawn(first))
    assert "0.10" == value()


def test_row_4_1_2_withdraw_stops_counting_stays_readable_and_may_be_withdrawn(tell, value, ask):
    before, twice = tell(f.reading("0.10", occurred_at=DAY[8]), f.reading("0.30", occurred_at=DAY[9]))
    (gone,) = tell(f.withdrawn(twice))
    assert "0.10" == value()
    assert "0.30" == ask(f"/v1/entries/{twice['id']}")["data"]["readings"][0]["value"]
    tell(f.withdrawn(gone))
    assert "0.30" == value()
    assert before["id"] != twice["id"]


def test_row_4_1_3_reattribute_leaves_the_one_history_joins_the_other_and_both_show_it(tell, value, ask):
    (read,) = tell(f.reading("0.30"))
    (move,) = tell(f.reattributed(read, "unit:U-2"))
    assert (None, "0.30") == (value("U-1"), value("U-2"))
    for unit, mark, counts in (("U-1", "moved_out", False), ("U-2", "moved_in", True)):
        (line,) = [i for i in ask(f"/v1/units/{unit}/history")["entries"] if i["id"] == read["id"]]
        assert (mark, counts, [move["id"]], "unit:U-1") == (
            line["mark"], line["counts"], line["marked_by"], line["subject"]
        )  # fmt: skip
    assert "0.30" == value("U-1", known_index=move["index"])


def test_row_4_1_4_annotate_counts_for_nothing(tell, ask):
    (read,) = tell(f.reading("0.30"))
    before = ask("/v1/units/U-1/card") | {"as_of": None}
    tell(f.annotated(read, "photo found"))
    assert before == ask("/v1/units/U-1/card") | {"as_of": None}


@pytest.mark.parametrize("outcome", ["upheld", "superseded", "cannot_be_known"])
def test_rows_4_1_5_and_4_1_6_a_dispute_flags_a_fact_that_counts_until_somebody_settles_it(
    tell, value, codes, ask, outcome
):
    """Several disputes on one fact end with one settlement (CONTRACT E); one that comes after it is a new one."""
    (read,) = tell(f.reading("0.15"))
    (said,) = tell(f.disputed(read))
    tell(f.disputed(read, by="bob.bench"))
    assert (["disputed"], ["disputed"], "0.15") == (receipt(said), codes(), value())
    assert "on_hold" == ask("/v1/units/U-1/condition")["standing"]
    (end,) = tell(f.settled(read, outcome))
    assert [] == codes()
    tell(f.withdrawn(end))
    assert ["disputed"] == codes(), "the settlement was wrong"
    tell(f.withdrawn(said))
    assert ["disputed"] == codes(), "the other still stands"


def test_row_4_1_7_a_reassessment_is_the_service_s_own(post):
    """It comes with the decisions on a gauge and a sheet; nobody sends one."""
    data = {"target": f.entry_id(1), "because": "gauge", "answer": {}}
    answer = post(f.entry("verdict.reassessed", data))
    assert (422, ("/type", "computed-type")) == (answer.status_code, faults(answer.json)[0])


def test_row_4_1_8_a_reissued_certificate_says_which_it_replaces_and_why(tell, ask):
    tell(f.released("REL-1", occurred_at=DAY[9]))
    data = {"release": "REL-2", "replaces": "REL-1", "why": "wrong owner"}
    (again,) = tell(f.entry("release.reissued", data, occurred_at=DAY[10]))
    assert data == ask(f"/v1/entries/{again['id']}")["data"]


@pytest.mark.parametrize("member", ["recorded_at", "recorded_by", "index", "seq", "device", "by"])
def test_what_the_book_and_the_device_said_is_never_corrected(tell, post, member):
    """JOB.md 4.1: recorded-at, who recorded, device, order of arrival. A correction gives new data, and true time."""
    (read,) = tell(f.reading("0.10"))
    wrong = f.superseded(read, read["data"])
    wrong["data"][member] = "x"
    answer = post(wrong)
    assert (422, (f"/data/{member}", "extra-member")) == (answer.status_code, faults(answer.json)[0])


def test_a_signature_is_never_corrected(tell, post):
    """JOB.md 4.1; CONTRACT A: a new entry of the same type ends what was wrong with it."""
    (signed,) = tell(f.released(more={"second": f.SECOND}, occurred_at=DAY[9]))
    for second in ("bob.bench", None):
        data = {k: v for k, v in (signed["data"] | {"second": second}).items() if v is not None}
        answer = post(f.superseded(signed, data))
        assert [("/data/data/second", "wrong-form")] == faults(answer.json), second
    tell(f.superseded(signed, signed["data"] | {"job": "J-7"}))
