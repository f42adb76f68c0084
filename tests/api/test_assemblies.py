"""Parts and assemblies that move keep their past: hours add up over the places (CONTRACT D; DESIGN 3; JOB.md 1.10)."""

from typing import Any

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")
BEARING = f.piece("P-9", serial="B-114")
BAR = f.piece("P-BAR", unit="BAR-1")


def at(day: int, hour: int = 9) -> dict[str, str]:
    return {"occurred_at": f"2026-01-{day:02d}T{hour:02d}:00:00+01:00"}


def read(hours: str, unit: str, day: int, hour: int = 9) -> dict[str, Any]:
    return f.meter_read(hours, unit=unit, **at(day, hour))


def into(unit: str, day: int, piece: dict[str, Any] = BEARING, came_from: str = "stock") -> dict[str, Any]:
    data = {"slot": "bearing", "pieces": [piece], "from": came_from}
    return f.entry("part.fitted", data, unit=unit, **at(day, 10))


def out_of(unit: str, day: int, piece: dict[str, Any] = BEARING, to: str = "stock") -> dict[str, Any]:
    return f.removed("bearing", piece, to=to, unit=unit, **at(day, 10))


def on(ask: Any, unit: str, **when: Any) -> dict[str, Any]:
    found: dict[str, Any] = ask(f"/v1/units/{unit}/slots/bearing", **when)["hours_on"]
    (row,) = (s for s in ask(f"/v1/units/{unit}/condition", **when)["slots"] if s["slot"] == "bearing")
    assert row["hours_on"] == found
    return found


def first_life(unit: str = "U-1") -> list[dict[str, Any]]:
    """Fifty hours in one unit, from 100 to 150."""
    return [read("100.0", unit, 2), into(unit, 2), read("150.0", unit, 4), out_of(unit, 4)]


def test_a_part_that_moved_has_the_hours_of_its_earlier_places(tell, ask) -> None:
    """50 h in the first, 20 in the second."""
    _, fit, last, _, _, again, now = tell(*first_life(), read("10.0", "U-2", 4), into("U-2", 4), read("30.0", "U-2", 5))
    found = on(ask, "U-2")
    assert "70.0" == found["value"]
    assert [fit["id"], last["id"], again["id"], now["id"]] == found["entries"]
    assert "50.0" == on(ask, "U-2", true_at="2026-01-04T12:00:00+01:00")["value"]


def test_one_that_went_out_and_in_again_on_its_own_unit_goes_on(tell, ask) -> None:
    tell(*first_life(), into("U-1", 4), read("160.0", "U-1", 5))
    assert "60.0" == on(ask, "U-1")["value"]


def test_what_the_fit_says_of_its_hours_beats_what_the_book_adds_up(tell, ask) -> None:
    known = BEARING | {"hours": f.q("500", "h")}
    tell(*first_life(), read("10.0", "U-2", 4), into("U-2", 4, known), read("30.0", "U-2", 5))
    assert "520.0" == on(ask, "U-2")["value"]


def test_and_from_there_on_it_is_added_up(tell, ask) -> None:
    tell(
        read("100.0", "U-1", 2),
        into("U-1", 2, BEARING | {"hours": f.q("500", "h")}),
        read("150.0", "U-1", 4),
        out_of("U-1", 4),
        read("10.0", "U-2", 4),
        into("U-2", 4),
        read("30.0", "U-2", 5),
    )
    assert "570.0" == on(ask, "U-2")["value"]


def test_a_late_reading_on_the_unit_where_it_was_moves_the_hours_where_it_is(tell, ask) -> None:
    tell(*first_life(), read("10.0", "U-2", 4), into("U-2", 4))
    assert "50.0" == on(ask, "U-2")["value"]
    (late,) = tell(read("155.0", "U-1", 4, 9) | {"occurred_at": "2026-01-04T09:30:00+01:00"})
    assert "55.0" == on(ask, "U-2")["value"]
    assert "50.0" == on(ask, "U-2", known_index=late["index"])["value"]


def test_a_gap_in_an_earlier_place_leaves_a_range_and_one_before_it_does_not(tell, ask) -> None:
    """The counter was changed unread, two days after 150 h: 48 h at most. In the second unit the gap was before."""
    swap = {"meter": "hours", "old_final": {"unknown": "crushed"}, "new_start": f.q("0.0", "h")}
    tell(
        read("100.0", "U-1", 1),
        into("U-1", 1),
        read("150.0", "U-1", 2),
        f.entry("meter.replaced", swap, **at(4)),
        out_of("U-1", 4),
        read("10.0", "U-2", 1),
        f.entry("meter.replaced", swap, unit="U-2", **at(3)),
        into("U-2", 4),
        read("5.0", "U-2", 5),
    )
    found = on(ask, "U-2")
    assert ("55.0", "103.0") == (found["low"], found["high"])


def test_a_part_taken_without_a_removal_has_what_it_did_up_to_then(tell, ask) -> None:
    """`from: unit:U-1` ends its time there; what U-1 did afterwards is not the part's."""
    tell(
        *first_life()[:3],
        read("10.0", "U-2", 4),
        into("U-2", 4, came_from="unit:U-1"),
        read("30.0", "U-2", 5),
        read("190.0", "U-1", 5),
    )
    assert "70.0" == on(ask, "U-2")["value"]


def test_look_alikes_another_serial_and_a_lot_have_no_past(tell, ask) -> None:
    other, lot = f.piece("P-9", serial="B-115"), f.piece("P-9", lot="L-1")
    tell(*first_life(), read("10.0", "U-2", 4), into("U-2", 4, other), read("30.0", "U-2", 5))
    assert "20.0" == on(ask, "U-2")["value"]
    tell(out_of("U-2", 5, other), into("U-2", 5, lot))
    assert "0.0" == on(ask, "U-2")["value"]


def test_a_set_of_pieces_with_different_pasts_has_no_one_figure(tell, ask) -> None:
    pair = {"slot": "bearing", "pieces": [BEARING, f.piece("P-9", serial="B-115")], "from": "stock"}
    tell(*first_life(), read("10.0", "U-2", 4), f.entry("part.fitted", pair, unit="U-2", **at(4, 10)))
    assert "its pieces came with different hours" == on(ask, "U-2")["unknown"]


# Assemblies: units that sit in a slot of a machine


@pytest.fixture
def bar(tell: Any) -> None:
    row = f.offset(code="BAR-DW", title="diameter", worse="lower", watch="59.950", replace="59.920")
    tell(
        f.sheet_issued("BAR", changes={"family": "assembly", "meters": [], "characteristics": [row]}, **at(1)),
        f.registered("BAR-1", "BAR", more={"family": "assembly"}, **at(1)),
    )


def condition(ask: Any, **when: Any) -> dict[str, Any]:
    found: dict[str, Any] = ask("/v1/units/BAR-1/condition", **when)
    return found


def test_an_assembly_has_its_own_history_and_the_hours_of_its_machines(tell, ask, bar) -> None:
    worn = f.reading("59.970", characteristic="BAR-DW", uom="mm", unit="BAR-1", **at(3))
    tell(
        read("100.0", "U-1", 2),
        into("U-1", 2, BAR),
        worn,
        read("150.0", "U-1", 4),
        out_of("U-1", 4, BAR),
        read("10.0", "U-2", 4),
        into("U-2", 4, BAR),
        read("30.0", "U-2", 5),
    )
    found = condition(ask)
    assert "70.0" == found["hours"]["value"]
    assert ("U-2", "bearing") == (found["host"]["unit"], found["host"]["slot"])
    (row,) = found["characteristics"]
    assert ("59.970", worn["id"]) == (row["latest"]["value"], row["latest"]["entry"])
    assert "70.0" == on(ask, "U-2")["value"], "in the machine's slot it has the same"
    assert ["unit.registered", "reading.taken"] == [e["type"] for e in ask("/v1/units/BAR-1/history")["entries"]], (
        "its own page"
    )
    named = {e["type"] for e in ask("/v1/entries", subject="unit:BAR-1")["entries"]}
    assert {"part.fitted", "part.removed"} <= named


def test_where_an_assembly_was_then(tell, ask, bar) -> None:
    _, fit, _, out = tell(read("100.0", "U-1", 2), into("U-1", 2, BAR), read("150.0", "U-1", 4), out_of("U-1", 4, BAR))
    then = condition(ask, true_at="2026-01-03T12:00:00+01:00")
    assert ("U-1", fit["id"]) == (then["host"]["unit"], then["host"]["entry"])
    assert None is condition(ask)["host"]
    assert "U-1" == condition(ask, known_index=out["index"])["host"]["unit"]


def test_an_assembly_s_answer_is_as_fresh_as_its_machine(tell, ask, bar) -> None:
    assert ("no meter", None) == (condition(ask)["hours"]["unknown"], condition(ask)["host"])
    (_, fit) = tell(read("100.0", "U-1", 2), into("U-1", 2, BAR))
    assert ("0.0", "U-1") == (condition(ask)["hours"]["value"], condition(ask)["host"]["unit"])
    tell(read("140.0", "U-1", 4))
    assert "40.0" == condition(ask)["hours"]["value"]
    tell(f.withdrawn(fit))
    assert ("no meter", None) == (condition(ask)["hours"]["unknown"], condition(ask)["host"])


def test_an_assembly_with_a_meter_of_its_own_goes_by_that(tell, ask, bar) -> None:
    tell(read("7.0", "BAR-1", 2), read("100.0", "U-1", 2), into("U-1", 2, BAR), read("150.0", "U-1", 4))
    assert "7.0" == condition(ask)["hours"]["value"]
