"""Meters: readings, exchanges and rollovers of counters, and hours that came with another entry."""

from decimal import Decimal
from typing import Any, Literal

from service_api.calc.uom import WrongDimension
from service_api.domain import meters
from service_api.domain.entries.meters import MeterRead, MeterReplaced, MeterRolled
from service_api.domain.fold.handlers import on, raise_on
from service_api.domain.forms import Quantity
from service_api.domain.meters import MeterState
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item


def _doubts(state: UnitState, item: Item, doubts: list[meters.Doubt]) -> UnitState:
    for doubt in doubts:
        state = raise_on(state, item, doubt.code, doubt.detail, *doubt.entries)
    return state


def _meter(state: UnitState, name: str, value: Any) -> MeterState:
    uom = value.uom if isinstance(value, Quantity) else "h"
    return state.meters.get(name) or MeterState(meter=name, uom=uom)


def _with_meter(state: UnitState, meter: MeterState) -> UnitState:
    return replace(state, meters=state.meters | {meter.meter: meter})


@on("meter.read")
def _meter_read(state: UnitState, item: Item, body: MeterRead) -> UnitState:
    meter = _meter(state, body.meter, body.value)
    try:
        low = meters.amount(body.value, meter.uom)
        high = None
        if body.range is not None:
            low, high = (meters.amount(bound, meter.uom) for bound in body.range)
    except WrongDimension as error:
        return raise_on(state, item, "meter-gap", str(error))
    if low is None:
        return state
    meter, doubts = meters.read(meter, low, item.at, item.entry.id, body.how, high)
    return _doubts(_with_meter(state, meter), item, doubts)


@on("meter.replaced")
def _meter_replaced(state: UnitState, item: Item, body: MeterReplaced) -> UnitState:
    meter = _meter(state, body.meter, body.new_start)
    try:
        new_start = meters.amount(body.new_start, meter.uom)
        bounds = [meters.amount(bound, meter.uom) for bound in body.old_range or ()]
        old_final = meters.amount(body.old_final, meter.uom)
    except WrongDimension as error:
        return raise_on(state, item, "meter-gap", str(error))
    old_range = (bounds[0], bounds[1]) if len(bounds) == 2 and None not in bounds else None
    meter, doubts = meters.replaced(
        meter,
        old_final,
        new_start or Decimal(0),
        item.at,
        item.entry.id,
        old_range,  # type: ignore[arg-type]
    )
    return _doubts(_with_meter(state, meter), item, doubts)


@on("meter.rolled")
def _meter_rolled(state: UnitState, item: Item, body: MeterRolled) -> UnitState:
    meter = _meter(state, body.meter, body.at)
    try:
        at = meters.amount(body.at, meter.uom)
    except WrongDimension as error:
        return raise_on(state, item, "meter-gap", str(error))
    count = at if at is not None else meter.rolls_at
    if count is None:
        return raise_on(state, item, "meter-gap", "the count at which it rolled is not known")
    return _with_meter(state, meters.rolled(meter, count, item.at, item.entry.id))


def hours_shown(state: UnitState, item: Item, hours: Any, how: Literal["read", "estimated"]) -> UnitState:
    """Hours that came with another entry count as a reading of the hours meter (CONTRACT D)."""
    if not isinstance(hours, Quantity):
        return state
    meter = state.hours_meter
    if meter is None:
        if state.meters:
            return state
        meter = MeterState(meter="hours", uom="h")
    try:
        count = meters.amount(hours, meter.uom)
    except WrongDimension as error:
        return raise_on(state, item, "meter-gap", str(error))
    if count is None:
        return state
    after, doubts = meters.read(meter, count, item.at, item.entry.id, how)
    if how == "estimated" and doubts:  # a customer's figure that something contradicts is no reading
        return state
    return _doubts(_with_meter(state, after), item, doubts)
