"""What was done in a job, and by which sheet."""

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from service_api.answering.asking import NOW, Answer, Asking, When, answered
from service_api.domain import history as histories
from service_api.domain.context import SheetRevision, in_force
from service_api.domain.moments import day_in
from service_api.domain.plain import answer, plain
from service_api.domain.refusals import NotFound
from service_api.domain.timeline import Item, facts
from service_api.pages import history_of, read_entries, sheet_revisions
from service_api.projections import units

if TYPE_CHECKING:
    from service_api.domain.runs import RunAnswer


class JobAnswers(Asking):
    """Answers about jobs and sheets."""

    def sheet(self, class_: str, on: date | None, when: When = NOW) -> Answer:
        """The revision in force on a day (today without one); `revisions` lists all that were issued."""
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            issued = sheet_revisions(connection, self.book.number, class_, known)
            last = units.last_index(connection, self.book.number, f"class:{class_}", below=known)
        day = on or self._today()
        revision = in_force(issued, day)
        if revision is None:
            raise NotFound(f"no sheet of {class_} was in force on {day.isoformat()}")
        return answered(
            {
                "class": class_,
                "as_of": self._as_of(when, known, last),
                "rev": revision.rev,
                "effective_on": revision.effective_on.isoformat(),
                "entry": revision.entry,
                "sheet": plain(revision.sheet),
                "revisions": [
                    {"rev": r.rev, "effective_on": r.effective_on.isoformat(), "entry": r.entry} for r in issued
                ],
            }
        )

    def job(self, job: str, when: When = NOW) -> Answer:
        """What was done in a job, in order; its parts and why they were changed; its stand runs, judged; and what was
        left alone, the checks that nobody answered among it.
        """
        from service_api.domain import jobs

        with self.engine.begin() as connection:
            book, known = self.book.number, self.count(connection, when)
            found = read_entries(connection, book, units.indexes(connection, book, f"job:{job}", below=known))
            if not found:
                raise NotFound(f"no entry names the job {job}")
            subjects = dict.fromkeys(e.subject for e in found)
            ids = {e.id for e in found}
            lines: list[Item] = []
            answers = []
            runs: list[RunAnswer] = []
            left: list[jobs.LeftAlone] = []
            changes: list[jobs.PartChange] = []
            for subject in subjects:
                page = history_of(connection, book, subject, known)
                lines += [i for i in page if i.entry.id in ids and (when.true_at is None or i.at <= when.true_at)]
                if subject.startswith("unit:"):
                    unit, live = subject.partition(":")[2], facts(page, when.true_at)
                    revision, variant = self._sheet_of_job(connection, job, live, when)
                    waiting = self._job_checks(unit, job, live, revision, variant) if revision else None
                    answers.append(waiting)
                    runs += self._job_runs(connection, job, live, when)
                    left += jobs.left_alone(job, live, waiting["blank"] if waiting else ())
                    rows = revision.sheet.characteristics if revision else ()
                    changes += jobs.changes(unit, job, live, {row.code: row.slot for row in rows})
            lines.sort(key=lambda i: i.key)
        if not lines:
            raise NotFound(f"nothing had been done in the job {job} by then")
        live_lines = [i for i in lines if i.counts]
        return answered(
            {
                "job": job,
                "as_of": self._as_of(when, known, max(i.touched for i in lines)),
                "units": [s.partition(":")[2] for s in subjects if s.startswith("unit:")],
                "entries": [histories.line(i) for i in lines],
                "parts": [answer(part) for part in jobs.parts(live_lines)],
                "runs": [answer(run) for run in runs],
                "done": [answer(line) for line in jobs.done(live_lines)],
                "left_alone": [answer(line) for line in left],
                "changes": [answer(change) for change in changes],
                "unanswered_checks": [a for a in answers if a],
            }
        )

    def _job_runs(self, connection: Connection, job: str, live: Sequence[Item], when: When) -> "list[RunAnswer]":
        """The job's runs on one unit in their order, failed ones too, each by the revision that it states."""
        mine = [i for i in live if i.entry.type == "run.recorded" and i.entry.job == job]
        registered = next((i.body for i in live if i.entry.type == "unit.registered"), None)
        if not mine or registered is None:
            return []
        from service_api.domain.runs import judge

        issued = sheet_revisions(connection, self.book.number, registered.class_, self.count(connection, when))
        stated = {revision.rev: revision for revision in issued}
        return [judge(i.body, i.entry.id, stated.get(i.body.sheet_rev), registered.variant) for i in mine]

    def _sheet_of_job(
        self, connection: Connection, job: str, live: Sequence[Item], when: When
    ) -> tuple[SheetRevision | None, str | None]:
        """The revision that was in force when the job was opened on a unit, and the unit's variant."""
        opened = next((i for i in live if i.entry.type == "job.opened" and i.data["job"] == job), None)
        registered = next((i.body for i in live if i.entry.type == "unit.registered"), None)
        if opened is None or registered is None:
            return None, None
        issued = sheet_revisions(connection, self.book.number, registered.class_, self.count(connection, when))
        return in_force(issued, day_in(opened.at, self.book.zone)), registered.variant

    def _job_checks(
        self, unit: str, job: str, live: Sequence[Item], revision: SheetRevision, variant: str | None
    ) -> dict[str, Any]:
        given = {i.data["check"]: i for i in live if i.entry.type == "check.answered" and i.entry.job == job}
        waiting = ("not_done", "not_reachable")
        return {
            "unit": unit,
            "sheet_rev": revision.rev,
            "blank": [c.check for c in revision.sheet.checks_for(variant) if c.check not in given],
            "not_done": [
                {"check": k, "answer": i.data["answer"], "why": i.data.get("why"), "entry": i.entry.id}
                for k, i in given.items()
                if i.data["answer"] in waiting
            ],
        }
