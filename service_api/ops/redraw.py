"""Every projection of a book drawn again from its log: topics, pages, unit states, tag spans,
remarks, changes, claims, slips and doubts, the head of the context.

What is drawn is first held against the rows that stand (`agreeing`): where they all agree nothing is written. Where one
does not, all is drawn once more into temporary tables of the same names, which hide the real ones from this one
connection; so the statements are those of an append. While that goes on, appends and readers do as they like. At the
end one transaction takes the lock of the book's head, draws the entries that came meanwhile, and changes the rows that
differ; on an embedded store no other connection writes then. A reader sees the old rows or the new ones, an append
waits for the end only, and whatever breaks off leaves the old rows.
"""

from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Connection

from service_api.app import Store
from service_api.domain.entry import Recorded
from service_api.domain.slips import Slip
from service_api.ledgers import settle, settle_every_slip
from service_api.log import driver
from service_api.log import store as log
from service_api.log.engines import drawing_engine
from service_api.log.store import Book
from service_api.ops.agreeing import agreed
from service_api.ops.parts import Disagrees
from service_api.ops.shares import Share, blocks, correct, little_collected
from service_api.ops.swap import Swap, held_size
from service_api.pages import read_entries
from service_api.projections import units
from service_api.projections.changes import CHANGE
from service_api.projections.ledger import CLAIM, shared_keys
from service_api.projections.remarks import forget_remarks, remark_rows
from service_api.projections.slips import slip_rows
from service_api.projections.units import TOPIC

Progress = Callable[[int], None]
Within = Callable[[], AbstractContextManager[Any]]
T = TypeVar("T")
CHUNK = 500  # entries a step
MISLED = (Disagrees, LookupError, TypeError, ValueError)  # what wrong rows come to


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

    progress : called with the number of entries drawn since the last call, less than none when all begins anew
    processes : so many draw a share of the units each, until a row is found that differs
    """
    seen = _Seen(progress)
    try:
        return Redrawn(*agreed(store, book, seen, processes=processes), 0)
    except MISLED:
        seen.begin_anew()
    return _beside(store, book, seen, lambda swap, done: Redrawn(done.drawn, len(done.share.states), swap.change()))


def compared(store: Store, book: Book, progress: Progress = lambda _: None) -> dict[str, tuple[int, str]]:
    """Draw the book's projections and change nothing: by table, how many rows are not what the log says, and one."""
    seen = _Seen(progress)
    try:
        agreed(store, book, seen, forget=False)
        return {}
    except MISLED:
        seen.begin_anew()
    return _beside(store, book, seen, lambda swap, _: swap.differing())


class _Seen:
    """The progress, and how far it has come."""

    def __init__(self, progress: Progress) -> None:
        self.progress, self.entries = progress, 0

    def __call__(self, entries: int) -> None:
        self.entries += entries
        self.progress(entries)

    def begin_anew(self) -> None:
        self(-self.entries)


def _beside(store: Store, book: Book, progress: Progress, end: "Callable[[Swap, _Drawing], T]") -> T:
    """Draw all beside the real rows; `end` is what becomes of them while nobody appends."""
    engine = drawing_engine(store.settings.database)
    try:
        with engine.connect() as connection, little_collected():
            with connection.begin():
                swap = Swap(connection, book.number)
                size = log.read_head(connection, book.number).size
            drawing = _Drawing(connection, book.number)
            drawing.draw(size, progress, within=connection.begin)
            connection.execution_options(swap=True)
            with store.only_writer(), connection.begin():
                drawing.draw(held_size(connection, book.number), progress, within=nullcontext)
                return end(swap, drawing)
    finally:
        engine.dispose()


class _Drawing:
    """The temporary tables filled from the log, as far as `drawn`."""

    def __init__(self, connection: Connection, book: int) -> None:
        self.connection, self.book = connection, book
        self.drawn = 0
        self.share = Share(book)
        self._context = -1
        self._corrections: list[int] = []
        self._written: set[str] = set()

    def draw(self, size: int, progress: Progress, within: Within) -> None:
        """Go on until `size` entries are drawn, in chunks, each of them `within` a transaction."""
        if size == self.drawn:
            return
        for texts in blocks(self.connection, self.book, self.drawn, size, CHUNK):
            with within():
                self._take(texts)
            progress(len(texts))
        self._finish(size, within)

    def _take(self, texts: Iterable[bytes]) -> None:
        drawn, book = self.share.take(texts), self.book
        topics = [(book, topic, *row) for topic, rows in sorted(drawn.topics.items()) for row in rows]
        changes = [(book, *row) for row in drawn.changes]
        slips = slip_rows(book, [Slip(device, *row) for device, rows in drawn.slips.items() for row in rows])
        for sql, rows in ((TOPIC, topics), (CHANGE, changes), (CLAIM, drawn.lines), slips):
            if rows:
                self.many(sql, rows)
        self._corrections += drawn.corrections

    def _finish(self, size: int, within: Within) -> None:
        """Corrections, once every topic before them is written; then the states."""
        for at in range(0, len(self._corrections), CHUNK):
            with within():
                for entry in read_entries(self.connection, self.book, self._corrections[at : at + CHUNK]):
                    self._correct(entry)
        self._corrections = []
        with within():
            self._write(size)
        self.drawn = size

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        driver.change_many(self.connection, sql, rows)

    def settle(self) -> None:
        """Everything is there already."""

    def _run(self, write: units.Write) -> None:
        if write.rows:
            self.many(write.sql, write.rows)

    def _correct(self, entry: Recorded) -> None:
        found = correct(self.connection, self, self.book, entry)
        if found.context:
            self._context = max(self._context, entry.index)
        for unit in found.units:
            self.share.corrected(unit, entry.index, found.moves)

    def _write(self, size: int) -> None:
        share = self.share
        share.draw_again(self.connection, size)
        context = max(self._context, share.context)
        if context >= 0:
            self._run(units.context_row(self.book, context))
        self._run(
            units.page_rows(self.book, {subject: share.pages[subject] for subject in sorted(share.touched_pages)})
        )
        states = [share.states[unit] for unit in sorted(share.touched)]
        self._run(units.state_rows(self.book, states))
        for state in states:
            if state.tags or state.unit in self._written:
                units.write_tags(self.connection, self.book, state)
            if state.unit in self._written:
                forget_remarks(self.connection, self.book, state.unit)
            self._run(remark_rows(self.book, state.unit, state.remarks))
        self._written |= share.touched
        share.touched, share.touched_pages = set(), set()
        keys = shared_keys(self.connection, self.book)
        settle(self.connection, self, self.book, keys, lambda units: {unit: share.states[unit] for unit in units})
        settle_every_slip(self.connection, self, self.book)
