"""A share of a book's subjects, drawn and held against the rows that stand for it; the rows are only read."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from functools import partial
from itertools import chain
from typing import Any, NamedTuple
from zlib import crc32

from sqlalchemy import Connection

from service_api.domain.records import keep_aside
from service_api.domain.slips import slip_of
from service_api.log import driver
from service_api.ops.shares import Corrected, Row, Share, blocks
from service_api.ops.swap import DRAWN
from service_api.pages import read_entries
from service_api.projections import tables as t
from service_api.projections.remarks import remark_rows
from service_api.projections.units import page_rows, state_rows, tag_rows

Progress = Callable[[int], None]
Within = Callable[[], AbstractContextManager[Any]]
BLOCK = 500  # texts that are read at once
HELD = 2000  # entries whose rows are looked for at once
AT_ONCE = 500  # names in a query
SUBJECT = b'"subject":"'


class Disagrees(Exception):
    """A table has a row that is wrong, lacks one, or has one too many."""


class Settled(NamedTuple):
    """How many rows of each table were drawn and are there, what has to have been drawn elsewhere (`Part.named`), and
    whether a page or a state went on since.
    """

    counts: Counter[str]
    named: set[tuple[str, int]]
    ahead: bool


class Part:
    """A share of the subjects, by the number of whoever draws it.

    counts : by table, the rows that were drawn and are there
    named : topic and index of entries that a correction has to have drawn to where they are named
    """

    def __init__(self, connection: Connection, book: int, number: int, processes: int) -> None:
        self.connection, self.book, self.number, self.processes = connection, book, number, processes
        self.ask = partial(driver.rows, connection)
        self.share = Share(book)
        self.counts: Counter[str] = Counter()
        self.named: set[tuple[str, int]] = set()
        self.ahead: set[str] = set()
        self.pages_ahead: set[str] = set()

    def draw(self, start: int, stop: int, progress: Progress, within: Within) -> tuple[list[int], int]:
        """Draw the entries from start to before stop; the corrections among them, and the last that all lean on."""
        corrections: list[int] = []
        for first in range(start, stop, HELD):
            last = min(stop, first + HELD)
            with within():
                texts = list(
                    chain.from_iterable(map(self._mine, blocks(self.connection, self.book, first, last, BLOCK)))
                )
                drawn = self.share.take(texts)
                self._hold_topics(drawn.topics, first, last)
                self._hold_changes(drawn.changes, first, last)
                if drawn.lines:
                    self._hold("claim", set(drawn.lines), "fact >= ? AND fact < ?", first, last)
                self._hold_slips(drawn.slips)
            corrections += drawn.corrections
            progress(len(texts))
        return corrections, self.share.context

    def _mine(self, texts: list[bytes]) -> Iterable[bytes]:
        if self.processes == 1:
            return texts
        return [text for text in texts if owner(_subject(text), self.processes) == self.number]

    def correct(self, found: Sequence[Corrected]) -> None:
        for one in found:
            for unit in one.units:
                if owner(f"unit:{unit}".encode(), self.processes) == self.number:
                    self.share.corrected(unit, one.at, one.moves)

    def settle(self, known: int, within: Within) -> Settled:
        """Hold the pages and states as of the first `known` entries; what went on meanwhile waits for the next time."""
        share = self.share
        with within():
            share.draw_again(self.connection, known)
        pages, share.touched_pages = share.touched_pages | self.pages_ahead, set()
        states, share.touched = share.touched | self.ahead, set()
        self.pages_ahead, self.ahead = set(), set()
        for some in portions(sorted(pages)):
            with within():
                self._hold_pages(some, known)
        for some in portions(sorted(states)):
            with within():
                self._hold_states(some, known)
        counts = self.counts + Counter(page=len(share.pages), unit_state=len(share.states))
        counts["tag_span"] = sum(len(state.tags) for state in share.states.values())
        counts["remark"] = sum(len(state.remarks) for state in share.states.values())
        return Settled(counts, self.named, bool(self.pages_ahead or self.ahead))

    def _hold(self, table: str, drawn: set[Row], where: str, *values: Any) -> None:
        """The rows that were drawn are among those of the table."""
        self.counts[table] += len(drawn)
        if drawn:
            drawn.difference_update(self.rows(table, where, *values))
            if drawn:
                raise Disagrees(table)

    def rows(self, table: str, where: str, *values: Any) -> list[Any]:
        return self.ask(_SELECT[table] + where, (self.book, *values))

    def _hold_topics(self, drawn: dict[str, list[Row]], first: int, stop: int) -> None:
        self.counts["entry_topic"] += sum(map(len, drawn.values()))
        short = {topic: rows for topic, rows in drawn.items() if len(rows) < LONG}
        for topic in drawn.keys() - short.keys():
            there = self.ask(_UNDER_TOPIC, (self.book, topic, first, stop))
            self._leave_named(topic, _lacking(drawn[topic], there))
        for some in portions(sorted(short)):
            found: dict[str, list[Row]] = {topic: [] for topic in some}
            for topic, *row in self.ask(_UNDER_TOPICS.format(among(some)), (self.book, *some, first, stop)):
                found[topic].append(tuple(row))
            for topic, there in found.items():
                self._leave_named(topic, _lacking(short[topic], there))

    def _leave_named(self, topic: str, lacking: Iterable[Row]) -> None:
        """An entry that is named here may have been drawn here since."""
        for index, relation, _ in lacking:
            if relation != t.NAMED:
                raise Disagrees("entry_topic")
            self.named.add((topic, index))

    def _hold_changes(self, drawn: list[Row], first: int, stop: int) -> None:
        self.counts["change"] += len(drawn)
        if _lacking(drawn, self.ask(_CHANGES, (self.book, first, stop))):
            raise Disagrees("change")

    def _hold_slips(self, drawn: dict[str, list[Row]]) -> None:
        """Of two slips with one number the first stays; it may be another process's."""
        for device, slips in drawn.items():
            low, high = slips[0][0], slips[-1][0]
            if high - low == len(slips) - 1 and slips == self.ask(_SLIPS, (self.book, device, low, high)):
                self.counts["slip"] += len(slips)
                continue
            once: dict[int, Row] = {}
            for slip in slips:
                once.setdefault(slip[0], slip)
            for some in portions(list(once)):
                self._hold_numbers(device, {seq: once[seq] for seq in some})

    def _hold_numbers(self, device: str, slips: dict[int, Row]) -> None:
        there = set(self.ask(_NUMBERS.format(among(list(slips))), (self.book, device, *slips)))
        self.counts["slip"] += len(there.intersection(slips.values()))
        lacking = {slip[0]: slip for slip in slips.values() if slip not in there}
        earlier = [slip for slip in there if slip[0] in lacking and slip[1] < lacking[slip[0]][1]]
        if len(earlier) != len(lacking) or self._slips_at([slip[1] for slip in earlier], device) != set(earlier):
            raise Disagrees("slip")

    def _slips_at(self, indexes: list[int], device: str) -> set[Row]:
        sent = [slip_of(entry) for entry in read_entries(self.connection, self.book, sorted(indexes))]
        return {slip[1:] for slip in sent if slip is not None and slip.device == device}

    def _hold_pages(self, subjects: list[str], known: int) -> None:
        drawn = set(page_rows(self.book, {subject: self.share.pages[subject] for subject in subjects}).rows)
        there = self.rows("page", f"subject {among(subjects)}", *subjects)
        self.pages_ahead |= {row[1] for row in there if row[3] >= known}
        if any(row[1] not in self.pages_ahead for row in drawn.difference(there)):
            raise Disagrees("page")

    def _hold_states(self, units: list[str], known: int) -> None:
        wanted = f"unit {among(units)}"
        there, tags, remarks = (set(self.rows(name, wanted, *units)) for name in ("unit_state", "tag_span", "remark"))
        ahead = {row[1] for row in there if row[2] >= known}
        for state in (self.share.states[unit] for unit in units if unit not in ahead):
            if not there.issuperset(state_rows(self.book, [state]).rows):
                raise Disagrees("unit_state")
            keep_aside(state, None)  # what it is written as would stay in memory with it
            if not tags.issuperset(tag_rows(self.book, state)):
                raise Disagrees("tag_span")
            if not remarks.issuperset(remark_rows(self.book, state.unit, state.remarks).rows):
                raise Disagrees("remark")
        self.ahead |= ahead


def owner(subject: bytes, processes: int) -> int:
    """Whose share a subject is."""
    return crc32(subject) % processes


def _subject(text: bytes) -> bytes:
    """The subject, without reading the text: no member behind it in canonical order holds another member."""
    at = text.rindex(SUBJECT) + len(SUBJECT)
    return text[at : text.index(b'"', at)]


def among(values: Sequence[object]) -> str:
    return f"IN ({','.join('?' * len(values))})"


def portions(values: list[Any]) -> Iterator[list[Any]]:
    for at in range(0, len(values), AT_ONCE):
        yield values[at : at + AT_ONCE]


def _lacking(drawn: list[Row], there: list[Row]) -> Iterable[Row]:
    """Those that were drawn and are not there."""
    return () if drawn == there else set(drawn).difference(there)


LONG = 8  # rows under one topic, from which on they are asked for alone
_BETWEEN = "log_index >= ? AND log_index < ?"
_UNDER_TOPIC = (
    f"SELECT log_index, relation, type FROM entry_topic WHERE book = ? AND topic = ? AND {_BETWEEN} ORDER BY log_index"
)
_UNDER_TOPICS = f"SELECT topic, log_index, relation, type FROM entry_topic WHERE book = ? AND topic {{}} AND {_BETWEEN}"
_CHANGES = f"SELECT log_index, unit, changed FROM change WHERE book = ? AND {_BETWEEN} ORDER BY log_index, unit"
_OF_DEVICE = "SELECT seq, fact, entry, live, typed, at, moved FROM slip WHERE book = ? AND device = ? AND"
_SLIPS = f"{_OF_DEVICE} seq >= ? AND seq <= ? ORDER BY seq"
_NUMBERS = f"{_OF_DEVICE} seq {{}}"
_SELECT = {
    table.name: "SELECT {} FROM {} WHERE book = ? AND ".format(", ".join(f'"{c.name}"' for c in table.c), table.name)
    for table in DRAWN
}
