"""Rows by device and running number: the entries as devices sent them."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, func, or_, select

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
    """Of all slips, those between which numbers are missing or the clock went back, each with the one before it."""
    before = {c.name: func.lag(c).over(partition_by=_S.device, order_by=_S.seq).label(f"before_{c.name}") for c in _OF}
    pairs = select(*_OF, *before.values()).where(_S.book == book).subquery()
    gap, back = pairs.c.seq > pairs.c.before_seq + 1, pairs.c.typed < pairs.c.before_typed
    found = connection.execute(select(pairs).where(or_(gap, back)).order_by(pairs.c.device, pairs.c.seq))
    return [(_slip(row[len(_OF) :]), _slip(row[: len(_OF)])) for row in found]


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
