"""Every projection of a book drawn again from its log: topics, pages, unit states, tag spans,
remarks, changes, claims, slips and doubts, the head of the context.

The rows are drawn into temporary tables of the same names, which hide the real ones from this one connection; so the
statements are those of an append. While that goes on, appends and readers do as they like. At the end one transaction
takes the lock of the book's head, draws the entries that came meanwhile, and changes the rows that differ; on an
embedded store no other connection writes then. A reader sees the old rows or the new ones, an append waits for the
comparison only, and whatever breaks off leaves the old rows.
"""

from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, MetaData, Table, and_, delete, exists, func, insert, select
from sqlalchemy.schema import CreateTable

from service_api.app import Store
from service_api.domain.entry import Recorded
from service_api.filing import changes_of, drawn_topics, family_topic, is_context, pages_of, root_of
from service_api.ledgers import settle, settle_every_slip, write_claims
from service_api.log import driver
from service_api.log import store as log
from service_api.log import tables as log_tables
from service_api.log.engines import drawing_engine
from service_api.log.store import Book
from service_api.ops.shares import Drawn, Share, blocks, drawn_apart, little_collected
from service_api.pages import draw_unit, find_entry, read_entries
from service_api.projections import tables, units
from service_api.projections.changes import change_rows
from service_api.projections.remarks import forget_remarks, remark_rows

Progress = Callable[[int], None]
Within = Callable[[], AbstractContextManager[Any]]
CHUNK = 500  # entries a step
CUT = (tables.stretch, tables.stretch_cell)
TEMPORARY = {"sqlite": "temp", "postgresql": "pg_temp"}


@dataclass(frozen=True)
class Redrawn:
    """What a redraw found.

    put_right : rows of the old projections that were wrong, missing or too many; 0 when all was well
    """

    entries: int
    units: int
    put_right: int


def redraw(store: Store, book: Book, progress: Progress = lambda _: None, *, processes: int = 1) -> Redrawn:
    """Draw the book's projections anew; when this returns they are what the log says, and nothing else changed.

    A service that runs meanwhile keeps states in memory: where rows were put right, start it again.

    progress : called with the number of entries drawn since the last call
    processes : where more than one, so many others draw a share of the units each, and this one writes
    """
    url = store.settings.database
    engine = drawing_engine(url)
    try:
        with engine.connect() as connection, little_collected():
            with connection.begin():
                swap = _Swap(connection, book.number)
                size = log.read_head(connection, book.number).size
            drawing = _Drawing(connection, book.number)
            if processes > 1:
                apart = drawn_apart(url, book.number, size, CHUNK, processes)
                drawing.collect(apart, size, progress, within=connection.begin)
            else:
                drawing.draw(size, progress, within=connection.begin)
            connection.execution_options(swap=True)
            with store.only_writer(), connection.begin():
                drawing.draw(_held_size(connection, book.number), progress, within=nullcontext)
                put_right = swap.change()
            return Redrawn(drawing.drawn, len(drawing.share.states), put_right)
    finally:
        engine.dispose()


def compared(store: Store, book: Book, progress: Progress = lambda _: None) -> dict[str, tuple[int, str]]:
    """Draw the book's projections and change nothing: by table, how many rows are not what the log says, and one."""
    engine = drawing_engine(store.settings.database)
    try:
        with engine.connect() as connection, little_collected():
            with connection.begin():
                swap = _Swap(connection, book.number)
                size = log.read_head(connection, book.number).size
            drawing = _Drawing(connection, book.number)
            drawing.draw(size, progress, within=connection.begin)
            with store.only_writer(), connection.begin():
                drawing.draw(_held_size(connection, book.number), progress, within=nullcontext)
                return swap.differing()
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
        self.share = Share(book)
        self._context = -1
        self._corrections: list[int] = []
        self._keys: dict[str, None] = {}  # what is claimed, compared at the end
        self._written: set[str] = set()

    def draw(self, size: int, progress: Progress, within: Within) -> None:
        """Go on until `size` entries are drawn, in chunks, each of them `within` a transaction."""
        if size == self.drawn:
            return
        for texts in blocks(self.connection, self.book, self.drawn, size, CHUNK):
            with within():
                self._put(self.share.take(texts))
            progress(len(texts))
        self._finish(size, within)

    def collect(
        self, apart: Generator[Drawn | Share, None, None], size: int, progress: Progress, within: Within
    ) -> None:
        """Write what other processes draw of the first `size` entries."""
        with closing(apart):
            for found in apart:
                if isinstance(found, Share):
                    self.share.join(found)
                    continue
                with within():
                    self._put(found)
                progress(found.entries)
        self._finish(size, within)

    def _put(self, drawn: Drawn) -> None:
        for write in drawn.writes:
            self._run(write)
        self._context = max(self._context, drawn.context)
        self._corrections += drawn.corrections
        self._keys |= dict.fromkeys(drawn.keys)

    def _finish(self, size: int, within: Within) -> None:
        """Corrections, once every topic before them is written; then the states."""
        self._corrections.sort()
        for at in range(0, len(self._corrections), CHUNK):
            with within():
                for entry in read_entries(self.connection, self.book, self._corrections[at : at + CHUNK]):
                    self._correct(entry)
        self._corrections = []
        with within():
            self._write()
        self.drawn = size

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        driver.change_many(self.connection, sql, rows)

    def settle(self) -> None:
        """Everything is there already."""

    def _run(self, write: units.Write) -> None:
        if write.rows:
            driver.change_many(self.connection, write.sql, write.rows)

    def _correct(self, entry: Recorded) -> None:
        connection, book = self.connection, self.book
        root = root_of(entry, lambda ident: find_entry(connection, book, ident))
        self._run(units.topic_rows(book, [family_topic(entry, root)]))
        self._run(units.topic_rows(book, drawn_topics(connection, book, entry, root)))
        self._run(change_rows(book, changes_of(connection, book, entry, root)))
        self._keys |= write_claims(connection, self, book, [(entry, root)])
        if is_context(root):
            self._context = max(self._context, entry.index)
        for unit in (page.partition(":")[2] for page in pages_of(connection, book, root) if page.startswith("unit:")):
            if entry.type != "entry.annotated":
                self.share.again.add(unit)
            self.share.step(unit, entry)

    def _write(self) -> None:
        share = self.share
        for unit in share.again:
            share.states[unit] = draw_unit(self.connection, self.book, unit)
        if self._context >= 0:
            self._run(units.context_row(self.book, self._context))
        states = [share.states[unit] for unit in sorted(share.touched)]
        self._run(units.state_rows(self.book, states))
        for state in states:
            if state.tags or state.unit in self._written:
                units.write_tags(self.connection, self.book, state)
            if state.unit in self._written:
                forget_remarks(self.connection, self.book, state.unit)
            self._run(remark_rows(self.book, state.unit, state.remarks))
        self._written |= share.touched
        share.touched, share.again = set(), set()
        settle(self.connection, self, self.book, self._keys, lambda units: {unit: share.states[unit] for unit in units})
        settle_every_slip(self.connection, self, self.book)


class _Swap:
    """The projections' real tables, and temporary ones that hide them from this connection."""

    def __init__(self, connection: Connection, book: int) -> None:
        self.connection, self.book = connection, book
        sqlite = connection.dialect.name == "sqlite"
        real = "main" if sqlite else str(connection.execute(select(func.current_schema())).scalar_one())
        self.pairs: list[tuple[Table, Table]] = []
        for table in (t for t in tables.metadata.sorted_tables if t not in CUT):
            drawn = table.to_metadata(MetaData(), schema=TEMPORARY[connection.dialect.name])
            connection.execute(CreateTable(drawn))
            self.pairs.append((table.to_metadata(MetaData(), schema=real), drawn))

    def change(self) -> int:
        """Make the book's real rows those that were drawn; how many were not.

        Where a page was cut depends on how its entries came: it is forgotten, and a page is cut again when need be.
        """
        for table in CUT:
            self.connection.execute(delete(table).where(table.c.book == self.book))
        return sum(self._change(old, new) for old, new in self.pairs)

    def _change(self, old: Table, new: Table) -> int:
        if self._equal(old, new):
            return 0
        same = and_(*(old.c[c.name].is_not_distinct_from(new.c[c.name]) for c in old.columns))
        wrong = delete(old).where(old.c.book == self.book, ~exists(select(1).select_from(new).where(same)))
        gone = self.connection.execute(wrong).rowcount
        there = exists(select(1).select_from(old).where(same))
        fresh = insert(old).from_select([c.name for c in new.columns], select(new).where(~there))
        return max(gone, self.connection.execute(fresh).rowcount)

    def differing(self) -> dict[str, tuple[int, str]]:
        """By table, how many rows are wrong, missing or too many, and the key of one of them."""
        return {old.name: found for old, new in self.pairs if (found := self._differing(old, new)) is not None}

    def _differing(self, old: Table, new: Table) -> tuple[int, str] | None:
        if self._equal(old, new):
            return None
        same = and_(*(old.c[c.name].is_not_distinct_from(new.c[c.name]) for c in old.columns))
        wrong = select(old).where(old.c.book == self.book, ~exists(select(1).select_from(new).where(same)))
        lacking = select(new).where(~exists(select(1).select_from(old).where(same)))
        sides = [list(self.connection.execute(query).mappings()) for query in (wrong, lacking)]
        one = (sides[0] or sides[1])[0]
        key = ", ".join(f"{c.name} {one[c.name]}" for c in old.primary_key if c.name != "book") or f"book {self.book}"
        return max(map(len, sides)), key

    def _equal(self, old: Table, new: Table) -> bool:
        """Whether no row differs: one look for each row, where taking out and putting in look twice."""
        same = and_(*(old.c[c.name].is_not_distinct_from(new.c[c.name]) for c in old.columns))
        both = select(func.count()).select_from(old.join(new, same)).where(old.c.book == self.book)
        here = select(func.count()).select_from(old).where(old.c.book == self.book)
        there = select(func.count()).select_from(new)
        counts = {int(self.connection.execute(q).scalar_one()) for q in (here, there, both)}
        return len(counts) == 1
