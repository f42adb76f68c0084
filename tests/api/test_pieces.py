"""Where a piece has been: `GET /v1/pieces` (DESIGN 7; JOB.md R7: a part that comes out goes somewhere)."""

from typing import Any

from tests import factories as make

BEARING = {"part_no": "P-7", "serial": "B-114"}


def at(day: int, hour: int = 9) -> dict[str, str]:
    return {"occurred_at": f"2026-01-{day:02d}T{hour:02d}:00:00+01:00"}


def into(unit: str, came_from: str = "stock", **envelope: Any) -> dict[str, Any]:
    data = {"slot": "bearing", "pieces": [make.piece(**BEARING)], "from": came_from}
    return make.entry("part.fitted", data, unit=unit, **envelope)


def out_of(unit: str, to: str, **envelope: Any) -> dict[str, Any]:
    return make.removed("bearing", make.piece(**BEARING), to=to, unit=unit, **envelope)


def places(found: dict[str, Any]) -> list[tuple[Any, ...]]:
    return [
        (p["unit"] or p["place"], p["from"] and p["from"][8:13], p["until"] and p["until"][8:13])
        for p in found["chain"]
    ]


def test_a_piece_that_moved_between_units_keeps_its_whole_chain(tell, ask, standing_unit) -> None:
    first, out, again = tell(into("U-1", **at(3)), out_of("U-1", "stock", **at(4)), into("U-2", **at(5)))
    found = ask("/v1/pieces", **BEARING)
    assert [("U-1", "03T08", "04T08"), ("stock", "04T08", "05T08"), ("U-2", "05T08", None)] == places(found)
    assert [[first["id"], out["id"]], [out["id"], again["id"]], [again["id"]]] == [p["entries"] for p in found["chain"]]
    assert [] == found["gaps"]


def test_a_harvest_goes_straight_from_unit_to_unit(tell, ask, standing_unit) -> None:
    tell(into("U-1", **at(3)), out_of("U-1", "unit:U-2", **at(4)), into("U-2", "unit:U-1", **at(4, 10)))
    found = ask("/v1/pieces", **BEARING)
    assert [("U-1", "03T08", "04T08"), ("U-2", "04T09", None)] == places(found)
    assert [] == found["gaps"]


def test_a_missing_removal_and_a_missing_fit_are_gaps(tell, ask, standing_unit) -> None:
    one, other = tell(into("U-1", **at(3)), into("U-2", **at(4)))
    (gap,) = ask("/v1/pieces", **BEARING)["gaps"]
    assert ("no removal from bearing of U-1 is logged", [one["id"], other["id"]]) == (gap["why"], gap["entries"])
    (gone,) = tell(make.removed("bearing", make.piece("P-7", serial="B-9"), to="bin", **at(4)))
    found = ask("/v1/pieces", part_no="P-7", serial="B-9")
    assert [("U-1", None, "04T08"), ("bin", "04T08", None)] == places(found)
    assert [[gone["id"]]] == [g["entries"] for g in found["gaps"]]


def test_what_was_scrapped_and_is_fitted_again_is_a_gap(tell, ask, standing_unit) -> None:
    tell(into("U-1", **at(3)), out_of("U-1", "scrap", **at(4)), into("U-2", **at(5)))
    assert ["it had gone to scrap"] == [g["why"] for g in ask("/v1/pieces", **BEARING)["gaps"]]


def test_then_and_what_was_known_then_are_asked_apart(tell, ask, standing_unit) -> None:
    _, out = tell(into("U-1", **at(3)), out_of("U-1", "stock", **at(4)))
    before = ask("/v1/pieces", **BEARING, true_at="2026-01-03T12:00:00+01:00")
    assert [("U-1", "03T08", None)] == places(before)
    assert [("U-1", "03T08", None)] == places(ask("/v1/pieces", **BEARING, known_index=out["index"]))
    tell(make.withdrawn(out))
    found = ask("/v1/pieces", **BEARING)
    assert [("U-1", "03T08", None)] == places(found)
    assert found["as_of"]["index"] == out["index"] + 2  # the withdrawal had a say


def test_a_piece_that_nobody_named_is_not_found_and_half_a_question_refused(client, standing_unit) -> None:
    assert 404 == client.get("/v1/pieces", query_string=BEARING).status_code
    assert 422 == client.get("/v1/pieces", query_string={"serial": "B-114"}).status_code
