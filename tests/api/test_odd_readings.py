"""Readings that do not fit the sheet: refused when malformed, else recorded and flagged, never dropped, never guessed.

The five are those of the issue; the words and what counts are CONTRACT C's ("Odd readings").
"""

from typing import Any

import pytest

from tests import factories as f

EARLY = {"occurred_at": "2026-01-02T08:00:00+01:00"}
PLACES = ("25", "50", "75")


@pytest.fixture(autouse=True)
def unit(tell: Any) -> None:
    """A worst-of-three with a resolution of 0.01, replaced beyond 0.33 turn."""
    row = f.backlash(positions=list(PLACES), resolution="0.01", rule="simple")
    tell(f.sheet_issued(changes={"characteristics": [row]}, **EARLY), f.registered(**EARLY))


def read(*values: str, at: tuple[str, ...] = PLACES, **more: Any) -> dict[str, Any]:
    readings = [{"value": v, "position": p} for v, p in zip(values, at, strict=True)]
    entry = f.reading(**more)
    entry["data"]["readings"] = readings
    return entry


def row(ask: Any, code: str = "TST-BL") -> dict[str, Any]:
    rows = ask("/v1/units/U-1/condition")["characteristics"]
    return next(r for r in rows if r["characteristic"] == code)


def warned(entry: dict[str, Any]) -> list[tuple[str, str]]:
    return [(w["warning"], w["pointer"]) for w in entry["warnings"]]


def test_three_where_three_are_asked_is_no_remark(tell, ask) -> None:
    (taken,) = tell(read("0.10", "0.12", "0.11"))
    assert [] == warned(taken)
    assert ("0.12", "good") == (row(ask)["latest"]["value"], row(ask)["conformity"]["outcome"])


def test_a_characteristic_that_no_sheet_has_is_a_fact_that_nothing_judges(tell, ask) -> None:
    (taken,) = tell(f.reading("0.20", characteristic="TST-ZZ"))
    assert ["unknown-characteristic"] == [d["code"] for d in taken["discrepancies"]]
    found = row(ask, "TST-ZZ")
    assert ("0.20", "undecided") == (found["latest"]["value"], found["conformity"]["outcome"])


def test_a_position_that_the_sheet_does_not_name_is_kept_and_counts(tell, ask) -> None:
    (taken,) = tell(read("0.10", "0.21", "0.11", at=("25", "45", "75")))
    assert [("unknown-position", "/data/readings/1/position")] == warned(taken)
    found = row(ask)
    assert ("0.21", ["25", "45", "75"]) == (
        found["latest"]["value"],
        [r["position"] for r in found["latest"]["readings"]],
    )


def test_more_digits_than_are_resolved_stay_as_they_were_written(tell, ask) -> None:
    (taken,) = tell(read("0.10", "0.1234", "0.11"))
    assert [("beyond-resolution", "/data/readings/1/value")] == warned(taken)
    assert "0.1234" == row(ask)["latest"]["readings"][1]["value"]
    assert "0.1234" == taken["data"]["readings"][1]["value"]


def test_a_uom_of_the_wrong_dimension_is_refused_and_nothing_of_it_is_kept(post, ask) -> None:
    before = ask("/v1/entries")["entries"]
    answer = post(read("0.10", "0.12", "0.11", uom="bar"))
    assert (422, "/data/uom", "wrong-dimension") == (
        answer.status_code,
        answer.json["errors"][0]["pointer"],
        answer.json["errors"][0]["code"],
    )
    assert before == ask("/v1/entries")["entries"]


def test_five_readings_where_three_are_asked_all_count(tell, ask) -> None:
    (taken,) = tell(read("0.10", "0.12", "0.11", "0.10", "0.24", at=("25", "50", "75", "25", "50")))
    assert [("too-many-readings", "/data/readings")] == warned(taken)
    found = row(ask)
    assert ("0.24", 5, "watch") == (
        found["latest"]["value"],
        len(found["latest"]["readings"]),
        found["conformity"]["outcome"],
    )


@pytest.mark.parametrize(("value", "outcome"), [("0.10", "undecided"), ("0.34", "replace")])
def test_two_readings_where_three_are_asked_decide_nothing_unless_they_are_bad_enough(
    tell, ask, value, outcome
) -> None:
    (taken,) = tell(read("0.10", value, at=("25", "50")))
    assert [("too-few-readings", "/data/readings")] == warned(taken)
    assert outcome == row(ask)["conformity"]["outcome"]
