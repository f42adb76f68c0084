"""How many hours a unit did with each keeper, read or estimated (JOB.md question 36; JOB.md 1.14).

Between readings the last one stands (CONTRACT D). A keeper's hours begin with the reading before the unit went out and
end with the first one after it came back; where nobody read it then, the end is a range up to the next reading.
"""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from service_api.domain.condition import AsOf, SinceRebuild
from service_api.domain.fold import step
from service_api.domain.hours import Hours, span
from service_api.domain.records import record
from service_api.domain.state import begin
from service_api.domain.timeline import Item

OUT = ("unit.dispatched", "unit.sold")


class Shown(NamedTuple):
    """The unit's hours as (low, high) once a reading was taken."""

    at: datetime
    low: Decimal
    high: Decimal
    how: str
    entry: str


@record(kw_only=True)
class Keeping:
    """One time with a keeper; `until` is null while they have it."""

    from_: datetime
    until: datetime | None
    hours: Hours
    entries: tuple[str, ...]


@record(kw_only=True)
class Keeper:
    keeper: str
    hours: Hours
    periods: tuple[Keeping, ...]


@record(kw_only=True)
class UnitHours:
    """The unit's hours, those since its last rebuild, and those with each keeper."""

    unit: str
    as_of: AsOf
    hours: Hours
    since_rebuild: SinceRebuild | None
    keepers: tuple[Keeper, ...]


def keepers(unit: str, facts: Sequence[Item], only: str | None = None) -> tuple[Keeper, ...]:
    """In the order in which they first had it. facts : of the unit's page; only : this keeper alone"""
    shown = each_shown(unit, facts)
    found: dict[str, list[Keeping]] = {}
    handed = [i for i in facts if i.entry.type in (*OUT, "unit.received")]
    for place, item in enumerate(handed):
        if item.entry.type not in OUT or (place and handed[place - 1].entry.type in OUT and _same(handed, place)):
            continue
        back = next(
            (i for i in handed[place + 1 :] if i.entry.type not in OUT or i.data["to"] != item.data["to"]), None
        )
        after = next((i for i in handed if back is not None and i.key > back.key and i.entry.type in OUT), None)
        found.setdefault(item.data["to"], []).append(_keeping(item, back, after, shown))
    return tuple(
        Keeper(keeper=keeper, hours=_sum(periods), periods=tuple(periods))
        for keeper, periods in found.items()
        if only in (None, keeper)
    )


def _same(handed: Sequence[Item], place: int) -> bool:
    """It was with them already."""
    return bool(handed[place - 1].data["to"] == handed[place].data["to"])


def each_shown(unit: str, facts: Sequence[Item]) -> list[Shown]:
    """What the meter of hours showed, reading by reading."""
    state, found = begin(unit), []
    for item in facts:
        before, state = state, step(state, item)
        meter, total = state.hours_meter, state.hours
        if meter is not None and total is not None and meter is not before.hours_meter and meter.last_entry:
            found.append(Shown(meter.last_at or item.at, *total, meter.how, item.entry.id))
    return found


def _keeping(out: Item, back: Item | None, after: Item | None, shown: Sequence[Shown]) -> Keeping:
    start = next((s for s in reversed(shown) if s.at <= out.at), None)
    begun = [s for s in shown if start is None or s.at >= start.at]
    until = back.at if back is not None else None
    handed = (out.entry.id, *((back.entry.id,) if back else ()))
    if start is None or not begun:
        hours = Hours(unknown="not read before it went out", entries=handed)
        return Keeping(from_=out.at, until=until, hours=hours, entries=handed)
    last = next((s for s in reversed(begun) if until is None or s.at <= until), start)
    ends = (last, last)
    if back is not None:
        later = next((s for s in begun if s.at >= back.at), None)
        if later is not None and (after is None or later.at <= after.at):
            ends = (later, later)  # read once it was back
        elif later is not None:
            ends = (last, later)  # nobody read it then
    hours = _between(start, *ends)
    return Keeping(from_=out.at, until=until, hours=hours, entries=handed)


def _between(start: Shown, low: Shown, high: Shown) -> Hours:
    exact = start.high - start.low == high.high - high.low and low is high
    first, last = (start.low, start.high) if exact else (start.high, start.low)
    how = "estimated" if "estimated" in (start.how, low.how, high.how) else "read"
    entries = tuple(dict.fromkeys((start.entry, low.entry, high.entry)))
    least, most = max(low.low - first, Decimal(0)), high.high - last
    return span(least, max(most, least), how=how, read_at=high.at, entries=entries)


def _sum(periods: Sequence[Keeping]) -> Hours:
    entries = tuple(dict.fromkeys(entry for p in periods for entry in p.hours.entries))
    unknown = next((p.hours.unknown for p in periods if p.hours.unknown is not None), None)
    if unknown is not None:
        return Hours(unknown=unknown, entries=entries)
    lows = [p.hours.low if p.hours.value is None else p.hours.value for p in periods]
    highs = [p.hours.high if p.hours.value is None else p.hours.value for p in periods]
    how = "estimated" if any(p.hours.how == "estimated" for p in periods) else "read"
    low = sum((x for x in lows if x is not None), Decimal(0))
    high = sum((x for x in highs if x is not None), Decimal(0))
    return span(low, high, how=how, read_at=periods[-1].hours.read_at, entries=entries)
