"""Question 31 of JOB.md 6: which entries were typed more than 7 days after the work, by person and site."""

from typing import Any

import pytest

from tests import factories as f

pytestmark = pytest.mark.usefixtures("standing_unit")
TEN, EIGHT, SEVEN = "2025-12-26T12:00:00+01:00", "2025-12-28T12:00:00+01:00", "2025-12-29T13:00:00+01:00"


def late(ask: Any, days: int = 7, **query: Any) -> dict[str, Any]:
    found: dict[str, Any] = ask("/v1/entries", late_days=days, **query)
    return found


def ids(found: dict[str, Any]) -> list[str]:
    return [entry["id"] for entry in found["entries"]]


def groups(found: dict[str, Any]) -> list[tuple[Any, ...]]:
    return [(g["person"], g["site"], g["count"], g["worst_days"]) for g in found["groups"]]


def test_q31_late_entries_are_grouped_by_who_typed_them_and_where(tell, ask) -> None:
    """The clock stands at 12:00 UTC on 5 January; exactly seven days is not more than seven."""
    told = tell(
        f.scanned(occurred_at=TEN, by="ada.bench", typed_by="sam.stores", site="north"),
        f.scanned(occurred_at=EIGHT, by="bob.bench", typed_by="sam.stores", site="north"),
        f.scanned(occurred_at=EIGHT, by="bob.bench", site="south"),
        f.scanned(occurred_at=SEVEN, by="bob.bench", site="south"),
        f.lot_received(occurred_at=TEN),
    )
    found = late(ask)
    assert [e["id"] for e in (*told[:3], told[4])] == ids(found)
    assert [("sam.stores", "north", 2, 10), ("bob.bench", "south", 1, 8), ("sam.stores", None, 1, 10)] == groups(found)
    assert 4 == found["count"]
    assert [told[0]["id"], told[1]["id"]] == found["groups"][0]["entries"]


def test_q31_history_and_imports_were_not_typed_late(tell, ask) -> None:
    tell(
        *(f.scanned(occurred_at=TEN, source={"kind": kind}) for kind in ("history", "import")),
        f.scanned(occurred_at=TEN, source={"kind": "paper", "ref": "card 7"}),
    )
    assert 1 == late(ask)["count"]


def test_q31_by_the_corrected_moment(tell, ask) -> None:
    """Typed as of ten days ago by a slip; it was yesterday. And the other way round. A withdrawn one counts no more."""
    slip, other, gone = tell(
        f.scanned(occurred_at=TEN), f.reading("0.20"), f.scanned(occurred_at=EIGHT, by="bob.bench")
    )
    assert [slip["id"], gone["id"]] == ids(late(ask))
    tell(
        f.superseded(slip, {}, at="2026-01-04T12:00:00+01:00"),
        f.superseded(other, other["data"], at=TEN),
        f.withdrawn(gone),
    )
    assert [other["id"]] == ids(late(ask))


def test_q31_a_clock_that_is_known_to_be_wrong_makes_nothing_late(tell, ask) -> None:
    offset = -10 * 24 * 3600 * 1000  # the tablet shows ten days ago
    tell(f.scanned(occurred_at=TEN, device={"id": "tab", "seq": 1, "clock_offset_ms": offset}))
    assert [] == ids(late(ask))


def test_q31_narrowed_and_page_by_page(tell, ask) -> None:
    told = tell(
        *(f.scanned(occurred_at=TEN, by=who, site=site) for who in ("ada.bench", "bob.bench") for site in ("n", "s"))
    )
    assert [told[2]["id"], told[3]["id"]] == ids(late(ask, person="bob.bench"))
    assert [told[3]["id"]] == ids(late(ask, person="bob.bench", site="s"))
    assert [] == ids(late(ask, days=30))
    page = late(ask, limit=3)
    assert (3, 4) == (len(page["entries"]), page["count"])
    assert [told[3]["id"]] == ids(late(ask, limit=3, cursor=page["next"]))


@pytest.mark.parametrize(
    "query",
    ["late_days=0", "late_days=week", "person=ada.bench", "late_days=7&subject=unit:U-1", "late_days=7&job=J-1"],
)
def test_q31_what_cannot_be_asked(client, query) -> None:
    assert 422 == client.get(f"/v1/entries?{query}").status_code


def test_q31_is_no_question_of_a_customer_s(client_of) -> None:
    assert 403 == client_of("customer", person="cus.a", party="party-a").get("/v1/entries?late_days=7").status_code


def test_q31_the_demo_s_card_of_fac_007_came_nine_days_after_the_work(demo) -> None:
    """Kelderwick's card of 16 January 2024 was typed nine days later; that of FAC-004, the next day, was not late."""
    found = late(demo.ask)
    assert {"unit:FAC-007"} == {e["subject"] for e in found["entries"]}
    assert [("bertil.oake-lund", "kelderwick", found["count"], 9)] == groups(found)
