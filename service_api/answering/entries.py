"""Entries as they stand in the book, and what others pull."""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection

from service_api.answering.asking import KEPT_ANSWERS, NOW, Answer, Asking
from service_api.domain.plain import answer
from service_api.domain.refusals import NotFound
from service_api.log import driver, store
from service_api.pages import entry_answer, entry_answers, find_entry, read_entries, recorded_answer
from service_api.projections import units
from service_api.projections.changes import Change, read_changes
from service_api.projections.ledger import ever_merged

BLOCK = 250  # entries of the feed, of 48 kB at most, that are in memory together


class EntryAnswers(Asking):
    """Answers about entries and changes."""

    def entry(self, ident: str) -> Answer:
        with self.engine.begin() as connection:
            found = find_entry(connection, self.book.number, ident)
            if found is None:
                raise NotFound("no such entry")
            text = recorded_answer(connection, self.book.number, found.index)
        return Answer(text, f'"{sha256(text).hexdigest()[:32]}"')

    def entries(self, start: int, limit: int, subject: str | None, job: str | None) -> tuple[list[bytes], int | None]:
        """Entries in the order of the book from an index on; the index to go on from when there are more."""
        with self.engine.begin() as connection:
            book = self.book.number
            if subject or job:
                topic = subject or f"job:{job}"
                every = [i for i in units.indexes(connection, book, topic, named=True) if i >= start]
                chosen, more = every[:limit], every[limit:]
                found = store.texts(connection, book, chosen)
            else:
                found = list(store.read(connection, book, start, start + limit + 1))
                more = [s.index for s in found[limit:]]
                found = found[:limit]
            kept = store.receipts(connection, book, [s.index for s in found])
        return [entry_answer(s.hashed, *kept[s.index]) for s in found], more[0] if more else None

    def shows_attachment(self, digest: str) -> bool:
        """Whoever may ask for all of the book is shown every attachment."""
        return True

    def ahead(self, start: int, limit: int) -> tuple[range, int]:
        """Which entries a page from an index on has, and the index to go on from."""
        here = range(start, min(start + limit, store.size(self.quickly, self.book.number)))
        return here, max(start, here.stop)

    def feed(self, page: range) -> Iterator[bytes]:
        """The entries of a page with their receipts, commas between them, a block at a time: stored bytes, unread."""
        for start in page[::BLOCK]:
            stop = min(start + BLOCK, page.stop)
            yield entry_answers(store.run_of(self.quickly, self.book.number, start, stop))

    def changes(self, index: int, unit: str, limit: int) -> tuple[list[dict[str, Any]], str]:
        """Changes from a cursor on, with each unit's condition as it is now, and the cursor to go on from.

        A change of context is one row in the book; it is expanded here to the units that lean on it.
        """
        with self.engine.begin() as connection:
            book = self.book.number
            size = store.read_head(connection, book).size
            found: list[Change] = []
            joined = ever_merged(connection, book)
            for row in read_changes(connection, book, index, "" if joined else unit):
                if len(found) > limit and row.log_index > found[-1].log_index:
                    break  # an entry is shown whole before the page is cut, so that its rows are merged
                if row.unit:
                    found.append(row)
                else:
                    after = unit if row.log_index == index else ""
                    leaning = self._leaning(connection, row.log_index)
                    found += [Change(row.log_index, u, row.changed) for u in leaning if u >= after]
            if joined:
                found += [Change(c.log_index, u, c.changed) for c in found for u in _onward(c.unit, joined)]
                found = [c for c in found if (c.log_index, c.unit) >= (index, unit)]
            shown = _merged(found)
            more = shown[limit:]
            conditions_now = {u: self._summary(connection, u) for u in {c.unit for c in shown[:limit]}}
            lines = [
                {
                    "cursor": f"{c.log_index}:{c.unit}",
                    "index": c.log_index,
                    "unit": c.unit,
                    "changed": list(c.changed),
                    "condition": conditions_now[c.unit],
                }
                for c in shown[:limit]
            ]
        return lines, f"{more[0].log_index}:{more[0].unit}" if more else str(max(size, index))

    def _leaning(self, connection: Connection, index: int) -> list[str]:
        """The units, by number, that lean on an entry of the context: its class's, or those a gauge measured."""
        book = self.book.number
        (entry,) = read_entries(connection, book, (index,))
        if entry.kind == "class":
            return units.units_of_class(connection, book, entry.subject_id)
        if entry.kind == "unit":
            measured = units.indexes(connection, book, entry.subject, types=("reading.taken",), named=True)
            subjects = {e.subject_id for e in read_entries(connection, book, measured) if e.kind == "unit"}
            return sorted(subjects - {entry.subject_id})
        return units.all_units(connection, book)

    def _summary(self, connection: Connection, unit: str) -> dict[str, Any]:
        """Kept as an answer about now is: who pulls a book from its beginning meets a unit in many pages."""
        from service_api.domain.changes import summary

        key = (unit, units.heads(partial(driver.rows, connection), self.book.number, unit), self._today())
        found = self._summaries.get(key)
        if found is None:
            state, context = self.both(connection, unit, NOW)
            found = answer(summary(state, context))
            if not context.carried:
                if len(self._summaries) > KEPT_ANSWERS:
                    self._summaries.clear()
                self._summaries[key] = found
        return found


def _onward(unit: str, joined: Mapping[str, set[str]]) -> set[str]:
    """The units into which this one ever was merged, and those again: its entries move them too."""
    found: set[str] = set()
    waiting = {unit}
    while waiting:
        waiting = {into for one in waiting for into in joined.get(one, ())} - found
        found |= waiting
    return found - {unit}


def _merged(changes: Sequence[Change]) -> list[Change]:
    """In order, one row per entry and unit, whether it was named by itself or leans on a change of context."""
    found: dict[tuple[int, str], Change] = {}
    for change in changes:
        known = found.get((change.log_index, change.unit))
        changed = change.changed if known is None else tuple(dict.fromkeys((*known.changed, *change.changed)))
        found[change.log_index, change.unit] = Change(change.log_index, change.unit, changed)
    return [found[key] for key in sorted(found)]
