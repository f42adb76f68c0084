"""What changed about a unit, as those who pull see it (CONTRACT C, changes)."""

from datetime import date, timedelta

from service_api.domain import condition as conditions
from service_api.domain import exams
from service_api.domain.condition import Why
from service_api.domain.context import Context
from service_api.domain.doubts import discrepancies
from service_api.domain.entry import Envelope
from service_api.domain.hours import Hours, hours
from service_api.domain.records import record
from service_api.domain.state import UnitState

# What of a unit's condition an entry of each type may move; a type that is not here moves nothing that is pulled
MOVES: dict[str, tuple[str, ...]] = {
    "unit.registered": ("identity", "hours", "place"),
    "unit.merged": ("identity",),
    "tag.attached": ("tags",),
    "tag.detached": ("tags",),
    "tag.scanned": ("discrepancies",),
    "unit.received": ("standing", "place"),
    "unit.dispatched": ("standing", "place"),
    "unit.moved": ("place",),
    "unit.sold": ("standing", "place"),
    "unit.retired": ("standing",),
    "meter.read": ("hours",),
    "meter.replaced": ("hours",),
    "meter.rolled": ("hours",),
    "complaint.reported": ("complaints", "hours"),
    "complaint.closed": ("complaints",),
    "job.opened": ("jobs", "standing"),
    "job.closed": ("jobs", "due"),
    "check.answered": ("checks", "standing"),
    "reading.taken": ("characteristics", "hours"),
    "finding.raised": ("findings", "standing"),
    "finding.closed": ("findings",),
    "work.done": ("standing",),
    "setting.left": ("standing",),
    "run.recorded": ("runs",),
    "part.fitted": ("slots", "standing"),
    "part.removed": ("slots", "standing"),
    "unit.released": ("release", "standing"),
    "release.reissued": ("release",),
    "concession.granted": ("concessions", "standing"),
    "concession.ended": ("concessions", "standing"),
    "hold.placed": ("holds", "standing"),
    "hold.lifted": ("holds", "standing"),
    "exam.recorded": ("exams", "standing"),
    "rebuild.completed": ("slots", "standing"),
    "service.planned": ("due",),
    "entry.disputed": ("discrepancies", "standing"),
    "dispute.settled": ("discrepancies", "standing"),
}
# Entries on other pages that every unit which leans on them may feel
LEANS: dict[str, tuple[str, ...]] = {
    "sheet.issued": ("limits",),
    "alert.issued": ("alerts", "standing"),
    "alert.closed": ("alerts", "standing"),
    "gauge.calibrated": ("gauges",),
    "gauge.checked": ("gauges",),
    "gauge.mishandled": ("gauges",),
}


def moved_by(entry: Envelope, root: Envelope) -> tuple[str, ...]:
    """The aspects that an entry may move; a correction moves what the fact at its root does, a note nothing.

    root : the entry itself, or the fact that a correction is about in the end
    """
    if entry.type == "entry.annotated":
        return ()
    if entry.type in ("entry.disputed", "dispute.settled"):
        return MOVES[entry.type]
    return MOVES.get(root.type, ())


@record(kw_only=True)
class Row:
    """One characteristic in the summary."""

    characteristic: str
    outcome: str
    value: str | None


@record(kw_only=True)
class Summary:
    """The condition in short. `changes_on` is the next day on which it changes by itself."""

    unit: str
    class_: str | None
    standing: str
    standing_why: tuple[Why, ...]
    hours: Hours
    characteristics: tuple[Row, ...]
    discrepancies: tuple[str, ...]
    changes_on: str | None
    index: int


def changes_on(state: UnitState, context: Context) -> str | None:
    """The first day after today on which an examination or a concession will be past its end."""
    ends = [known.due_on for known in exams.standings(state, context) if known.due_on is not None]
    ends += [date.fromisoformat(c.until_on) for c in state.concessions.values() if c.until_on is not None]
    days = [end + timedelta(days=1) for end in ends if end < date.max]
    return min((d.isoformat() for d in days if d > context.on), default=None)


def summary(state: UnitState, context: Context) -> Summary:
    known = discrepancies(state, context)
    word, why = conditions.standing(state, context, known)
    measured = (c for c in conditions.characteristics(state, context) if c.latest is not None)
    return Summary(
        unit=state.unit,
        class_=state.identity.class_ if state.identity else None,
        standing=word,
        standing_why=why,
        hours=hours(state),
        characteristics=tuple(
            Row(
                characteristic=c.characteristic,
                outcome=c.conformity.outcome,
                value=None if c.latest is None or c.latest.value is None else format(c.latest.value, "f"),
            )
            for c in measured
        ),
        discrepancies=tuple(d.key for d in known),
        changes_on=changes_on(state, context),
        index=conditions.as_of(state, context).index,
    )
