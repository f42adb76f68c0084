"""Measured wear of what is in a slot now: the series, its line, where it reaches the acting limit (CONTRACT D)."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Literal

from service_api.calc.conformity import acting_limit
from service_api.calc.lines import Line, fit_line, inverse_interval
from service_api.calc.refused import Refused
from service_api.domain import entries as e
from service_api.domain.condition import (
    AsOf,
    OccupantAnswer,
    as_of,
    occupant_answer,
)
from service_api.domain.conformity import form_value, judge, shown
from service_api.domain.context import Context
from service_api.domain.meters import in_hours
from service_api.domain.readings import baseline, revision_for, sole
from service_api.domain.sheets import Characteristic
from service_api.domain.state import UnitState, begin, step
from service_api.domain.timeline import Item

LEVEL = 0.90  # of both intervals
RATE_DAYS = 370  # use is counted from the oldest reading no older than this before the last
FEWEST = 3
PER = Decimal(100)  # hours
RESTARTS = ("AC-ADJ", "AC-RPL")


@dataclass(frozen=True, kw_only=True)
class Point:
    entry: str
    at: str
    hours: Decimal
    value: Decimal
    stage: str


@dataclass(frozen=True, kw_only=True)
class SlopeInterval:
    low: Decimal
    high: Decimal


@dataclass(frozen=True, kw_only=True)
class Per:
    value: str = "100"
    uom: str = "h"


@dataclass(frozen=True, kw_only=True)
class Fit:
    """The straight line: intercept at 0 h, slope in the characteristic's uom per 100 h with its 90 % interval."""

    n: int
    intercept: Decimal
    slope: Decimal
    per: Per
    residual_sd: Decimal
    interval: SlopeInterval


@dataclass(frozen=True, kw_only=True)
class UseRate:
    value: Decimal
    uom: str = "h/d"


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """Where the line reaches the acting limit; earliest and latest by Fieller's interval, null when unbounded."""

    hours: Decimal
    on: str | None
    earliest: str | None
    latest: str | None


@dataclass(frozen=True, kw_only=True)
class NextService:
    on: str
    hours: Decimal | None
    forecast: Decimal | None
    entry: str


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A span between readings in which the characteristic was due, or ticked, without a value."""

    from_: str
    until: str | None
    hours: Decimal | None
    entries: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class WearOccupant:
    pieces: tuple[e.Piece, ...]
    since: datetime
    entry: str
    hours_at_fit: Decimal | None


@dataclass(frozen=True, kw_only=True)
class Wear:
    unit: str
    characteristic: str
    title: str
    uom: str
    slot: str | None
    as_of: AsOf
    occupant: WearOccupant | None
    points: tuple[Point, ...]
    fit: Fit | None
    use_rate: UseRate | None
    limit: Decimal | None
    acting_limit: Decimal | None
    watch: Decimal | None
    crossing: Crossing | None
    next_service: NextService | None
    order_by: str | None
    verdict: Literal["fine", "crosses_before_service", "beyond", "too_few_points", "no_trend"]
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class Series:
    """The points since the last restart, and the spans before and between them that hold no value."""

    points: tuple[tuple[Point, datetime], ...]
    gaps: tuple[Gap, ...]
    state: UnitState


def series(unit: str, facts: Sequence[Item], row: Characteristic, context: Context) -> Series:
    """Walk the unit's facts in order and keep what belongs to the occupant of the row's slot now."""
    state = begin(unit)
    points: list[tuple[Point, datetime]] = []
    owed: list[tuple[Item, str | None]] = []  # a service, or a tick on this characteristic, and its job
    gaps: list[Gap] = []
    last: tuple[str, Decimal | None] | None = None
    read_jobs = _jobs_with_a_reading(facts, row)
    for item in facts:
        state = step(state, item)
        body = item.body
        if _restarts(item, row) and f"reset-without-change:{item.entry.id}" not in state.raised:
            points = []
        elif isinstance(body, e.ReadingTaken) and body.characteristic == (row.readings_of or row.code):
            total = state.hours
            if last is not None and owed:
                gained = None if total is None or last[1] is None else total[0] - last[1]
                gaps.append(Gap(from_=last[0], until=item.occurred_at, hours=gained, entries=_ids(owed)))
            owed = []
            last = (item.occurred_at, total[0] if total else None)
            point = _point(state, item, row, context)
            if point is not None and (
                body.stage in ("as_found", "in_service") or (body.stage == "as_left" and not points)
            ):
                points.append((point, item.at))
        elif _owes_a_value(item, row, context) and item.entry.job not in read_jobs:
            owed.append((item, item.entry.job))
    if last is not None and owed:
        gaps.append(Gap(from_=last[0], until=None, hours=None, entries=_ids(owed)))
    return Series(tuple(points), tuple(gaps), state)


def _ids(owed: list[tuple[Item, str | None]]) -> tuple[str, ...]:
    return tuple(item.entry.id for item, _ in owed)


def _jobs_with_a_reading(facts: Sequence[Item], row: Characteristic) -> set[str | None]:
    wanted = row.readings_of or row.code
    read = (i for i in facts if i.entry.type == "reading.taken" and i.data["characteristic"] == wanted)
    return {i.entry.job for i in read if i.entry.job}


def _restarts(item: Item, row: Characteristic) -> bool:
    """A fit into the slot, an adjustment or replacement of it, or a rebuild that renewed it begins a new series."""
    match item.body:
        case e.PartFitted(slot=slot):
            return row.slot is not None and slot == row.slot
        case e.WorkDone(activity=activity, slot=slot):
            return activity in RESTARTS and row.slot is not None and slot == row.slot
        case e.RebuildCompleted(scope=scope):
            return any(part.slot == row.slot and part.treatment == "renewed" for part in scope)
    return False


def _owes_a_value(item: Item, row: Characteristic, context: Context) -> bool:
    match item.body:
        case e.JobOpened(purpose="service"):
            return True
        case e.CheckAnswered(check=check, answer=answer):
            revision = context.in_force(context.day(item.at))
            known = revision.sheet.checks if revision else ()
            codes = {row.code, row.readings_of} - {None}
            named = {c.check for c in known if c.characteristic in codes}
            return check in named and answer in ("ok", "defect")
    return False


def _point(state: UnitState, item: Item, row: Characteristic, context: Context) -> Point | None:
    """The reading as a point; none when it is undecided, or when the unit's hours are not known."""
    measured = state.measured[row.readings_of or row.code]
    taken = measured.latest
    revision = revision_for(taken, context)
    total = state.hours
    if revision is None or total is None:
        return None
    judged = revision.sheet.characteristic(row.code) or row
    occupant = sole(state, row.slot)
    verdict = judge(taken, judged, revision, context, baseline(measured, occupant if row.slot else None))
    value = form_value(taken.readings, taken.uom, row) if verdict.outcome != "undecided" else None
    if value is None:
        return None
    return Point(entry=item.entry.id, at=item.occurred_at, hours=total[0], value=shown(value, row), stage=taken.stage)


def wear(state: UnitState, facts: Sequence[Item], row: Characteristic, context: Context) -> Wear:
    """The wear of what is in the row's slot now, judged by the sheet in force.

    state : of the unit, as its page says; facts : the same page's facts, from which the series is drawn

    Verdict, the first that holds: beyond (the latest value is past the acting limit), too_few_points (under three),
    no_trend (the slope's interval holds zero), crosses_before_service, fine.
    """
    found = series(state.unit, facts, row, context)
    points = [point for point, _ in found.points]
    u = row.uncertainty if row.rule == "guarded" else Decimal(0)
    acting = None
    if row.replace is not None and row.worse is not None and u is not None:
        acting = acting_limit(row.replace, u, row.worse)
    line = _line(points)
    answer = Wear(
        unit=state.unit,
        characteristic=row.code,
        title=row.title,
        uom=row.uom,
        slot=row.slot,
        as_of=as_of(state, context),
        occupant=_occupant(state, row),
        points=tuple(points),
        fit=None if line is None else _fit(line),
        use_rate=None,
        limit=row.replace,
        acting_limit=acting,
        watch=row.watch,
        crossing=None,
        next_service=None,
        order_by=None,
        verdict="too_few_points",
        gaps=found.gaps,
    )
    rate = _use_rate(found.points)
    if rate is not None:
        answer = replace(answer, use_rate=UseRate(value=_digits(rate, 4)))
    if found.points:
        answer = replace(answer, next_service=_next_service(state, found.points[-1], line, rate, context))
    if points and acting is not None and _past(points[-1].value, acting, row):
        return replace(answer, verdict="beyond")
    if line is None:
        return answer
    slope = line.slope_interval(LEVEL)
    if slope is None or slope.low <= 0 <= slope.high:
        return replace(answer, verdict="no_trend")
    return _with_crossing(answer, line, found.points[-1], rate, acting, row, context)


def _past(value: Decimal, acting: Decimal, row: Characteristic) -> bool:
    return value < acting if row.worse == "lower" else value > acting


def _occupant(state: UnitState, row: Characteristic) -> WearOccupant | None:
    occupant = sole(state, row.slot)
    if occupant is None:
        return None
    known: OccupantAnswer = occupant_answer(occupant)
    return WearOccupant(pieces=known.pieces, since=known.since, entry=known.entry, hours_at_fit=occupant.hours_low)


def _line(points: Sequence[Point]) -> Line | None:
    if len(points) < FEWEST:
        return None
    try:
        return fit_line([float(p.hours) for p in points], [float(p.value) for p in points])
    except Refused:  # every reading at the same hours: no line goes through them
        return None


def _digits(value: float, significant: int) -> Decimal:
    """A computed figure as a decimal with this many significant digits; the digits beyond are scatter."""
    return Decimal(format(Decimal(f"{value:.{significant}g}"), "f"))


def _fit(line: Line) -> Fit:
    slope, per = line.slope_interval(LEVEL), float(PER)
    if slope is None or line.residual_sd is None:
        raise ValueError("a fit needs three points")
    return Fit(
        n=line.n,
        intercept=_digits(line.intercept, 6),
        slope=_digits(line.slope * per, 6),
        per=Per(),
        residual_sd=_digits(line.residual_sd, 6),
        interval=SlopeInterval(low=_digits(slope.low * per, 6), high=_digits(slope.high * per, 6)),
    )


def _use_rate(points: Sequence[tuple[Point, datetime]]) -> float | None:
    """Hours a day from the oldest reading no more than 370 days before the last; None without a span."""
    if not points:
        return None
    last, last_at = points[-1]
    first, first_at = next((p, at) for p, at in points if last_at - at <= timedelta(days=RATE_DAYS))
    days = (last_at - first_at).total_seconds() / 86400
    gained = float(last.hours - first.hours)
    return gained / days if days > 0 and gained > 0 else None


def _day_at(hours: float, last: tuple[Point, datetime], rate: float | None, context: Context) -> str | None:
    """The day on which the unit will show these hours; None without a rate, or beyond a hundred years."""
    if rate is None:
        return None
    days = (hours - float(last[0].hours)) / rate
    return context.day(last[1] + timedelta(days=days)).isoformat() if abs(days) < 36525 else None


def _next_service(
    state: UnitState, last: tuple[Point, datetime], line: Line | None, rate: float | None, context: Context
) -> NextService | None:
    """The earliest open plan after the moment asked for, or the sheet's interval after the last service."""
    plans: list[tuple[str, str]] = []
    for plan in state.plans:
        if isinstance(plan.due_on, str):
            plans.append((plan.due_on, plan.entry))
        if (hours := in_hours(plan.due_hours)) is not None:
            on = _day_at(float(hours), last, rate, context)
            plans += [(on, plan.entry)] if on else []
    revision = context.in_force(context.on)
    interval = revision.sheet.service if revision else None
    if interval and interval.months and state.serviced:
        due = add_months(context.day(state.serviced.at), interval.months)
        plans.append((due.isoformat(), state.serviced.entry))
    if interval and interval.hours and state.serviced and state.serviced.hours is not None:
        hours_due = _day_at(float(state.serviced.hours) + interval.hours, last, rate, context)
        plans += [(hours_due, state.serviced.entry)] if hours_due else []
    if context.true_at is not None:
        plans = [plan for plan in plans if plan[0] >= context.on.isoformat()]
    if not plans:
        return None
    on, entry = min(plans)
    days = (date.fromisoformat(on) - context.day(last[1])).days
    reached = None if rate is None else float(last[0].hours) + days * rate
    forecast = None if reached is None or line is None else line.at(reached)
    return NextService(
        on=on,
        hours=None if reached is None else Decimal(f"{reached:.1f}"),
        forecast=None if forecast is None else Decimal(f"{forecast:.4f}"),
        entry=entry,
    )


def add_months(day: date, months: int) -> date:
    """The day with the same number `months` later, or the last of that month when there is none (JOB.md W2)."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    for number in range(day.day, 0, -1):
        try:
            return date(year, month + 1, number)
        except ValueError:
            continue
    raise ValueError("no such month")


def _with_crossing(
    answer: Wear,
    line: Line,
    last: tuple[Point, datetime],
    rate: float | None,
    acting: Decimal | None,
    row: Characteristic,
    context: Context,
) -> Wear:
    """The answer with the crossing of the acting limit and what follows from it."""
    worsens = line.slope < 0 if row.worse == "lower" else line.slope > 0
    if acting is None or not worsens:
        return replace(answer, verdict="fine")
    try:
        reached = inverse_interval(line, float(acting), LEVEL)
        hours, low, high = reached.estimate, reached.lower, reached.upper
    except Refused:
        hours, low, high = line.x_mean + (float(acting) - line.y_mean) / line.slope, None, None
    on = _day_at(hours, last, rate, context)
    crossing = Crossing(
        hours=Decimal(f"{hours:.1f}"),
        on=on,
        earliest=None if low is None else _day_at(low, last, rate, context),
        latest=None if high is None else _day_at(high, last, rate, context),
    )
    revision = context.in_force(context.on)
    slot = revision.sheet.slot(row.slot) if revision and row.slot else None
    order_by = None
    if on and slot and slot.supply_days is not None:
        order_by = (date.fromisoformat(on) - timedelta(days=slot.supply_days)).isoformat()
    service = answer.next_service
    early = service is not None and on is not None and on < service.on
    verdict: Literal["crosses_before_service", "fine"] = "crosses_before_service" if early else "fine"
    return replace(answer, crossing=crossing, order_by=order_by, verdict=verdict)
