"""Derives a unit's history from a copy, and asks the service whether it says the same."""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from fettlebook_audit import tiles
from fettlebook_audit.copies import Copy, CopyError
from fettlebook_audit.faults import Fault
from fettlebook_audit.fetching import Asked
from fettlebook_audit.histories import Custody, Family, Line, Merges, compared, compared_custody, custody, in_order

LARGEST = 256 * 1024 * 1024  # bytes of a history
PAGE = 500  # lines asked for at a time


@dataclass(frozen=True)
class Unit:
    """What follows from the entries of a copy of `size` entries."""

    unit: str
    size: int
    lines: list[Line]
    custody: list[Custody]

    def as_json(self) -> dict[str, Any]:
        lines = [
            {
                "index": li.index,
                "id": li.entry["id"],
                "type": li.entry["type"],
                "at": _text(li.at),
                "mark": li.mark,
                "marked_by": list(li.marked_by),
                "counts": li.counts,
                "data": li.data,
            }
            for li in self.lines
        ]
        return {
            "unit": self.unit,
            "size": self.size,
            "lines": lines,
            "custody": [asdict(each) | {"since": _text(each.since)} for each in self.custody],
        }

    def words(self) -> list[str]:
        """A line for each line of the history, and for each change of hands."""
        found = [
            f"{_text(li.at)}  {li.index:>8}  {li.entry['type']}  by {li.entry['by']}"
            + (f"  ({li.mark})" if li.mark else "")
            for li in self.lines
        ]
        hands = [
            f"{_text(c.since)}  {c.index:>8}  owner {c.owner or 'not said'}, with {c.party or c.site or 'not said'}"
            for c in self.custody
        ]
        return [*found, *hands]


def _text(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def unit_of(copy: Copy, unit: str) -> Unit:
    """Reads the copy once, and again where another page was merged or an entry of one moved here. Raises CopyError."""
    newest = copy.newest()
    if newest is None:
        raise CopyError(f"{copy.folder} has no checkpoint: fetch the book first")
    merges, families = Merges(), [Family(unit)]
    for entry in _entries(copy, newest.size):
        merges.take(entry)
        families[0].take(entry)
    families += [Family(other) for other in merges.joined(unit)]
    for entry in _entries(copy, newest.size) if families[1:] else ():
        for family in families[1:]:
            family.take(entry)
    lacks = frozenset[str]().union(*(family.lacks for family in families))
    roots = [entry for entry in _entries(copy, newest.size) if entry["id"] in lacks] if lacks else []
    lines = in_order(
        line for family in families for line in family.history(r for r in roots if r["id"] in family.lacks)
    )
    if not lines:
        raise CopyError(f"the book has no unit {unit}")
    return Unit(unit, newest.size, lines, custody(lines, unit))


def _entries(copy: Copy, size: int) -> Iterator[dict[str, Any]]:
    for number, width in tiles.of(size):
        for text in tiles.texts(copy.read("entries", number, width), width):
            yield json.loads(text)


def against_service(found: Unit, service: Asked) -> list[Fault]:
    """Where the service answers otherwise, asked for what it knew when the copy was taken. Raises Unanswered."""
    said: list[dict[str, Any]] = []
    path = f"units/{found.unit}/history?known_index={found.size}&limit={PAGE}&cursor="
    cursor: int | None = 0
    while cursor is not None:
        page = json.loads(service.get(f"{path}{cursor}", LARGEST))
        said += page["entries"]
        cursor = page["next"]
    card = json.loads(service.get(f"units/{found.unit}/card?known_index={found.size}", LARGEST))
    return [*compared(found.lines, said), *compared_custody(found.custody, card)]
