"""Who did and signed what, whether they were authorised that day, and whether somebody may do it alone (JOB 1.24)."""

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Literal

from service_api.domain.authorisations import Authorisations
from service_api.domain.condition import AsOf
from service_api.domain.records import record
from service_api.domain.sheets import Sheet
from service_api.domain.timeline import Item

BENCH_WORK = (
    "check.answered",
    "reading.taken",
    "finding.raised",
    "finding.closed",
    "work.done",
    "setting.left",
    "part.fitted",
    "part.removed",
    "rebuild.completed",
)
TASKS: dict[str, str] = {
    **dict.fromkeys(BENCH_WORK, "bench"),
    "run.recorded": "stand",
    "unit.released": "release",
    "release.reissued": "release",
    "exam.recorded": "exam",
}
SECONDED = ("unit.merged", "check.answered", "reading.taken", "finding.raised", "setting.left", "unit.released")
ASKED = ("bench", "stand", "release", "exam", "second")


@record(kw_only=True)
class WorkLine:
    """One thing that a person did or signed, and whether they were authorised for it on its day.

    signed : how the signature was proved, where it is one
    why : why not authorised
    """

    entry: str
    type: str
    unit: str
    class_: str | None
    task: str
    on: str
    job: str | None
    signed: str | None
    authorised: bool
    level: str | None
    why: str | None
    entries: tuple[str, ...]


@record(kw_only=True)
class Work:
    """All that a person did in the order of the corrected moment; `unauthorised` counts over all of it."""

    person: str
    as_of: AsOf
    work: tuple[WorkLine, ...]
    count: int
    unauthorised: int
    next: int | None


@record(kw_only=True)
class Alone:
    """Whether somebody may do a task on this unit today, and alone.

    needs : what is missing, in words; None when nothing is
    second_person : the sheet asks for one: for the release, or for these checks
    """

    task: Literal["bench", "stand", "release", "exam", "second"]
    allowed: bool
    alone: bool
    level: str | None
    why: str | None
    needs: str | None
    second_person: tuple[str, ...]
    entries: tuple[str, ...]


def roles_in(item: Item, person: str) -> Iterator[tuple[str, str | None]]:
    """(task, how it was signed) for every part that the person has in this fact."""
    signed = item.entry.signed
    task = TASKS.get(item.entry.type)
    if task is not None and item.entry.by == person:
        yield task, signed.by if signed else None
    if item.entry.type in SECONDED and item.data.get("second") == person:
        yield "second", signed.second if signed else None


def work_line(
    item: Item, task: str, signed: str | None, unit: str, class_: str | None, day: date, known: Authorisations
) -> WorkLine:
    grant = next(known.live(task, class_ or "", day), None)
    why, entries = (None, (grant.entry,)) if grant else known.why_not(task, class_ or "an unknown class", day)
    return WorkLine(
        entry=item.entry.id,
        type=item.entry.type,
        unit=unit,
        class_=class_,
        task=task,
        on=day.isoformat(),
        job=item.entry.job,
        signed=signed,
        authorised=grant is not None,
        level=grant.level if grant else None,
        why=why,
        entries=entries,
    )


def alone(class_: str, sheet: Sheet | None, day: date, known: Authorisations) -> Sequence[Alone]:
    """What a person may do on a unit of this class, task by task; never a bare no (question 39)."""
    return [_alone(task, class_, sheet, day, known) for task in ASKED]


def _alone(task: str, class_: str, sheet: Sheet | None, day: date, known: Authorisations) -> Alone:
    grant = next(known.live(task, class_, day), None)
    why, entries = (None, (grant.entry,)) if grant else known.why_not(task, class_, day)
    asked: tuple[str, ...] = ()
    if sheet is not None and task == "bench":
        asked = tuple(check.check for check in sheet.checks if check.second)
    elif sheet is not None and task == "release" and sheet.release and sheet.release.second_person:
        asked = ("release",)
    needs = None
    if grant is None:
        needs = f"an authorisation for `{task}` on {class_}, in force on {day.isoformat()}"
    elif asked:
        needs = f"a second person, authorised for `second` on {class_}: {', '.join(asked)}"
    return Alone(
        task=task,  # type: ignore[arg-type]
        allowed=grant is not None,
        alone=grant is not None and not asked,
        level=grant.level if grant else None,
        why=why,
        needs=needs,
        second_person=asked,
        entries=entries,
    )
