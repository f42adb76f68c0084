"""What a recorder remembers of the store between two batches, so that an append reads little."""

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from sqlalchemy import Connection

from service_api.directory import people
from service_api.domain.context import SheetRevision
from service_api.domain.entries.registry import TYPES
from service_api.domain.slips import Slip
from service_api.domain.state import UnitState
from service_api.domain.warnings import newest_row
from service_api.log import driver, store
from service_api.log.store import Book, Head
from service_api.pages import sheet_revisions
from service_api.permits import Roles
from service_api.projections import units
from service_api.projections.slips import newest as newest_slip
from service_api.projections.units import Page
from service_api.recording.batch import Batch, Done
from service_api.recording.stepped import Stepped
from service_api.wire.canonical import load

KEPT = 5000  # pages, devices, people
CATCHING_UP = 200  # entries of others that are read to see what they made old


class Memory:
    """What the store says as of the head; dropped on any error, and as far as another process has moved it on."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.head: Head | None = None
        self.stepped = Stepped()
        self.pages: dict[str, Page] = {}
        self.sheets: dict[str, list[SheetRevision]] = {}
        self.rows: dict[str, dict[str, Any]] = {}  # class -> code -> the characteristic by the newest of them
        self.context: dict[tuple[str, str], Any] = {}  # sheets, gauges, alerts, authorisations, until one of them moves
        self.slips: dict[str, Slip] = {}  # the newest of each device
        self.parties: set[str] = set()  # ids are never taken out of the directory, so this only grows
        self.roles: dict[str, Roles] = {}
        self.directory = 0  # the version of the directory that the roles are of

    def is_at(self, head: Head) -> bool:
        """Nobody else has moved the book since our last entry."""
        return self.head is not None and self.head.of_same(head)

    def expects(self, head: Head) -> bool:
        """It is the head that we left, or one that others have moved on since."""
        return self.head is not None and (head.size != self.head.size or self.is_at(head))

    def catch_up(self, connection: Connection, head: Head) -> None:
        """Forget what other processes' entries have made old since our last one."""
        was, self.head = self.head, head
        if was is not None and was.of_same(head):
            return
        if was is None or not 0 < head.size - was.size <= CATCHING_UP:
            self.drop()
            return
        fresh = [stored.hashed for stored in store.texts(connection, self.book.number, range(was.size, head.size))]
        if not was.followed(fresh).of_same(head):  # the store was put back, and went another way
            self.drop()
            return
        for hashed in fresh:
            entry = load(hashed)
            subject, kind = entry["subject"], TYPES.get(entry["type"])
            if kind is None or kind.corrects:  # it may show on any page
                self.drop()
                return
            name, _, ident = subject.partition(":")
            self.pages.pop(subject, None)
            self.slips.pop(entry.get("device", {}).get("id"), None)
            for kept in (self.stepped,) if name == "unit" else (self.sheets, self.rows):
                kept.pop(ident, None)
            if name != "unit" or entry["type"].startswith("gauge."):
                self.context.clear()

    def forget(self) -> None:
        self.head = None
        self.drop()

    def drop(self) -> None:
        self.stepped.clear()
        self.pages.clear()
        self.forget_sheets()
        self.context.clear()
        self.slips.clear()

    def forget_sheets(self) -> None:
        self.sheets.clear()
        self.rows.clear()

    def keep(self, done: Done, batch: Batch) -> None:
        for kept in (self.pages, self.slips):
            if len(kept) > KEPT:
                kept.clear()
        self.head = done.head
        for unit, state in done.drawn.after.items():
            self.stepped.put(unit, state, done.drawn.tails[unit])
        for unit in batch.states.keys() - done.drawn.after.keys():
            if unit not in self.stepped:
                self.stepped.put(unit, batch.states[unit], None)
        self.pages |= batch.pages
        self.slips |= batch.slips
        for class_ in done.sheets:
            self.sheets.pop(class_, None)
            self.rows.pop(class_, None)

    def read_states(self, connection: Connection, wanted: set[str]) -> dict[str, UnitState]:
        found = {unit: kept.state for unit in wanted if (kept := self.stepped.get(unit)) is not None}
        if len(found) < len(wanted):
            found |= units.read_states(connection, self.book.number, wanted - found.keys())
        return found

    def read_pages(self, connection: Connection, wanted: set[str]) -> dict[str, Page]:
        found = {subject: self.pages[subject] for subject in wanted if subject in self.pages}
        if len(found) < len(wanted):
            found |= units.read_pages(connection, self.book.number, wanted - found.keys())
        return found

    def read_people(self, connection: Connection, wanted: set[str]) -> dict[str, Roles]:
        """The roles of those who are in the directory."""
        missing = wanted - self.roles.keys()
        if missing:
            if len(self.roles) > KEPT:
                self.roles.clear()
                missing = wanted
            self.roles |= people.roles_of(connection, self.book.number, missing)
        return {person: self.roles[person] for person in wanted if person in self.roles}

    def sheets_of(self, connection: Connection, class_: str) -> list[SheetRevision]:
        if class_ not in self.sheets:
            self.sheets[class_] = sheet_revisions(connection, self.book.number, class_)
        return self.sheets[class_]

    def row(self, connection: Connection, batch: Batch, unit: str, code: str) -> Any:
        class_ = self._class_of(batch, unit)
        if class_ is None:
            return None
        if class_ in batch.issued:
            return newest_row([*self.sheets_of(connection, class_), *batch.issued[class_]], code)
        rows = self.rows.setdefault(class_, {})
        if code not in rows:
            rows[code] = newest_row(self.sheets_of(connection, class_), code)
        return rows[code]

    def _class_of(self, batch: Batch, unit: str) -> str | None:
        state = batch.states.get(unit)
        return state.identity.class_ if state and state.identity else batch.classes.get(unit)

    def once(self, kind: str, name: str, read: Callable[[], Any]) -> Any:
        if (kind, name) not in self.context:
            self.context[kind, name] = read()
        return self.context[kind, name]

    def odd(self, connection: Connection, batch: Batch, slips: Iterable[Slip]) -> list[Slip]:
        """Those that are not the next of their device: one is missing, or came late, or a clock went back."""
        found = []
        for slip in sorted(slips, key=lambda s: (s.device, s.seq)):
            here = batch.slips.get(slip.device) or self.slips.get(slip.device)
            last = here or self._newest(connection, slip.device)
            if last is None or slip.seq > last.seq:
                batch.slips[slip.device] = slip
            if last is not None and (slip.seq != last.seq + 1 or slip.at < last.at):
                found.append(slip)
        return found

    def _newest(self, connection: Connection, device: str) -> Slip | None:
        """As of before the batch."""
        known = self.head.size if self.head else 0
        return newest_slip(partial(driver.rows, connection), self.book.number, device, known)
