"""Rows by change: which unit an entry may have changed, in the order of the book, for those who pull."""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from sqlalchemy import Connection, and_, or_, select

from service_api.projections import tables as t
from service_api.projections.units import Write

CONTEXT = ""  # in the place of a unit: every unit that leans on the entry


class Change(NamedTuple):
    log_index: int
    unit: str
    changed: tuple[str, ...]


def change_rows(book: int, changes: Iterable[Change]) -> Write:
    return Write(CHANGE, [(book, c.log_index, c.unit, " ".join(c.changed)) for c in changes])


CHANGE = "INSERT INTO change (book, log_index, unit, changed) VALUES (?, ?, ?, ?)"


def read_changes(connection: Connection, book: int, index: int, unit: str) -> Iterator[Change]:
    """Changes from a place on, inclusive, in order, streamed. The context row of an entry comes before any unit."""
    c = t.change.c
    here = and_(c.log_index == index, or_(c.unit >= unit, c.unit == CONTEXT))
    wanted = select(c.log_index, c.unit, c.changed).where(c.book == book, or_(c.log_index > index, here))
    stream = connection.execute(wanted.order_by(c.log_index, c.unit), execution_options={"yield_per": 1000})
    for row in stream:
        yield Change(row.log_index, row.unit, tuple(row.changed.split()))
