"""A boring bar that was rebuilt while its bar was kept. Source: JOB.md 8.1, S7, and the table of 1.19 (invented)."""

from decimal import Decimal

import pytest

UNIT = "/v1/units/BOR-002"
EVE = "2024-04-15T07:00:00+01:00"
DISPATCHED = "2024-05-24T12:00:00+01:00"
RENEWED = ("rotary-drive", "bearing-inserts", "feed-nut", "hoses")


def hours(value):
    return Decimal(value["value"])


def slot(demo, name, **query):
    return demo.ask(f"{UNIT}/slots/{name}", **query)


@pytest.fixture
def out(demo):
    return demo.ask(f"{UNIT}/condition", true_at=DISPATCHED)


def test_s7_in_on_15_april_and_dispatched_on_24_may_2024(demo):
    told = [(i["type"], i["occurred_at"][:10]) for i in demo.ask(f"{UNIT}/history")["entries"]]
    assert {
        ("unit.received", "2024-04-15"),
        ("rebuild.completed", "2024-05-22"),
        ("unit.dispatched", "2024-05-24"),
    } <= {*told}


def test_s7_the_total_goes_on_and_since_the_rebuild_it_is_nought(out):
    assert ("4812.6", "0.0", 1, "2024-05-22") == (
        out["hours"]["value"],
        out["since_rebuild"]["hours"]["value"],
        out["since_rebuild"]["count"],
        out["since_rebuild"]["on"],
    )
    assert "out" == out["standing"]


def test_s7_what_was_renewed_and_what_was_kept_is_said(out):
    """JOB.md 1.19: what is original, and what is since rebuild?"""
    assert [*RENEWED] == out["since_rebuild"]["renewed"]
    assert "bar" in out["since_rebuild"]["kept"]
    assert [] == out["since_rebuild"]["reconditioned"]


def test_s7_before_the_rebuild_nothing_was_since_one(demo):
    before = demo.ask(f"{UNIT}/condition", true_at=EVE)
    assert (None, "out") == (before["since_rebuild"], before["standing"])


@pytest.mark.parametrize("name", RENEWED)
def test_s7_what_was_renewed_is_another_piece_with_no_hours_on_it(demo, name):
    found = slot(demo, name, true_at=DISPATCHED)
    assert 0 == hours(found["hours_on"])
    assert found["occupant"]["entry"] != slot(demo, name, true_at=EVE)["occupant"]["entry"]
    assert ["scrap", None] == [span["to"] for span in found["history"]]


def test_s7_trap_the_bar_keeps_its_hours(demo):
    """It was in the unit from new: its hours are the unit's."""
    then, now = slot(demo, "bar", true_at=DISPATCHED), slot(demo, "bar")
    assert [["BB-3004"]] * 2 == [[p["serial"] for p in s["occupant"]["pieces"]] for s in (then, now)]
    assert (Decimal("4812.6"), Decimal("5310.2")) == (hours(then["hours_on"]), hours(now["hours_on"]))


def test_s7_trap_the_bar_keeps_its_wear(demo, out):
    """59.956 mm at the worst track; the watch mark is at 59.950, and smaller is worse."""
    row = next(c for c in out["characteristics"] if c["characteristic"] == "BOR-DW")
    assert ("59.956", "good", "59.950") == (
        row["latest"]["value"],
        row["conformity"]["outcome"],
        row["conformity"]["watch"],
    )
    wear = demo.ask(f"{UNIT}/wear/BOR-DW")
    assert [("2023-04-10", "59.978"), ("2024-04-15", "59.956"), ("2025-06-02", "59.954")] == [
        (p["at"][:10], p["value"]) for p in wear["points"]
    ]
    assert "59.950" == wear["watch"]


@pytest.mark.parametrize("code", ["BOR-IC", "BOR-DB", "BOR-AB"])
def test_s7_the_wear_of_what_was_renewed_begins_anew(demo, code):
    points = demo.ask(f"{UNIT}/wear/{code}")["points"]
    assert ["2024-05-21", "2025-06-02"] == [p["at"][:10] for p in points]


def test_s7_a_year_later_both_counters_have_gone_on(demo):
    """4,812.6 h and 497.6 h are 5,310.2 h."""
    now = demo.ask(f"{UNIT}/condition")
    assert ("5310.2", "497.6") == (now["hours"]["value"], now["since_rebuild"]["hours"]["value"])
    assert Decimal("497.6") == hours(slot(demo, "feed-nut")["hours_on"])


def test_s7_number_serial_and_labels_are_what_they_were(demo):
    before, now = (demo.ask(f"{UNIT}/card", true_at=at)["identity"] for at in (EVE, DISPATCHED))
    assert before == now


def test_s7_nothing_is_doubtful_about_it(demo, out):
    assert [] == out["discrepancies"] == demo.ask(f"{UNIT}/condition")["discrepancies"]
