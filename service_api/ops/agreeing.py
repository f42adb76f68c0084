"""Whether a book's projections agree with its log: drawn entry by entry, held against the rows there, nothing written.

Every row that is drawn has to be there, and each table has to hold as many rows of the book as were drawn: then none is
wrong, missing or too many. What corrections come to is asked of the rows themselves, less what came after each; a row
that misleads there is one that nobody drew, so it is found like any other. Doubts between pages are drawn aside.

While that goes on, appends do as they like. At the end the lock of the book's head is held, for what came meanwhile and
for the counts.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import nullcontext
from functools import partial
from typing import Any

from sqlalchemy import Connection, Table

from service_api.app import Store
from service_api.filing import topics_of
from service_api.ledgers import settle, settle_every_slip
from service_api.log import driver
from service_api.log import store as log
from service_api.log.engines import drawing_engine
from service_api.log.store import Book
from service_api.ops.others import Other, others_drawing
from service_api.ops.parts import Disagrees, Part, Progress, Within, among, portions
from service_api.ops.shares import Row, correct, little_collected
from service_api.ops.swap import DRAWN, Swap, forget_cuts, held_size
from service_api.pages import read_entries
from service_api.projections import tables as t
from service_api.projections.ledger import shared_keys
from service_api.projections.units import context_head, read_states


def agreed(
    store: Store, book: Book, progress: Progress = lambda _: None, *, processes: int = 1, forget: bool = True
) -> tuple[int, int]:
    """How many entries and units the book has, whose rows all agree with its log. Raises Disagrees when one does not.

    Rows that mislead may raise LookupError, TypeError or ValueError instead.

    processes : so many draw a share of the subjects each, this one among them
    forget : where pages are cut, once all agrees
    """
    url = store.settings.database
    engine = drawing_engine(url)
    try:
        with engine.connect() as connection, little_collected(), others_drawing(url, book.number, processes) as others:
            with connection.begin():
                size = log.read_head(connection, book.number).size
            agreeing = _Agreeing(connection, book.number, others)
            agreeing.draw(size, progress, connection.begin)
            connection.execution_options(swap=True)
            with store.only_writer(), connection.begin():
                agreeing.draw(held_size(connection, book.number), progress, nullcontext)
                agreeing.end()
                if forget:
                    forget_cuts(connection, book.number)
            return agreeing.drawn, agreeing.counts["unit_state"]
    finally:
        engine.dispose()


class _Agreeing:
    """All parts together, and what no part can know: corrections, the context, doubts, and how many rows there are."""

    def __init__(self, connection: Connection, book: int, others: list[Other]) -> None:
        self.connection, self.book, self.others = connection, book, others
        self.mine = Part(connection, book, 0, len(others) + 1)
        self.drawn = 0
        self.counts: Counter[str] = Counter()
        self.named: set[tuple[str, int]] = set()
        self.ahead = False
        self._context = -1
        self._by_correction: Counter[str] = Counter()
        self._topics: dict[tuple[str, int], Row] = {}  # that corrections drew
        self._waiting: dict[str, set[Row]] = {}

    def draw(self, size: int, progress: Progress, within: Within) -> None:
        if size > self.drawn:
            self._draw(size, progress, within)
        for other in self.others:
            other.ask("settle", size)
        settled = [self.mine.settle(size, within), *(other.answer(progress) for other in self.others)]
        self.counts = sum((one.counts for one in settled), self._by_correction.copy())
        self.named = set().union(*(one.named for one in settled))
        self.ahead = any(one.ahead for one in settled)
        self.drawn = size

    def _draw(self, size: int, progress: Progress, within: Within) -> None:
        for other in self.others:
            other.ask("draw", self.drawn, size)
        mine = self.mine.draw(self.drawn, size, progress, within)
        found = [mine, *(other.answer(progress) for other in self.others)]
        self._context = max(self._context, *(context for _, context in found))
        indexes = sorted(index for corrections, _ in found for index in corrections)
        for some in portions(indexes):
            with within():
                self._correct(some)

    def _correct(self, indexes: list[int]) -> None:
        """Hold what these corrections come to, and say it to the parts."""
        entries = read_entries(self.connection, self.book, indexes)
        found = [correct(self.connection, self, self.book, entry) for entry in entries]
        self._context = max([self._context, *(one.at for one in found if one.context)])
        for other in self.others:
            other.ask("correct", found)
        self.mine.correct(found)
        for other in self.others:
            other.answer()
        self._hold("change", "log_index", 1)
        self._hold("claim", "fact", 2)
        self._hold_topics(self._waiting.pop("entry_topic", set()))

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """What a correction comes to waits to be held."""
        self._waiting.setdefault(_table_of(sql), set()).update(map(tuple, rows))

    def settle(self) -> None:
        """What comes before is there."""

    def _hold(self, table: str, column: str, place: int) -> None:
        drawn = self._waiting.pop(table, set())
        self._by_correction[table] += len(drawn)
        for some in portions(sorted({row[place] for row in drawn})):
            drawn.difference_update(self.mine.rows(table, f"{column} {among(some)}", *some))
        if drawn:
            raise Disagrees(table)

    def _hold_topics(self, drawn: set[Row]) -> None:
        """Where an entry is named it may be drawn to; what is its own stays so."""
        fresh = {row[1:3]: row for row in drawn if row[1:3] not in self._topics}
        self._topics |= fresh
        own: dict[int, dict[str, int]] = {}
        for some in portions(sorted({index for _, index in fresh})):
            own |= {e.index: topics_of(e) for e in read_entries(self.connection, self.book, some)}
        by_topic: dict[str, dict[int, Row]] = {}
        for (topic, index), row in fresh.items():
            if own[index].get(topic) != t.OWN:
                by_topic.setdefault(topic, {})[index] = row
        for topic, of_topic in by_topic.items():
            for some in portions(list(of_topic)):
                there = self.mine.rows("entry_topic", f"topic = ? AND log_index {among(some)}", topic, *some)
                if not set(there).issuperset(of_topic[index] for index in some):
                    raise Disagrees("entry_topic")
        self._by_correction["entry_topic"] += sum(
            topic not in own[index] for topic, of_topic in by_topic.items() for index in of_topic
        )

    def end(self) -> None:
        """All is drawn, and nobody appends: hold what is told over the whole book."""
        if self.ahead:
            raise Disagrees("unit_state or page")
        if not self.named <= self._topics.keys():
            raise Disagrees("entry_topic")
        if context_head(self.connection, self.book) != self._context:
            raise Disagrees("context")
        for table in DRAWN:
            if table not in (t.context, t.doubt) and self._number(table) != self.counts[table.name]:
                raise Disagrees(table.name)
        beside = Swap(self.connection, self.book, [t.doubt])
        doubts = _Doubts(self.connection)
        states = partial(read_states, self.connection, self.book)
        settle(self.connection, doubts, self.book, shared_keys(self.connection, self.book), states)
        settle_every_slip(self.connection, doubts, self.book)
        if not beside.agrees():
            raise Disagrees("doubt")

    def _number(self, table: Table) -> int:
        ((number,),) = self.mine.ask(f"SELECT count(*) FROM {table.name} WHERE book = ?", (self.book,))
        return int(number)


class _Doubts:
    """They are written aside."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        driver.change_many(self.connection, sql, rows)

    def settle(self) -> None:
        """Everything is there already."""


def _table_of(sql: str) -> str:
    return sql.split(maxsplit=3)[2]
