"""Rows by unit: the folded state, the tags it wears; and under which topics an entry is found.

Everything runs inside the caller's transaction.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, delete, func, insert, select, text

from service_api.domain.moments import in_utc, parse
from service_api.domain.plain import make, plain
from service_api.domain.state import UnitState
from service_api.domain.tags import Span
from service_api.projections import tables as t

OWN, NAMED, DRAWN = t.OWN, t.NAMED, t.DRAWN


@dataclass(frozen=True)
class Topic:
    """An entry is found under this topic: a subject, or `job:ID`."""

    topic: str
    index: int
    relation: int
    type: str


class Page(NamedTuple):
    entries: int
    head: int


class StateRow(NamedTuple):
    head: int
    state: bytes


def add_topics(connection: Connection, book: int, topics: Iterable[Topic]) -> None:
    """An entry stands under a topic once; the closest relation was written first."""
    rows = [
        {"book": book, "topic": r.topic, "log_index": r.index, "relation": r.relation, "type": r.type} for r in topics
    ]
    if rows:
        connection.execute(_TOPIC, rows)


_TOPIC = text(
    "INSERT INTO entry_topic (book, topic, log_index, relation, type)"
    " VALUES (:book, :topic, :log_index, :relation, :type)"
    " ON CONFLICT (book, topic, log_index) DO UPDATE SET relation = excluded.relation"
    " WHERE entry_topic.relation = 1"  # named before, drawn now
)


def indexes(
    connection: Connection,
    book: int,
    topic: str,
    *,
    below: int | None = None,
    types: tuple[str, ...] | None = None,
    named: bool = False,
) -> list[int]:
    """Where the topic's entries stand in the book, in order: its own and those drawn to it, with `named` all."""
    wanted = select(t.entry_topic.c.log_index).where(t.entry_topic.c.book == book, t.entry_topic.c.topic == topic)
    if not named:
        wanted = wanted.where(t.entry_topic.c.relation != NAMED)
    if below is not None:
        wanted = wanted.where(t.entry_topic.c.log_index < below)
    if types is not None:
        wanted = wanted.where(t.entry_topic.c.type.in_(types))
    return list(connection.execute(wanted.order_by(t.entry_topic.c.log_index)).scalars())


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


def write_pages(connection: Connection, book: int, pages: dict[str, Page]) -> None:
    rows = [{"book": book, "subject": s, "entries": p.entries, "head_index": p.head} for s, p in pages.items()]
    if rows:
        connection.execute(_PAGE, rows)


_PAGE = text(
    "INSERT INTO page (book, subject, entries, head_index) VALUES (:book, :subject, :entries, :head_index)"
    " ON CONFLICT (book, subject) DO UPDATE SET entries = excluded.entries, head_index = excluded.head_index"
)


# The context of every unit: sheets, alerts, gauges. Its head moves seldom, so answers keep until it does.


def context_head(connection: Connection, book: int) -> int:
    found = connection.execute(select(t.context.c.head_index).where(t.context.c.book == book)).scalar()
    return -1 if found is None else int(found)


def move_context(connection: Connection, book: int, head: int) -> None:
    connection.execute(_CONTEXT, {"book": book, "head_index": head})


_CONTEXT = text(
    "INSERT INTO context (book, head_index) VALUES (:book, :head_index)"
    " ON CONFLICT (book) DO UPDATE SET head_index = excluded.head_index"
)


# Unit states


def pack(state: UnitState) -> bytes:
    return json.dumps(plain(state), separators=(",", ":"), sort_keys=True).encode()


def unpack(packed: bytes) -> UnitState:
    state: UnitState = make(UnitState, json.loads(packed))
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


def write_states(connection: Connection, book: int, states: Iterable[UnitState]) -> None:
    rows = [_state_row(book, state) for state in states]
    if rows:
        connection.execute(_WRITE, rows)


def _state_row(book: int, state: UnitState) -> dict[str, Any]:
    known = state.identity
    return {
        "book": book,
        "unit": state.unit,
        "head_index": state.index,
        "class": known.class_ if known else "",
        "serial": known.serial if known else None,
        "state": pack(state),
    }


_WRITE = text(
    "INSERT INTO unit_state (book, unit, head_index, class, serial, state)"
    " VALUES (:book, :unit, :head_index, :class, :serial, :state)"
    " ON CONFLICT (book, unit) DO UPDATE SET head_index = excluded.head_index, class = excluded.class,"
    " serial = excluded.serial, state = excluded.state"
)


def heads(connection: Connection, book: int, unit: str) -> tuple[int, int] | None:
    """How far the unit's page and the context have come; None for an unknown unit."""
    row = connection.execute(_HEADS, {"book": book, "unit": unit}).first()
    return None if row is None else (row.head_index, -1 if row.context is None else row.context)


_HEADS = select(
    t.unit_state.c.head_index,
    select(t.context.c.head_index).where(t.context.c.book == bindparam("book")).scalar_subquery().label("context"),
).where(t.unit_state.c.book == bindparam("book"), t.unit_state.c.unit == bindparam("unit"))


class UnitRow(NamedTuple):
    unit: str
    state: UnitState


def list_units(
    connection: Connection, book: int, *, after: str = "", limit: int = 100, class_: str | None = None
) -> list[UnitRow]:
    """Units by number, after one of them; a page at a time."""
    wanted = select(t.unit_state.c.unit, t.unit_state.c.state).where(
        t.unit_state.c.book == book, t.unit_state.c.unit > after
    )
    if class_ is not None:
        wanted = wanted.where(t.unit_state.c["class"] == class_)
    rows = connection.execute(wanted.order_by(t.unit_state.c.unit).limit(limit))
    return [UnitRow(r.unit, unpack(r.state)) for r in rows]


def all_units(connection: Connection, book: int) -> list[str]:
    wanted = select(t.unit_state.c.unit).where(t.unit_state.c.book == book).order_by(t.unit_state.c.unit)
    return list(connection.execute(wanted).scalars())


def serial_sharing(connection: Connection, book: int, unit: str, class_: str, serial: str | None) -> list[str]:
    """Other units of the class with the same serial engraved."""
    if not serial:
        return []
    wanted = select(t.unit_state.c.unit).where(
        t.unit_state.c.book == book,
        t.unit_state.c["class"] == class_,
        t.unit_state.c.serial == serial,
        t.unit_state.c.unit != unit,
    )
    return list(connection.execute(wanted.order_by(t.unit_state.c.unit)).scalars())


def count_units(connection: Connection, book: int) -> int:
    wanted = select(func.count()).select_from(t.unit_state).where(t.unit_state.c.book == book)
    return int(connection.execute(wanted).scalar_one())


# Tags


def write_tags(connection: Connection, book: int, state: UnitState) -> None:
    """The spans of one unit, in the place of those before."""
    connection.execute(delete(t.tag_span).where(t.tag_span.c.book == book, t.tag_span.c.unit == state.unit))
    rows = [
        {
            "book": book,
            "tag": span.tag,
            "unit": state.unit,
            "entry": span.entry,
            "since": in_utc(span.since, 6),
            "until": None if span.until is None else in_utc(span.until, 6),
            "why": span.why,
        }
        for span in state.tags
    ]
    if rows:
        connection.execute(insert(t.tag_span), rows)


def tag_spans(connection: Connection, book: int, tag: str) -> list[Span]:
    wanted = select(t.tag_span).where(t.tag_span.c.book == book, t.tag_span.c.tag == tag)
    rows = connection.execute(wanted.order_by(t.tag_span.c.since, t.tag_span.c.unit))
    return [Span(r.unit, parse(r.since), parse(r.until) if r.until else None, r.why) for r in rows]
