"""Rows by unit: what was remarked of its facts and nobody can settle. They stay, so they are no part of a state."""

from collections.abc import Iterable, Sequence

import orjson
from sqlalchemy import Connection, delete, select

from service_api.domain.plain import make, plain
from service_api.domain.state import Raised
from service_api.projections import tables as t
from service_api.projections.units import Write


def remark_rows(book: int, unit: str, remarks: Iterable[Raised]) -> Write:
    return Write(_REMARK, [(book, unit, r.entry, r.code, orjson.dumps(plain(r)).decode()) for r in remarks])


_REMARK = "INSERT INTO remark (book, unit, entry, code, said) VALUES (?, ?, ?, ?, ?)"


def read_remarks(connection: Connection, book: int, unit: str) -> tuple[Raised, ...]:
    wanted = select(t.remark.c.said).where(t.remark.c.book == book, t.remark.c.unit == unit)
    return tuple(make(Raised, orjson.loads(said)) for said in connection.execute(wanted).scalars())


def remarks_of(connection: Connection, book: int, units: Sequence[str]) -> dict[str, tuple[Raised, ...]]:
    """By unit, what was remarked; no unit without a remark."""
    found: dict[str, tuple[Raised, ...]] = {}
    for start in range(0, len(units), 500):
        some = t.remark.c.unit.in_(units[start : start + 500])
        for r in connection.execute(select(t.remark.c.unit, t.remark.c.said).where(t.remark.c.book == book, some)):
            found[r.unit] = (*found.get(r.unit, ()), make(Raised, orjson.loads(r.said)))
    return found


def forget_remarks(connection: Connection, book: int, unit: str) -> None:
    connection.execute(delete(t.remark).where(t.remark.c.book == book, t.remark.c.unit == unit))
