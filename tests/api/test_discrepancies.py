"""Discrepancies that come from what stands around a unit: the gauges that were used on it (CONTRACT C and F)."""

from collections.abc import Callable
from typing import Any

from tests import factories as f

READ = "2026-01-05T09:00:00+01:00"


def codes(ask: Callable[..., Any], **query: Any) -> list[tuple[str, str]]:
    found = ask("/v1/units/U-1/condition", **query)["discrepancies"]
    return [(d["code"], d["entries"][0]) for d in found]


def test_a_reading_by_a_gauge_past_its_due_day_is_a_discrepancy(
    standing_unit: Any, tell: Callable[..., list[Any]], ask: Callable[..., Any]
) -> None:
    """On its due day a gauge still counts (CONTRACT C); the day after it does not."""
    (_, taken) = tell(
        f.gauge_calibrated(due="2026-01-04", occurred_at="2026-01-02T09:00:00+01:00"),
        f.reading("0.12", gauge=f.GAUGE, occurred_at=READ),
    )
    assert [("gauge-overdue", taken["id"])] == codes(ask)
    tell(f.gauge_calibrated(due="2026-01-05", occurred_at="2026-01-02T10:00:00+01:00"))
    assert [] == codes(ask)


def test_a_reading_by_a_gauge_that_was_found_out_later_is_a_discrepancy(
    clock: Any, standing_unit: Any, tell: Callable[..., list[Any]], ask: Callable[..., Any]
) -> None:
    """0.010 is more than the 0.008 allowed; before it was found nobody knew."""
    (taken,) = tell(f.reading("0.12", gauge=f.GAUGE, occurred_at=READ))
    assert [] == codes(ask)
    clock.set("2026-02-01T08:00:00+00:00")
    out = f.gauge_calibrated(occurred_at="2026-02-01T08:00:00+01:00")
    out["data"]["as_found"] = [{"at": "0.50", "error": "-0.010"}]
    tell(out)
    assert [("gauge-out", taken["id"])] == codes(ask)
    assert [] == codes(ask, known_index=taken["index"] + 1), "what was known before the calibration stays so"


def listed(ask: Callable[..., Any], **query: Any) -> list[tuple[str, list[str]]]:
    return [(d["code"], d["units"]) for d in ask("/v1/discrepancies", **query)["discrepancies"]]


def test_the_list_over_the_fleet_names_each_once_and_is_narrowed(
    standing_unit: Any, tell: Callable[..., list[Any]], ask: Callable[..., Any]
) -> None:
    _, _, _, held = tell(
        f.tag_attached("OWN-7", occurred_at=READ),
        f.tag_attached("OWN-7", unit="U-2", occurred_at=READ),
        f.meter_read("10", unit="U-2", occurred_at="2026-01-04T09:00:00+01:00"),
        f.meter_read("1", unit="U-2", occurred_at=READ),
    )
    shared, backwards = ("tag-on-two-units", ["U-1", "U-2"]), ("meter-backwards", ["U-2"])
    assert [shared, backwards] == listed(ask)
    assert [backwards] == listed(ask, code="meter-backwards")
    assert [shared] == listed(ask, unit="U-1")
    assert [backwards, shared] == sorted(listed(ask, unit="U-2"))
    assert [] == listed(ask, holds_release="false")
    assert [] == listed(ask, **{"class": "GDIAL"})
    assert [shared] == listed(ask, known_index=held["index"])
    assert [] == listed(ask, true_at="2026-01-04T08:00:00+01:00")
    card = ask("/v1/units/U-1/card")["discrepancies"]
    assert card == ask("/v1/discrepancies", unit="U-1")["discrepancies"], "one form everywhere (CONTRACT C)"


def test_the_list_comes_in_pages_of_units(
    standing_unit: Any, tell: Callable[..., list[Any]], ask: Callable[..., Any]
) -> None:
    tell(f.removed(occurred_at=READ), f.removed(unit="U-2", occurred_at=READ))
    first = ask("/v1/discrepancies", limit=2)
    assert (["U-1"], "U-1") == (first["discrepancies"][0]["units"], first["next"])
    second = ask("/v1/discrepancies", limit=2, cursor=first["next"])
    assert ([["U-2"]], None) == ([d["units"] for d in second["discrepancies"]], second["next"])


def test_a_filter_that_is_none_is_refused(standing_unit: Any, client: Any) -> None:
    for query in ("code=weather", "holds_release=maybe", "colour=red"):
        assert 422 == client.get(f"/v1/discrepancies?{query}").status_code, query
    assert 404 == client.get("/v1/discrepancies?unit=U-99").status_code
