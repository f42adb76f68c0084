"""The moments at which somebody confirmed the machine's clock for a book; numbered from 1."""

from typing import NamedTuple

from sqlalchemy import Connection, insert, select

from service_api.log import tables as t
from service_api.log.store import read_head


class Confirmed(NamedTuple):
    """A confirmation.

    confirmed_at : what the clock said (UTC text)
    counted_ms : what the clock said that nobody sets [ms]
    recorded_at : of the last entry then; it may lie later, when the clock was ahead before
    """

    number: int
    confirmed_at: str
    counted_ms: int
    recorded_at: str


def last_confirmed(connection: Connection, book: int) -> Confirmed | None:
    table = t.clock_confirmed
    newest = select(table).where(table.c.book == book).order_by(table.c.number.desc()).limit(1)
    row = connection.execute(newest).one_or_none()
    return None if row is None else Confirmed(row.number, row.confirmed_at, row.counted_ms, row.recorded_at)


def confirm(connection: Connection, book: int, now: str, counted_ms: int) -> None:
    """Keep that the clock was right when it said `now` (UTC text)."""
    before = last_confirmed(connection, book)
    made = Confirmed(before.number + 1 if before else 1, now, counted_ms, read_head(connection, book).recorded_at)
    connection.execute(insert(t.clock_confirmed).values(book=book, **made._asdict()))


def not_before(connection: Connection, book: int) -> str:
    """The moment (UTC text) that the book knows to have passed; empty for a new book."""
    last, confirmed = read_head(connection, book).recorded_at, last_confirmed(connection, book)
    return confirmed.confirmed_at if confirmed and last <= confirmed.recorded_at else last
