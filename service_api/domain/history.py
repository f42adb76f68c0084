"""The history of a unit, line by line, struck and moved entries included (CONTRACT C)."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from service_api.domain import moments
from service_api.domain.plain import plain
from service_api.domain.timeline import Item


def line(item: Item) -> dict[str, Any]:
    """The entry with its mark, the corrected moment `at`, and `data_now` where a correction changed the data."""
    found: dict[str, Any] = plain(item.entry)
    found |= {
        "mark": item.mark,
        "marked_by": list(item.marked_by),
        "at": moments.in_utc(item.at),
        "counts": item.counts,
    }
    if item.data is not item.entry.data:
        found["data_now"] = item.data
    return found


def lines(items: Iterable[Item], true_at: datetime | None = None) -> list[dict[str, Any]]:
    """In the order of the corrected moment, up to and including `true_at`."""
    return [line(item) for item in items if true_at is None or item.at <= true_at]
