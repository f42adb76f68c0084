"""Examinations by a competent person: whether one is in date on a day, and whether it stays so (JOB.md 1.21)."""

from collections.abc import Iterator
from datetime import date

from service_api.domain.context import Context
from service_api.domain.matters import Exam, by_moment
from service_api.domain.moments import add_months
from service_api.domain.records import record
from service_api.domain.sheets import Sheet
from service_api.domain.state import UnitState


@record
class Standing:
    """One examination of a unit as it stands.

    exam : its name; last : None where the sheet asks for one and none is on record
    due_on : the last day on which it counts; None where nobody said one
    """

    exam: str
    last: Exam | None
    due_on: date | None

    @property
    def entries(self) -> tuple[str, ...]:
        return (self.last.entry,) if self.last else ()

    def in_date(self, day: date) -> bool:
        """It counts on this day: passed, and not past its due day."""
        return self.last is not None and self.last.result != "fail" and (self.due_on is None or day <= self.due_on)

    def why_not(self, day: date) -> str:
        """Why it does not count on this day, in words."""
        if self.last is None:
            return f"no examination `{self.exam}` is on record"
        if self.last.result == "fail":
            return f"examination `{self.exam}` was failed"
        due = self.due_on.isoformat() if self.due_on else "a day that nobody stated"
        return f"examination `{self.exam}` is due on {due}, before {day.isoformat()}"


def standings(state: UnitState, context: Context) -> Iterator[Standing]:
    """Of every examination on the unit's page, in the order in which they were made; then what the sheet misses."""
    revision = context.in_force(context.on)
    sheet = revision.sheet if revision else None
    for exam in by_moment(state.exams.values()):
        yield Standing(exam.exam, exam, due_on(exam, sheet, context))
    for asked in (sheet.exams if sheet else None) or ():
        if asked.exam not in state.exams:
            yield Standing(asked.exam, None, None)


def due_on(exam: Exam, sheet: Sheet | None, context: Context) -> date | None:
    """The last day on which it counts: as the examiner said, else the day of the examination and the sheet's months.

    A failed one that states no day is due on its own.
    """
    if isinstance(exam.due_next, str):
        return date.fromisoformat(exam.due_next)
    made = context.day(exam.at)
    if exam.result == "fail":
        return made
    months = next((x.months for x in (sheet.exams if sheet else None) or () if x.exam == exam.exam), None)
    return None if months is None else add_months(made, months)


def due(state: UnitState, context: Context, day: date, until: date | None = None) -> list[tuple[Standing, str]]:
    """The examinations that do not count on this day, or that run out before the last day of a hire, and why.

    On its due day an examination still counts.
    """
    last = day if until is None else max(day, until)
    return [(known, known.why_not(last)) for known in standings(state, context) if not known.in_date(last)]
