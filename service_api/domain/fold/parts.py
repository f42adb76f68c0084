"""Parts: what is in which slot, and what a rebuild renewed."""

from service_api.domain.entries.parts import PartFitted, PartRemoved
from service_api.domain.entries.releases import RebuildCompleted
from service_api.domain.entries.shared import Piece
from service_api.domain.fold.handlers import disturb, on, raise_on, settle, touch, with_one
from service_api.domain.matters import Occupant, Rebuilt, Since
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item


def _in_slot(state: UnitState, slot: str, occupants: tuple[Occupant, ...]) -> UnitState:
    out = {o.key for o in state.slots.get(slot, ())}
    fits = (*(fit for fit in state.fits if fit not in out), *(o.key for o in occupants))
    state = replace(state, fits=tuple(sorted(fits)))
    return replace(state, slots=with_one(state.slots, slot, occupants))


def _uncontested(state: UnitState, slot: str) -> UnitState:
    keys = [k for k, r in state.raised.items() if r.code == "slot-contested" and r.slot == slot]
    return settle(state, *keys) if len(state.slots.get(slot, ())) < 2 else state


@on("part.fitted")
def _fitted(state: UnitState, item: Item, body: PartFitted) -> UnitState:
    hours = state.hours
    occupant = Occupant(
        entry=item.entry.id,
        since=item.at,
        order=item.key[1:],
        pieces=body.pieces,
        hours_low=hours[0] if hours else None,
        hours_high=hours[1] if hours else None,
        replaced=body.slot in state.slots and not state.slots[body.slot],
        came_from=body.from_[5:] if body.from_ and body.from_.startswith("unit:") else None,
    )
    before = state.slots.get(body.slot, ())
    again = next((o for o in before if same_serials(o.pieces, body.pieces)), None)
    if again is not None:  # what is in cannot go in: its wear and its hours go on
        detail = f"fitted again into {body.slot}, where it was already: a removal is not logged"
        return raise_on(state, item, "reset-without-change", detail, again.entry, slot=body.slot)
    state = touch(_in_slot(state, body.slot, (*before, occupant)), item, body.slot)
    if before:
        detail = f"fitted into {body.slot} while something was in it: is a removal missing?"
        state = raise_on(state, item, "slot-contested", detail, *(o.entry for o in before), slot=body.slot)
    return disturb(state, item, "part fitted")


def same_serials(fitted: tuple[Piece, ...], again: tuple[Piece, ...]) -> bool:
    """The very same pieces, every one with its serial."""
    known = {(p.part_no, p.serial) for p in fitted}
    return all(p.serial is not None for p in again) and known == {(p.part_no, p.serial) for p in again}


def removes(named: tuple[Piece, ...], fitted: tuple[Piece, ...]) -> bool:
    """A removal takes out what it names, by serial or lot; one that names nothing takes out whatever was in."""
    return not named or any(_same_piece(n, p) for n in named for p in fitted)


def _same_piece(named: Piece, fitted: Piece) -> bool:
    """The serial decides where it is named, else the lot, else the part number: a removal may say less than the fit."""
    if named.serial is not None:
        return named.serial == fitted.serial
    if named.lot is not None:
        return named.lot == fitted.lot
    return named.part_no == fitted.part_no


@on("part.removed")
def _removed(state: UnitState, item: Item, body: PartRemoved) -> UnitState:
    before = state.slots.get(body.slot, ())
    if not before:
        detail = f"removed from {body.slot}, which was empty: fitted before records, or not logged"
        state = raise_on(state, item, "removed-from-empty", detail, slot=body.slot)
    left = tuple(o for o in before if not removes(body.pieces or (), o.pieces))
    state = touch(_in_slot(state, body.slot, left), item, body.slot)
    return disturb(_uncontested(state, body.slot), item, "part removed")


@on("rebuild.completed")
def _rebuilt(state: UnitState, item: Item, body: RebuildCompleted) -> UnitState:
    hours = state.hours or (None, None)
    count = state.rebuilt.count + 1 if state.rebuilt else 1
    rebuilt = Rebuilt(
        entry=item.entry.id,
        at=item.at,
        count=count,
        hours_low=hours[0],
        hours_high=hours[1],
        standard=body.standard,
        scope=body.scope,
    )
    serviced = Since(entry=item.entry.id, at=item.at, hours=hours[0])  # the service interval counts from here on
    renewed = [part.slot for part in body.scope if part.treatment == "renewed"]
    old = [o for slot in renewed for o in state.slots.get(slot, ()) if not _fitted_for(state, item, slot, o)]
    if old:
        detail = "renewed by the rebuild, and what was in is still in: a removal is not logged"
        state = raise_on(state, item, "reset-without-change", detail, *(o.entry for o in old))
    state = touch(
        replace(state, rebuilt=rebuilt, serviced=serviced),
        item,
        *(part.slot for part in body.scope if part.treatment != "kept"),
    )
    return disturb(state, item, "rebuilt")


def _fitted_for(state: UnitState, item: Item, slot: str, occupant: Occupant) -> bool:
    """The occupant went in for this rebuild: in its job, or, where no job is named, in the place of another."""
    name = item.body.job or item.entry.job
    job = state.jobs.get(name or "") or (state.last_job if state.last_job and state.last_job.job == name else None)
    begun = job.at if job else (state.rebuilt.at if state.rebuilt else None)
    return occupant.since >= begun if begun is not None else occupant.replaced
