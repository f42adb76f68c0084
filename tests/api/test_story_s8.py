"""A hoist that was scrapped for parts. Source: JOB.md 8.1, S8 and S2 (set 5), and 1.20 (invented)."""

from decimal import Decimal

import pytest

UNIT = "/v1/units/ACH-005"
SCRAPPED = "2024-08-14T12:00:00+01:00"
ON_THE_BENCH = "2024-08-22T09:00:00+01:00"  # the vanes are out, and Kelderwick is offline still
SYNCED = "2024-08-22T18:00:00+01:00"
REVIEWED = "2024-08-26T12:00:00+01:00"
SEEN = "2025-02-03T09:00:00+01:00"


def history(demo, type_):
    return [i for i in demo.ask(f"{UNIT}/history")["entries"] if i["type"] == type_]


def held(demo, **query):
    return demo.ask("/v1/holds", unit="ACH-005", **query)["holds"]


@pytest.fixture
def vanes_out(demo):
    return next(i for i in history(demo, "part.removed") if i["data"]["slot"] == "vane-set")


def test_s8_dropped_on_a_quay_reported_on_12_august_and_scrapped_on_the_14th(demo):
    (reported,) = history(demo, "complaint.reported")
    (retired,) = history(demo, "unit.retired")
    assert ("2024-08-12", "2024-08-14") == (reported["occurred_at"][:10], retired["occurred_at"][:10])
    assert "quay" in reported["data"]["words"]
    assert ["pendant", "throttle-spool", "silencer"] == retired["data"]["harvest_allowed"]
    assert ("retired", []) == (demo.ask(UNIT, true_at=SCRAPPED)["standing"], held(demo, true_at=SCRAPPED))


def test_s8_what_was_allowed_went_to_stock_and_what_was_refused_to_scrap(demo):
    """JOB.md 8.1: refused are chain, hooks, brake."""
    went = {i["data"]["slot"]: i["data"]["to"] for i in history(demo, "part.removed")}
    assert {"pendant": "stock", "throttle-spool": "stock", "silencer": "stock"} == {
        k: v for k, v in went.items() if v == "stock"
    }
    refused = ["bottom-hook", "brake-disc-set", "load-chain", "top-hook"]
    assert refused == sorted(k for k, v in went.items() if v == "scrap")
    assert "unit:SEL-008" == went["vane-set"]


def test_s8_a_harvest_is_no_doubt_and_the_vanes_that_were_taken_anyway_are(demo, vanes_out):
    """At sync and not before: the bench was offline on 21 August."""
    assert [] == held(demo, known_at=ON_THE_BENCH)
    (hold,) = held(demo, known_at=SYNCED)
    assert (f"scan-after-scrap:{vanes_out['id']}", ["manager"]) == (hold["key"], hold["lift_by"])
    assert "harvested from vane-set, which the retirement does not allow" in hold["why"]
    assert "2024-08-21" == hold["since"][:10]
    assert [] == held(demo, known_at=REVIEWED)


def test_s8_the_vane_set_is_in_sel_008_with_its_lot(demo):
    """S2, set 5: moved to SEL-008 on 21 August 2024 at an offline bench."""
    found = demo.ask("/v1/units/SEL-008/slots/vane-set", true_at=SYNCED)
    assert [("VN-2311-C", 5)] == [(p["lot"], p["qty"]) for p in found["occupant"]["pieces"]]
    assert "2024-08-21" == found["occupant"]["since"][:10]
    assert None is demo.ask(f"{UNIT}/slots/vane-set", true_at=SYNCED)["occupant"]


def test_s8_its_tag_is_scanned_at_kelderwick_and_says_scrapped_hold(demo):
    scan = history(demo, "tag.scanned")[-1]
    assert ("2025-02-03", "kelderwick") == (scan["occurred_at"][:10], scan["site"])
    answer = demo.ask(f"/v1/tags/{demo.ready.tags['ACH-005']}")
    assert "ACH-005" == answer["unit"]
    assert any("retired on 2024-08-14" in words for words in answer["warnings"]), answer["warnings"]
    card = demo.ask(f"{UNIT}/card")
    assert ("retired", "retired") == (card["standing"], card["warnings"][0]["warning"])
    assert [f"scan-after-scrap:{scan['id']}"] == [h["key"] for h in card["holds"]]
    (hold,) = held(demo)
    assert (f"scan-after-scrap:{scan['id']}", "2025-02-03", ["manager"]) == (
        hold["key"],
        hold["since"][:10],
        hold["lift_by"],
    )
    assert (scan["by"], scan["site"]) == ("pell.marrowby", "kelderwick"), "who scanned, and where"
    assert [] == held(demo, true_at="2025-02-03T08:00:00+01:00")


def test_s8_a_harvested_piece_keeps_its_past(demo):
    """498.8 h when the book began, 1,204.6 h when the hoist was scrapped, and none since in ACH-008."""
    chain = demo.ask("/v1/pieces", part_no="SK-PD-10", serial="PD-5120")
    assert ["ACH-005", "ACH-008"] == [place["unit"] for place in chain["chain"] if place["unit"]]
    assert [] == chain["gaps"]
    on_it = demo.ask("/v1/units/ACH-008/slots/pendant")["hours_on"]
    assert Decimal("1204.6") == Decimal(on_it["value"])


def test_s8_the_vane_set_carries_its_hours(demo):
    """Fitted at 931.2 h, out at 1,204.6 h: 273.4 h; then what SEL-008 ran, 0 h while it stood at Kelderwick."""
    on_it = demo.ask("/v1/units/SEL-008/slots/vane-set", true_at=SYNCED)["hours_on"]
    assert Decimal("273.4") == Decimal(on_it["value"])


def test_s8_scrap_is_examined_no_more_and_its_examination_holds_nothing(demo):
    assert ["2022-09-30", "2023-09-30"] == [i["occurred_at"][:10] for i in history(demo, "exam.recorded")]
    assert [] == [h for h in held(demo) if h["key"].startswith("exam")]
