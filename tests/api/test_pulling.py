"""What others pull: the feed of entries and the changes of condition (DESIGN 7, CONTRACT C; JOB.md question 17)."""

from collections.abc import Callable
from typing import Any

import pytest

from service_api.answering.entries import BLOCK
from service_api.domain import changes as domain_changes
from service_api.http import feeds
from tests import factories as f

Ask = Callable[..., Any]
Tell = Callable[..., list[Any]]


def pulled(ask: Ask, limit: int, start: str = "0") -> tuple[list[Any], str]:
    """Everything from a cursor on, page by page, and the cursor at the end."""
    found: list[Any] = []
    while True:
        page = ask("/v1/changes", **{"from": start, "limit": limit})
        found += page["changes"]
        if not page["changes"]:
            return found, page["next"]
        start = page["next"]


def seen(changes: list[Any]) -> list[tuple[int, str]]:
    return [(c["index"], c["unit"]) for c in changes]


def test_q17_a_puller_in_small_pages_sees_each_change_once_and_in_order(demo: Any) -> None:
    whole, end = pulled(demo.ask, 500)
    paged, same_end = pulled(demo.ask, 7)
    assert seen(whole) == seen(paged)
    assert sorted(set(seen(whole))) == seen(whole), "no change twice, none out of order"
    assert end == same_end == str(demo.store.answers(demo.book.number).size())


def test_q17_every_cursor_is_a_place_to_resume_from(demo: Any) -> None:
    """`from` is inclusive: the row of a cursor comes first."""
    whole, _ = pulled(demo.ask, 500)
    for at in range(0, len(whole), 97):
        again = demo.ask("/v1/changes", **{"from": whole[at]["cursor"], "limit": 3})["changes"]
        assert seen(whole[at : at + 3]) == seen(again)


def test_q17_the_last_change_of_every_unit_carries_its_condition(demo: Any) -> None:
    whole, _ = pulled(demo.ask, 500)
    for unit in ("SEL-004", "SEL-002", "FAC-001"):
        now = demo.ask(f"/v1/units/{unit}/condition")
        summary = [c for c in whole if c["unit"] == unit][-1]["condition"]
        assert (now["standing"], now["hours"]) == (summary["standing"], summary["hours"])
        outcomes = {c["characteristic"]: c["conformity"]["outcome"] for c in now["characteristics"] if c["latest"]}
        assert outcomes == {c["characteristic"]: c["outcome"] for c in summary["characteristics"]}


def test_q19_the_same_dispatch_sent_twice_is_taken_once_and_answered_the_same(
    standing_unit: Any, post: Callable[..., Any], ask: Ask
) -> None:
    """JOB.md question 19: the caller's id. Another id is another dispatch."""
    sent = f.dispatched(to="party-a", by="sam.stores")
    first, again = post(sent), post(sent)
    assert (201, 200, first.json | {"again": True}) == (first.status_code, again.status_code, again.json)
    here = [e["id"] for e in ask("/v1/units/U-1/history", types="unit.dispatched")["entries"]]
    changed = [c["index"] for c in pulled(ask, 500)[0]]
    assert ([sent["id"]], 1) == (here, changed.count(first.json["index"]))
    assert 201 == post(sent | {"id": f.entry_id(77)}).status_code
    assert 2 == len(ask("/v1/units/U-1/history", types="unit.dispatched")["entries"])


def test_a_condition_in_short_is_kept_until_the_unit_its_context_or_the_day_moves(
    standing_unit: Any, tell: Tell, ask: Ask, clock: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who pulls a book from its beginning meets a unit in many pages."""
    made, whole = [], domain_changes.summary
    monkeypatch.setattr(
        domain_changes, "summary", lambda state, context: made.append(state.unit) or whole(state, context)
    )

    def last() -> Any:
        return [c for c in pulled(ask, 100)[0] if c["unit"] == "U-1"][-1]["condition"]

    def times_made() -> int:
        before = made.count("U-1")
        last()
        last()
        return made.count("U-1") - before

    last()
    assert 0 == times_made()
    tell(f.reading("0.12"))
    assert {"TST-BL": "0.12"} == {c["characteristic"]: c["value"] for c in last()["characteristics"]}
    assert 0 == times_made()
    tell(f.sheet_issued(rev=2))
    assert 1 == times_made()
    clock.advance(days=1)
    assert 1 == times_made()


def test_past_the_end_there_is_nothing_and_next_stays(standing_unit: Any, ask: Ask) -> None:
    _, end = pulled(ask, 100)
    assert {"changes": [], "next": end, "generation": "1"} == ask("/v1/changes", **{"from": end})
    assert {"entries": [], "next": int(end)} == ask("/v1/feed", **{"from": end})


def test_a_correction_is_a_change_of_every_unit_that_it_touches(standing_unit: Any, tell: Tell, ask: Ask) -> None:
    (taken,) = tell(f.reading("0.12"))
    _, end = pulled(ask, 100)
    (moved,) = tell(f.reattributed(taken, "unit:U-2"))
    found, _ = pulled(ask, 100, end)
    assert [(moved["index"], "U-1"), (moved["index"], "U-2")] == seen(found)
    assert "characteristics" in found[0]["changed"]


def test_a_note_changes_nothing(standing_unit: Any, tell: Tell, ask: Ask) -> None:
    (taken,) = tell(f.reading("0.12"))
    _, end = pulled(ask, 100)
    tell(f.annotated(taken))
    assert [] == pulled(ask, 100, end)[0]


def test_a_new_sheet_is_a_change_of_every_unit_of_its_class(standing_unit: Any, tell: Tell, ask: Ask) -> None:
    _, end = pulled(ask, 100)
    (issued,) = tell(f.sheet_issued(rev=2, effective_on="2026-01-05"))
    found, _ = pulled(ask, 1, end)
    assert [(issued["index"], "U-1"), (issued["index"], "U-2")] == seen(found)
    assert [["limits"], ["limits"]] == [c["changed"] for c in found]


def test_a_gauge_that_is_calibrated_is_a_change_of_the_units_it_measured(
    standing_unit: Any, tell: Tell, ask: Ask
) -> None:
    tell(f.reading("0.12", gauge=f.GAUGE))
    _, end = pulled(ask, 100)
    tell(f.gauge_calibrated())
    assert ["U-1"] == [c["unit"] for c in pulled(ask, 100, end)[0]]


def test_a_late_entry_is_a_change_too(standing_unit: Any, tell: Tell, ask: Ask) -> None:
    tell(f.reading("0.14", occurred_at="2026-01-05T10:00:00+01:00"))
    _, end = pulled(ask, 100)
    (late,) = tell(f.reading("0.12", occurred_at="2026-01-03T10:00:00+01:00"))
    assert [(late["index"], "U-1")] == seen(pulled(ask, 100, end)[0])


def test_the_next_day_on_which_a_condition_changes_by_itself_is_said(standing_unit: Any, tell: Tell, ask: Ask) -> None:
    """On its due day an exam still counts, so the day after is the one (CONTRACT C, gate blocks)."""
    exam = {"exam": "thorough", "examiner": "an examiner", "result": "pass", "due_next": "2026-03-31"}
    tell(f.entry("exam.recorded", exam))
    found, _ = pulled(ask, 100)
    assert "2026-04-01" == found[-1]["condition"]["changes_on"]


def test_the_feed_gives_every_entry_in_the_order_of_the_book(standing_unit: Any, ask: Ask) -> None:
    first = ask("/v1/feed", limit=2)
    rest = ask("/v1/feed", **{"from": first["next"]})
    assert [0, 1] == [e["index"] for e in first["entries"]]
    assert [e["id"] for e in standing_unit] == [e["id"] for e in first["entries"] + rest["entries"]]


def test_the_feed_comes_as_cloud_events_by_accept(standing_unit: Any, client: Any) -> None:
    """CloudEvents 1.0: specversion, id, source and type are required."""
    answer = client.get("/v1/feed?limit=1", headers={"Accept": "application/cloudevents-batch+json"})
    (event,) = answer.json
    assert "application/cloudevents-batch+json" == answer.mimetype
    assert ("1.0", standing_unit[0]["id"], "sheet.issued") == (event["specversion"], event["id"], event["type"])
    assert "/books/test.example/depot" == event["source"]
    assert standing_unit[0]["data"] == event["data"]["data"]


def test_a_long_poll_ends_when_its_time_is_over(standing_unit: Any, ask: Ask) -> None:
    _, end = pulled(ask, 100)
    assert [] == ask("/v1/changes", wait=1, **{"from": end})["changes"]


def test_a_cursor_that_nobody_gave_is_refused(client: Any, book: Any) -> None:
    for text in ("x", "-1", "1:a/b", "1.5"):
        answer = client.get("/v1/changes", query_string={"from": text})
        assert (422, "?from") == (answer.status_code, answer.json["errors"][0]["pointer"]), text


def test_a_page_of_several_blocks_comes_whole_from_memory_or_from_a_file(
    demo: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each entry reads as `/v1/entries/{id}` gives it, in the order of the book."""
    whole = demo.ask("/v1/feed", limit=1000)
    assert BLOCK < len(whole["entries"])
    assert list(range(len(whole["entries"]))) == [e["index"] for e in whole["entries"]]
    for entry in whole["entries"][::97]:
        assert demo.ask(f"/v1/entries/{entry['id']}") == entry
    monkeypatch.setattr(feeds, "LARGE", 100_000)
    assert whole == demo.ask("/v1/feed", limit=1000)
    assert whole["entries"][7:9] == demo.ask("/v1/feed", limit=2, **{"from": 7})["entries"]
