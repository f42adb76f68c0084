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
