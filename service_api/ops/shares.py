"""What is drawn of a book entry by entry, from the entries alone: a share of its subjects, here or in another process.

Corrections are left to whoever sees every page: which pages they show on, and what they change, is asked of the store.
"""

import gc
import marshal
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection as Pipe
from multiprocessing.connection import wait
from typing import NamedTuple
from zlib import crc32

from sqlalchemy import Connection

from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.fold import step
from service_api.domain.ledger import Line
from service_api.domain.slips import Slip, slip_of
from service_api.domain.state import UnitState, begin, witness
from service_api.domain.timeline import simple_item
from service_api.filing import is_context, own_changes, own_topics
from service_api.late import in_order
from service_api.ledgers import own_lines
from service_api.log import driver
from service_api.log import store as log
from service_api.log.engines import reading_engine
from service_api.ops.processor import use_all
from service_api.projections import units
from service_api.projections.changes import Change, change_rows
from service_api.projections.ledger import line_rows
from service_api.projections.slips import slip_rows
from service_api.projections.units import Page, Topic, Write
from service_api.wire.entries import read_stored

SUBJECT = b'"subject":"'
SELDOM = 70_000  # new objects before the collector looks at them


class Drawn(NamedTuple):
    """What some entries came to.

    entries : how many they were
    writes : rows for the tables, with their statements
    context : the last of them that other units' answers lean on, -1 for none
    corrections : where in the book those stand that are left to do
    keys : what they claim
    """

    entries: int
    writes: list[Write]
    context: int
    corrections: list[int]
    keys: list[str]


class Share:
    """The states of its units, one step for each fact that is in order.

    touched : units whose state has moved since somebody wrote them
    again : of them, those with something late or corrected, to be folded from their page when all is read
    """

    def __init__(self, book: int) -> None:
        self.book = book
        self.states: dict[str, UnitState] = {}
        self.touched: set[str] = set()
        self.again: set[str] = set()

    def take(self, texts: Iterable[bytes]) -> Drawn:
        topics: list[Topic] = []
        last: dict[str, Recorded] = {}
        changes: list[Change] = []
        lines: list[Line] = []
        corrections: list[int] = []
        sent: list[Slip] = []
        context, count = -1, 0
        for text in texts:
            entry = read_stored(text)
            count += 1
            topics += own_topics(entry)
            last[entry.subject] = entry
            if (slip := slip_of(entry)) is not None:
                sent.append(slip)
            if TYPES[entry.type].corrects:
                corrections.append(entry.index)
                continue
            changes += own_changes(entry)
            lines += own_lines(entry)
            if is_context(entry):
                context = entry.index
            if entry.kind == "unit":
                self.step(entry.subject_id, entry)
        pages = {subject: Page(entry.seq + 1, entry.index) for subject, entry in last.items()}
        writes = [
            units.topic_rows(self.book, topics),
            units.page_rows(self.book, pages),
            change_rows(self.book, changes),
            line_rows(self.book, lines),
            slip_rows(self.book, sent),
        ]
        return Drawn(count, writes, context, corrections, [line.key for line in lines])

    def step(self, unit: str, entry: Recorded) -> None:
        """Bring one unit up to date; what is not in order waits until all is read."""
        self.touched.add(unit)
        if unit in self.again:
            return
        state = self.states.get(unit) or begin(unit)
        if TYPES[entry.type].corrects:
            self.states[unit] = witness(state, entry.index)
        elif in_order(state, item := simple_item(entry)):
            self.states[unit] = step(state, item)
        else:
            self.again.add(unit)

    def join(self, other: "Share") -> None:
        """Take over the units of another share."""
        self.states |= other.states
        self.touched |= other.touched
        self.again |= other.again


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


def drawn_apart(url: str, book: int, size: int, length: int, processes: int) -> Generator[Drawn | Share, None, None]:
    """What so many processes draw of the first `size` entries, each a share of the subjects, and at last their states.

    Raises RuntimeError when one of them ends before its time; its own error is on stderr.
    """
    use_all()  # a service that does this for a command keeps itself to one processor, and so would they
    context = get_context("spawn")  # an open store does not outlive a fork
    pipes: list[Pipe] = []
    workers = []
    for number in range(processes):
        ours, theirs = context.Pipe(duplex=False)
        worker = context.Process(target=_draw, args=(theirs, url, book, size, length, number, processes), daemon=True)
        worker.start()
        theirs.close()
        pipes.append(ours)
        workers.append(worker)
    try:
        while pipes:
            for pipe in wait(pipes):
                assert isinstance(pipe, Pipe)
                try:
                    said = pipe.recv_bytes()
                    yield _unpacked(said) if said else pipe.recv()
                except EOFError:
                    raise RuntimeError("a process that drew ended before its time") from None
                if not said:
                    pipes.remove(pipe)
    finally:
        for worker in workers:
            if pipes:
                worker.terminate()
            worker.join()


def _draw(pipe: Pipe, url: str, book: int, size: int, length: int, number: int, processes: int) -> None:
    """One process's share: bytes for what some entries came to, at last none, and then the share itself."""
    share, engine = Share(book), reading_engine(url)
    with engine.connect() as connection, little_collected():
        for texts in blocks(connection, book, 0, size, length):
            mine = [text for text in texts if crc32(_subject(text)) % processes == number]
            drawn = share.take(mine)
            pipe.send_bytes(marshal.dumps((drawn.entries, [tuple(w) for w in drawn.writes], *drawn[2:])))
    engine.dispose()
    pipe.send_bytes(b"")
    pipe.send(share)


def _subject(text: bytes) -> bytes:
    """The subject, without reading the text: no member behind it in canonical order holds another member."""
    at = text.rindex(SUBJECT) + len(SUBJECT)
    return text[at : text.index(b'"', at)]


def _unpacked(said: bytes) -> Drawn:
    entries, writes, *rest = marshal.loads(said)
    return Drawn(entries, [Write(*write) for write in writes], *rest)
