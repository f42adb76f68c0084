"""The list of units: standing and what is due, page by page, as fresh as each unit's own answer."""

from typing import Any

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")


def listed(ask: Any, **query: Any) -> dict[str, dict[str, Any]]:
    return {unit["unit"]: unit for unit in ask("/v1/units", **query)["units"]}


def test_every_unit_has_its_standing_and_what_is_due(tell, ask) -> None:
    (plan,) = tell(f.service_planned("2026-06-01"))
    found = listed(ask)
    assert ["G-1", "U-1", "U-2"] == list(found)
    assert [("service", "2026-06-01", [plan["id"]])] == [
        (d["what"], d["on"], d["entries"]) for d in found["U-1"]["due"]
    ]
    assert ("in_shop", []) == (found["U-2"]["standing"], found["U-2"]["due"])


def test_a_line_is_made_anew_when_anything_that_it_rests_on_has_moved(tell, ask, clock) -> None:
    exam = {"exam": "thorough", "examiner": "somebody outside", "result": "pass", "due_next": "2026-01-07"}
    listed(ask)
    tell(f.fitted("bearing", f.piece("P-9", serial="B-1")), f.entry("exam.recorded", exam, unit="U-2"))
    assert "in_shop" == listed(ask)["U-1"]["standing"]
    tell(f.fitted("bearing", f.piece("P-9", serial="B-1"), unit="U-2"))
    assert ["on_hold", "on_hold"] == [listed(ask)[u]["standing"] for u in ("U-1", "U-2")], "one serial in two places"
    tell(f.removed("bearing", f.piece("P-9", serial="B-1"), to="stock", occurred_at="2026-01-05T08:59:00+01:00"))
    tell(f.entry("part.removed", {"slot": "bearing", "to": "scrap"}, unit="U-2"))
    assert ["in_shop", "in_shop"] == [listed(ask)[u]["standing"] for u in ("U-1", "U-2")]
    tell(f.alert_issued(scope={"units": ["U-1"]}))
    assert "on_hold" == listed(ask)["U-1"]["standing"]
    clock.advance(days=3)
    assert "on_hold" == listed(ask)["U-2"]["standing"], "its examination was due on 7 January"


def test_pages_and_classes(ask) -> None:
    page = ask("/v1/units", limit=2)
    assert (["G-1", "U-1"], "U-1") == ([u["unit"] for u in page["units"]], page["next"])
    page = ask("/v1/units", limit=2, cursor=page["next"])
    assert (["U-2"], None) == ([u["unit"] for u in page["units"]], page["next"])
    assert ["G-1"] == list(listed(ask, **{"class": "GDIAL"}))


def test_each_line_is_what_the_unit_says_of_itself(ask) -> None:
    for unit, line in listed(ask).items():
        own = ask(f"/v1/units/{unit}")
        assert {name: own[name] for name in line if name != "due"} == {n: v for n, v in line.items() if n != "due"}
        assert ask(f"/v1/units/{unit}/card")["due"] == line["due"]


def test_the_list_as_it_was_then_and_as_it_was_known_then(tell, ask, client_of) -> None:
    plan, _ = tell(f.service_planned("2026-06-01"), f.dispatched(unit="U-2"))
    known = {"known_index": plan["index"] + 1}
    assert ("out", "in_shop") == (listed(ask)["U-2"]["standing"], listed(ask, **known)["U-2"]["standing"])
    for query in (known, {"true_at": "2026-01-04T12:00:00+01:00"}):
        for unit, line in listed(ask, **query).items():
            own = ask(f"/v1/units/{unit}", **query)
            assert {name: own[name] for name in line if name != "due"} == {n: v for n, v in line.items() if n != "due"}
    assert [] == listed(ask, true_at="2026-01-04T12:00:00+01:00")["U-1"]["due"]
    assert {} == listed(ask, true_at="2026-01-01T12:00:00+01:00"), "before anybody had registered them"
    theirs = client_of("customer", person="cus.a", party="party-a")
    assert ["U-2"] == [unit["unit"] for unit in theirs.get("/v1/units").json["units"]]
    assert [] == theirs.get("/v1/units", query_string=known).json["units"]
