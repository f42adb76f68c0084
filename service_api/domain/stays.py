"""Where an assembly has been, and the hours that it did there: those of the machines that held it (DESIGN 3).

A stay is one occupant's time in one slot. What it gained is the host's hours over it, exact where the host's chain had
its gap before.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from service_api.domain.fold import step
from service_api.domain.hours import Hours, gained_since, plus
from service_api.domain.matters import Occupant
from service_api.domain.records import record
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item, Key

TYPES = (  # what the hours and the slots of a page hang on
    *("unit.registered", "meter.read", "meter.replaced", "meter.rolled", "reading.taken", "complaint.reported"),
    *("part.fitted", "part.removed"),
)


@record
class Stay:
    """`until` is None while it is there by its host's page; gained : up to then, or so far"""

    unit: str
    slot: str
    occupant: Occupant
    until: Key | None
    gained: Hours


class Host(NamedTuple):
    """Where an assembly is now."""

    unit: str
    slot: str
    occupant: Occupant


def stays_in(assembly: str, unit: str, facts: Iterable[Item], taken: Sequence[Key]) -> list[Stay]:
    """The assembly's stays in one unit. facts : of the unit, those of TYPES, in order

    taken : when it went into other units, which ends a stay that no removal ended
    """
    state = begin(unit)
    found: list[Stay] = []
    open_: dict[str, tuple[str, Occupant]] = {}  # by fit
    for item in facts:
        before, state = state, step(state, item)
        for fit, (slot, occupant) in list(open_.items()):
            gone = next((key for key in taken if occupant.key < key < item.key), None)
            if gone is not None or not _there(state, fit):
                found.append(Stay(unit, slot, occupant, gone or item.key, _gained(before, occupant)))
                del open_[fit]
        if item.entry.type == "part.fitted" and any(piece.unit == assembly for piece in item.body.pieces):
            held = next((o for o in state.slots.get(item.body.slot, ()) if o.entry == item.entry.id), None)
            if held is not None:
                open_[held.entry] = (item.body.slot, held)
    for slot, occupant in open_.values():
        gone = next((key for key in taken if occupant.key < key), None)
        found.append(Stay(unit, slot, occupant, gone, _gained(state, occupant)))
    return found


def _there(state: UnitState, fit: str) -> bool:
    return any(o.entry == fit for occupants in state.slots.values() for o in occupants)


def _gained(state: UnitState, occupant: Occupant) -> Hours:
    return gained_since(state, occupant.hours_low, occupant.hours_high, occupant.entry)


def carried(stays: Iterable[Stay]) -> Hours | None:
    """The hours of an assembly over all its stays; None without any."""
    found: Hours | None = None
    for stay in sorted(stays, key=lambda stay: stay.occupant.key):
        found = stay.gained if found is None else plus(stay.gained, found)
    return found


def host(stays: Iterable[Stay]) -> Host | None:
    """The slot that the assembly is in."""
    there = [stay for stay in stays if stay.until is None]
    last = max(there, key=lambda stay: stay.occupant.key, default=None)
    return None if last is None else Host(last.unit, last.slot, last.occupant)
