"""What falls due over the fleet: services, examinations, calibrations, ends of concessions (JOB.md R10, 1.13, 1.21).

A day still counts on itself, and so does a count of hours; what is past either is overdue.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Literal

from service_api.domain import exams
from service_api.domain.concessions import overdue
from service_api.domain.condition import AsOf
from service_api.domain.context import Context
from service_api.domain.gauges import Calibration
from service_api.domain.hours import Hours, hours, hours_a_day
from service_api.domain.matters import by_moment
from service_api.domain.meters import in_hours
from service_api.domain.moments import add_months
from service_api.domain.records import record
from service_api.domain.state import UnitState, begin

KINDS = ("service", "exam", "calibration", "concession")  # the first word of `what`
STATES = ("overdue", "due", "undated")  # in the order in which they are told
AHEAD = 30  # days, unless the caller says; common practice, no source
LONGEST = 36525  # days; a day further off says nothing

State = Literal["overdue", "due", "undated"]


@record(kw_only=True)
class DueRow:
    """One matter of a unit that falls due.

    what : as the card says it: `service`, `exam NAME`; also `calibration`, `concession NAME`
    on, hours : the last day and the last count on the meter chain at which it still counts
    expected_on : the day on which the unit will show `hours`, by its hours a day of the last 370 days
    state : `undated` where nobody can tell a day yet
    """

    unit: str
    class_: str
    site: str | None
    what: str
    state: State
    on: str | None
    hours: Decimal | None
    hours_now: Hours | None
    expected_on: str | None
    why: str
    entries: tuple[str, ...]


@record
class Wanted:
    """What is asked for; None asks for all. until : the last day; what : one of `KINDS`"""

    until: date | None = None
    unit: str | None = None
    class_: str | None = None
    site: str | None = None
    what: str | None = None

    def asks_for(self, row: DueRow) -> bool:
        asked = (self.unit, self.class_, self.site, self.what)
        said = (row.unit, row.class_, row.site, row.what.partition(" ")[0])
        return all(one in (None, other) for one, other in zip(asked, said, strict=True))


@record
class Pace:
    """The last hours that the unit showed, when, and its hours a day before that."""

    at: datetime
    hours: Decimal
    a_day: float


@record
class Matters:
    """What one page says of what falls due on its unit. state : no more of it than that"""

    state: UnitState
    calibration: Calibration | None
    pace: Pace | None


@record
class _Ends:
    """One matter, whatever the day. now : it is due without any day"""

    what: str
    why: str
    entries: tuple[str, ...]
    on: date | None = None
    hours: Decimal | None = None
    over: bool = False
    now: bool = False


def less(state: UnitState) -> UnitState:
    """What is kept of a state to answer what falls due; nothing does on a unit that is retired or goes by another."""
    if state.retired is not None or state.merged is not None:
        return replace(begin(state.unit), index=state.index)
    return replace(
        begin(state.unit),
        index=state.index,
        identity=state.identity,
        place=state.place,
        meters=state.meters,
        exams=state.exams,
        concessions=state.concessions,
        plans=state.plans,
        serviced=state.serviced,
    )


def by_hours(state: UnitState, context: Context) -> bool:
    """Something on the unit ends by hours, so that the pace of its meter is asked for."""
    ends = (*(p.due_hours for p in state.plans), *(c.until_hours for c in state.concessions.values()))
    revision = context.in_force(context.on)
    interval = revision.sheet.service if revision else None
    return any(end is not None for end in ends) or bool(interval and interval.hours and state.serviced)


def pace(shown: Sequence[tuple[datetime, Decimal]]) -> Pace | None:
    rate = hours_a_day(shown)
    return None if rate is None else Pace(*shown[-1], rate)


def rows(known: Matters, context: Context, until: date) -> Iterator[DueRow]:
    """What is overdue on the unit, what falls due up to and on a day, and what nobody can date."""
    state = known.state
    if state.identity is None:
        return
    site = state.place.site if state.place else None
    for end in (*_services(state, context), *_exams(state, context, until), *_others(known, context)):
        expected = _expected(end.hours, known.pace, context)
        word = _state(end, state, expected, context.on, until)
        if word is None:
            continue
        yield DueRow(
            unit=state.unit,
            class_=state.identity.class_,
            site=site,
            what=end.what,
            state=word,
            on=end.on.isoformat() if end.on else None,
            hours=end.hours,
            hours_now=hours(state) if end.hours is not None else None,
            expected_on=expected.isoformat() if expected else None,
            why=end.why,
            entries=end.entries,
        )


def order(row: DueRow) -> tuple[int, str, str, str]:
    """Overdue first, then by the day, those without one first."""
    days = [day for day in (row.on, row.expected_on) if day is not None]
    return STATES.index(row.state), min(days, default=""), row.unit, row.what


def _state(end: _Ends, state: UnitState, expected: date | None, on: date, until: date) -> State | None:
    shown = state.hours[1] if state.hours else None  # of a range the high end, so that no doubt lets a unit run on
    reached = shown is not None and end.hours is not None and shown >= end.hours
    if end.over or (end.on is not None and end.on < on) or (reached and shown != end.hours):
        return "overdue"
    days = [day for day in (end.on, expected) if day is not None]
    if reached or end.now or any(day <= until for day in days):
        return "due"
    return None if days else "undated"


def _expected(end: Decimal | None, pace: Pace | None, context: Context) -> date | None:
    if end is None or pace is None:
        return None
    days = (float(end) - float(pace.hours)) / pace.a_day
    return context.day(pace.at + timedelta(days=days)) if abs(days) < LONGEST else None


def _services(state: UnitState, context: Context) -> Iterator[_Ends]:
    for plan in state.plans:
        on = date.fromisoformat(plan.due_on) if isinstance(plan.due_on, str) else None
        yield _Ends("service", "planned", (plan.entry,), on, in_hours(plan.due_hours))
    revision, last = context.in_force(context.on), state.serviced
    interval = revision.sheet.service if revision else None
    if revision is None or interval is None or last is None:
        return
    on = add_months(context.day(last.at), interval.months) if interval.months else None
    end = last.hours + interval.hours if interval.hours and last.hours is not None else None
    if on is None and end is None:
        return
    spans = (f"{interval.months} months" if on else "", f"{interval.hours} h" if end is not None else "")
    why = f"{' or '.join(filter(None, spans))} after the last service, by revision {revision.rev} of the sheet"
    yield _Ends("service", why, (last.entry, revision.entry), on, end)


def _exams(state: UnitState, context: Context, until: date) -> Iterator[_Ends]:
    for known in exams.standings(state, context):
        if known.last is not None and known.last.result != "fail" and known.due_on is None:
            continue
        day = max(context.on, until)
        why = f"examination `{known.exam}` is due on {known.due_on}" if known.in_date(day) else known.why_not(day)
        over = known.last is not None and not known.in_date(context.on)
        yield _Ends(f"exam {known.exam}", why, known.entries, known.due_on, over=over, now=known.last is None)


def _others(known: Matters, context: Context) -> Iterator[_Ends]:
    if known.calibration is not None and isinstance(known.calibration.body.due, str):
        due = known.calibration.body.due
        yield _Ends("calibration", f"calibrated until {due}", (known.calibration.entry,), date.fromisoformat(due))
    for one in by_moment(known.state.concessions.values()):
        over = overdue(one, known.state, context.on)
        why = f"concession {one.concession} {'is past its end' if over else 'ends'}"
        on = date.fromisoformat(one.until_on) if one.until_on is not None else None
        yield _Ends(f"concession {one.concession}", why, (one.entry,), on, in_hours(one.until_hours), over)


@record(kw_only=True)
class FleetDue:
    """A page of what is due up to and on `until`; counts : of all pages, by state."""

    until: str
    as_of: AsOf
    counts: dict[str, int]
    due: tuple[DueRow, ...]
    next: str | None
