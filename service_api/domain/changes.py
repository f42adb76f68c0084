"""What changed about a unit, as those who pull see it (CONTRACT C, changes)."""

from dataclasses import dataclass
from datetime import date, timedelta

from service_api.domain import condition as conditions
from service_api.domain.condition import Hours, Why
from service_api.domain.context import Context
from service_api.domain.state import UnitState

# aspect -> the parts of the state that it shows in
ASPECTS: dict[str, tuple[str, ...]] = {
    "identity": ("identity",),
    "tags": ("tags",),
    "place": ("place", "out", "sold", "retired"),
    "hours": ("meters",),
    "slots": ("slots",),
    "characteristics": ("measured",),
    "findings": ("findings",),
    "complaints": ("complaints",),
    "jobs": ("jobs", "last_job"),
    "holds": ("holds",),
    "concessions": ("concessions",),
    "exams": ("exams",),
    "due": ("plans", "serviced"),
    "release": ("released",),
    "discrepancies": ("raised",),
}


def aspects(before: UnitState, after: UnitState) -> list[str]:
    """What differs between two states of a unit; nothing when the condition is the same."""
    return [aspect for aspect, parts in ASPECTS.items() if any(getattr(before, p) != getattr(after, p) for p in parts)]


@dataclass(frozen=True, kw_only=True)
class Row:
    """One characteristic in the summary."""

    characteristic: str
    outcome: str
    value: str | None


@dataclass(frozen=True, kw_only=True)
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
    ends: list[str] = [x.due_next for x in state.exams.values() if isinstance(x.due_next, str)]
    ends += [c.until_on for c in state.concessions.values() if c.until_on is not None]
    days = [date.fromisoformat(end) + timedelta(days=1) for end in ends]
    return min((d.isoformat() for d in days if d > context.on), default=None)


def summary(state: UnitState, context: Context) -> Summary:
    known = conditions.discrepancies(state, context)
    word, why = conditions.standing(state, context, known)
    measured = (c for c in conditions.characteristics(state, context) if c.latest is not None)
    return Summary(
        unit=state.unit,
        class_=state.identity.class_ if state.identity else None,
        standing=word,
        standing_why=why,
        hours=conditions.hours(state),
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
