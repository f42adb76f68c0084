"""What parts had run before they came where they are now: their hours go with them from place to place (CONTRACT D).

A place is a fit and what ended it. A piece with a serial is followed by what was claimed of it on any page, one without
by the page of the unit from which its fit says that it came.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from sqlalchemy import Connection

from service_api.domain.entries.parts import PartRemoved
from service_api.domain.entries.shared import Piece
from service_api.domain.fold import step
from service_api.domain.fold.parts import removes
from service_api.domain.hours import Hours, followed, gained_since, plus, stated
from service_api.domain.ledger import Line, latest, trace_key
from service_api.domain.matters import Occupant
from service_api.domain.moments import in_utc
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item, facts
from service_api.pages import history_of
from service_api.projections.ledger import lines_of_keys

Order = tuple[str, int, int]  # of a fact: its corrected moment in UTC, the device's number, its index
DEEPEST = 20  # places that are followed back


def _order(item: Item) -> Order:
    return in_utc(item.at, 6), *item.key[1:]


class Past:
    """The earlier places of pieces, as far as they were known and had happened.

    index : the highest of the entries that were looked at
    """

    def __init__(self, connection: Connection, book: int, known: int | None, true_at: datetime | None) -> None:
        self.connection, self.book, self.known, self.true_at = connection, book, known, true_at
        self.index = -1
        self._lines: dict[str, list[Line]] = {}
        self._pages: dict[str, list[Item]] = {}

    def carried(self, unit: str, occupants: Sequence[Occupant]) -> dict[str, Hours]:
        """By the entry of the fit, what the pieces had run before; those are left out that come from nowhere known."""
        self._read({trace_key(p) for o in occupants for p in o.pieces if followed(p)})
        found = ((occupant.entry, self._before(unit, occupant, DEEPEST)) for occupant in occupants)
        return {entry: hours for entry, hours in found if hours is not None}

    def _read(self, keys: set[str]) -> None:
        missing = keys - self._lines.keys()
        if not missing:
            return
        read = lines_of_keys(self.connection, self.book, missing, self.known)
        for key in missing:
            self._lines[key] = latest(read.get(key, ()), self.true_at)

    def _before(self, unit: str, occupant: Occupant, deep: int) -> Hours | None:
        """What the pieces of an occupant had run when it went in; None where nothing is known of a time before."""
        said = stated(occupant)
        if said is not None or deep == 0:
            return said
        found = {self._of_piece(unit, occupant, piece, deep) for piece in occupant.pieces}
        if len(found) == 1:
            return found.pop()
        return Hours(unknown="its pieces came with different hours", entries=(occupant.entry,))

    def _of_piece(self, unit: str, occupant: Occupant, piece: Piece, deep: int) -> Hours | None:
        went_in: Order = (in_utc(occupant.since, 6), *occupant.order)
        if followed(piece):
            place = self._by_serial(piece, went_in)
        elif occupant.came_from is not None:
            place = self._by_lot(unit, occupant.came_from, piece, went_in)
        else:
            place = None
        return None if place is None else self._ran(*place, deep - 1)

    def _by_serial(self, piece: Piece, went_in: Order) -> tuple[str, str, Order] | None:
        """The last place before: the unit, the entry of the fit, and the order of what ended it."""
        self._read({trace_key(piece)})
        lines = [line for line in self._lines[trace_key(piece)] if line.order < went_in]
        for place in range(len(lines) - 1, -1, -1):
            if lines[place].type == "part.fitted":
                until = lines[place + 1].order if place + 1 < len(lines) else went_in
                return lines[place].unit, lines[place].entry, until
        return None

    def _by_lot(self, unit: str, source: str, piece: Piece, went_in: Order) -> tuple[str, str, Order] | None:
        """What the other unit's page says went here; without a removal, what is in it and is called the same."""
        found, now = None, begin(source)
        for item, before, now in self._folded(source, went_in):  # noqa: B007  (the last one is what is in it)
            if isinstance(item.body, PartRemoved) and item.body.to == f"unit:{unit}":
                for occupant in before.slots.get(item.body.slot, ()):
                    if removes((piece,), occupant.pieces) and removes(item.body.pieces or (), occupant.pieces):
                        found = source, occupant.entry, _order(item)
        if found is not None:
            return found
        inside = [o for held in now.slots.values() for o in held if removes((piece,), o.pieces)]
        return (source, inside[0].entry, went_in) if len(inside) == 1 else None

    def _folded(self, unit: str, until: Order) -> Iterator[tuple[Item, UnitState, UnitState]]:
        """The facts of a page before a moment, each with the state before and after it."""
        if unit not in self._pages:
            page = history_of(self.connection, self.book, f"unit:{unit}", self.known)
            self._pages[unit] = facts(page, self.true_at)
        state = begin(unit)
        for item in self._pages[unit]:
            if _order(item) >= until:
                return
            self.index = max(self.index, item.touched)
            before, state = state, step(state, item)
            yield item, before, state

    def _ran(self, unit: str, fit: str, until: Order, deep: int) -> Hours | None:
        """What the occupant of a fit had run when its time in the unit was over."""
        fitted, now = None, begin(unit)
        for item, _, now in self._folded(unit, until):
            if item.entry.id == fit:
                held = (o for occupants in now.slots.values() for o in occupants)
                fitted = next((o for o in held if o.entry == fit), None)
        if fitted is None:
            return None
        gained = gained_since(now, fitted.hours_low, fitted.hours_high, fit)
        before = self._before(unit, fitted, deep)
        return gained if before is None else plus(gained, before)
