"""Measured wear of what is in a slot now: the series, its line, where it reaches the acting limit (CONTRACT D)."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Literal, NamedTuple

from service_api.calc.conformity import acting_limit
from service_api.calc.lines import Line
from service_api.calc.trend import LEVEL, Reached, Trend, jumps, trend
from service_api.domain.condition import AsOf, OccupantAnswer, as_of, occupant_answer
from service_api.domain.conformity import form_value, judge, shown
from service_api.domain.context import Context
from service_api.domain.entries.jobs import CheckAnswered, JobOpened, ReadingTaken, SettingLeft, WorkDone
from service_api.domain.entries.parts import PartFitted, PartRemoved
from service_api.domain.entries.releases import RebuildCompleted
from service_api.domain.entries.shared import Piece
from service_api.domain.fold import step
from service_api.domain.hours import hours_a_day
from service_api.domain.meters import in_hours
from service_api.domain.moments import add_months
from service_api.domain.readings import baseline, revision_for, sole
from service_api.domain.records import record
from service_api.domain.sheets import Characteristic
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item

PER = Decimal(100)  # hours
RESTARTS = ("AC-ADJ", "AC-RPL")
# What moves hours, slots and readings; a series needs no other fact folded.
MOVES = (
    "unit.registered", "meter.read", "meter.replaced", "meter.rolled", "complaint.reported", "reading.taken",
    "part.fitted", "part.removed", "rebuild.completed",
)  # fmt: skip
# What a series takes note of; TYPES is all that a wear answer has to read.
MATTERS = (
    "reading.taken", "part.fitted", "part.removed", "rebuild.completed", "work.done", "setting.left", "job.opened",
    "check.answered",
)  # fmt: skip
TYPES = tuple({*MOVES, *MATTERS})


@record(kw_only=True)
class Point:
    entry: str
    at: str
    hours: Decimal
    value: Decimal
    stage: str
    fitted: bool = True


@record(kw_only=True)
class Flag:
    """A reading that is left out of the fit: it improved, or jumped, with no work between."""

    why: Literal["improved", "jumped"]
    entry: str
    at: str
    detail: str


@record(kw_only=True)
class SlopeInterval:
    low: Decimal
    high: Decimal


@record(kw_only=True)
class Per:
    value: str = "100"
    uom: str = "h"


@record(kw_only=True)
class Fit:
    """The straight line: intercept at 0 h, slope in the characteristic's uom per 100 h with its 90 % interval."""

    n: int
    intercept: Decimal
    slope: Decimal
    per: Per
    residual_sd: Decimal
    interval: SlopeInterval


@record(kw_only=True)
class UseRate:
    value: Decimal
    uom: str = "h/d"


@record(kw_only=True)
class Crossing:
    """Where the line reaches the acting limit; earliest and latest by Fieller's interval, null when unbounded."""

    hours: Decimal
    on: str | None
    earliest: str | None
    latest: str | None


@record(kw_only=True)
class NextService:
    on: str
    hours: Decimal | None
    forecast: Decimal | None
    entry: str


@record(kw_only=True)
class Gap:
    """A span between readings in which the characteristic was due, or ticked, without a value."""

    from_: str
    until: str | None
    hours: Decimal | None
    entries: tuple[str, ...]


@record(kw_only=True)
class WearOccupant:
    pieces: tuple[Piece, ...]
    since: datetime
    entry: str
    hours_at_fit: Decimal | None


@record(kw_only=True)
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
    flags: tuple[Flag, ...]


class Seen(NamedTuple):
    """A point, its moment, and whether work, a setting or a part on the slot came between it and the one before."""

    point: Point
    at: datetime
    worked: bool


@record
class Series:
    """The points since the last restart, and the spans before and between them that hold no value."""

    points: tuple[Seen, ...]
    gaps: tuple[Gap, ...]
    flags: tuple[Flag, ...]

    @property
    def jumped(self) -> bool:
        """The latest reading is a jump that no other has confirmed yet."""
        if not self.flags or self.points[-1].point.fitted:
            return False
        return any(f.why == "jumped" and f.entry == self.points[-1].point.entry for f in self.flags)


class _Gathering:
    """One characteristic's series while the facts go by."""

    def __init__(self, row: Characteristic, read_jobs: set[str | None]) -> None:
        self.row, self.read_jobs = row, read_jobs
        self.code = row.readings_of or row.code
        self.points: list[Seen] = []
        self.gaps: list[Gap] = []
        self.owed: list[str] = []  # services, and ticks on this characteristic, without a value
        self.last: tuple[str, Decimal | None] | None = None
        self.fitted_in: str | None = None  # the job of the last fit into the slot
        self.worked = False

    def take(self, item: Item, state: UnitState, context: Context) -> None:
        """One more fact; `state` has taken it in already."""
        if self._restarts(item) and f"reset-without-change:{item.entry.id}" not in state.raised:
            self.points, self.worked = [], False
        elif isinstance(item.body, ReadingTaken) and item.body.characteristic == self.code:
            self._read(item, state, context)
        elif _owes_a_value(item, self.row, context) and item.entry.job not in self.read_jobs:
            self.owed.append(item.entry.id)
        elif _works_on(item, self.row):
            self.worked = True

    def _restarts(self, item: Item) -> bool:
        """A rebuild whose own fit began the series does not begin it again: it is completed after the readings."""
        if isinstance(item.body, PartFitted) and item.body.slot == self.row.slot:
            self.fitted_in = item.entry.job
        rebuilt_in = (item.body.job or item.entry.job) if isinstance(item.body, RebuildCompleted) else None
        return _restarts(item, self.row) and (rebuilt_in is None or rebuilt_in != self.fitted_in)

    def _read(self, item: Item, state: UnitState, context: Context) -> None:
        total = state.hours
        if self.last is not None and self.owed:
            gained = None if total is None or self.last[1] is None else total[0] - self.last[1]
            self.gaps.append(Gap(from_=self.last[0], until=item.occurred_at, hours=gained, entries=tuple(self.owed)))
        self.owed = []
        self.last = (item.occurred_at, total[0] if total else None)
        point, stage = _point(state, item, self.row, context), item.body.stage
        if point is not None and (stage in ("as_found", "in_service") or (stage == "as_left" and not self.points)):
            self.points.append(Seen(point, item.at, self.worked))
            self.worked = False

    def done(self) -> Series:
        if self.last is not None and self.owed:
            self.gaps.append(Gap(from_=self.last[0], until=None, hours=None, entries=tuple(self.owed)))
        points, flags = sift(self.points, self.row)
        return Series(points, tuple(self.gaps), flags)


def all_series(facts: Sequence[Item], rows: Sequence[Characteristic], context: Context, unit: str) -> list[Series]:
    """Walk the unit's facts once and keep, for each row, what belongs to the occupant of its slot now."""
    state = begin(unit)
    jobs: dict[str, set[str | None]] = {}
    for item in facts:
        if item.entry.type == "reading.taken" and item.entry.job:
            jobs.setdefault(item.data["characteristic"], set()).add(item.entry.job)
    gathering = [_Gathering(row, jobs.get(row.readings_of or row.code, set())) for row in rows]
    for item in facts:
        if item.entry.type in MOVES:
            state = step(state, item)
        if item.entry.type in MATTERS:
            for one in gathering:
                one.take(item, state, context)
    return [one.done() for one in gathering]


def sift(points: Sequence[Seen], row: Characteristic) -> tuple[tuple[Seen, ...], tuple[Flag, ...]]:
    """Leave out of the fit what no wear explains: a reading that is better, or far worse, with no work between.

    Better than the last one fitted by more than U is not fitted. A jump is not fitted either; a second one after it
    says that it was real, and the series begins anew at the first. Without a stated U nothing is left out.
    """
    u = row.uncertainty
    if row.worse is None or u is None:
        return tuple(points), ()
    sign = -1 if row.worse == "lower" else 1
    fitted: list[int] = []
    flags: list[Flag] = []
    pending: int | None = None
    for number, (point, _, worked) in enumerate(points):
        value = sign * point.value
        before = points[fitted[-1]].point if fitted else None
        if before is not None and not worked and value < sign * before.value - u:
            flags.append(_flag("improved", point, f"{point.value} after {before.value} with no work between"))
            continue
        hours = [float(points[n].point.hours) for n in fitted]
        values = [float(sign * points[n].point.value) for n in fitted]
        if not worked and jumps(hours, values, float(point.hours), float(value), float(u)):
            flags.append(_flag("jumped", point, f"{point.value}, far off the line of those before"))
            fitted, pending = (fitted, number) if pending is None else ([pending, number], None)
            continue
        pending = None
        fitted.append(number)
    kept = set(fitted)
    marked = (s if n in kept else s._replace(point=replace(s.point, fitted=False)) for n, s in enumerate(points))
    return tuple(marked), tuple(flags)


def _flag(why: Literal["improved", "jumped"], point: Point, detail: str) -> Flag:
    return Flag(why=why, entry=point.entry, at=point.at, detail=detail)


def _works_on(item: Item, row: Characteristic) -> bool:
    """Work or a removal on the row's slot (on the unit, where no slot wears with it), or a setting."""
    match item.body:
        case WorkDone(slot=slot) | PartRemoved(slot=slot):
            return row.slot is None or slot == row.slot
        case SettingLeft():
            return True
    return False


def _restarts(item: Item, row: Characteristic) -> bool:
    """A fit into the slot, an adjustment or replacement of it, or a rebuild that renewed it begins a new series."""
    match item.body:
        case PartFitted(slot=slot):
            return row.slot is not None and slot == row.slot
        case WorkDone(activity=activity, slot=slot):
            return activity in RESTARTS and row.slot is not None and slot == row.slot
        case RebuildCompleted(scope=scope):
            return any(part.slot == row.slot and part.treatment == "renewed" for part in scope)
    return False


def _owes_a_value(item: Item, row: Characteristic, context: Context) -> bool:
    match item.body:
        case JobOpened(purpose="service"):
            return True
        case CheckAnswered(check=check, answer=answer):
            revision, named = context.in_force(context.day(item.at)), {row.code, row.readings_of} - {None}
            known = revision.sheet.checks if revision and answer in ("ok", "defect") else ()
            return any(c.check == check and c.characteristic in named for c in known)
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
    no_trend (the slope's interval holds zero, or the latest reading jumped), crosses_before_service, fine.
    """
    (found,) = all_series(facts, [row], context, state.unit)
    acting, got = acting_of(row), outlook(found, row)
    answer = Wear(
        unit=state.unit,
        characteristic=row.code,
        title=row.title,
        uom=row.uom,
        slot=row.slot,
        as_of=as_of(state, context),
        occupant=_occupant(state, row),
        points=tuple(seen.point for seen in found.points),
        fit=None if got.line is None else _fit(got.line),
        use_rate=None,
        limit=row.replace,
        acting_limit=acting,
        watch=row.watch,
        crossing=None,
        next_service=None,
        order_by=None,
        verdict="too_few_points",
        gaps=found.gaps,
        flags=found.flags,
    )
    if not found.points:
        return answer
    last, rate = found.points[-1], use_rate(found.points)
    if rate is not None:
        answer = replace(answer, use_rate=UseRate(value=_digits(rate, 4)))
    answer = replace(answer, next_service=next_service(state, last, got.line, rate, context))
    if acting is not None and past(last.point.value, acting, row):
        return replace(answer, verdict="beyond")
    if got.why == "too_few_points":
        return answer
    if got.why == "no_trend" or found.jumped:
        return replace(answer, verdict="no_trend")
    if got.reached is None:
        return replace(answer, verdict="fine")
    return _with_crossing(answer, got.reached, last, rate, row, context)


def acting_of(row: Characteristic) -> Decimal | None:
    """The limit that acts, after the guard band; None without a limit, or guarded without U."""
    u = row.uncertainty if row.rule == "guarded" else Decimal(0)
    if row.replace is None or row.worse is None or u is None:
        return None
    return acting_limit(row.replace, u, row.worse)


def fitted_points(found: Series) -> tuple[list[float], list[float]]:
    """Hours and values of the points that count for the line."""
    points = [seen.point for seen in found.points if seen.point.fitted]
    return [float(p.hours) for p in points], [float(p.value) for p in points]


def outlook(found: Series, row: Characteristic) -> Trend:
    acting = acting_of(row)
    return trend(*fitted_points(found), None if acting is None else float(acting), row.worse != "lower")


def past(value: Decimal, acting: Decimal, row: Characteristic) -> bool:
    return value < acting if row.worse == "lower" else value > acting


def _occupant(state: UnitState, row: Characteristic) -> WearOccupant | None:
    occupant = sole(state, row.slot)
    if occupant is None:
        return None
    known: OccupantAnswer = occupant_answer(occupant)
    return WearOccupant(pieces=known.pieces, since=known.since, entry=known.entry, hours_at_fit=occupant.hours_low)


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


def use_rate(points: Sequence[Seen]) -> float | None:
    """Hours a day from the oldest reading no more than 370 days before the last; None without a span."""
    return hours_a_day([(seen.at, seen.point.hours) for seen in points])


def _day_at(hours: float, last: Seen, rate: float | None, context: Context) -> str | None:
    """The day on which the unit will show these hours; None without a rate, or beyond a hundred years."""
    if rate is None:
        return None
    days = (hours - float(last.point.hours)) / rate
    return context.day(last.at + timedelta(days=days)).isoformat() if abs(days) < 36525 else None


def next_service(
    state: UnitState, last: Seen, line: Line | None, rate: float | None, context: Context
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
    days = (date.fromisoformat(on) - context.day(last.at)).days
    reached = None if rate is None else float(last.point.hours) + days * rate
    forecast = None if reached is None or line is None else line.at(reached)
    return NextService(
        on=on,
        hours=None if reached is None else Decimal(f"{reached:.1f}"),
        forecast=None if forecast is None else Decimal(f"{forecast:.4f}"),
        entry=entry,
    )


def _with_crossing(
    answer: Wear, reached: Reached, last: Seen, rate: float | None, row: Characteristic, context: Context
) -> Wear:
    """The answer with the crossing of the acting limit and what follows from it."""
    band = reached.interval
    on = _day_at(reached.hours, last, rate, context)
    crossing = Crossing(
        hours=Decimal(f"{reached.hours:.1f}"),
        on=on,
        earliest=None if band is None else _day_at(band.low, last, rate, context),
        latest=None if band is None else _day_at(band.high, last, rate, context),
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
