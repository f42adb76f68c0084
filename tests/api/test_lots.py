"""Where the pieces of a lot are, and whether they add up: `GET /v1/lots` (CONTRACT C, Lot; JOB.md 4.4, row 16)."""

from collections import Counter
from itertools import count
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service_api.answering.asking import NOW
from service_api.wire.entries import read_draft
from tests import factories as f
from tests.conftest import new_book
from tests.property.test_oracle import ADMIN, FEW

pytestmark = pytest.mark.usefixtures("standing_unit")
BOOKS = count()


def at(day: int, hour: int = 9) -> dict[str, str]:
    return {"occurred_at": f"2026-01-{day:02d}T{hour:02d}:00:00+01:00"}


def of_lot(qty: int = 1, lot: str = "L-1") -> dict[str, Any]:
    return f.piece(qty=qty, lot=lot)


def into(unit: str, qty: int = 1, came_from: str | None = "stock", lot: str = "L-1", **envelope: Any) -> dict[str, Any]:
    data = f.without_none({"slot": "vane-set", "pieces": [of_lot(qty, lot)], "from": came_from})
    return f.entry("part.fitted", data, unit=unit, **envelope)


def moved(qty: int, source: str, target: str, **envelope: Any) -> dict[str, Any]:
    data = {"part_no": "P-1", "qty": qty, "from": source, "to": target}
    return f.entry("lot.moved", data, **({"subject": "lot:L-1"} | envelope))


def sold(qty: int, **envelope: Any) -> dict[str, Any]:
    data = {"part_no": "P-1", "qty": qty, "to": "party-a", "dispatched_on": "2026-01-05"}
    return f.entry("part.sold", data, **({"subject": "lot:L-1"} | envelope))


def balance(found: dict[str, Any]) -> tuple[int, int, int]:
    return found["balance"]["received"], found["balance"]["accounted"], found["balance"]["gap"]


def where(stays: list[dict[str, Any]]) -> list[tuple[str, str, int]]:
    return [(s["unit"], s["slot"], s["qty"]) for s in stays]


def imbalances(ask: Any, **when: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = ask("/v1/discrepancies", code="lot-imbalance", **when)["discrepancies"]
    return found


def test_every_piece_of_a_lot_is_somewhere(tell, ask):
    """40 received: 5 fitted, 3 in a kit, 2 sold, 4 at the supplier again, 1 in the bin, 5 scrapped, 20 in stock."""
    got, fit, worn, gone = tell(
        f.lot_received("L-1", 40, **at(2)),
        into("U-1", 5, **at(3)),
        into("U-2", 5, **at(3)),
        f.removed("vane-set", to="scrap", unit="U-2", **at(4)),
    )
    tell(
        moved(3, "stock", "kit:K-1", **at(4)),
        moved(4, "stock", "supplier", **at(4)),
        moved(1, "stock", "bin", **at(4)),
        sold(2, **at(5)),
    )
    found = ask("/v1/lots/L-1")
    assert ("P-1", 40) == (found["part_no"], found["received"])
    assert [("U-1", "vane-set", 5), ("U-2", "vane-set", 5)] == where(found["ever"])
    assert [("U-1", "vane-set", 5)] == where(found["now"])
    assert {"stock": 20, "quarantine": 0, "bin": 1, "kit:K-1": 3} == found["loose"]
    assert {"scrap": 5, "supplier": 4, "sold": 2} == found["gone"]
    assert (40, 40, 0) == balance(found)
    assert [] == found["discrepancies"] == imbalances(ask)
    was = found["ever"][1]
    assert ([worn["id"], gone["id"]], "2026-01-04T08:00") == (was["entries"], was["until"][:16])
    assert {got["id"], fit["id"]} <= set(found["entries"])


def test_row_4_4_16_fitted_beyond_what_was_there_is_a_gap_that_stays_until_it_is_explained(tell, ask):
    """CONTRACT C: received 4, fitted 5 is -1."""
    _, fit = tell(f.lot_received("L-1", 4, **at(2)), into("U-1", 5, **at(3)))
    found = ask("/v1/lots/L-1")
    assert (4, 5, -1) == balance(found)
    (one,) = found["discrepancies"]
    assert [one] == imbalances(ask)
    assert (f"lot-imbalance:{fit['id']}", "lot:L-1", None, ["stores"], False) == (
        one["key"],
        one["subject"],
        one["unit"],
        one["who_may"],
        one["holds_release"],
    )
    (more,) = tell(f.lot_received("L-1", 1, **at(2, 12)))
    assert (5, 5, 0) == balance(ask("/v1/lots/L-1")), "the second delivery was only typed late"
    assert [] == imbalances(ask)
    assert [one["key"]] == [d["key"] for d in imbalances(ask, known_index=more["index"])]


def test_row_4_4_16_pieces_that_went_nobody_knows_where_are_a_gap(tell, ask):
    _, _, out = tell(
        f.lot_received("L-1", 5, **at(2)),
        into("U-1", 5, **at(3)),
        f.removed("vane-set", of_lot(5), to="unknown", **at(4)),
    )
    assert (5, 0, 5) == balance(ask("/v1/lots/L-1"))
    assert [f"lot-imbalance:{out['id']}"] == [d["key"] for d in imbalances(ask)]
    assert [] == imbalances(ask, true_at="2026-01-03T12:00:00+01:00")
    tell(f.superseded(out, out["data"] | {"to": "scrap"}))
    assert (5, 5, 0) == balance(ask("/v1/lots/L-1"))


def test_row_4_4_16_a_removal_that_says_fewer_than_went_in_shows_the_others(tell, ask):
    tell(
        f.lot_received("L-1", 5, **at(2)),
        into("U-1", 5, **at(3)),
        f.removed("vane-set", of_lot(3), to="scrap", **at(4)),
    )
    assert (5, 3, 2) == balance(ask("/v1/lots/L-1"))


def test_row_4_4_16_is_lifted_by_the_stores_as_it_stands_and_comes_back_when_it_changes(tell, ask, client_of, post):
    _, fit = tell(f.lot_received("L-1", 4, **at(2)), into("U-1", 5, **at(3)))
    key = f"lot-imbalance:{fit['id']}"
    (lift,) = tell(f.hold_lifted(key, subject="lot:L-1", by="sam.stores"))
    assert [] == imbalances(ask)
    assert -1 == ask("/v1/lots/L-1")["balance"]["gap"], "lifted is not gone"
    assert [key] == [d["key"] for d in imbalances(ask, known_index=lift["index"])]
    tell(into("U-2", 1, **at(4)))
    (again,) = imbalances(ask)
    assert key != again["key"]


@pytest.mark.parametrize("subject", ["unit:U-1", "shop:depot"])
def test_row_4_4_16_is_lifted_on_a_unit_or_the_shop_too(tell, ask, subject):
    _, fit = tell(f.lot_received("L-1", 4, **at(2)), into("U-1", 5, **at(3)))
    tell(f.hold_lifted(f"lot-imbalance:{fit['id']}", subject=subject, by="sam.stores"))
    assert [] == imbalances(ask)


def test_row_4_4_16_look_alikes_that_add_up(tell, ask):
    """Back in stock and in again, into a kit and out of it, a fit that does not say from where."""
    tell(
        f.lot_received("L-1", 10, **at(2)),
        moved(5, "stock", "kit:K-1", **at(2, 10)),
        into("U-1", 5, "kit:K-1", **at(3)),
        f.removed("vane-set", to="bin", **at(3, 11)),
        into("U-1", 5, "bin", **at(3, 12)),
        into("U-2", 5, None, **at(4)),
        f.removed("vane-set", to="stock", unit="U-2", **at(4, 11)),
    )
    assert (10, 10, 0) == balance(ask("/v1/lots/L-1"))
    assert [] == imbalances(ask)


def test_pieces_on_their_way_from_unit_to_unit_are_accounted_for(tell, ask):
    tell(
        f.lot_received("L-1", 5, **at(2)),
        into("U-1", 5, **at(3)),
        f.removed("vane-set", to="unit:U-2", **at(4)),
    )
    found = ask("/v1/lots/L-1")
    assert (5, (5, 5, 0)) == (found["loose"]["unit:U-2"], balance(found))
    tell(into("U-2", 5, "unit:U-1", **at(4, 12)))
    found = ask("/v1/lots/L-1")
    assert ([("U-2", "vane-set", 5)], (5, 5, 0)) == (where(found["now"]), balance(found))
    assert "unit:U-2" not in found["loose"]


def test_a_set_taken_out_of_a_unit_without_a_removal_is_in_the_other_alone_and_the_gap_is_marked(tell, ask):
    """Story S2, set 5: moved at an offline bench."""
    _, first, second = tell(
        f.lot_received("L-1", 5, **at(2)), into("U-1", 5, **at(3)), into("U-2", 5, "unit:U-1", **at(4))
    )
    found = ask("/v1/lots/L-1")
    assert [("U-2", "vane-set", 5)] == where(found["now"])
    assert (5, 5, 0) == balance(found)
    gone = found["ever"][0]
    assert ("no removal from vane-set of U-1 is logged", [first["id"], second["id"]]) == (gone["gap"], gone["entries"])
    tell(f.removed("vane-set", to="unit:U-2", **at(3, 12)))
    found = ask("/v1/lots/L-1")
    assert ([None, None], (5, 5, 0)) == ([s["gap"] for s in found["ever"]], balance(found))


def test_a_set_of_two_lots_counts_in_both(tell, ask):
    mixed = [of_lot(2, "VN-C"), of_lot(3, "VN-A")]
    tell(
        f.lot_received("VN-C", 8, **at(2)),
        f.lot_received("VN-A", 3, **at(2)),
        f.fitted("vane-set", *mixed, **at(3)),
    )
    assert [("U-1", "vane-set", 2)] == where(ask("/v1/lots/VN-C")["now"])
    assert [("U-1", "vane-set", 3)] == where(ask("/v1/lots/VN-A")["now"])
    tell(f.removed("vane-set", to="quarantine", **at(4)))
    assert [(2, 0), (3, 0)] == [
        (found["loose"]["quarantine"], found["balance"]["gap"])
        for found in (ask("/v1/lots/VN-C"), ask("/v1/lots/VN-A"))
    ]


def test_a_correction_names_another_lot_and_a_move_another_unit(tell, ask):
    _, fit = tell(f.lot_received("L-1", 5, **at(2)), into("U-1", 5, lot="L-2", **at(3)))
    assert -5 == ask("/v1/lots/L-2")["balance"]["gap"]
    (right,) = tell(f.superseded(fit, fit["data"] | {"pieces": [of_lot(5)]}))
    assert [("U-1", "vane-set", 5)] == where(ask("/v1/lots/L-1")["now"])
    tell(f.reattributed(fit, "unit:U-2"))
    found = ask("/v1/lots/L-1")
    assert [("U-2", "vane-set", 5)] == where(found["now"]) == where(found["ever"])
    assert [("U-1", "vane-set", 5)] == where(ask("/v1/lots/L-1", known_index=right["index"] + 1)["now"])
    assert [] == ask("/v1/lots/L-1", known_index=right["index"])["now"]


def test_the_answer_can_be_asked_again_by_its_index(tell, ask):
    tell(f.lot_received("L-1", 5, **at(2)), into("U-1", 5, **at(3)))
    then = ask("/v1/lots/L-1")
    tell(f.removed("vane-set", to="scrap", **at(4)))
    again = ask("/v1/lots/L-1", known_index=then["as_of"]["index"])
    assert then["now"] == again["now"]
    assert then["as_of"]["index"] == again["as_of"]["index"]


def test_lots_are_listed_by_number_and_those_that_do_not_add_up_by_themselves(tell, ask, client):
    tell(f.lot_received("L-1", 4, **at(2)), f.lot_received("L-2", 4, **at(2)), into("U-1", 5, **at(3)))
    every = ask("/v1/lots")
    assert [("L-1", -1), ("L-2", 0)] == [(lot["lot"], lot["balance"]["gap"]) for lot in every["lots"]]
    assert ["L-1"] == [lot["lot"] for lot in ask("/v1/lots", unbalanced="true")["lots"]]
    page = ask("/v1/lots", limit=1)
    assert ["L-1"] == [lot["lot"] for lot in page["lots"]]
    assert ["L-2"] == [lot["lot"] for lot in ask("/v1/lots", cursor=page["next"])["lots"]]
    assert 422 == client.get("/v1/lots?unbalanced=yes").status_code


def test_what_went_in_under_an_old_number_comes_out_under_the_new_one(tell, ask):
    """Two pages of one iron: fitted on U-1, which was merged into U-2, and removed there without a word of the lot."""
    merge = {"into": "U-2", "why": "one iron", "evidence": ["engraving"], "second": "lou.lead"}
    *_, merged, out = tell(
        f.lot_received("L-1", 5, **at(2)),
        into("U-1", 5, **at(3)),
        f.entry("unit.merged", merge, **at(4)),
        f.removed("vane-set", to="scrap", unit="U-2", **at(4, 11)),
    )
    found = ask("/v1/lots/L-1")
    assert ([], 5, (5, 5, 0)) == (found["now"], found["gone"]["scrap"], balance(found))
    assert [("U-2", "vane-set", 5)] == where(found["ever"])
    assert [("U-1", "vane-set", 5)] == where(ask("/v1/lots/L-1", known_index=merged["index"])["now"])
    tell(f.withdrawn(merged))
    found = ask("/v1/lots/L-1")
    assert [("U-1", "vane-set", 5)] == where(found["now"])
    assert out["id"] not in found["entries"]


def test_a_lot_that_nobody_named_is_not_found(client):
    assert 404 == client.get("/v1/lots/L-77").status_code


# On the demo


def test_q30_every_lot_that_was_received_adds_up_and_vn_2311_c_to_40(demo):
    """JOB.md question 30, and S2 as far as it is planted: 40 loose vanes, sets 2 and 5 of it fitted.

    The hoist of set 5 was scrapped, and the set moved on to SEL-008. Nobody received the parts that hoists came with.
    """
    astray = demo.ask("/v1/lots", unbalanced="true")["lots"]
    assert {0} == {lot["received"] for lot in astray}
    assert {lot["lot"] for lot in astray} == {d["subject"][4:] for d in imbalances(demo.ask)}
    found = demo.ask("/v1/lots/VN-2311-C")
    assert ("GRP-V18", (40, 40, 0)) == (found["part_no"], balance(found))
    assert [("FAC-006", "vane-set", 5), ("SEL-008", "vane-set", 5)] == where(found["now"])
    assert ["FAC-006", "ACH-005", "SEL-008"] == [stay["unit"] for stay in found["ever"]]
    assert 30 == found["loose"]["stock"]


def test_q30_s4_before_the_labels_were_settled_the_set_was_believed_to_be_in_fac_003(demo):
    eve = demo.ask("/v1/lots/VN-2311-C", known_at="2024-01-08T12:00:00+01:00")
    assert ["FAC-003"] == [stay["unit"] for stay in eve["now"]]


# No drift between late and in order

STEPS = (
    lambda n, u: f.lot_received("L-1", n),
    lambda n, u: moved(n, "stock", ("quarantine", "kit:K-1", "scrap", "bin")[n % 4]),
    lambda n, u: moved(n, ("quarantine", "kit:K-1", "bin")[n % 3], "stock"),
    lambda n, u: sold(n),
    lambda n, u: into(u, n, ("stock", "bin", None, "unit:U-1")[n % 4]),
    lambda n, u: into(u, n, "stock"),
    lambda n, u: f.removed("vane-set", to=("scrap", "stock", "unknown", "unit:U-2")[n % 4], unit=u),
    lambda n, u: f.removed("vane-set", of_lot(n), to="bin", unit=u),
)


@st.composite
def lives(draw):
    """What happened to a lot, in the order in which it happened, some of it withdrawn later on."""
    told = []
    for minute in range(draw(st.integers(1, 14))):
        made = draw(st.sampled_from(STEPS))(draw(st.integers(1, 6)), draw(st.sampled_from(["U-1", "U-2"])))
        told.append(made | {"occurred_at": f"2025-12-01T09:{minute:02d}:00+01:00", "by": "mo.manager"})
    struck = [f.withdrawn(raw) for raw in told if draw(st.integers(0, 4)) == 0]
    return told, struck


def hear(store, entries):
    book = new_book(store, f"lots.example/{next(BOOKS)}")
    early = {"occurred_at": "2025-11-01T08:00:00+01:00"}
    page = [f.sheet_issued(**early), f.registered(**early), f.registered("U-2", **early)]
    outcomes = store.recorder(book.number).record([read_draft(raw) for raw in (*page, *entries)], ADMIN)
    assert [] == [str(o.refusal) for o in outcomes if o.status != "recorded"]
    return store.answers(book.number).lots


def every_lot(lots: Any) -> list[dict[str, Any]]:
    """The whole answers, less the moment for which they hold."""
    listed = lots.listed("", 9, False, NOW)[0]["lots"]
    return [lots.lot(lot["lot"], NOW) | {"as_of": None} for lot in listed]


@settings(FEW, max_examples=20)
@given(lives(), st.randoms(use_true_random=False))
def test_a_lot_adds_up_the_same_however_late_its_entries_came(store, life, order):
    """In order, in any order of arrival, and where what was withdrawn was never sent."""
    told, struck = life
    gone = {raw["data"]["target"] for raw in struck}
    left = [raw for raw in told if raw["id"] not in gone]
    mixed = list(told)
    order.shuffle(mixed)
    expected = every_lot(hear(store, left))
    assert expected == every_lot(hear(store, [*told, *struck])) == every_lot(hear(store, [*mixed, *struck]))


@FEW
@given(lives())
def test_what_is_accounted_for_is_what_is_fitted_loose_and_gone_and_no_place_holds_fewer_than_none(store, life):
    told, struck = life
    lots = hear(store, [*told, *struck])
    for listed in lots.listed("", 9, False, NOW)[0]["lots"]:
        found = lots.lot(listed["lot"], NOW)
        places = Counter(found["loose"]) + Counter(found["gone"])
        assert all(n >= 0 for n in (*found["loose"].values(), *found["gone"].values()))
        inside = sum(stay["qty"] for stay in found["now"])
        assert found["balance"]["accounted"] == inside + sum(places.values())
        assert found["balance"]["gap"] == found["balance"]["received"] - found["balance"]["accounted"]
        gone = {raw["data"]["target"] for raw in struck}
        delivered = sum(raw["data"]["qty"] for raw in told if raw["type"] == "lot.received" and raw["id"] not in gone)
        assert delivered == found["received"]
        assert bool(found["balance"]["gap"]) == bool(found["discrepancies"])
