"""Whether a gauge is fit for a limit on a day."""

from datetime import date, datetime, timedelta
from functools import partial

from sqlalchemy import Connection

from service_api.answering.asking import Answer, Asking, Keep, When, answered
from service_api.domain.context import SheetRevision, in_force
from service_api.domain.moments import day_begins
from service_api.domain.plain import answer
from service_api.domain.records import replace
from service_api.domain.refusals import Malformed, NotFound
from service_api.domain.sheets import Characteristic
from service_api.filing import pages_of
from service_api.pages import read_entries, sheet_revisions
from service_api.projections import units


class GaugeAnswers(Asking):
    """Answers about gauges."""

    def fitness(self, gauge: str, code: str, class_: str | None, on: date | None, when: When) -> Answer:
        """Raises UnknownUnit, NotFound, Malformed where two classes share the code."""
        from service_api.domain.fitness import Candidate, fit_for

        day = on or self.on_day(when)
        at: datetime = day_begins(day + timedelta(days=1), self.book.zone) - timedelta(microseconds=1)
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            state = self._state(connection, gauge, when, known)
            own_class = state.identity.class_ if state.identity else ""
            keep = self.shelf(connection, known)
            revision, row = self._row_for(connection, keep, code, class_, day, known)
            every = {
                unit: Candidate(unit, of, self._gauge(connection, keep, unit, known))
                for unit, of in self._gauges(connection, keep, day, known)
            }
            asked = every.pop(gauge, None) or Candidate(gauge, own_class, self._gauge(connection, keep, gauge, known))
        others = [candidate for candidate in every.values() if candidate.record.calibrations]
        index = max(revision.index, *(c.record.index for c in (asked, *others)))
        as_of = self.asked(when, known, index)
        return answered(answer(fit_for(asked, others, row, revision.class_, at, day, as_of)))

    def lookback(self, gauge: str, when: When) -> Answer:
        """Which readings are in doubt since the gauge was last found out, and what they decide when corrected."""
        from service_api.domain.lookback import Page, Sound, last_finding, lookback

        book = self.book.number
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            state = self._state(connection, gauge, when, known)
            keep = self.shelf(connection, known)
            record = self._gauge(connection, keep, gauge, known)
            if when.true_at is not None:
                record = replace(record, calibrations=tuple(c for c in record.calibrations if c.at <= when.true_at))
            checks = self._facts(connection, gauge, when, ("gauge.checked",))
            named = units.indexes(connection, book, f"unit:{gauge}", below=known, types=("reading.taken",), named=True)
            told = read_entries(connection, book, named)
            on = {page for entry in told for page in pages_of(connection, book, entry, known)}
            pages, indexes = [], [state.index, record.index]
            for unit in sorted(page.partition(":")[2] for page in on if page.startswith("unit:")):
                read, context = self.both(connection, unit, when)
                indexes += [read.index, context.index]
                pages.append(Page(unit, self._facts(connection, unit, when), context))
            used = {i.data["gauge"] for page in pages for i in page.facts if "gauge" in i.data}
            records = {name: self._gauge(connection, keep, name, known) for name in sorted(used)}
        as_of = self.asked(when, known, max(indexes))
        found = lookback(
            gauge,
            last_finding(record),
            [i for i in checks if i.entry.type == "gauge.checked"],
            pages,
            Sound(records | {gauge: record}),
            as_of,
        )
        return answered(answer(found))

    def _row_for(
        self, connection: Connection, keep: Keep, code: str, class_: str | None, day: date, known: int | None
    ) -> tuple[SheetRevision, Characteristic]:
        """The row of the sheet in force on the day, of the class that has the code."""
        subjects = units.subjects(connection, self.book.number, "class:") if class_ is None else [f"class:{class_}"]
        found = []
        for subject in subjects:
            revision = self._sheet_on(connection, keep, subject.partition(":")[2], day, known)
            row = revision.sheet.characteristic(code) if revision else None
            if revision is not None and row is not None:
                found.append((revision, row))
        if not found:
            raise NotFound(f"no sheet in force on {day.isoformat()} has a characteristic {code}")
        if len(found) > 1:
            names = " and ".join(revision.class_ for revision, _ in found)
            raise Malformed.at("?class", "bad-query", f"{names} both have {code}: say which class")
        if found[0][1].kind == "choice":
            raise Malformed.at("?characteristic", "bad-query", f"{code} is looked at: there is nothing to measure")
        return found[0]

    def _sheet_on(
        self, connection: Connection, keep: Keep, class_: str, day: date, known: int | None
    ) -> SheetRevision | None:
        read = partial(sheet_revisions, connection, self.book.number, class_, known)
        return in_force(keep(("sheet", class_), lambda: tuple(read())), day)

    def _gauges(self, connection: Connection, keep: Keep, day: date, known: int | None) -> list[tuple[str, str]]:
        """Every unit that may be a gauge, by number, and its class: those of classes that are machines are none."""
        every = units.unit_heads(connection, self.book.number)
        sheets = {class_: self._sheet_on(connection, keep, class_, day, known) for _, _, class_ in every}
        machines = {class_ for class_, found in sheets.items() if found and found.sheet.family != "gauge"}
        return [(unit, class_) for unit, _, class_ in every if class_ not in machines]
