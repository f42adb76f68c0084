"""The handlers by entry type, and the changes to a state that several of them make."""

from collections.abc import Callable
from typing import Any, TypeVar

from service_api.domain.discrepancies import REMARKS
from service_api.domain.matters import Raised
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item

V = TypeVar("V")


def raise_on(
    state: UnitState,
    item: Item,
    code: str,
    detail: str,
    *others: str,
    slot: str | None = None,
    type: str | None = None,
) -> UnitState:
    raised = Raised(
        code=code,
        entry=item.entry.id,
        at=item.at,
        entries=tuple(dict.fromkeys((*others, item.entry.id))),
        detail=detail,
        index=item.touched,
        slot=slot,
        type=type,
    )
    if code in REMARKS:
        return replace(state, remarks=(*state.remarks, raised))
    return replace(state, raised=with_one(state.raised, raised.key, raised))


def with_one(known: dict[str, V], name: str, value: V) -> dict[str, V]:
    """The same with one more, in the order of the names."""
    after = known | {name: value}
    return after if name in known else dict(sorted(after.items()))


def without_one(known: dict[str, V], name: str) -> dict[str, V]:
    return {k: v for k, v in known.items() if k != name}


def settle(state: UnitState, *keys: str) -> UnitState:
    return replace(state, raised={k: r for k, r in state.raised.items() if k not in keys})


def touch(state: UnitState, item: Item, *slots: str) -> UnitState:
    for slot in slots:
        state = replace(state, touches=with_one(state.touches, slot, item.key))
    return state


Handler = Callable[[UnitState, Item, Any], UnitState]
HANDLERS: dict[str, Handler] = {}


def on(*names: str) -> Callable[[Handler], Handler]:
    def register(handler: Handler) -> Handler:
        HANDLERS.update(dict.fromkeys(names, handler))
        return handler

    return register


def disturb(state: UnitState, item: Item, why: str) -> UnitState:
    """The unit is no longer as it was released."""
    if state.released is None or state.released.disturbed is not None:
        return state
    return replace(state, released=replace(state.released, disturbed=item.entry.id, disturbed_why=why))
