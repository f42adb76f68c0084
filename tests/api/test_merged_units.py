"""Two pages of one iron: entries of a merged unit belong to the other too while the merge stands (CONTRACT C)."""

import pytest

from service_api.ops.redraw import redraw
from tests import factories as f

ON = "2026-01-05T{}:00+01:00"
SEVEN, EIGHT, NINE, TEN, NOON = (ON.format(hour) for hour in ("07:00", "08:00", "09:00", "10:00", "12:00"))
pytestmark = pytest.mark.usefixtures("standing_unit")


def merge(old="U-2", into="U-1", **more):
    data = {"into": into, "why": "one iron", "evidence": ["engraving"]}
    return f.entry("unit.merged", data, by=f.SECOND, subject=f"unit:{old}", **({"occurred_at": NOON} | more))


@pytest.fixture
def told(tell):
    """The page of U-2 has a label, hours and a part that are U-1's; then somebody sees that they are one iron."""
    first = tell(
        f.tag_attached("OWN-2", unit="U-2", occurred_at=SEVEN),
        f.meter_read("100.0", unit="U-2", occurred_at=EIGHT),
        f.fitted("feed-nut", f.piece(serial="N-7"), unit="U-2", occurred_at=EIGHT),
        f.reading("0.20", unit="U-2", occurred_at=NINE),
        f.meter_read("120.0", unit="U-1", occurred_at=TEN),
    )
    (merged,) = tell(merge())
    return [*first, merged]


def occupant(ask, unit="U-1", **query):
    found = ask(f"/v1/units/{unit}/slots/feed-nut", **query)
    return found["occupant"] and found["occupant"]["pieces"][0]["serial"]


def ids(ask, unit="U-1", **query):
    return [line["id"] for line in ask(f"/v1/units/{unit}/history", **query)["entries"]]


def test_history_meter_slots_and_tags_of_the_old_page_belong_to_the_other_too(told, ask):
    *first, merged = told
    assert ids(ask, "U-2") == [i for i in ids(ask) if i in ids(ask, "U-2")]
    assert {e["id"] for e in told} <= set(ids(ask))
    condition = ask("/v1/units/U-1/condition")
    assert ("120.0", "N-7") == (condition["hours"]["value"], occupant(ask))
    (backlash,) = [c for c in condition["characteristics"] if c["characteristic"] == "TST-BL"]
    assert first[3]["id"] == backlash["latest"]["entry"]
    slot = ask("/v1/units/U-1/slots/feed-nut")
    assert ("20.0", [first[2]["id"]]) == (slot["hours_on"]["value"], [h["entry"] for h in slot["history"]])
    assert "U-1" == ask("/v1/tags/OWN-2")["unit"]
    assert merged["index"] + 1 == condition["as_of"]["index"]


def test_the_old_unit_stays_findable_and_says_where_it_went(told, ask):
    assert ("U-1", None) == tuple(ask(f"/v1/units/{unit}")["merged_into"] for unit in ("U-2", "U-1"))
    listed = {u["unit"]: u["merged_into"] for u in ask("/v1/units")["units"]}
    assert ("U-1", None) == (listed["U-2"], listed["U-1"])
    assert "N-7" == occupant(ask, "U-2")


def test_what_is_logged_on_the_old_number_afterwards_belongs_to_the_other(told, tell, ask):
    """Nobody is refused for an old label; a kept answer does not hide what comes."""
    before = ask("/v1/units/U-1/condition")
    (after,) = tell(f.meter_read("130.0", unit="U-2", occurred_at=ON.format("12:10")))
    condition = ask("/v1/units/U-1/condition")
    assert ("120.0", "130.0") == (before["hours"]["value"], condition["hours"]["value"])
    assert after["index"] + 1 == condition["as_of"]["index"]
    assert before | {"as_of": before["as_of"] | {"known_index": after["index"]}} == ask(
        "/v1/units/U-1/condition", known_index=after["index"]
    )


def test_a_merge_that_is_withdrawn_parts_the_pages_again(told, tell, ask):
    merged = told[-1]
    (back,) = tell(f.withdrawn(merged, by=f.SECOND, occurred_at=ON.format("12:10")))
    assert (None, "N-7") == (occupant(ask), occupant(ask, "U-2"))
    assert ("U-2", None) == (ask("/v1/tags/OWN-2")["unit"], ask("/v1/units/U-2")["merged_into"])
    assert told[2]["id"] not in ids(ask)
    assert "N-7" == occupant(ask, known_index=back["index"])
    assert None is occupant(ask, known_index=merged["index"])
    tell(f.withdrawn(back, by=f.SECOND, occurred_at=ON.format("12:20")))
    assert "N-7" == occupant(ask)


def test_a_merge_into_another_unit_instead_moves_what_belongs_to_whom(told, tell, ask):
    tell(f.registered("U-3", occurred_at=SEVEN))
    other = told[-1]["data"] | {"into": "U-3"}
    tell(f.superseded(told[-1], other, by=f.SECOND, occurred_at=ON.format("12:10")))
    assert (None, "N-7", "U-3") == (occupant(ask), occupant(ask, "U-3"), ask("/v1/units/U-2")["merged_into"])


def test_pages_merged_one_after_another_come_together(told, tell, ask):
    tell(f.registered("U-3", occurred_at=SEVEN), merge("U-1", "U-3"))
    assert ("N-7", "U-3") == (occupant(ask, "U-3"), ask("/v1/tags/OWN-2")["unit"])
    tell(f.removed("feed-nut", unit="U-2", occurred_at=ON.format("12:10")))
    assert (None, None) == (occupant(ask, "U-3"), occupant(ask))


def test_one_iron_is_no_contradiction_with_itself(tell, ask):
    """A label, a serial and a part on both pages: doubtful until they are seen to be one, and once they are not."""
    tell(
        f.registered("U-3", more={"serial": "S-1"}, occurred_at=SEVEN),
        f.registered("U-4", more={"serial": "S-1"}, occurred_at=SEVEN),
        f.tag_attached("OWN-3", unit="U-3", occurred_at=EIGHT),
        f.tag_attached("OWN-3", unit="U-4", occurred_at=EIGHT),
        f.fitted("feed-nut", f.piece(serial="N-9"), unit="U-3", occurred_at=EIGHT),
        f.fitted("vanes", f.piece(serial="N-9"), unit="U-4", occurred_at=NINE),
    )

    def codes():
        return [d["code"] for d in ask("/v1/discrepancies", unit="U-3")["discrepancies"]]

    doubtful = ["serial-in-two-places", "serial-shared", "tag-on-two-units"]
    assert doubtful == sorted(codes())
    (merged,) = tell(merge("U-4", "U-3"))
    assert [] == codes()
    tell(f.withdrawn(merged, by=f.SECOND, occurred_at=ON.format("12:10")))
    assert doubtful == sorted(codes())


def test_whatever_moves_the_old_page_is_a_change_of_the_other(told, tell, ask):
    start = ask("/v1/changes")["next"]
    (after,) = tell(f.meter_read("130.0", unit="U-2", occurred_at=ON.format("12:10")))
    found = ask("/v1/changes", **{"from": start})["changes"]
    assert [(after["index"], "U-1"), (after["index"], "U-2")] == [(c["index"], c["unit"]) for c in found]
    one = ask("/v1/changes", **{"from": start, "limit": 1})
    rest = ask("/v1/changes", **{"from": one["next"], "limit": 1})
    assert found == one["changes"] + rest["changes"]


def test_a_unit_is_not_merged_into_itself(post):
    (outcome,) = post([merge("U-1", "U-1")]).json["outcomes"]
    assert (422, "/data/into") == (outcome["status"], outcome["problem"]["errors"][0]["pointer"])


def test_a_redraw_finds_the_same_rows(told, tell, store, book):
    tell(f.meter_read("130.0", unit="U-2", occurred_at=ON.format("12:10")))
    tell(f.withdrawn(told[-1], by=f.SECOND, occurred_at=ON.format("12:20")))
    assert 0 == redraw(store, book).put_right
    tell(merge(), f.meter_read("140.0", unit="U-2", occurred_at=ON.format("12:30")))
    assert 0 == redraw(store, book).put_right


def test_a_release_on_the_old_page_is_asked_of_the_gate_again_for_the_other(told, tell, ask):
    """Signed at no gate, so that reading it judges it; the page it stands on is not that of the unit that is asked."""
    (released,) = tell(f.released(unit="U-2", occurred_at=ON.format("12:20")))
    release = ask("/v1/units/U-1/condition")["release"]
    assert ("REL-1", []) == (release["release"], release["duplicates"])
    assert released["id"] in ids(ask)
