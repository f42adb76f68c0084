"""Rows by unit: the folded state, the tags it wears; and under which topics an entry is found.

What changes in every append is given back as a statement and its rows; the caller runs it in its transaction.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import is_dataclass
from datetime import datetime
from functools import cache, partial
from typing import Any, NamedTuple

import orjson
from sqlalchemy import Connection, Select, bindparam, delete, insert, select

from service_api.domain.matters import Measured
from service_api.domain.moments import in_utc, parse
from service_api.domain.plain import make, plain, plain_value
from service_api.domain.records import ASIDE, keep_aside, kept_aside
from service_api.domain.state import UnitState
from service_api.domain.tags import Span
from service_api.projections import tables as t

OWN, NAMED, DRAWN = t.OWN, t.NAMED, t.DRAWN


class Topic(NamedTuple):
    """An entry is found under this topic: a subject, or `job:ID`."""

    topic: str
    log_index: int
    relation: int
    type: str


Ask = Callable[[str, tuple[Any, ...]], list[Any]]  # a query with `?` for its parameters; its rows


class Write(NamedTuple):
    """A statement and its rows; `?` stands for a parameter. Whoever holds the transaction runs it."""

    sql: str
    rows: list[tuple[Any, ...]]


class Page(NamedTuple):
    entries: int
    head: int


class StateRow(NamedTuple):
    head: int
    state: bytes


def topic_rows(book: int, topics: Iterable[Topic]) -> Write:
    """An entry stands under a topic once, among these too; what was named before may be drawn later."""
    once: dict[tuple[str, int], Topic] = {}
    for row in topics:
        if once.setdefault(row[:2], row).relation == NAMED:
            once[row[:2]] = row
    return Write(TOPIC, [(book, *row) for row in once.values()])


TOPIC = (
    "INSERT INTO entry_topic (book, topic, log_index, relation, type) VALUES (?, ?, ?, ?, ?)"
    " ON CONFLICT (book, topic, log_index) DO UPDATE SET relation = excluded.relation"
    f" WHERE entry_topic.relation = {NAMED}"
)


def indexes(
    connection: Connection,
    book: int,
    topic: str,
    *,
    below: int | None = None,
    above: int | None = None,
    types: tuple[str, ...] | None = None,
    named: bool = False,
) -> list[int]:
    """Where the topic's entries stand in the book, in order: its own and those drawn to it, with `named` all."""
    wanted = _of_topic(book, topic, below=below, above=above, types=types, named=named)
    return list(connection.execute(wanted.order_by(t.entry_topic.c.log_index)).scalars())


def _of_topic(
    book: int,
    topic: str,
    *,
    below: int | None,
    above: int | None = None,
    types: tuple[str, ...] | None = None,
    named: bool = False,
) -> Select[Any]:
    wanted = select(t.entry_topic.c.log_index).where(t.entry_topic.c.book == book, t.entry_topic.c.topic == topic)
    if not named:
        wanted = wanted.where(t.entry_topic.c.relation != NAMED)
    if below is not None:
        wanted = wanted.where(t.entry_topic.c.log_index < below)
    if above is not None:
        wanted = wanted.where(t.entry_topic.c.log_index > above)
    if types is not None:
        wanted = wanted.where(t.entry_topic.c.type.in_(types))
    return wanted


def indexes_of(connection: Connection, book: int, topics: Iterable[str], *, below: int | None = None) -> list[int]:
    """Where the entries of several topics stand in the book, in order, each once."""
    wanted, found = list(topics), set[int]()
    for at in range(0, len(wanted), 500):
        query = select(t.entry_topic.c.log_index).where(
            t.entry_topic.c.book == book, t.entry_topic.c.topic.in_(wanted[at : at + 500])
        )
        if below is not None:
            query = query.where(t.entry_topic.c.log_index < below)
        found |= set(connection.execute(query).scalars())
    return sorted(found)


def indexes_on(ask: Ask, book: int, page: str, topic: str, *, below: int | None = None) -> list[int]:
    """Where the topic's entries stand in the book that stand on a page too, its own or drawn to it.

    The topic is gone through and each entry looked for on the page, so that a long page costs nothing.
    """
    bound = "" if below is None else " AND t.log_index < ?"
    query = _ON_PAGE.format(bound=bound)
    values = (book, topic, page, *(() if below is None else (below,)))
    return [int(index) for (index,) in ask(query, values)]


_ON_PAGE = (
    "SELECT t.log_index FROM entry_topic t WHERE t.book = ? AND t.topic = ?"
    " AND EXISTS (SELECT 1 FROM entry_topic p WHERE p.book = t.book AND p.topic = ? AND p.log_index = t.log_index"
    f" AND p.relation != {NAMED}){{bound}} ORDER BY t.log_index"
)


def last_index(
    connection: Connection, book: int, topic: str, *, below: int | None = None, types: tuple[str, ...] | None = None
) -> int:
    """Where the last of the topic's entries stands, its own and those drawn to it; -1 for none."""
    wanted = _of_topic(book, topic, below=below, types=types).order_by(t.entry_topic.c.log_index.desc()).limit(1)
    found = connection.execute(wanted).scalar()
    return -1 if found is None else int(found)


def read_pages(connection: Connection, book: int, subjects: Iterable[str]) -> dict[str, Page]:
    wanted = list(subjects)
    found: dict[str, Page] = {}
    for at in range(0, len(wanted), 500):
        rows = connection.execute(_PAGES, {"book": book, "subjects": wanted[at : at + 500]})
        found |= {r.subject: Page(r.entries, r.head_index) for r in rows}
    return found


_PAGES = select(t.page.c.subject, t.page.c.entries, t.page.c.head_index).where(
    t.page.c.book == bindparam("book"), t.page.c.subject.in_(bindparam("subjects", expanding=True))
)


def page_rows(book: int, pages: dict[str, Page]) -> Write:
    return Write(_PAGE, [(book, subject, page.entries, page.head) for subject, page in pages.items()])


_PAGE = (
    "INSERT INTO page (book, subject, entries, head_index) VALUES (?, ?, ?, ?)"
    " ON CONFLICT (book, subject) DO UPDATE SET entries = excluded.entries, head_index = excluded.head_index"
)


# The context of every unit: sheets, alerts, gauges. Its head moves seldom, so answers keep until it does.


def context_head(connection: Connection, book: int) -> int:
    found = connection.execute(_CONTEXT_HEAD, {"book": book}).scalar()
    return -1 if found is None else int(found)


_CONTEXT_HEAD = select(t.context.c.head_index).where(t.context.c.book == bindparam("book"))


def context_row(book: int, head: int) -> Write:
    return Write(_CONTEXT, [(book, head)])


_CONTEXT = (
    "INSERT INTO context (book, head_index) VALUES (?, ?)"
    " ON CONFLICT (book) DO UPDATE SET head_index = excluded.head_index"
)


# Unit states


PACKED = [name for name in UnitState.__dataclass_fields__ if name != "remarks"]


class Packed(NamedTuple):
    """What `pack` keeps with a state: the text of each member, empty for one that is None, and the size of all."""

    texts: dict[str, str]
    size: int


def pack(state: UnitState, before: UnitState | None = None) -> bytes:
    """The state as JSON.

    before : the state that this one was stepped from; what it has in common with that is not written out again
    """
    kept: Packed | None = kept_aside(before) if before is not None else None
    members, moved, texts = state.__dict__, PACKED, dict[str, str]()
    if before is not None and kept is not None:
        was, texts = before.__dict__, kept.texts.copy()
        moved = [name for name in PACKED if members[name] is not was[name]]  # nobody changes a value
    for name in moved:
        value = members[name]
        texts[name] = "" if value is None else f'"{name}":{text_of(value)}'
    packed = f"{{{','.join(filter(None, texts.values()))}}}".encode()
    keep_aside(state, Packed(texts, len(packed)))
    return packed


def packed_size(state: UnitState) -> int:
    """How many bytes `pack` makes of the state."""
    kept: Packed | None = kept_aside(state)
    return len(pack(state)) if kept is None else kept.size


def text_of(value: Any) -> str:
    """JSON text of a part of a state; the text of a frozen record is kept with the record."""
    kind: Any = type(value)
    return _writer(kind)(value)


@cache
def _writer(kind: Any) -> Callable[[Any], str]:
    if kind is int:
        return str
    if issubclass(kind, str | int):
        return _encode
    if issubclass(kind, datetime):
        return lambda value: f'"{in_utc(value, 6)}"'
    if issubclass(kind, dict):
        return lambda value: "{" + ",".join([f"{_encode(name)}:{text_of(v)}" for name, v in value.items()]) + "}"
    if issubclass(kind, tuple):
        return lambda value: "[" + ",".join([getattr(v, ASIDE, None) or text_of(v) for v in value]) + "]"
    if is_dataclass(kind):
        return partial(_record_text, _measured_text if kind is Measured else _whole_text)
    return lambda value: _encode(plain_value(value))


def _record_text(write: Callable[[Any], str], value: Any) -> str:
    kept: str | None = kept_aside(value)
    if kept is None:
        kept = write(value)
        keep_aside(value, kept)
    return kept


def _whole_text(value: Any) -> str:
    return _encode(plain(value))


def _measured_text(value: Any) -> str:
    """It is made anew around readings that stay."""
    members = value.__dict__
    return "{" + ",".join([f'"{n}":{text_of(v)}' for n in _MEASURED if (v := members[n]) is not None]) + "}"


_MEASURED = tuple(Measured.__dataclass_fields__)


def _encode(value: Any) -> str:
    return orjson.dumps(value).decode()


def unpack(packed: bytes) -> UnitState:
    state: UnitState = make(UnitState, orjson.loads(packed))
    return state


def read_states(connection: Connection, book: int, units: Iterable[str]) -> dict[str, UnitState]:
    wanted = list(units)
    found: dict[str, UnitState] = {}
    for at in range(0, len(wanted), 500):
        rows = connection.execute(_STATES, {"book": book, "units": wanted[at : at + 500]})
        found |= {r.unit: unpack(r.state) for r in rows}
    return found


_STATES = select(t.unit_state.c.unit, t.unit_state.c.state).where(
    t.unit_state.c.book == bindparam("book"), t.unit_state.c.unit.in_(bindparam("units", expanding=True))
)


def read_state(connection: Connection, book: int, unit: str) -> StateRow | None:
    row = connection.execute(_STATE, {"book": book, "unit": unit}).first()
    return None if row is None else StateRow(row.head_index, row.state)


_STATE = select(t.unit_state.c.head_index, t.unit_state.c.state).where(
    t.unit_state.c.book == bindparam("book"), t.unit_state.c.unit == bindparam("unit")
)


def state_rows(book: int, states: Iterable[UnitState]) -> Write:
    """For units in whatever form they are stored."""
    return Write(_WRITE, [_state_row(book, state, None) for state in states])


def stepped_rows(book: int, states: Iterable[UnitState], before: Mapping[str, UnitState]) -> list[Write]:
    """before : by unit, the states that these were stepped from

    What a unit is called by is an index of its own; it is left alone where it says the same.
    """
    known: list[tuple[Any, ...]] = []
    fresh: list[tuple[Any, ...]] = []
    for state in states:
        was = before[state.unit]
        (known if state.identity is was.identity else fresh).append(_state_row(book, state, was))
    return [Write(_STEP, known), Write(_WRITE, fresh)]


def _state_row(book: int, state: UnitState, before: UnitState | None) -> tuple[Any, ...]:
    known = state.identity
    class_, serial = (known.class_, known.serial) if known else ("", None)
    return (book, state.unit, state.index, class_, serial, pack(state, before))


_STEP = (
    'INSERT INTO unit_state (book, unit, head_index, "class", serial, state) VALUES (?, ?, ?, ?, ?, ?)'
    " ON CONFLICT (book, unit) DO UPDATE SET head_index = excluded.head_index, state = excluded.state"
)
_WRITE = f'{_STEP}, "class" = excluded."class", serial = excluded.serial'


def heads(ask: Ask, book: int, unit: str) -> tuple[int, int, int] | None:
    """How far the unit's page, the context, and what others claim beside it have come; None for an unknown unit."""
    rows = ask(_HEADS, (book, unit))
    return None if not rows else (rows[0][0], rows[0][1], rows[0][2])


_HEADS = (
    "SELECT head_index, COALESCE((SELECT head_index FROM context WHERE book = unit_state.book), -1),"
    " COALESCE((SELECT head_index FROM doubt WHERE book = unit_state.book AND subject = 'unit:' || unit_state.unit"
    " AND key = ''), -1)"
    " FROM unit_state WHERE book = ? AND unit = ?"
)


class UnitRow(NamedTuple):
    unit: str
    state: UnitState


def list_units(
    connection: Connection, book: int, *, after: str = "", limit: int = 100, class_: str | None = None
) -> list[UnitRow]:
    """Units by number, after one of them; a page at a time."""
    wanted = select(t.unit_state.c.unit, t.unit_state.c.state).where(
        t.unit_state.c.book == book, t.unit_state.c.unit > after, t.unit_state.c["class"] != ""
    )
    if class_ is not None:
        wanted = wanted.where(t.unit_state.c["class"] == class_)
    rows = connection.execute(wanted.order_by(t.unit_state.c.unit).limit(limit))
    return [UnitRow(r.unit, unpack(r.state)) for r in rows]


def list_heads(
    ask: Ask, book: int, after: str, limit: int, class_: str | None = None
) -> list[tuple[str, int, int, int]]:
    """Units by number, after one of them, and how far the page of each, the context and what others claim have come."""
    wanted = _LIST_HEADS.format(' AND u."class" = ?' if class_ is not None else "")
    values = (book, book, after, *((class_,) if class_ is not None else ()), limit)
    return [tuple(row) for row in ask(wanted, values)]


_LIST_HEADS = (
    "SELECT u.unit, u.head_index, COALESCE((SELECT head_index FROM context WHERE book = ?), -1),"
    " COALESCE(d.head_index, -1)"
    " FROM unit_state u LEFT JOIN doubt d ON d.book = u.book AND d.subject = 'unit:' || u.unit AND d.key = ''"
    " WHERE u.book = ? AND u.unit > ? AND u.\"class\" != ''{} ORDER BY u.unit LIMIT ?"
)


def all_units(connection: Connection, book: int) -> list[str]:
    wanted = select(t.unit_state.c.unit).where(t.unit_state.c.book == book).order_by(t.unit_state.c.unit)
    return list(connection.execute(wanted).scalars())


def unit_heads(connection: Connection, book: int) -> list[tuple[str, int, str]]:
    """Every unit that was registered, by number: how far its page has come, and its class."""
    wanted = select(t.unit_state.c.unit, t.unit_state.c.head_index, t.unit_state.c["class"]).where(
        t.unit_state.c.book == book, t.unit_state.c["class"] != ""
    )
    return [tuple(row) for row in connection.execute(wanted.order_by(t.unit_state.c.unit))]


def subjects(connection: Connection, book: int, kind: str) -> list[str]:
    """The subjects of a kind, `lot:` for one, that have a page."""
    wanted = select(t.page.c.subject).where(
        t.page.c.book == book, t.page.c.subject >= kind, t.page.c.subject < kind[:-1] + chr(ord(kind[-1]) + 1)
    )
    return list(connection.execute(wanted.order_by(t.page.c.subject)).scalars())


def units_of_class(connection: Connection, book: int, class_: str) -> list[str]:
    wanted = select(t.unit_state.c.unit).where(t.unit_state.c.book == book, t.unit_state.c["class"] == class_)
    return list(connection.execute(wanted.order_by(t.unit_state.c.unit)).scalars())


# Tags


def write_tags(connection: Connection, book: int, state: UnitState) -> None:
    """The spans of one unit, in the place of those before."""
    connection.execute(delete(t.tag_span).where(t.tag_span.c.book == book, t.tag_span.c.unit == state.unit))
    names = t.tag_span.c.keys()
    rows = [dict(zip(names, row, strict=True)) for row in tag_rows(book, state)]
    if rows:
        connection.execute(insert(t.tag_span), rows)


def tag_rows(book: int, state: UnitState) -> list[tuple[Any, ...]]:
    """The rows of the unit's spans, as the table has them."""
    return [
        (
            book,
            span.tag,
            state.unit,
            span.entry,
            in_utc(span.since, 6),
            None if span.until is None else in_utc(span.until, 6),
            span.why,
        )
        for span in state.tags
    ]


def tag_spans(connection: Connection, book: int, tag: str) -> list[Span]:
    wanted = select(t.tag_span).where(t.tag_span.c.book == book, t.tag_span.c.tag == tag)
    rows = connection.execute(wanted.order_by(t.tag_span.c.since, t.tag_span.c.unit))
    return [Span(r.unit, parse(r.since), parse(r.until) if r.until else None, r.why) for r in rows]
