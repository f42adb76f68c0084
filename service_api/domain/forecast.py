"""Which parts of the fleet reach their acting limit before their next service (JOB.md section 6, question 9)."""

from array import array
from bisect import bisect_right
from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal
from itertools import accumulate
from math import inf

from service_api.calc.trend import FEWEST, Fleet, reach_in_time
from service_api.domain.condition import AsOf
from service_api.domain.context import Context
from service_api.domain.entries.shared import Piece
from service_api.domain.records import record
from service_api.domain.sheets import Characteristic
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item
from service_api.domain.wear import (
    Crossing,
    Flag,
    NextService,
    Seen,
    SlopeInterval,
    Wear,
    acting_of,
    all_series,
    fitted_points,
    next_service,
    past,
    use_rate,
)

# What moves hours, slots, series, plans and services; the rest of a page need not be read for a forecast.
TYPES = (
    "unit.registered", "unit.retired", "unit.sold", "meter.read", "meter.replaced", "meter.rolled",
    "complaint.reported", "reading.taken", "part.fitted", "part.removed", "work.done", "setting.left",
    "rebuild.completed", "job.opened", "job.closed", "service.planned",
)  # fmt: skip
SLACK = 2  # days, by which a moment's day here may differ from the local one
HORIZON = 366  # days ahead in which a crossing without any planned service is told, unless the caller says


@record
class Share:
    """One unit's series that have a line and a limit, packed as `Fleet` says; days are ordinals of the calendar."""

    codes: tuple[str, ...] = ()
    points: bytes = b""
    records: bytes = b""
    beyond: tuple[str, ...] = ()  # codes whose latest value is past the acting limit
    doubtful: tuple[str, ...] = ()  # codes whose latest reading jumped
    series: int = 0  # that have any reading


@record(kw_only=True)
class ForecastRow:
    """One part of one unit: how sure the forecast is and from how many points, and when to order."""

    unit: str
    class_: str
    characteristic: str
    title: str
    uom: str
    slot: str | None
    pieces: tuple[Piece, ...] | None
    points: int
    latest: Decimal
    latest_at: str
    limit: Decimal | None
    acting_limit: Decimal | None
    slope: Decimal | None
    interval: SlopeInterval | None
    crossing: Crossing | None
    next_service: NextService | None
    order_by: str | None
    verdict: str
    flags: tuple[Flag, ...]
    entries: tuple[str, ...]


@record(kw_only=True)
class Counts:
    units: int
    series: int
    with_a_line: int


@record(kw_only=True)
class FleetForecast:
    """`units` cross before their next service. Beside them: those past their limit already, those that cross up to
    `until` (a year, unless said) with no service planned, and those whose latest reading jumped.
    """

    until: str | None
    as_of: AsOf
    counts: Counts
    units: tuple[ForecastRow, ...]
    beyond: tuple[ForecastRow, ...]
    unplanned: tuple[ForecastRow, ...]
    doubtful: tuple[ForecastRow, ...]


def share_of(state: UnitState, facts: Sequence[Item], rows: Sequence[Characteristic], context: Context) -> Share:
    """state : the fold of these facts; facts : of the unit's page, at least those of TYPES"""
    if state.retired or state.sold:
        return Share()
    wanted = [row for row in rows if acting_of(row) is not None and not row.against_baseline]
    codes, beyond, doubtful = [], [], []
    points, records = array("d"), array("d")
    series = 0
    for row, found in zip(wanted, all_series(facts, wanted, context, state.unit), strict=True):
        acting = acting_of(row)
        if not found.points or acting is None:
            continue
        series += 1
        end = found.points[-1]
        if past(end.point.value, acting, row):
            beyond.append(row.code)
            continue
        if found.jumped:
            doubtful.append(row.code)
            continue
        x, y = fitted_points(found)
        if len(x) < FEWEST:
            continue
        rate = use_rate(found.points)
        planned = next_service(state, end, None, rate, context)
        codes.append(row.code)
        for pair in zip(x, y, strict=True):
            points.extend(pair)
        service = inf if planned is None else float(date.fromisoformat(planned.on).toordinal() + SLACK)
        sign, hours = -1.0 if row.worse == "lower" else 1.0, float(end.point.hours)
        records.extend((len(x), float(acting), sign, _ordinal(end, context), hours, rate or 0.0, service))
    return Share(
        codes=tuple(codes),
        points=points.tobytes(),
        records=records.tobytes(),
        beyond=tuple(beyond),
        doubtful=tuple(doubtful),
        series=series,
    )


def _ordinal(seen: Seen, context: Context) -> float:
    """The local day with its fraction, so that a day later is one more."""
    at: datetime = seen.at
    return context.day(at).toordinal() + (at.hour * 60 + at.minute) / 1440


def candidates(shares: Sequence[tuple[str, Share]], horizon: date) -> list[tuple[str, str]]:
    """Units and characteristics that may cross before their service, or up to the horizon with none planned.

    A few days of slack are left: whether they do is said by each one's own wear answer.
    """
    fleet = Fleet(b"".join([s.points for _, s in shares]), b"".join([s.records for _, s in shares]))
    ends = list(accumulate([len(s.codes) for _, s in shares]))
    found = []
    for place in reach_in_time(fleet, horizon.toordinal() + SLACK):
        number = bisect_right(ends, place)
        unit, share = shares[number]
        found.append((unit, share.codes[place - ends[number]]))  # counted from the end of the unit's own
    return found


def row_of(wear: Wear, class_: str) -> ForecastRow:
    """A wear answer as a line of the forecast."""
    fit, end = wear.fit, wear.points[-1]
    fitted = [point for point in wear.points if point.fitted]
    plan = (wear.next_service.entry,) if wear.next_service else ()
    return ForecastRow(
        unit=wear.unit,
        class_=class_,
        characteristic=wear.characteristic,
        title=wear.title,
        uom=wear.uom,
        slot=wear.slot,
        pieces=wear.occupant.pieces if wear.occupant else None,
        points=len(fitted),
        latest=end.value,
        latest_at=end.at,
        limit=wear.limit,
        acting_limit=wear.acting_limit,
        slope=fit.slope if fit else None,
        interval=fit.interval if fit else None,
        crossing=wear.crossing,
        next_service=wear.next_service,
        order_by=wear.order_by,
        verdict=wear.verdict,
        flags=wear.flags,
        entries=(*(point.entry for point in wear.points), *plan),
    )


def forecast(
    rows: Sequence[ForecastRow], until: date | None, horizon: date, counts: Counts, as_of: AsOf
) -> FleetForecast:
    """Sort the rows by what they say. until : crossings up to and on this day only; None: all before their service"""

    def inside(row: ForecastRow, day: date | None) -> bool:
        on = row.crossing.on if row.crossing else None
        return on is not None and (day is None or on <= day.isoformat())

    def soonest(row: ForecastRow) -> tuple[str, str, str]:
        return (row.crossing.on or "" if row.crossing else "", row.unit, row.characteristic)

    crossing = [r for r in rows if r.verdict == "crosses_before_service" and inside(r, until)]
    unplanned = [r for r in rows if r.verdict == "fine" and r.next_service is None and inside(r, horizon)]
    return FleetForecast(
        until=None if until is None else until.isoformat(),
        as_of=as_of,
        counts=counts,
        units=tuple(sorted(crossing, key=soonest)),
        beyond=tuple(r for r in rows if r.verdict == "beyond"),
        unplanned=tuple(sorted(unplanned, key=soonest)),
        doubtful=tuple(r for r in rows if r.verdict == "no_trend" and r.flags),
    )
