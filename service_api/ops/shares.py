"""What is drawn of a book entry by entry, from the entries alone: a share of its subjects, with the units' states.

Corrections are left to whoever sees every page: which pages they show on, and what they change, is asked of the rows.
"""

import gc
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache, partial
from typing import Any, NamedTuple

from sqlalchemy import Connection

from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.fold import step
from service_api.domain.ledger import CLAIMING
from service_api.domain.slips import slip_of
from service_api.domain.state import UnitState, begin, witness
from service_api.domain.timeline import simple_item
from service_api.filing import (
    aspects_of,
    changes_of,
    drawn_topics,
    family_topic,
    is_context,
    is_leant_on,
    pages_of,
    root_of,
    topics_of,
)
from service_api.late import in_order
from service_api.ledgers import Writes, own_lines, write_claims
from service_api.log import driver
from service_api.log import store as log
from service_api.pages import draw_unit, find_entry
from service_api.projections.changes import CONTEXT, change_rows
from service_api.projections.ledger import line_rows
from service_api.projections.units import NAMED, OWN, Page, Write, topic_rows
from service_api.wire.entries import read_stored

SELDOM = 70_000  # new objects before the collector looks at them
Row = tuple[Any, ...]


class Drawn(NamedTuple):
    """What some entries came to, in the order of the book.

    topics : by topic, (log_index, relation, type); changes : (log_index, unit, changed); lines : rows of claims
    slips : by device, (seq, fact, entry, live, typed, at, moved)
    corrections : where in the book those stand that are left to do
    """

    topics: dict[str, list[Row]]
    changes: list[Row]
    lines: list[Row]
    slips: dict[str, list[Row]]
    corrections: list[int]


class Share:
    """The pages and states of its subjects, one step for each fact that is in order.

    context : the last entry that other units' answers lean on, -1 for none
    touched : units whose state has moved since somebody looked; touched_pages : subjects that got an entry since
    again : of the units, those with something late or corrected, to be folded from their page when all is read
    """

    def __init__(self, book: int) -> None:
        self.book = book
        self.pages: dict[str, Page] = {}
        self.states: dict[str, UnitState] = {}
        self.context = -1
        self.touched: set[str] = set()
        self.touched_pages: set[str] = set()
        self.again: set[str] = set()

    def take(self, texts: Iterable[bytes]) -> Drawn:
        book = self.book
        drawn = Drawn({}, [], [], {}, [])
        topics, changes, slips = drawn.topics, drawn.changes, drawn.slips
        last: dict[str, Recorded] = {}
        for text in texts:
            entry = read_stored(text)
            index, kind, subject = entry.index, entry.type, entry.subject
            rows = (index, OWN, kind), (index, NAMED, kind)
            for topic, how in topics_of(entry).items():
                under = topics.get(topic)
                if under is None:
                    topics[topic] = [rows[how]]
                else:
                    under.append(rows[how])
            last[subject] = entry
            if (slip := slip_of(entry)) is not None:
                slips.setdefault(slip[0], []).append(slip[1:])
            said = _said(kind)
            if said.corrects:
                drawn.corrections.append(index)
                continue
            if said.leans:
                changes.append((index, CONTEXT, said.leans))
            if said.claims:
                drawn.lines.extend(line_rows(book, own_lines(entry)).rows)
            if subject.startswith("unit:"):
                unit = subject[5:]
                if said.moves:
                    changes.append((index, unit, said.moves))
                self._step(unit, entry)
                if said.leant_on:
                    self.context = index
            elif is_context(entry):
                self.context = index
        self.pages |= {subject: Page(entry.seq + 1, entry.index) for subject, entry in last.items()}
        self.touched_pages |= last.keys()
        return drawn

    def _step(self, unit: str, entry: Recorded) -> None:
        """Bring one unit up to date; what is not in order waits until all is read."""
        self.touched.add(unit)
        if unit in self.again:
            return
        state, item = self.states.get(unit) or begin(unit), simple_item(entry)
        if in_order(state, item):
            self.states[unit] = step(state, item)
        else:
            self.again.add(unit)

    def corrected(self, unit: str, index: int, moves: bool) -> None:
        """A correction shows on the unit's page; it `moves` the state unless it is a note."""
        self.touched.add(unit)
        if moves:
            self.again.add(unit)
        if unit not in self.again:
            self.states[unit] = witness(self.states.get(unit) or begin(unit), index)

    def draw_again(self, connection: Connection, known: int) -> None:
        """Fold what waited, from the first `known` entries."""
        for unit in self.again:
            self.states[unit] = draw_unit(connection, self.book, unit, known)
        self.again = set()


class _Said(NamedTuple):
    """What the type of an entry says of it: what it may move (`changes`), whether it claims and is leant on."""

    corrects: bool
    claims: bool
    leant_on: bool
    leans: str
    moves: str


@cache
def _said(kind: str) -> _Said:
    leans, moves = aspects_of(kind)
    return _Said(TYPES[kind].corrects, kind in CLAIMING, is_leant_on(kind), " ".join(leans), " ".join(moves))


class Corrected(NamedTuple):
    """How far a correction reaches: into the context of all, onto the pages of these units; `moves` : it is no note."""

    at: int
    context: bool
    units: list[str]
    moves: bool


def correct(connection: Connection, writes: Writes, book: int, entry: Recorded) -> Corrected:
    """Write what a correction comes to. The rows of the entries before it are there; those after it are not asked."""

    def put(write: Write) -> None:
        if write.rows:
            writes.many(write.sql, write.rows)

    root = root_of(entry, lambda ident: find_entry(connection, book, ident))
    put(topic_rows(book, [family_topic(entry, root)]))
    put(topic_rows(book, drawn_topics(connection, book, entry, root)))
    put(change_rows(book, changes_of(connection, book, entry, root)))
    write_claims(connection, writes, book, [(entry, root)])
    pages = pages_of(connection, book, root, entry.index + 1)
    units = [page.removeprefix("unit:") for page in pages if page.startswith("unit:")]
    return Corrected(entry.index, is_context(root), units, entry.type != "entry.annotated")


@contextmanager
def little_collected() -> Iterator[None]:
    """Entries come and go by the thousand and none is part of a cycle: the collector looks once in a hundred times."""
    often = gc.get_threshold()
    gc.set_threshold(SELDOM, *often[1:])
    try:
        yield
    finally:
        gc.set_threshold(*often)


def blocks(connection: Connection, book: int, start: int, stop: int, length: int) -> Iterator[list[bytes]]:
    """The texts with start <= index < stop, some at a time. Raises LookupError when one is missing."""
    ask = partial(driver.rows, connection)
    for first in range(start, stop, length):
        yield log.hashed_of(ask, book, first, min(stop, first + length))
