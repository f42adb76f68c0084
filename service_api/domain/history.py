"""The history of a unit, line by line, struck and moved entries included (CONTRACT C)."""

from collections.abc import Collection, Iterable, Iterator
from datetime import date, datetime
from typing import Any

from service_api.domain import moments
from service_api.domain.entries.registry import TYPES
from service_api.domain.plain import plain
from service_api.domain.records import record
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


MARKS = ("superseded", "withdrawn", "moved_out", "moved_in", "none")


@record
class Only:
    """Which lines of a history are asked for; what is left out narrows nothing.

    types : names of entry types, and chapters of them such as `part.*`
    since, until : local days of the corrected moment, inclusive
    mark : of MARKS; `none` asks for lines that no correction marked
    """

    types: tuple[str, ...] = ()
    since: date | None = None
    until: date | None = None
    slot: str | None = None
    job: str | None = None
    by: str | None = None
    gauge: str | None = None
    characteristic: str | None = None
    mark: str | None = None

    def asks_for(self, item: Item, day: date, wearing: Collection[str]) -> bool:
        """By what was sent and by what counts. wearing : characteristics that wear with the slot asked for"""
        entry, said = item.entry, (item.entry.data, item.data)
        return (
            (not self.types or any(_of_type(entry.type, t) for t in self.types))
            and (self.since is None or self.since <= day)
            and (self.until is None or day <= self.until)
            and (self.by is None or entry.by == self.by)
            and (self.job is None or self.job == entry.job or any(d.get("job") == self.job for d in said))
            and (self.gauge is None or any(d.get("gauge") == self.gauge for d in said))
            and (self.characteristic is None or any(d.get("characteristic") == self.characteristic for d in said))
            and (self.mark is None or (item.mark or "none") == self.mark)
            and (self.slot is None or any(_about_slot(d, self.slot, wearing) for d in said))
        )


def is_type(wanted: str) -> bool:
    """A name of an entry type, or a chapter that has some."""
    return any(_of_type(name, wanted) for name in TYPES)


def _of_type(name: str, wanted: str) -> bool:
    return name == wanted or (wanted.endswith(".*") and name.startswith(wanted[:-1]))


def _about_slot(data: dict[str, Any], slot: str, wearing: Collection[str]) -> bool:
    named = [data.get("slot"), *(data.get("led_to") or ()), *(data.get("harvest_allowed") or ())]
    named += [part.get("slot") for part in data.get("scope") or () if isinstance(part, dict)]
    return slot in named or data.get("characteristic") in wearing


def chosen(items: Iterable[Item], only: Only, zone: str, wearing: Collection[str] = ()) -> Iterator[Item]:
    """The lines that are asked for, each with the corrections on it, in the order in which they are.

    A correction comes with its fact whatever its own moment, person or type, so that no line is told without its end.
    """
    page = list(items)
    shown: set[str] = set()
    for item in sorted(page, key=lambda i: i.entry.index):  # a correction comes after what it corrects
        with_its_fact = TYPES[item.entry.type].corrects and item.entry.data["target"] in shown
        if with_its_fact or only.asks_for(item, moments.day_in(item.at, zone), wearing):
            shown.add(item.entry.id)
    return (item for item in page if item.entry.id in shown)
