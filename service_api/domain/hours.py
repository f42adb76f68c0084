"""A unit's hours and those of what is in it, on the meter chain: a value, or a range while the chain has a gap."""

from datetime import datetime
from decimal import Decimal

from service_api.domain.matters import Occupant
from service_api.domain.meters import in_hours
from service_api.domain.records import record
from service_api.domain.state import UnitState


@record(kw_only=True)
class Hours:
    """A value, or a range while the meter chain has a gap; `unknown` says why there is neither."""

    value: Decimal | None = None
    low: Decimal | None = None
    high: Decimal | None = None
    unknown: str | None = None
    uom: str = "h"
    how: str | None = None
    read_at: datetime | None = None
    entries: tuple[str, ...] = ()


def span(low: Decimal, high: Decimal, **more: object) -> Hours:
    """Hours as one value where both ends agree, else as a range."""
    if low == high:
        return Hours(value=low, **more)  # type: ignore[arg-type]
    return Hours(low=low, high=high, **more)  # type: ignore[arg-type]


def hours(state: UnitState) -> Hours:
    """The unit's hours: the last reading at or before the moment, on the meter chain."""
    meter = state.hours_meter
    if meter is None:
        return Hours(unknown="no meter")
    total = meter.total
    if total is None:
        return Hours(unknown="never read")
    entries = tuple(dict.fromkeys((*meter.links, *((meter.last_entry,) if meter.last_entry else ()))))
    return span(*total, how=meter.how, read_at=meter.last_at, entries=entries)


def hours_on(state: UnitState, occupant: Occupant) -> Hours:
    """Hours on an occupant: what its pieces had when fitted, plus the unit's hours since."""
    before = {in_hours(p.hours) for p in occupant.pieces if p.hours is not None}
    start = before.pop() if before else Decimal(0)
    gained = gained_since(state, occupant.hours_low, occupant.hours_high, occupant.entry, start or Decimal(0))
    if gained.unknown is None and (before or start is None):
        return Hours(unknown="the pieces had different or unknown hours when fitted", entries=(occupant.entry,))
    return gained


def gained_since(
    state: UnitState, at_low: Decimal | None, at_high: Decimal | None, entry: str, start: Decimal = Decimal(0)
) -> Hours:
    """The unit's hours since it had `at_low` to `at_high`, on top of `start`."""
    meter, total = state.hours_meter, state.hours
    if meter is None:
        return Hours(unknown="no meter")
    if total is None or at_low is None or at_high is None:
        return Hours(unknown="never read")
    # A gap before that moment is in both ends alike: the figure is exact.
    exact = total[1] - total[0] == at_high - at_low
    low, high = (total[0] - at_low, total[1] - at_high) if exact else (total[0] - at_high, total[1] - at_low)
    entries = (entry, *((meter.last_entry,) if meter.last_entry else ()))
    return span(max(low, Decimal(0)) + start, high + start, read_at=meter.last_at, entries=entries)
