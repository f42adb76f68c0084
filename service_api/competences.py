"""Questions about people: what they did and whether they might, and what they may do on a unit alone."""

from datetime import date
from typing import Any

from sqlalchemy import Connection

from service_api.answering.answers import Answers
from service_api.answering.asking import NOW, Answer, When, answered
from service_api.directory import people
from service_api.domain.competence import SECONDED, TASKS, Work, WorkLine, alone, roles_in, work_line
from service_api.domain.condition import AsOf
from service_api.domain.context import RULES, in_force
from service_api.domain.moments import day_in
from service_api.domain.plain import answer
from service_api.domain.records import record
from service_api.domain.refusals import NotFound
from service_api.domain.timeline import facts
from service_api.pages import authorisations, history_of, read_entries, sheet_revisions
from service_api.projections import units

TYPES = tuple(dict.fromkeys((*TASKS, *SECONDED)))


@record
class Chosen:
    """Which of a person's work is asked for: a class, a task, local days with both ends inside."""

    class_: str | None = None
    task: str | None = None
    since: date | None = None
    until: date | None = None

    def takes(self, line: WorkLine) -> bool:
        return (
            self.class_ in (None, line.class_)
            and self.task in (None, line.task)
            and (self.since is None or self.since.isoformat() <= line.on)
            and (self.until is None or line.on <= self.until.isoformat())
        )


def work(every: Answers, person: str, chosen: Chosen, when: When = NOW, start: int = 0, limit: int = 100) -> Answer:
    """Raises NotFound for somebody who is not in the directory."""
    with every.engine.begin() as connection:
        _known(connection, every.book.number, person)
        known = every.count(connection, when)
        granted = authorisations(connection, every.book.number, person, known)
        lines, index = _lines(connection, every, person, when, known)
    found = [line for line in lines if chosen.takes(line)]
    shown = found[start : start + limit]
    as_of = AsOf(
        true_at=when.true_at,
        known_index=known,
        index=max(index, granted.index) + 1,
        on=every.on_day(when).isoformat(),
        rules=RULES,
    )
    made: dict[str, Any] = answer(
        Work(
            person=person,
            as_of=as_of,
            work=tuple(shown),
            count=len(found),
            unauthorised=sum(not line.authorised for line in found),
            next=start + limit if start + limit < len(found) else None,
        )
    )
    return answered(made)


def _known(connection: Connection, book: int, person: str) -> None:
    if not people.known_ids(connection, book, "person", {person}):
        raise NotFound("nobody of that name is in the directory")


def _lines(
    connection: Connection, every: Answers, person: str, when: When, known: int | None
) -> tuple[list[WorkLine], int]:
    """What still counts of all that names the person, in the order of the corrected moment; the highest index of it."""
    book = every.book.number
    named = units.indexes(connection, book, f"person:{person}", below=known, types=TYPES, named=True)
    subjects = dict.fromkeys(e.subject for e in read_entries(connection, book, named) if e.kind == "unit")
    granted = authorisations(connection, book, person, known)
    found, index = [], -1
    for subject in subjects:
        page = history_of(connection, book, subject, known, types=("unit.registered", *TYPES))
        live = facts(page, when.true_at)
        class_ = next((i.body.class_ for i in live if i.entry.type == "unit.registered"), None)
        for item in live:
            for task, signed in roles_in(item, person):
                day = day_in(item.at, every.book.zone)
                unit = subject.partition(":")[2]
                found.append((item.key, work_line(item, task, signed, unit, class_, day, granted)))
                index = max(index, item.touched)
    return [line for _, line in sorted(found, key=lambda pair: pair[0])], index


def may_alone(every: Answers, unit: str, person: str, when: When = NOW) -> list[dict[str, Any]]:
    """Question 39 for one person and unit, on the day that is asked for. Raises NotFound, UnknownUnit."""
    identity = every.class_of(unit, when)
    with every.engine.begin() as connection:
        book = every.book.number
        _known(connection, book, person)
        known = every.count(connection, when)
        revision = in_force(sheet_revisions(connection, book, identity, known), every.on_day(when))
        granted = authorisations(connection, book, person, known)
    sheet = revision.sheet if revision else None
    return [answer(line) for line in alone(identity, sheet, every.on_day(when), granted)]
