"""Every projection of a book drawn again from its log: topics, pages, unit states, tag spans,
remarks, changes, claims and doubts, the head of the context.

The rows are drawn into temporary tables of the same names, which hide the real ones from this one connection; so the
statements are those of an append. While that goes on, appends and readers do as they like. At the end one transaction
takes the lock of the book's head, draws the entries that came meanwhile, and changes the rows that differ; on an
embedded store no other connection writes then. A reader sees the old rows or the new ones, an append waits for the
comparison only, and whatever breaks off leaves the old rows.
"""

from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, MetaData, Table, and_, delete, exists, func, insert, select
from sqlalchemy.schema import CreateTable

from service_api.app import Store
from service_api.domain.entries import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.state import UnitState, begin
from service_api.filing import advance, changes_of, drawn_topics, is_context, own_topics, pages_of, root_of
from service_api.ledgers import settle, write_claims
from service_api.log import driver
from service_api.log import store as log
from service_api.log import tables as log_tables
from service_api.log.engines import drawing_engine
from service_api.log.store import Book
from service_api.pages import draw_unit, find_entry, read_entries
from service_api.projections import tables, units
from service_api.projections.changes import change_rows
from service_api.projections.remarks import forget_remarks, remark_rows
from service_api.projections.units import Page

Progress = Callable[[int], None]
CHUNK = 500  # entries a step
TEMPORARY = {"sqlite": "temp", "postgresql": "pg_temp"}


@dataclass(frozen=True)
class Redrawn:
    """What a redraw found.

    put_right : rows of the old projections that were wrong, missing or too many; 0 when all was well
    """

    entries: int
    units: int
    put_right: int


def redraw(store: Store, book: Book, progress: Progress = lambda _: None) -> Redrawn:
    """Draw the book's projections anew; when this returns they are what the log says, and nothing else changed.

    A service that runs meanwhile keeps states in memory: where rows were put right, start it again.

    progress : called with the number of entries drawn since the last call
    """
    engine = drawing_engine(store.settings.database)
    try:
        with engine.connect() as connection:
            with connection.begin():
                swap = _Swap(connection, book.number)
                size = log.read_head(connection, book.number).size
            drawing = _Drawing(connection, book.number)
            drawing.draw(size, progress, within=connection.begin)
            connection.execution_options(swap=True)
            with store.only_writer(), connection.begin():
                drawing.draw(_held_size(connection, book.number), progress, within=nullcontext)
                put_right = swap.change()
            return Redrawn(drawing.drawn, len(drawing.states), put_right)
    finally:
        engine.dispose()


def _held_size(connection: Connection, book: int) -> int:
    """How far the book has come, with its head held: no append comes by until the transaction ends."""
    head = log_tables.log_head
    return int(connection.execute(select(head.c.size).where(head.c.book == book).with_for_update()).scalar_one())


class _Drawing:
    """The temporary tables filled from the log, as far as `drawn`."""

    def __init__(self, connection: Connection, book: int) -> None:
        self.connection, self.book = connection, book
        self.drawn = 0
        self.states: dict[str, UnitState] = {}
        self._touched: set[str] = set()  # units to be written at the end, once each
        self._keys: dict[str, None] = {}  # what is claimed, compared at the end
        self._again: set[str] = set()  # of them, those with something late or corrected: folded from their page then

    def draw(self, size: int, progress: Progress, within: Callable[[], AbstractContextManager[Any]]) -> None:
        """Go on until `size` entries are drawn, in chunks, each of them `within` a transaction."""
        while self.drawn < size:
            chunk = range(self.drawn, min(size, self.drawn + CHUNK))
            with within():
                self._chunk(chunk)
            self.drawn = chunk.stop
            progress(len(chunk))
        with within():
            self._write()

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        driver.change_many(self.connection, sql, rows)

    def settle(self) -> None:
        """Everything is there already."""

    def _run(self, write: units.Write) -> None:
        if write.rows:
            driver.change_many(self.connection, write.sql, write.rows)

    def _chunk(self, indexes: range) -> None:
        fresh = read_entries(self.connection, self.book, indexes)
        if [e.index for e in fresh] != list(indexes):
            raise RuntimeError(f"the log has a gap between entries {indexes.start} and {indexes.stop}")
        self._run(units.topic_rows(self.book, (topic for entry in fresh for topic in own_topics(entry))))
        self._run(units.page_rows(self.book, {e.subject: Page(e.seq + 1, e.index) for e in fresh}))
        by_id = {e.id: e for e in fresh}

        def find(ident: str) -> Recorded | None:
            return by_id.get(ident) or find_entry(self.connection, self.book, ident)

        roots = {e.id: root_of(e, find) for e in fresh}
        for entry in fresh:
            if TYPES[entry.type].corrects:
                self._run(units.topic_rows(self.book, drawn_topics(self.connection, self.book, entry, roots[entry.id])))
        changes = (change for e in fresh for change in changes_of(self.connection, self.book, e, roots[e.id]))
        self._run(change_rows(self.book, changes))
        self._keys |= write_claims(self.connection, self, self.book, [(e, roots[e.id]) for e in fresh])
        moved = [e.index for e in fresh if is_context(roots[e.id])]
        if moved:
            self._run(units.context_row(self.book, max(moved)))
        self._step(fresh, roots)

    def _step(self, fresh: list[Recorded], roots: dict[str, Recorded]) -> None:
        """One step for what is in order; what is not waits until all is read."""
        for entry in fresh:
            pages = {entry.subject}
            if TYPES[entry.type].corrects:
                pages = pages_of(self.connection, self.book, roots[entry.id])
            for unit in (page.partition(":")[2] for page in pages if page.startswith("unit:")):
                self._touched.add(unit)
                if TYPES[entry.type].corrects and entry.type != "entry.annotated":
                    self._again.add(unit)
                if unit in self._again:
                    continue
                stepped = advance(self.states.get(unit) or begin(unit), (entry,))
                if stepped is None:
                    self._again.add(unit)
                else:
                    self.states[unit] = stepped

    def _write(self) -> None:
        for unit in self._again:
            self.states[unit] = draw_unit(self.connection, self.book, unit)
        states = [self.states[unit] for unit in sorted(self._touched)]
        self._run(units.state_rows(self.book, states))
        for state in states:
            units.write_tags(self.connection, self.book, state)
            forget_remarks(self.connection, self.book, state.unit)
            self._run(remark_rows(self.book, state.unit, state.remarks))
        self._touched, self._again = set(), set()
        settle(self.connection, self, self.book, self._keys, lambda units: {unit: self.states[unit] for unit in units})


class _Swap:
    """The projections' real tables, and temporary ones that hide them from this connection."""

    def __init__(self, connection: Connection, book: int) -> None:
        self.connection, self.book = connection, book
        sqlite = connection.dialect.name == "sqlite"
        real = "main" if sqlite else str(connection.execute(select(func.current_schema())).scalar_one())
        self.pairs: list[tuple[Table, Table]] = []
        for table in tables.metadata.sorted_tables:
            drawn = table.to_metadata(MetaData(), schema=TEMPORARY[connection.dialect.name])
            connection.execute(CreateTable(drawn))
            self.pairs.append((table.to_metadata(MetaData(), schema=real), drawn))

    def change(self) -> int:
        """Make the book's real rows those that were drawn; how many were not."""
        return sum(self._change(old, new) for old, new in self.pairs)

    def _change(self, old: Table, new: Table) -> int:
        same = and_(*(old.c[c.name].is_not_distinct_from(new.c[c.name]) for c in old.columns))
        wrong = delete(old).where(old.c.book == self.book, ~exists(select(1).select_from(new).where(same)))
        gone = self.connection.execute(wrong).rowcount
        there = exists(select(1).select_from(old).where(same))
        fresh = insert(old).from_select([c.name for c in new.columns], select(new).where(~there))
        return max(gone, self.connection.execute(fresh).rowcount)
