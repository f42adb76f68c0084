"""Readings: the latest of each characteristic, and those that its wear is reckoned from."""

from service_api.domain.entries.jobs import ReadingTaken
from service_api.domain.fold.handlers import on, with_one
from service_api.domain.fold.meters import hours_shown
from service_api.domain.matters import Measured, Taken
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item, Key

TRAIL = 2  # readings before the latest that are kept to compare with


@on("reading.taken")
def _reading(state: UnitState, item: Item, body: ReadingTaken) -> UnitState:
    state = hours_shown(state, item, body.hours, "read")
    known = state.measured.get(body.characteristic)
    last = known.latest.key if known else None
    taken = Taken(
        entry=item.entry.id,
        index=item.touched,
        at=item.at,
        order=item.key[1:],
        occurred_at=item.occurred_at,
        by=item.entry.by,
        stage=body.stage,
        uom=body.uom,
        readings=body.readings,
        gauge=body.gauge,
        uncertainty=body.uncertainty,
        sheet_rev=body.sheet_rev,
        corrected_by=item.marked_by,
        device=item.entry.device.id if item.entry.device else None,
        touched=tuple([slot for slot, key in state.touches.items() if key > last]) if last else (),
    )
    as_left, firsts, before = (known.as_left, known.firsts, (*known.before, known.latest)) if known else (None, (), ())
    if body.stage == "as_left":
        as_left, firsts = taken, _firsts((*firsts, taken), state.fits)
    measured = Measured(latest=taken, before=before[-TRAIL:], as_left=as_left, firsts=firsts)
    return replace(state, measured=with_one(state.measured, body.characteristic, measured))


def _firsts(taken: tuple[Taken, ...], fits: tuple[Key, ...]) -> tuple[Taken, ...]:
    """Of readings in order: the first of all, and the first after each fit."""
    after = (next((t for t in taken if t.key > fit), None) for fit in fits)
    wanted = {id(t) for t in (taken[0], *after)}
    return tuple(t for t in taken if id(t) in wanted)
