"""Rows by unit: its facts in stretches, in the order of the corrected moment, and the cells as each stretch left them.

A long page is cut into stretches of some facts each. A stretch has a row for every cell that its facts touched, with
what the cell said at the stretch's end; so what a cell said at any stretch's beginning is in the last row before it.
"""

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple, get_args

import orjson

from service_api.domain.cells import NAMED, RAISED, Cell
from service_api.domain.matters import Raised
from service_api.domain.plain import hints_of, make
from service_api.domain.state import UnitState
from service_api.projections.units import Ask, Write, text_of

GAP = 1 << 32  # between the places of stretches, so that one that has grown can be cut


class Stretch(NamedTuple):
    """Facts from `first` on, up to the next stretch's first; order keys as text.

    until : the order key of the last fact that stands here, struck or not; empty when there is none
    last : of the last that counts
    facts : how many of them count
    upto : of the last stretch, how far in the book the unit's page was cut
    entries : indexes of the facts, struck ones too, and of all corrections on them, as JSON
    """

    place: int
    first: str
    until: str
    last: str
    facts: int
    upto: int
    entries: str


def stretches(ask: Ask, book: int, unit: str) -> list[Stretch]:
    return [Stretch(*row) for row in ask(_STRETCHES, (book, unit))]


def last_stretch(ask: Ask, book: int, unit: str) -> tuple[int, int] | None:
    """The place of the last stretch and how far in the book the page was cut; None for a page that was not."""
    found = ask(_LAST, (book, unit))
    return tuple(found[0]) if found else None


_STRETCHES = (
    "SELECT place, first, until, last, facts, upto, entries FROM stretch WHERE book = ? AND unit = ? ORDER BY place"
)
_LAST = "SELECT place, upto FROM stretch WHERE book = ? AND unit = ? ORDER BY place DESC LIMIT 1"


def stretch_rows(book: int, unit: str, made: Iterable[Stretch]) -> Write:
    return Write(_STRETCH, [(book, unit, *stretch) for stretch in made])


_STRETCH = (
    "INSERT INTO stretch (book, unit, place, first, until, last, facts, upto, entries)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (book, unit, place) DO UPDATE SET"
    " first = excluded.first, until = excluded.until, last = excluded.last,"
    " facts = excluded.facts, upto = excluded.upto, entries = excluded.entries"
)


def uncut_rows(book: int, unit: str) -> list[Write]:
    return [Write(f"DELETE FROM {table} WHERE book = ? AND unit = ?", [(book, unit)]) for table in _TABLES]


_TABLES = ("stretch", "stretch_cell")


# Cells


def left_at(ask: Ask, book: int, unit: str, place: int) -> dict[Cell, str | None]:
    """What the stretch at this place wrote, by cell."""
    return {Cell(m, n): said for m, n, said in ask(_LEFT, (book, unit, place))}


_LEFT = "SELECT member, name, said FROM stretch_cell WHERE book = ? AND unit = ? AND place = ?"


def cell_before(ask: Ask, book: int, unit: str, cell: Cell, place: int) -> str | None:
    """What one cell said at the beginning of the stretch at this place."""
    found = ask(_BEFORE, (book, unit, *cell, place))
    return found[0][0] if found else None


_BEFORE = (
    "SELECT said FROM stretch_cell WHERE book = ? AND unit = ? AND member = ? AND name = ? AND place < ?"
    " ORDER BY place DESC LIMIT 1"
)


def matters_before(ask: Ask, book: int, unit: str, member: str | None, place: int) -> dict[Cell, str | None]:
    """What all matters of a member said then; without a member, all cells."""
    where, more = ("", ()) if member is None else ("AND member = ? ", (member,))
    rows = ask(_MATTERS.format(where=where), (book, unit, *more, place))
    return {Cell(m, n): said for m, n, said in rows if n or (m not in NAMED and not m.startswith(RAISED))}


_MATTERS = (  # in the order of the places, so that the last counts
    "SELECT member, name, said FROM stretch_cell WHERE book = ? AND unit = ? {where}AND place < ? ORDER BY place"
)


def next_touching(ask: Ask, book: int, unit: str, cells: Iterable[Cell], place: int) -> int | None:
    """The place of the first stretch after this one whose facts touch one of the cells."""
    found = [ask(_NEXT, (book, unit, *cell, place))[0][0] for cell in cells]
    return min((p for p in found if p is not None), default=None)


_NEXT = "SELECT min(place) FROM stretch_cell WHERE book = ? AND unit = ? AND member = ? AND name = ? AND place > ?"


def cell_rows(book: int, unit: str, place: int, said: Mapping[Cell, str | None]) -> Write:
    return Write(_CELL, [(book, unit, *cell, place, text) for cell, text in said.items()])


_CELL = (
    "INSERT INTO stretch_cell (book, unit, member, name, place, said) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT (book, unit, member, name, place) DO UPDATE SET said = excluded.said"
)


def gone_rows(book: int, unit: str, place: int, cells: Iterable[Cell]) -> Write:
    return Write(_GONE, [(book, unit, *cell, place) for cell in cells])


_GONE = "DELETE FROM stretch_cell WHERE book = ? AND unit = ? AND member = ? AND name = ? AND place = ?"


def said_of(value: Any) -> str | None:
    return None if value is None else text_of(value)


def read_cell(cell: Cell, said: str | None) -> Any:
    return None if said is None else make(_hint(cell.member), orjson.loads(said))


@cache
def _hint(member: str) -> Any:
    if member.startswith(RAISED):
        return Raised
    hint = hints_of(UnitState)[member]
    return get_args(hint)[1] if member in NAMED else hint


def indexes_of(stretch: Stretch) -> list[int]:
    found: list[int] = orjson.loads(stretch.entries)
    return found


def entries_text(indexes: Sequence[int]) -> str:
    return orjson.dumps(sorted(set(indexes))).decode()
