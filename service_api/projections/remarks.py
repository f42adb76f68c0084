"""Rows by unit: what was remarked of its facts and nobody can settle. They stay, so they are no part of a state."""

from collections.abc import Iterable, Iterator, Sequence

import orjson
from sqlalchemy import Connection, bindparam, delete, select

from service_api.domain.matters import Raised
from service_api.domain.plain import make, plain
from service_api.projections import tables as t
from service_api.projections.units import Ask, Write


def remark_rows(book: int, unit: str, remarks: Iterable[Raised]) -> Write:
    return Write(_REMARK, [(book, unit, r.entry, r.code, orjson.dumps(plain(r)).decode()) for r in remarks])


_REMARK = "INSERT INTO remark (book, unit, entry, code, said) VALUES (?, ?, ?, ?, ?)"


def gone_remarks(book: int, unit: str, remarks: Iterable[Raised]) -> Write:
    return Write(_GONE, [(book, unit, r.entry, r.code) for r in remarks])


_GONE = "DELETE FROM remark WHERE book = ? AND unit = ? AND entry = ? AND code = ?"


def remarks_on(ask: Ask, book: int, unit: str, entries: Sequence[str]) -> Iterator[Raised]:
    """What was remarked of some of the unit's facts."""
    for at in range(0, len(entries), 100):
        some = entries[at : at + 100]
        for row in ask(f"{_ON} ({','.join('?' * len(some))})", (book, unit, *some)):
            yield make(Raised, orjson.loads(row[0]))


_ON = "SELECT said FROM remark WHERE book = ? AND unit = ? AND entry IN"


def read_remarks(connection: Connection, book: int, unit: str) -> tuple[Raised, ...]:
    """What was remarked of all the unit's facts."""
    found = connection.execute(_ALL, {"book": book, "unit": unit}).scalars()
    return tuple(make(Raised, orjson.loads(said)) for said in found)


_ALL = select(t.remark.c.said).where(t.remark.c.book == bindparam("book"), t.remark.c.unit == bindparam("unit"))


def remarks_of(connection: Connection, book: int, units: Sequence[str]) -> dict[str, tuple[Raised, ...]]:
    """By unit, what was remarked; no unit without a remark."""
    found: dict[str, tuple[Raised, ...]] = {}
    for start in range(0, len(units), 500):
        some = t.remark.c.unit.in_(units[start : start + 500])
        for r in connection.execute(select(t.remark.c.unit, t.remark.c.said).where(t.remark.c.book == book, some)):
            found[r.unit] = (*found.get(r.unit, ()), make(Raised, orjson.loads(r.said)))
    return found


def forget_remarks(connection: Connection, book: int, unit: str, entry: str | None = None) -> None:
    """Take back what was remarked of all the unit's facts, or of one."""
    gone = delete(t.remark).where(t.remark.c.book == book, t.remark.c.unit == unit)
    connection.execute(gone if entry is None else gone.where(t.remark.c.entry == entry))
