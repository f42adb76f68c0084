"""A unit's hours and those of what is in it, on the meter chain: a value, or a range while the chain has a gap."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from service_api.domain.entries.shared import Piece
from service_api.domain.matters import Occupant
from service_api.domain.meters import in_hours
from service_api.domain.records import record
from service_api.domain.state import UnitState

RATE_DAYS = 370  # CONTRACT D, use_rate


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


def hours_a_day(shown: Sequence[tuple[datetime, Decimal]]) -> float | None:
    """From the oldest reading no more than 370 days before the last; None without a span."""
    if not shown:
        return None
    last_at, last = shown[-1]
    first_at, first = next(seen for seen in shown if last_at - seen[0] <= timedelta(days=RATE_DAYS))
    days = (last_at - first_at).total_seconds() / 86400
    gained = float(last - first)
    return gained / days if days > 0 and gained > 0 else None


def hours_on(state: UnitState, occupant: Occupant, carried: Mapping[str, Hours] | None = None) -> Hours:
    """Hours on an occupant: what its pieces had when fitted, plus the unit's hours since.

    carried : by the entry of a fit, what the pieces had run in earlier places, where the fit states no hours
    """
    gained = gained_since(state, occupant.hours_low, occupant.hours_high, occupant.entry)
    start = stated(occupant) or (carried or {}).get(occupant.entry)
    return gained if start is None else plus(gained, start)


def stated(occupant: Occupant) -> Hours | None:
    """What the fit says that its pieces had run before; None where it says nothing."""
    before = {in_hours(p.hours) for p in occupant.pieces if p.hours is not None}
    if not before:
        return None
    start = before.pop()
    if before or start is None:
        return Hours(unknown="the pieces had different or unknown hours when fitted", entries=(occupant.entry,))
    return Hours(value=start)


def plus(gained: Hours, start: Hours) -> Hours:
    """Both together, read when `gained` was; unknown where one of them is."""
    if gained.unknown is not None or start.unknown is not None:
        return gained if gained.unknown is not None else start
    (low, high), (low_before, high_before) = _ends(gained), _ends(start)
    entries = tuple(dict.fromkeys((*start.entries, *gained.entries)))
    return span(low + low_before, high + high_before, read_at=gained.read_at, entries=entries)


def _ends(known: Hours) -> tuple[Decimal, Decimal]:
    low = known.value if known.low is None else known.low
    high = known.value if known.high is None else known.high
    return low or Decimal(0), high or Decimal(0)


def gained_since(state: UnitState, at_low: Decimal | None, at_high: Decimal | None, entry: str) -> Hours:
    """The unit's hours since it had `at_low` to `at_high`."""
    meter, total = state.hours_meter, state.hours
    if meter is None:
        return Hours(unknown="no meter")
    if total is None or at_low is None or at_high is None:
        return Hours(unknown="never read")
    # A gap before that moment is in both ends alike: the figure is exact.
    exact = total[1] - total[0] == at_high - at_low
    low, high = (total[0] - at_low, total[1] - at_high) if exact else (total[0] - at_high, total[1] - at_low)
    entries = (entry, *((meter.last_entry,) if meter.last_entry else ()))
    return span(max(low, Decimal(0)), high, read_at=meter.last_at, entries=entries)


def travelled(state: UnitState) -> list[Occupant]:
    """The occupants that may have run elsewhere, where the fit does not say how long."""
    return [
        occupant
        for occupants in state.slots.values()
        for occupant in occupants
        if (occupant.came_from is not None or any(map(followed, occupant.pieces)))
        and all(piece.hours is None for piece in occupant.pieces)
    ]


def followed(piece: Piece) -> bool:
    """It carries a serial or is an assembly, by which it is found in other places, and is not said to be new."""
    return (piece.serial is not None or piece.unit is not None) and piece.condition != "new"
