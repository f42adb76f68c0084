"""Two benches offline, one slot. Source: JOB.md 8.1, S10, and the third row of 4.3 (invented)."""

import pytest

SLOT = "/v1/units/FAC-004/slots/arm-bearing-pack"
CONDITION = "/v1/units/FAC-004/condition"
BEFORE_JOINING = "2024-11-19T16:39:00+01:00"
AFTER_JOINING = "2024-11-19T16:41:00+01:00"


def serials(occupants):
    return [p["serial"] for o in occupants for p in o["pieces"]]


@pytest.fixture
def stories(demo):
    """The entries behind the two candidates."""
    return [demo.ask(f"/v1/entries/{c['entry']}") for c in demo.ask(SLOT)["candidates"]]


def test_row_4_3_3_s10_a_part_into_an_occupied_slot_leaves_it_contested(demo):
    found = demo.ask(SLOT)
    assert found["contested"]
    assert ["B-114", "B-120"] == serials(found["candidates"])
    assert (None, "contested") == (found["occupant"], found["hours_on"]["unknown"])


def test_s10_the_candidates_tell_both_stories(stories):
    """Orrin at 10:20; Pell at 11:05 on a copied job card at Kelderwick; both name the same job."""
    told = [(s["by"], s["occurred_at"][11:16], s["site"], s["data"]["pieces"][0]["serial"]) for s in stories]
    assert [
        ("orrin.tamsley", "10:20", "port-cendry", "B-114"),
        ("pell.marrowby", "11:05", "kelderwick", "B-120"),
    ] == told
    assert {"2024-11-19"} == {s["occurred_at"][:10] for s in stories}
    assert 1 == len({s["job"] for s in stories})
    assert 2 == len({s["device"]["id"] for s in stories})


def test_s10_pells_entry_was_heard_at_1640(stories):
    """16:40 in the depot's zone, UTC+01:00, is 15:40 UTC; it was done at 11:05."""
    assert stories[1]["recorded_at"].startswith("2024-11-19T15:40:00")
    assert "2024-11-19T11:05:00+01:00" == stories[1]["occurred_at"]


def test_s10_the_discrepancy_names_both_entries_and_the_likely_story(demo, stories):
    (found,) = demo.ask(CONDITION)["discrepancies"]
    assert ("slot-contested", True) == (found["code"], found["holds_release"])
    assert [s["id"] for s in stories] == found["entries"]
    assert "is a removal missing?" in found["detail"]
    assert ["lead", "manager"] == found["who_may"]


def test_s10_the_unit_is_on_hold_and_says_why(demo, stories):
    found = demo.ask(CONDITION)
    (why,) = found["standing_why"]
    assert "on_hold" == found["standing"]
    assert why["why"].startswith("slot-contested: ")
    assert [s["id"] for s in stories] == why["entries"]


def test_s10_before_the_benches_joined_the_slot_held_b_114(demo):
    """Known then, and the old bearing B-071 is out of it."""
    found = demo.ask(SLOT, known_at=BEFORE_JOINING)
    assert (["B-114"], False, []) == (serials([found["occupant"]]), found["contested"], found["candidates"])
    assert [] == demo.ask(CONDITION, known_at=BEFORE_JOINING)["discrepancies"]
    assert demo.ask(SLOT, known_at=AFTER_JOINING)["contested"]


def test_s10_nobody_wins_by_arriving_last(demo):
    """JOB.md 4.3: all entries are kept; the slot is contested from 11:05 on, when the second fit says it happened."""
    fits = [i for i in demo.ask("/v1/units/FAC-004/history")["entries"] if i["type"] == "part.fitted"]
    (first, second) = [i for i in fits if i["occurred_at"].startswith("2024-11-19")]
    assert (True, True) == (first["counts"], second["counts"])
    assert (None, None) == (first["mark"], second["mark"])
    assert not demo.ask(SLOT, true_at="2024-11-19T11:04:00+01:00")["contested"]
    assert demo.ask(SLOT, true_at="2024-11-19T11:05:00+01:00")["contested"]


def test_s10_an_entry_that_came_in_between_lies_after_it_in_the_history(demo, stories):
    """Orrin closed his finding at 11:30 and was heard at once; Pell's fit of 11:05 stands before it."""
    items = demo.ask("/v1/units/FAC-004/history")["entries"]
    closed = next(i for i in items if i["type"] == "finding.closed" and i["occurred_at"] > "2024-11-19")
    assert stories[1]["index"] > closed["index"]
    ids = [i["id"] for i in items]
    assert ids.index(stories[1]["id"]) < ids.index(closed["id"])


def test_s10_the_receipt_of_the_later_one_said_so(stories):
    assert [[], ["slot-contested"]] == [[d["code"] for d in s["discrepancies"]] for s in stories]


def test_s10_nothing_settled_it_up_to_the_end_of_the_demo(demo, stories):
    items = demo.ask("/v1/units/FAC-004/history")["entries"]
    assert "2024-11-19" == items[-1]["occurred_at"][:10]
    assert [] == [i for i in items if i["type"].startswith("entry.")]


def test_s10_no_other_slot_is_contested(demo):
    units = [u["unit"] for u in demo.ask("/v1/units", limit=500)["units"] if u["family"] == "machine"]
    slots = {u: [s["slot"] for s in demo.ask(f"/v1/units/{u}/slots")["slots"] if s["contested"]] for u in units}
    assert {"FAC-004": ["arm-bearing-pack"]} == {u: found for u, found in slots.items() if found}
