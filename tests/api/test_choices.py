"""A characteristic that is looked at and not measured: its words through the API (JOB.md 2.5, HTT-RC)."""

from collections.abc import Callable
from typing import Any

from tests import factories as make

CRACKS = {
    "code": "TST-RC",
    "title": "Cracks",
    "uom": "1",
    "kind": "choice",
    "rule": "guarded",
    "choices": [{"word": "none", "outcome": "good"}, {"word": "any", "outcome": "replace"}],
}


def looked(value: Any) -> dict[str, Any]:
    data = {"characteristic": "TST-RC", "stage": "as_found", "uom": "1", "readings": [{"value": value}]}
    return make.entry("reading.taken", data)


def verdict(ask: Callable[..., Any]) -> dict[str, Any]:
    rows = ask(f"/v1/units/{make.UNIT}/condition")["characteristics"]
    row: dict[str, Any] = next(r for r in rows if r["characteristic"] == "TST-RC")
    return row


def test_a_word_of_the_sheet_is_judged_and_shown_as_it_was_chosen(tell, ask) -> None:
    tell(make.sheet_issued(changes={"characteristics": [CRACKS]}), make.registered(), looked({"word": "none"}))
    assert "good" == verdict(ask)["conformity"]["outcome"]
    assert verdict(ask)["conformity"]["acting_limit"] is None
    assert [{"word": "none"}] == [r["value"] for r in verdict(ask)["latest"]["readings"]]
    tell(looked({"word": "any"}))
    assert "replace" == verdict(ask)["conformity"]["outcome"]


def test_a_word_that_no_sheet_offers_is_a_fact_with_a_warning(tell, ask) -> None:
    tell(make.sheet_issued(changes={"characteristics": [CRACKS]}), make.registered())
    (recorded,) = tell(looked({"word": "hairline"}))
    assert [("unknown-code", "/data/readings/0/value/word")] == [
        (w["warning"], w["pointer"]) for w in recorded["warnings"]
    ]
    assert "undecided" == verdict(ask)["conformity"]["outcome"]


def test_a_bare_word_is_still_no_decimal(tell, post) -> None:
    tell(make.sheet_issued(changes={"characteristics": [CRACKS]}), make.registered())
    answer = post(looked("none"))
    assert (422, "bad-decimal") == (answer.status_code, answer.json["errors"][0]["code"])
