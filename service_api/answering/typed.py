"""Which entries were typed long after the work, by person and site (JOB.md question 31)."""

from datetime import timedelta
from typing import Any

import orjson
from sqlalchemy import Connection

from service_api.answering.asking import Asking
from service_api.domain.entry import Recorded
from service_api.domain.moments import parse
from service_api.domain.timeline import Item, simple_item
from service_api.filing import pages_of, root_of
from service_api.log import store
from service_api.pages import entry_answer, find_entry, history_of, read_entries
from service_api.projections import units

DAY = timedelta(days=1)
BROUGHT_IN = ("history", "import")  # nobody typed those late


class TypedAnswers(Asking):
    """Answers about entries that were heard of late."""

    # how many entries were looked at, and which of them are a day late and more, or were given another moment
    _heard_late: tuple[int, frozenset[int]] = (0, frozenset())

    def late(
        self, days: int, person: str | None, site: str | None, start: int, limit: int
    ) -> tuple[list[bytes], list[dict[str, Any]], int, int | None]:
        """Facts heard of more than so many days after they happened, from an index on; groups and count over all.

        days : 1 or more. Gives also the index to go on from when there are more.
        """
        with self.engine.begin() as connection:
            book = self.book.number
            found = [
                (entry, item.entry.heard - item.at)
                for entry, item in self._late_facts(connection)
                if item.entry.heard - item.at > timedelta(days=days)
                and person in (None, _typist(entry))
                and site in (None, entry.site)
            ]
            indexes = [entry.index for entry, _ in found if entry.index >= start]
            texts = store.texts(connection, book, indexes[:limit])
            kept = store.receipts(connection, book, indexes[:limit])
        shown = [entry_answer(s.hashed, *kept[s.index]) for s in texts]
        return shown, _grouped(found), len(found), indexes[limit] if len(indexes) > limit else None

    def _late_facts(self, connection: Connection) -> list[tuple[Recorded, Item]]:
        """Candidates as they count now, in the order of the book."""
        book = self.book.number
        size = store.read_head(connection, book).size
        seen, found = self._heard_late
        if size > seen:
            read = ((stored.index, orjson.loads(stored.hashed)) for stored in store.read(connection, book, seen, size))
            late = {self._root(connection, index, entry) for index, entry in read if _may_be_late(entry)}
            found = found | late
            self._heard_late = (size, found)
        entries = read_entries(connection, book, found)
        items = ((entry, self._counting(connection, entry)) for entry in entries)
        return [(entry, item) for entry, item in items if item is not None]

    def _root(self, connection: Connection, index: int, entry: dict[str, Any]) -> int:
        """Of new data with another moment, the fact that it is about in the end; else the entry itself."""
        if entry["type"] != "entry.superseded" or not _gives_moment(entry["data"]):
            return index
        (correction,) = read_entries(connection, self.book.number, (index,))
        return root_of(correction, lambda ident: find_entry(connection, self.book.number, ident)).index

    def _counting(self, connection: Connection, entry: Recorded) -> Item | None:
        """The entry's line on the page on which it counts; None when it does not."""
        if entry.source_kind in BROUGHT_IN:
            return None
        book = self.book.number
        root = root_of(entry, lambda ident: find_entry(connection, book, ident))
        if not units.indexes(connection, book, f"fact:{root.id}"):
            return simple_item(entry)
        for page in pages_of(connection, book, root):
            for item in history_of(connection, book, page):
                if item.entry.id == entry.id and item.mark not in ("withdrawn", "moved_out"):
                    return item
        return None


def _may_be_late(entry: dict[str, Any]) -> bool:
    if entry["type"] == "entry.superseded" and _gives_moment(entry["data"]):
        return True
    offset = timedelta(milliseconds=entry.get("device", {}).get("clock_offset_ms", 0))
    return parse(entry["recorded_at"]) - parse(entry["occurred_at"]) + offset >= DAY


def _gives_moment(data: dict[str, Any]) -> bool:
    while isinstance(data.get("data"), dict):
        if "occurred_at" in data:
            return True
        data = data["data"]
    return False


def _typist(entry: Recorded) -> str:
    return entry.typed_by or entry.by


def _grouped(found: list[tuple[Recorded, timedelta]]) -> list[dict[str, Any]]:
    """By person and site, the most entries first."""
    groups: dict[tuple[str, str | None], list[tuple[Recorded, timedelta]]] = {}
    for entry, late in found:
        groups.setdefault((_typist(entry), entry.site), []).append((entry, late))
    rows = [
        {
            "person": person,
            "site": site,
            "count": len(of),
            "worst_days": max(late for _, late in of).days,
            "entries": [entry.id for entry, _ in of],
        }
        for (person, site), of in groups.items()
    ]
    return sorted(rows, key=lambda row: (-row["count"], row["person"], row["site"] or ""))
