"""One lot over the whole book: where its pieces were, where they are, and whether they add up (CONTRACT C, Lot).

The tally is a fold over the facts of the lot's own page and of every unit that had a piece of it, in the order of the
corrected moment. Nothing is stored, so late entries and corrections leave it as if they had come in order.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from service_api.domain.condition import AsOf
from service_api.domain.discrepancies import Discrepancy
from service_api.domain.entries.parts import LotMoved, LotReceived, PartFitted, PartRemoved, PartSold
from service_api.domain.entries.shared import Piece
from service_api.domain.fold.parts import removes, same_serials
from service_api.domain.ledger import Doubt
from service_api.domain.records import record, replace
from service_api.domain.timeline import Item

ON_UNITS = ("part.fitted", "part.removed")
LOOSE = ("stock", "quarantine", "bin")
GONE = ("scrap", "supplier", "sold")
CODE = "lot-imbalance"


@record(kw_only=True)
class LotStay:
    """Pieces of the lot in one slot of one unit; `until` is null while they are there.

    gap : what nobody logged about how they came to leave
    """

    unit: str
    slot: str
    qty: int
    from_: datetime
    until: datetime | None = None
    entries: tuple[str, ...]
    gap: str | None = None


@record(kw_only=True)
class LotBalance:
    """Pieces received, those that are accounted for, and the difference; accounted = now + loose + gone."""

    received: int
    accounted: int
    gap: int


@record(kw_only=True)
class Lot:
    """loose, gone : pieces by place; a place `unit:ID` holds what is on its way into that unit"""

    lot: str
    part_no: str | None
    as_of: AsOf
    received: int
    ever: tuple[LotStay, ...]
    now: tuple[LotStay, ...]
    loose: dict[str, int]
    gone: dict[str, int]
    balance: LotBalance
    discrepancies: tuple[Discrepancy, ...]
    entries: tuple[str, ...]


@record
class Tally:
    """What the facts of a lot come to. odd_since : the entry that made the gap what it is, None without a gap"""

    lot: str
    part_no: str | None
    received: int
    stays: tuple[LotStay, ...]
    loose: dict[str, int]
    gone: dict[str, int]
    entries: tuple[str, ...]
    odd_since: str | None

    @property
    def now(self) -> tuple[LotStay, ...]:
        return tuple(stay for stay in self.stays if stay.until is None)

    @property
    def balance(self) -> LotBalance:
        inside = sum(stay.qty for stay in self.now)
        accounted = inside + sum(self.loose.values()) + sum(self.gone.values())
        return LotBalance(received=self.received, accounted=accounted, gap=self.received - accounted)

    @property
    def doubt(self) -> Doubt | None:
        """The imbalance, raised by the entry that made it what it is."""
        if self.odd_since is None:
            return None
        found = self.balance
        detail = f"lot {self.lot}: {found.received} received, {found.accounted} accounted for"
        return Doubt(CODE, self.odd_since, f"lot:{self.lot}", (), self.entries, detail)


@dataclass
class _Occupant:
    """Everything that one fit put into a slot, and how many of it are of the lot."""

    pieces: tuple[Piece, ...]
    stay: LotStay


@dataclass
class _Count:
    lot: str
    iron: Mapping[str, str]
    part_no: str | None = None
    received: int = 0
    at: Counter[str] = field(default_factory=Counter)  # by place; below nought where more left than was there
    unsaid: int = 0  # fitted, and nobody said from where
    within: int = 0  # in a slot now
    went: dict[str, str] = field(default_factory=dict)  # by unit, where the last removal sent pieces
    inside: dict[tuple[str, str], list[_Occupant]] = field(default_factory=dict)
    done: list[LotStay] = field(default_factory=list)
    entries: list[str] = field(default_factory=list)

    def unit(self, place: str) -> str:
        """The unit of `unit:ID`, by the number that it goes by in the end."""
        ident = place.removeprefix("unit:")
        return self.iron.get(ident, ident)

    def take(self, unit: str, item: Item) -> None:
        before = self._so_far()
        match item.body:
            case LotReceived(part_no=part_no, qty=qty):
                self.part_no = self.part_no or part_no
                self.received += qty
                self.at["stock"] += qty
            case LotMoved(qty=qty, from_=source, to=target):
                self.at[source] -= qty
                self.at[target] += qty
            case PartSold(qty=qty):
                self.at["stock"] -= qty
                self.at["sold"] += qty
            case PartFitted():
                self._fit(unit, item, item.body)
            case PartRemoved():
                self._remove(unit, item, item.body)
        if before != self._so_far():
            self.entries.append(item.entry.id)

    def _so_far(self) -> tuple[int, dict[str, int], int, int, int]:
        return self.received, dict(self.at), self.unsaid, self.within, len(self.done)

    @property
    def gap(self) -> int:
        loose, gone = self.settled()
        return self.received - self.within - sum(loose.values()) - sum(gone.values())

    def _of_lot(self, pieces: Iterable[Piece]) -> int:
        return sum(piece.qty for piece in pieces if piece.lot == self.lot)

    def _fit(self, unit: str, item: Item, body: PartFitted) -> None:
        qty = self._of_lot(body.pieces)
        here = self.inside.setdefault((unit, body.slot), [])
        if not qty or any(same_serials(o.pieces, body.pieces) for o in here):
            return
        self.part_no = self.part_no or next(p.part_no for p in body.pieces if p.lot == self.lot)
        self._draw(unit, item, body, qty)
        stay = LotStay(unit=unit, slot=body.slot, qty=qty, from_=item.at, entries=(item.entry.id,))
        here.append(_Occupant(body.pieces, stay))
        self.within += stay.qty

    def _draw(self, unit: str, item: Item, body: PartFitted, qty: int) -> None:
        """Pieces leave the place that the fit says; without one, or from a unit, first what was on its way here."""
        source = body.from_
        if source is not None and not source.startswith("unit:"):
            self.at[source] -= qty
            return
        on_the_way = min(qty, max(0, self.at[f"unit:{unit}"]))
        self.at[f"unit:{unit}"] -= on_the_way
        qty -= on_the_way
        if source is not None and qty:
            other = self.unit(source)
            if self._taken(other, item, body):
                return
            if other in self.went:
                self.at[self.went[other]] -= qty
                return
        self.unsaid += qty

    def _taken(self, unit: str, item: Item, body: PartFitted) -> bool:
        """These pieces were in a slot of that unit by the book: it is empty from now on."""
        mine = tuple(piece for piece in body.pieces if piece.lot == self.lot)
        slots = sorted((slot for of, slot in self.inside if of == unit), key=lambda slot: (slot != body.slot, slot))
        for slot in slots:
            for occupant in self.inside[unit, slot]:
                if removes(mine, occupant.pieces):
                    self._leave(unit, slot, occupant, item, f"no removal from {slot} of {unit} is logged")
                    return True
        return False

    def _leave(self, unit: str, slot: str, occupant: _Occupant, item: Item, gap: str | None = None) -> None:
        self.inside[unit, slot].remove(occupant)
        stay = occupant.stay
        self.within -= stay.qty
        self.done.append(replace(stay, until=item.at, entries=(*stay.entries, item.entry.id), gap=gap))

    def _remove(self, unit: str, item: Item, body: PartRemoved) -> None:
        named = body.pieces or ()
        out = [o for o in self.inside.get((unit, body.slot), ()) if removes(named, o.pieces)]
        for occupant in out:
            self._leave(unit, body.slot, occupant, item)
        qty = self._out(named, out)
        if qty:
            to = f"unit:{self.unit(body.to)}" if body.to.startswith("unit:") else body.to
            self.at[to] += qty
            self.went[unit] = to

    def _out(self, named: tuple[Piece, ...], out: Sequence[_Occupant]) -> int:
        """How many of the lot a removal brought out: what it says, else all that was in."""
        was_in = sum(occupant.stay.qty for occupant in out)
        if said := self._of_lot(named):
            return said
        whole = all(self._of_lot(o.pieces) == sum(piece.qty for piece in o.pieces) for o in out)
        parts = {piece.part_no for o in out for piece in o.pieces if piece.lot == self.lot}
        unmarked = [piece.qty for piece in named if piece.lot is None and piece.part_no in parts]
        return sum(unmarked) if unmarked and whole else was_in

    def settled(self) -> tuple[dict[str, int], dict[str, int]]:
        """By place, the loose pieces and those that are gone; no place holds fewer than none."""
        at = {place: count for place, count in sorted(self.at.items()) if count > 0}
        unsaid = self.unsaid
        for place in (*LOOSE[::2], *(p for p in at if p.startswith("kit:")), LOOSE[1]):
            taken = min(unsaid, at.get(place, 0))
            unsaid -= taken
            if taken:
                at[place] -= taken
        more = [p for p, n in at.items() if n and p.startswith(("kit:", "unit:"))]
        return {p: at.get(p, 0) for p in (*LOOSE, *more)}, {p: at.get(p, 0) for p in GONE}

    def stays(self) -> Iterator[LotStay]:
        yield from self.done
        for occupants in self.inside.values():
            yield from (occupant.stay for occupant in occupants)

    def tally(self, odd_since: str | None = None) -> Tally:
        loose, gone = self.settled()
        stays = tuple(sorted(self.stays(), key=lambda s: (s.from_, s.unit, s.slot, s.entries)))
        return Tally(self.lot, self.part_no, self.received, stays, loose, gone, tuple(self.entries), odd_since)


def tally(lot: str, facts: Iterable[tuple[str, Item]], iron: Mapping[str, str] | None = None) -> Tally:
    """facts : by subject, those of the lot's page and of the units that had it; one that stands on two pages once

    iron : by unit that was merged, the unit that it is
    """
    count = _Count(lot, iron or {})
    gap, odd_since = 0, None
    once = {item.entry.id: (subject, item) for subject, item in facts}
    for subject, item in sorted(once.values(), key=lambda fact: fact[1].key):
        count.take(count.unit(subject), item)
        if count.gap != gap:
            gap = count.gap
            odd_since = item.entry.id if gap else None
    return count.tally(odd_since)


def answer_of(found: Tally, as_of: AsOf, lifted: bool) -> Lot:
    """lifted : somebody in the stores has looked into the imbalance and ended it"""
    doubt = found.doubt
    return Lot(
        lot=found.lot,
        part_no=found.part_no,
        as_of=as_of,
        received=found.received,
        ever=found.stays,
        now=found.now,
        loose=found.loose,
        gone=found.gone,
        balance=found.balance,
        discrepancies=(doubt.shown,) if doubt and not lifted else (),
        entries=found.entries,
    )
