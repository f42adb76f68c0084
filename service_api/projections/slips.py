"""Rows by device and running number: the entries as devices sent them."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, and_, func, or_, select

from service_api.domain.slips import Slip
from service_api.projections import tables as t
from service_api.projections.units import Ask, Write

_S = t.slip.c
_OF = (_S.device, _S.seq, _S.fact, _S.entry, _S.live, _S.typed, _S.at, _S.moved)


def slip_rows(book: int, slips: Iterable[Slip]) -> Write:
    """Of two slips with one number the first that was recorded stays."""
    rows = [(book, s.device, s.seq, s.fact, s.entry, int(s.live), s.typed, s.at, s.moved) for s in slips]
    return Write(_SLIP, rows)


_SLIP = (
    "INSERT INTO slip (book, device, seq, fact, entry, live, typed, at, moved) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (book, device, seq) DO UPDATE SET fact = excluded.fact, entry = excluded.entry, live = excluded.live,"
    " typed = excluded.typed, at = excluded.at, moved = excluded.moved WHERE excluded.fact < slip.fact"
)


def newest(ask: Ask, book: int, device: str, below: int) -> Slip | None:
    """The slip of a device with the highest number, of the first `below` entries."""
    found = ask(_NEWEST, (book, device, below))
    return _slip(found[0]) if found else None


_NEWEST = (
    "SELECT device, seq, fact, entry, live, typed, at, moved FROM slip WHERE book = ? AND device = ? AND fact < ?"
    " ORDER BY seq DESC LIMIT 1"
)


def around(connection: Connection, book: int, device: str, first: int, last: int) -> list[Slip]:
    """The slips of a device from the one before a number to the one after another, in order."""
    of_device = (_S.book == book, _S.device == device)
    start = select(func.max(_S.seq)).where(*of_device, _S.seq < first).scalar_subquery()
    end = select(func.min(_S.seq)).where(*of_device, _S.seq > last).scalar_subquery()
    between = (_S.seq >= func.coalesce(start, first), _S.seq <= func.coalesce(end, last))
    return list(_read(connection, select(t.slip).where(*of_device, *between).order_by(_S.seq)))


def of_device(connection: Connection, book: int, device: str, below: int | None) -> list[Slip]:
    """The slips of a device, of the first `below` entries where that is given, in order."""
    wanted = select(t.slip).where(_S.book == book, _S.device == device).order_by(_S.seq)
    return list(_read(connection, wanted if below is None else wanted.where(_S.fact < below)))


def odd_pairs(connection: Connection, book: int) -> list[tuple[Slip, Slip]]:
    """Of all slips, those between which numbers are missing or the clock went back, each with the one before it.

    The number before is nearly always one less, so that is looked for first.
    """
    one_less, before, lower = t.slip.alias("one_less"), t.slip.alias("before"), t.slip.alias("lower").c
    next_to = and_(one_less.c.book == _S.book, one_less.c.device == _S.device, one_less.c.seq == _S.seq - 1)
    of_device = (lower.book == _S.book, lower.device == _S.device, lower.seq < _S.seq)
    last = select(func.max(lower.seq)).where(*of_device).correlate(t.slip).scalar_subquery()
    there = and_(before.c.book == _S.book, before.c.device == _S.device, before.c.seq == last)
    odd = or_(one_less.c.seq.is_(None), _S.typed < one_less.c.typed)
    every = t.slip.outerjoin(one_less, next_to).join(before, there)
    wanted = select(*before.c, *_OF).select_from(every).where(_S.book == book, odd).order_by(_S.device, _S.seq)
    rows = map(tuple, connection.execute(wanted))
    return [(_slip(row[1 : len(_OF) + 1]), _slip(row[len(_OF) + 1 :])) for row in rows]


def every(connection: Connection, book: int, below: int) -> Iterator[Slip]:
    """All slips of the first `below` entries, device by device, in order."""
    wanted = select(t.slip).where(_S.book == book, _S.fact < below).order_by(_S.device, _S.seq)
    return _read(connection, wanted)


def _read(connection: Connection, wanted: object) -> Iterator[Slip]:
    for r in connection.execute(wanted):  # type: ignore[call-overload]
        yield _slip(r[1:])


def _slip(row: Sequence[Any]) -> Slip:
    device, seq, fact, entry, live, typed, at, moved = row
    return Slip(device, seq, fact, entry, bool(live), typed, at, moved)
