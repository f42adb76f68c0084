"""What holds a unit: holds that somebody placed, and those that are computed and end with their cause (CONTRACT C)."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta

from service_api.domain import concessions, exams
from service_api.domain.alerts import touching
from service_api.domain.context import Context
from service_api.domain.discrepancies import Discrepancy
from service_api.domain.matters import by_moment
from service_api.domain.records import record
from service_api.domain.state import UnitState

# Who may end what a computed hold rests on
EXAMINES = ("quality", "manager")
CLOSES_ALERTS = ("quality", "manager")
CONCEDES = ("signatory", "manager")
TAKES_BACK = ("stores", "lead", "quality", "manager")


@record(kw_only=True)
class HoldAnswer:
    """A hold somebody placed, or (hold null) one that is computed and ends with its cause.

    key : by which `hold.lifted` names a computed one, where that can be lifted
    since : null where the unit's own page does not say
    lift_by : the roles that may lift it, or end its cause
    """

    hold: str | None
    key: str | None
    why: str
    since: datetime | None
    lift_by: tuple[str, ...]
    entries: tuple[str, ...]


def holds(state: UnitState, context: Context, known: tuple[Discrepancy, ...]) -> tuple[HoldAnswer, ...]:
    """Everything that holds the unit now. known : its discrepancies"""
    found = [
        HoldAnswer(hold=h.hold, key=None, why=h.why, since=h.at, lift_by=(h.lift_by,), entries=(h.entry,))
        for h in by_moment(state.holds.values())
    ]
    found += [
        _computed(d.key, f"{d.code}: {d.detail}", _raised_at(state, d), d.who_may, d.entries)
        for d in known
        if d.holds_release
    ]
    found += [
        _computed(f"alert:{a.alert}", f"alert {a.alert}: {a.words}", a.since, CLOSES_ALERTS, a.entries)
        for a in touching(state, context.alerts)
        if a.holds
    ]
    if state.retired is None:  # nobody examines scrap
        found += [*_of_exams(state, context), *_of_hire(state, context), *_of_concessions(state, context)]
    return tuple(found)


def _computed(
    key: str, why: str, since: datetime | None, lift_by: tuple[str, ...], entries: tuple[str, ...]
) -> HoldAnswer:
    return HoldAnswer(hold=None, key=key, why=why, since=since, lift_by=lift_by, entries=entries)


def _raised_at(state: UnitState, doubt: Discrepancy) -> datetime | None:
    raised = state.raised.get(doubt.key)
    return raised.at if raised else None


def _of_exams(state: UnitState, context: Context) -> Iterator[HoldAnswer]:
    """An examination past its due day, or failed: from its own moment on."""
    for known in exams.standings(state, context):
        if known.last is None or known.in_date(context.on):
            continue
        since = known.last.at
        if known.last.result != "fail" and known.due_on is not None:
            since = context.begins(known.due_on + timedelta(days=1))
        yield _computed(f"exam:{known.exam}", known.why_not(context.on), since, EXAMINES, known.entries)


def _of_hire(state: UnitState, context: Context) -> Iterator[HoldAnswer]:
    """A hire that outlasts an examination: it is out, and will be past its due day before it is back."""
    if state.out is None or state.out.hire_until is None:
        return
    until = date.fromisoformat(state.out.hire_until)
    for known in exams.standings(state, context):
        if known.due_on is not None and known.due_on < until:
            why = f"the hire until {until.isoformat()} outlasts examination `{known.exam}`, due on {known.due_on}"
            entries = (state.out.entry, *known.entries)
            yield _computed(f"hire:{known.exam}", why, state.out.at, TAKES_BACK, entries)


def _of_concessions(state: UnitState, context: Context) -> Iterator[HoldAnswer]:
    """Under the name by which it stands: of a second one with the same id its entry."""
    for name, concession in sorted(state.concessions.items(), key=lambda pair: pair[1].at):
        if concessions.overdue(concession, state, context.on):
            why = f"concession {concession.concession} is past its end"
            since = concessions.overdue_on(concession, context)
            yield _computed(f"concession:{name}", why, since, CONCEDES, (concession.entry,))
