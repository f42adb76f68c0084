"""Identity, tags and place: who the unit is, which labels point to it, and where it stands."""

from service_api.domain import tags
from service_api.domain.discrepancies import KINDS
from service_api.domain.entries.places import (
    TagAttached,
    TagDetached,
    UnitDispatched,
    UnitMerged,
    UnitMoved,
    UnitReceived,
    UnitRegistered,
    UnitRetired,
    UnitSold,
)
from service_api.domain.fold.every import sighted
from service_api.domain.fold.handlers import disturb, on, raise_on, settle
from service_api.domain.matters import Identity, Merged, Retired, Since, TagSpan, Whereabouts
from service_api.domain.meters import MeterState
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item


@on("unit.registered")
def _registered(state: UnitState, item: Item, body: UnitRegistered) -> UnitState:
    identity = Identity(
        entry=item.entry.id,
        at=item.at,
        class_=body.class_,
        origin=body.origin,
        family=body.family,
        serial=body.serial,
        owner=body.owner,
        variant=body.variant,
        name=body.name,
        plate=body.plate,
        earlier=body.earlier,
    )
    state = replace(state, identity=identity)
    for meter in body.meters or ():
        known = state.meters.get(meter.meter) or MeterState(meter=meter.meter, uom=meter.uom)
        known = replace(known, uom=meter.uom, rolls_at=meter.rolls_at)
        if meter.start is not None and known.last is None:
            known = replace(known, last=meter.start, last_at=item.at, last_entry=item.entry.id, links=(item.entry.id,))
        state = replace(state, meters=state.meters | {meter.meter: known})
    if state.place is None and item.entry.site:
        place = Whereabouts(site=item.entry.site, bench=item.entry.bench, since=item.at, entry=item.entry.id)
        state = replace(state, place=place)
    return state


@on("unit.merged")
def _merged(state: UnitState, item: Item, body: UnitMerged) -> UnitState:
    return replace(state, merged=Merged(entry=item.entry.id, at=item.at, into=body.into))


@on("tag.attached")
def _tag_attached(state: UnitState, item: Item, body: TagAttached) -> UnitState:
    tag = tags.normal(body.tag)
    kept = tuple(t for t in state.tags if not (t.tag == tag and t.until is None))
    return replace(state, tags=(*kept, TagSpan(tag=tag, since=item.at, entry=item.entry.id)))


@on("tag.detached")
def _tag_detached(state: UnitState, item: Item, body: TagDetached) -> UnitState:
    tag = tags.normal(body.tag)
    worn = tuple(
        replace(t, until=item.at, until_entry=item.entry.id, why=body.why) if t.tag == tag and t.until is None else t
        for t in state.tags
    )
    return replace(state, tags=worn)


@on("unit.received")
def _received(state: UnitState, item: Item, body: UnitReceived) -> UnitState:
    place = Whereabouts(site=body.site, bench=item.entry.bench, since=item.at, entry=item.entry.id)
    state = sighted(replace(state, out=None, sold=None, place=place), item, body.site)
    ended = [k for k, r in state.raised.items() if r.code in ("return-not-booked", "dispatched-unreleased")]
    return disturb(settle(state, *ended), item, "received")


@on("unit.dispatched")
def _dispatched(state: UnitState, item: Item, body: UnitDispatched) -> UnitState:
    released = state.released
    held = bool(state.holds) or any(KINDS[r.code].holds_release for r in state.raised.values())
    ready = released is not None and released.proved and released.disturbed is None and not held
    here = Since(
        entry=item.entry.id,
        at=item.at,
        defects=tuple(released.defects) if released else (),
        runs=released.runs if released else (),
        hire_until=body.hire.until if body.hire else None,
    )
    place = Whereabouts(party=body.to, site=body.site, since=item.at, entry=item.entry.id)
    state = replace(state, out=here, place=place, seen=None)
    if not ready and item.entry.source_kind not in ("history", "import"):
        state = raise_on(state, item, "dispatched-unreleased", "it went out without being ready")
    return state


@on("unit.moved")
def _moved(state: UnitState, item: Item, body: UnitMoved) -> UnitState:
    place = Whereabouts(site=body.site, bench=body.bench, since=item.at, entry=item.entry.id)
    return sighted(replace(state, place=place), item, body.site, explained=True)


@on("unit.sold")
def _sold(state: UnitState, item: Item, body: UnitSold) -> UnitState:
    here = Since(entry=item.entry.id, at=item.at)
    if state.identity is not None:
        state = replace(state, identity=replace(state.identity, owner=body.to))
    place = Whereabouts(party=body.to, since=item.at, entry=item.entry.id)
    return replace(state, sold=here, out=here, place=place)


@on("unit.retired")
def _retired(state: UnitState, item: Item, body: UnitRetired) -> UnitState:
    """The first counts; a second one is a doubt, as whatever else happens to scrap."""
    if state.retired is not None:
        return state
    return replace(state, retired=Retired(entry=item.entry.id, at=item.at, harvest=body.harvest_allowed))
