"""Where questions are answered: projections and log in, domain answers out. It writes nothing.

A question about now starts from the stored state; one about then, or about what was known, folds the unit's page.
What only one kind of answer needs is imported with the first of them, so that a start is short.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cached_property, partial
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine

from service_api.domain import condition as conditions
from service_api.domain import history as histories
from service_api.domain import tags
from service_api.domain.authorisations import Authorisations
from service_api.domain.condition import AsOf, as_of
from service_api.domain.context import RULES, Context, in_force
from service_api.domain.discrepancies import Discrepancy
from service_api.domain.doubts import discrepancies
from service_api.domain.gauges import GaugeRecord
from service_api.domain.ledger import Doubt
from service_api.domain.moments import day_in, in_utc, parse
from service_api.domain.plain import answer, plain
from service_api.domain.readings import rows
from service_api.domain.refusals import Malformed, NotFound, UnknownUnit
from service_api.domain.state import UnitState, without
from service_api.domain.timeline import Item, facts
from service_api.filing import pages_of
from service_api.ledgers import Beside, beside, beside_shop, beside_shop_then, beside_then, lines_of_piece
from service_api.log import driver, store
from service_api.log.engines import QuickReader
from service_api.log.store import Book
from service_api.pages import (
    authorisations,
    draw_unit,
    entry_answer,
    entry_answers,
    find_entry,
    gauge_record,
    history_of,
    open_alerts,
    read_entries,
    recorded_answer,
    sheet_revisions,
)
from service_api.projections import units
from service_api.projections.changes import Change, read_changes
from service_api.projections.remarks import read_remarks, remarks_of
from service_api.wire.canonical import load
from service_api.wire.entries import near

if TYPE_CHECKING:
    from service_api.domain.runs import RunAnswer
    from service_api.domain.wear import Wear
    from service_api.fleet import Fleet

NOBODY: Beside = ([], -1)
KEPT_ANSWERS = 1000  # of some 14 kB each
BLOCK = 250  # entries of the feed, of 48 kB at most, that are in memory together


@dataclass(frozen=True)
class When:
    """Of which moment, and by whose knowledge: facts up to `true_at`, the first `known` entries of the book."""

    true_at: datetime | None = None
    known_at: str | None = None
    known: int | None = None

    @property
    def now(self) -> bool:
        return self.true_at is None and self.known_at is None and self.known is None


NOW = When()


@dataclass(frozen=True)
class Wanted:
    """Which discrepancies are asked for; None asks for all."""

    code: str | None = None
    unit: str | None = None
    class_: str | None = None
    holds_release: bool | None = None

    @property
    def whole(self) -> bool:
        """Every unit is gone through."""
        return self.unit is None and self.class_ is None

    def asks_for(self, found: Discrepancy) -> bool:
        same = self.code is None or found.code == self.code
        return same and (self.holds_release is None or found.holds_release == self.holds_release)


Keep = Callable[[tuple[str, ...], Callable[[], Any]], Any]  # what is read once and kept under a key


@dataclass(frozen=True)
class Answer:
    """JSON text and its strong entity tag."""

    text: bytes
    etag: str


def answered(value: Any) -> Answer:
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode()
    return Answer(text, f'"{sha256(text).hexdigest()[:32]}"')


class Answers:
    """Answers for one book. Many threads may ask."""

    def __init__(self, engine: Engine, book: Book, clock: Callable[[], datetime], quickly: QuickReader) -> None:
        self.engine, self.book, self.clock, self.quickly = engine, book, clock, quickly
        self._kept: dict[tuple[Any, ...], Answer] = {}
        self._shared: tuple[int, dict[tuple[str, ...], Any]] = (-2, {})

    # What the rest starts from

    def count(self, connection: Connection, when: When) -> int | None:
        """How many entries were known; None for all of them."""
        if when.known is not None:
            size = store.read_head(connection, self.book.number).size
            if not 0 <= when.known <= size:
                raise Malformed.at("?known_index", "bad-query", f"the book has {size} entries")
            return when.known
        if when.known_at is not None:
            return store.size_known_at(
                connection, self.book.number, when.known_at, lambda hashed: str(load(hashed)["recorded_at"])
            )
        return None

    def _today(self) -> date:
        return day_in(self.clock(), self.book.zone)

    def on_day(self, when: When) -> date:
        """The local day that the answer is judged by: of the moment asked for, else today."""
        return day_in(when.true_at, self.book.zone) if when.true_at else self._today()

    def _as_of(self, when: When, known: int | None, index: int) -> dict[str, Any]:
        """index : the highest of the entries that the answer took in"""
        found: dict[str, Any] = answer(
            AsOf(
                true_at=when.true_at,
                known_index=known,
                index=index + 1,
                on=self.on_day(when).isoformat(),
                rules=RULES,
            )
        )
        return found

    def _state(self, connection: Connection, unit: str, when: When, known: int | None) -> UnitState:
        book = self.book.number
        if when.now:
            row = units.read_state(connection, book, unit)
            state = None if row is None else units.unpack(row.state)
            if state is not None and state.identity is not None:
                return replace(state, remarks=read_remarks(connection, book, unit))
        else:
            state = draw_unit(connection, book, unit, known, when.true_at)
            if state.identity is not None:
                return state
        raise UnknownUnit(unit, near(unit, tuple(units.all_units(connection, book))))

    def _context(
        self, connection: Connection, state: UnitState, when: When, known: int | None, between: Beside = ([], -1)
    ) -> Context:
        class_ = state.identity.class_ if state.identity else ""
        taken = (t for m in state.measured.values() for t in (m.latest, *m.before, m.as_left, *m.firsts))
        gauges = {t.gauge for t in taken if t and t.gauge}
        signed = {person for s in state.signatures for person in (s.by, s.second) if person}
        keep = self.shelf(connection, known)
        return self.context_of(connection, class_, gauges, when, known, keep, signed, between)

    def context_of(
        self,
        connection: Connection,
        class_: str,
        gauges: Iterable[str],
        when: When,
        known: int | None,
        keep: Keep,
        signed: Iterable[str] = (),
        between: Beside = ([], -1),
    ) -> Context:
        """What answers about a unit of a class lean on, with these gauges and these who signed."""
        book = self.book.number
        records = {g: self._gauge(connection, keep, g, known) for g in sorted(gauges)}
        authorised = {p: self._authorised(connection, keep, p, known) for p in sorted(signed)}
        last = (
            keep(("last", topic), partial(units.last_index, connection, book, topic, below=known))
            for topic in (f"class:{class_}", "alerts")
        )
        return Context(
            zone=self.book.zone,
            on=self.on_day(when),
            true_at=when.true_at,
            known_index=when.known if when.known is not None else (known if when.known_at else None),
            sheets=keep(("sheet", class_), lambda: tuple(sheet_revisions(connection, book, class_, known))),
            gauges=records,
            authorised=authorised,
            beside=tuple(doubt.shown for doubt in between[0]),
            index=max(between[1], *last, *(r.index for r in records.values()), *(a.index for a in authorised.values())),
            alerts=keep(("alerts",), lambda: tuple(open_alerts(connection, book, known))),
        )

    def _gauge(self, connection: Connection, keep: Keep, gauge: str, known: int | None) -> GaugeRecord:
        found: GaugeRecord = keep(("gauge", gauge), lambda: gauge_record(connection, self.book.number, gauge, known))
        return found

    def _authorised(self, connection: Connection, keep: Keep, person: str, known: int | None) -> Authorisations:
        found: Authorisations = keep(
            ("authorised", person), lambda: authorisations(connection, self.book.number, person, known)
        )
        return found

    def shelf(self, connection: Connection, known: int | None) -> Keep:
        """Sheets, gauges and alerts as they are now, kept until one of them moves; as known then, they are not kept."""
        kept: dict[tuple[str, ...], Any] = {}
        if known is None:
            head, shared = units.context_head(connection, self.book.number), self._shared
            if shared[0] != head:
                shared = self._shared = (head, {})
            kept = shared[1]  # this thread's own: another may have moved on to a newer context

        def keep(key: tuple[str, ...], read: Callable[[], Any]) -> Any:
            if key not in kept:
                kept[key] = read()
            return kept[key]

        return keep

    def _both(self, connection: Connection, unit: str, when: When) -> tuple[UnitState, Context]:
        known = self.count(connection, when)
        state = self._state(connection, unit, when, known)
        if when.now:
            between = beside(connection, self.book.number, (unit,)).get(unit, NOBODY)
        else:
            between = beside_then(connection, self.book.number, unit, known, when.true_at)
        return self._joined(connection, state, when, known, between)

    def _joined(
        self, connection: Connection, state: UnitState, when: When, known: int | None, between: Beside
    ) -> tuple[UnitState, Context]:
        """The unit's state, less what others show to be gone from it, and what it leans on."""
        state = without(state, {entry for doubt in between[0] for entry in doubt.taken})
        return state, self._context(connection, state, when, known, between)

    def _cached(self, name: str, unit: str, when: When, make: Callable[[Connection], Any]) -> Answer:
        """The answer about now, kept until the unit's page, the context or the day moves."""
        book, today = self.book.number, self._today()
        if when.now:
            found = self._kept.get((name, unit, units.heads(self.quickly, book, unit), today))
            if found is not None:
                return found
        with self.engine.begin() as connection:
            heads = units.heads(partial(driver.rows, connection), book, unit)
            made = answered(make(connection))
        if when.now:
            if len(self._kept) > KEPT_ANSWERS:
                self._kept.clear()
            self._kept[name, unit, heads, today] = made
        return made

    # Units

    def condition(self, unit: str, when: When = NOW) -> Answer:
        return self._cached("condition", unit, when, lambda c: answer(conditions.condition(*self._both(c, unit, when))))

    def card(self, unit: str, when: When = NOW) -> Answer:
        from service_api.domain import card as cards

        def make(connection: Connection) -> Any:
            state, context = self._both(connection, unit, when)
            known = state.identity
            sharing = (
                units.serial_sharing(connection, self.book.number, unit, known.class_, known.serial) if known else []
            )
            return answer(cards.card(state, context, sharing))

        # another unit's registration may come to share the serial, so the card is made anew
        with self.engine.begin() as connection:
            return answered(make(connection))

    def class_of(self, unit: str, when: When = NOW) -> str:
        """The class of a unit, by which sheets and authorisations are found."""
        with self.engine.begin() as connection:
            state = self._state(connection, unit, when, self.count(connection, when))
        return state.identity.class_ if state.identity else ""

    def slots(self, unit: str, when: When = NOW) -> Answer:
        with self.engine.begin() as connection:
            state, context = self._both(connection, unit, when)
            found = {
                "unit": unit,
                "as_of": answer(as_of(state, context)),
                "slots": [answer(s) for s in conditions.slots(state, context)],
            }
        return answered(found)

    def slot(self, unit: str, slot: str, when: When = NOW) -> Answer:
        with self.engine.begin() as connection:
            state, context = self._both(connection, unit, when)
            revision = context.in_force(context.on)
            if slot not in state.slots and (revision is None or revision.sheet.slot(slot) is None):
                raise NotFound(f"{unit} has no slot {slot}")
            page = self._facts(connection, unit, when, ("part.fitted", "part.removed"))
            found = answer(conditions.slot(state, slot, context))
            found |= {"unit": unit, "as_of": answer(as_of(state, context))}
            found["history"] = [answer(s) for s in conditions.slot_history(page, slot)]
        return answered(found)

    def piece(self, part_no: str, serial: str, when: When = NOW) -> Answer:
        """Where a piece with a serial has been, over all units."""
        from service_api.domain.ledger import latest
        from service_api.domain.pieces import chain

        with self.engine.begin() as connection:
            known = self.count(connection, when)
            lines = lines_of_piece(connection, self.book.number, part_no, serial, known)
        until = None if when.true_at is None else in_utc(when.true_at, 6)
        live = [line for line in latest(lines) if until is None or line.at <= until]
        if not live:
            raise NotFound(f"no entry names a piece of {part_no} with the serial {serial}")
        places, gaps = chain(live)
        return answered(
            {
                "part_no": part_no,
                "serial": serial,
                "as_of": self._as_of(when, known, max(line.since for line in lines)),
                "chain": [answer(place) for place in places],
                "gaps": [answer(gap) for gap in gaps],
            }
        )

    def _facts(self, connection: Connection, unit: str, when: When, types: tuple[str, ...] | None = None) -> list[Item]:
        known = self.count(connection, when)
        return facts(history_of(connection, self.book.number, f"unit:{unit}", known, types), when.true_at)

    def wear(self, unit: str, code: str, when: When = NOW) -> Answer:
        return self._cached(f"wear:{code}", unit, when, lambda c: answer(self.wears(c, unit, (code,), when)[0]))

    def wears(self, connection: Connection, unit: str, codes: Iterable[str], when: When) -> "list[Wear]":
        """The wear answers of some characteristics of a unit. Raises NotFound."""
        from service_api.domain import wear as wears

        state, context = self._both(connection, unit, when)
        known_rows = {c.code: c for c in rows(state, context)}
        page = self._facts(connection, unit, when, wears.TYPES)
        gauges = {i.data["gauge"] for i in page if i.entry.type == "reading.taken" and "gauge" in i.data}
        known = self.count(connection, when)
        keep = self.shelf(connection, known)
        more = {g: self._gauge(connection, keep, g, known) for g in gauges - context.gauges.keys()}
        index = max(context.index, *(g.index for g in more.values())) if more else context.index
        context = replace(context, gauges=context.gauges | more, index=index)
        found = []
        for code in codes:
            if code not in known_rows:
                raise NotFound(f"the sheet in force for {unit} has no characteristic {code}")
            found.append(wears.wear(state, page, known_rows[code], context))
        return found

    def history(
        self, unit: str, when: When = NOW, *, start: int = 0, limit: int | None = None, newest: bool = False
    ) -> tuple[dict[str, Any], int]:
        """The lines from `start` on, and how many there are."""
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            self._state(connection, unit, when, known)
            page = history_of(connection, self.book.number, f"unit:{unit}", known)
        items = [i for i in page if when.true_at is None or i.at <= when.true_at]
        if newest:
            items.reverse()
        shown = items[start : None if limit is None else start + limit]
        heads = AsOf(
            true_at=when.true_at,
            known_index=known,
            index=max((i.touched for i in page), default=-1) + 1,
            on=self.on_day(when).isoformat(),
            rules=RULES,
        )
        lines = {"unit": unit, "as_of": answer(heads), "entries": [histories.line(i) for i in shown]}
        return lines, len(items)

    def identity(self, unit: str, when: When = NOW) -> Answer:
        with self.engine.begin() as connection:
            state, context = self._both(connection, unit, when)
            found = self._identity(state, context)
            found["tags_worn"] = [plain(t) for t in state.tags]
        return answered(found)

    def _identity(self, state: UnitState, context: Context) -> dict[str, Any]:
        from service_api.domain import card as cards

        found: dict[str, Any] = answer(cards.identity(state, context))
        word, why = conditions.standing(state, context, discrepancies(state, context))
        found |= {"standing": word, "standing_why": [answer(w) for w in why]}
        found["site"] = state.place.site if state.place else None
        found["as_of"] = answer(as_of(state, context))
        return found

    def units(self, after: str, limit: int, class_: str | None) -> tuple[list[dict[str, Any]], str | None]:
        """A page of units by number, and the last number when there are more."""
        with self.engine.begin() as connection:
            found = units.list_units(connection, self.book.number, after=after, limit=limit + 1, class_=class_)
            between = beside(connection, self.book.number, (r.unit for r in found[:limit]))
            shown = [
                self._identity(*self._joined(connection, r.state, NOW, None, between.get(r.unit, NOBODY)))
                for r in found[:limit]
            ]
        return shown, found[limit - 1].unit if len(found) > limit else None

    def discrepancies(self, wanted: Wanted, when: When, after: str, limit: int) -> tuple[dict[str, Any], str | None]:
        """What is doubtful about a page of units by number, and the last number when there are more.

        What concerns several units stands with the first of them, in the order of their numbers.
        """
        with self.engine.begin() as connection:
            known, more = self.count(connection, when), None
            if wanted.unit is not None:
                states = [self._state(connection, wanted.unit, when, known)]
            else:
                states, more = self._fleet(connection, when, known, after, limit, wanted.class_)
            found: dict[str, Discrepancy] = {}
            index = -1
            if wanted.whole and not after:  # what concerns no unit comes first
                index = (store.read_head(connection, self.book.number).size if known is None else known) - 1
                found = {d.key: d.shown for d in self._of_shop(connection, when, index + 1) if wanted.asks_for(d.shown)}
            for state, context in self._all_joined(connection, states, when, known):
                index = max(index, state.index, context.index)
                for doubt in discrepancies(state, context):
                    elsewhere = wanted.whole and state.unit != min(doubt.units, default=state.unit)
                    if wanted.asks_for(doubt) and not elsewhere:
                        found[doubt.key] = doubt
        as_of = self._as_of(when, known, index)
        return {"as_of": as_of, "discrepancies": [answer(doubt) for doubt in found.values()]}, more

    def _of_shop(self, connection: Connection, when: When, known: int) -> list[Doubt]:
        if when.now:
            return beside_shop(connection, self.book.number)
        return beside_shop_then(connection, self.book.number, known, when.true_at)

    def _fleet(
        self, connection: Connection, when: When, known: int | None, after: str, limit: int, class_: str | None
    ) -> tuple[list[UnitState], str | None]:
        """The states of a page of units by number, those that were there by then, and where to go on."""
        book = self.book.number
        found = units.list_units(connection, book, after=after, limit=limit + 1, class_=class_)
        page, more = found[:limit], found[limit - 1].unit if len(found) > limit else None
        if when.now:
            remarks = remarks_of(connection, book, [row.unit for row in page])
            return [replace(row.state, remarks=remarks.get(row.unit, ())) for row in page], more
        then = (draw_unit(connection, book, row.unit, known, when.true_at) for row in page)
        return [state for state in then if state.identity is not None], more

    def _all_joined(
        self, connection: Connection, states: Sequence[UnitState], when: When, known: int | None
    ) -> Iterator[tuple[UnitState, Context]]:
        """Every state with what it leans on."""
        book = self.book.number
        between = beside(connection, book, [state.unit for state in states]) if when.now else {}
        for state in states:
            unit = state.unit
            of_unit = (
                between.get(unit, NOBODY) if when.now else beside_then(connection, book, unit, known, when.true_at)
            )
            yield self._joined(connection, state, when, known, of_unit)

    # Tags

    def tag(self, text: str, when: When = NOW, seen: frozenset[str] | None = None) -> Answer:
        """seen : the units that may be named, where not all may"""
        tag = tags.normal(text)
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            wearers = self._wearers(connection, tag, when, known)
            states = [s for s in wearers if seen is None or s.unit in seen]
        spans = sorted(
            (tags.Span(s.unit, t.since, t.until, t.why) for s in states for t in s.tags if t.tag == tag),
            key=lambda span: (span.since, span.unit),
        )
        now_wears = None
        if spans and not any(span.until is None for span in spans):
            last = next(s for s in states if s.unit == spans[-1].unit)
            worn = [t.tag for t in last.tags if t.until is None]
            now_wears = worn[-1] if worn else None
        found = answer(tags.answer(text, spans, now_wears))
        found["as_of"] = self._as_of(when, known, max((s.index for s in states), default=-1))
        return answered(found)

    def _wearers(self, connection: Connection, tag: str, when: When, known: int | None) -> list[UnitState]:
        """The units that the tag was ever attached to, as they were; a correction may have taken some of it back."""
        book = self.book.number
        if when.now:
            wearing = {s.unit for s in units.tag_spans(connection, book, tag)}
            return list(units.read_states(connection, book, wearing).values())
        told = read_entries(connection, book, units.indexes(connection, book, f"tag:{tag}", below=known))
        pages = {page for entry in told for page in pages_of(connection, book, entry, known)}
        wearing = {page.partition(":")[2] for page in pages if page.startswith("unit:")}
        return [draw_unit(connection, book, unit, known, when.true_at) for unit in sorted(wearing)]

    # Sheets, jobs, entries

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
        """What was done in a job, in order; its parts; its stand runs, judged; and the checks that nobody answered."""
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
            for subject in subjects:
                page = history_of(connection, book, subject, known)
                lines += [i for i in page if i.entry.id in ids and (when.true_at is None or i.at <= when.true_at)]
                if subject.startswith("unit:"):
                    answers.append(self._job_checks(connection, subject.partition(":")[2], job, page, when))
                    runs += self._job_runs(connection, job, page, when)
            lines.sort(key=lambda i: i.key)
        if not lines:
            raise NotFound(f"nothing had been done in the job {job} by then")
        return answered(
            {
                "job": job,
                "as_of": self._as_of(when, known, max(i.touched for i in lines)),
                "units": [s.partition(":")[2] for s in subjects if s.startswith("unit:")],
                "entries": [histories.line(i) for i in lines],
                "parts": _parts_balance([i for i in lines if i.counts]),
                "runs": [answer(run) for run in runs],
                "unanswered_checks": [a for a in answers if a],
            }
        )

    def _job_runs(self, connection: Connection, job: str, page: Sequence[Item], when: When) -> "list[RunAnswer]":
        """The job's runs on one unit in their order, failed ones too, each by the revision that it states."""
        live = facts(page, when.true_at)
        mine = [i for i in live if i.entry.type == "run.recorded" and i.entry.job == job]
        registered = next((i.body for i in live if i.entry.type == "unit.registered"), None)
        if not mine or registered is None:
            return []
        from service_api.domain.runs import judge

        issued = sheet_revisions(connection, self.book.number, registered.class_, self.count(connection, when))
        stated = {revision.rev: revision for revision in issued}
        return [judge(i.body, i.entry.id, stated.get(i.body.sheet_rev), registered.variant) for i in mine]

    def _job_checks(
        self, connection: Connection, unit: str, job: str, page: Sequence[Item], when: When
    ) -> dict[str, Any] | None:
        live = facts(page, when.true_at)
        opened = next((i for i in live if i.entry.type == "job.opened" and i.data["job"] == job), None)
        registered = next((i for i in live if i.entry.type == "unit.registered"), None)
        if opened is None or registered is None:
            return None
        class_ = registered.body.class_
        issued = sheet_revisions(connection, self.book.number, class_, self.count(connection, when))
        revision = in_force(issued, day_in(opened.at, self.book.zone))
        if revision is None:
            return None
        given = {i.data["check"]: i for i in live if i.entry.type == "check.answered" and i.entry.job == job}
        waiting = ("not_done", "not_reachable")
        return {
            "unit": unit,
            "sheet_rev": revision.rev,
            "blank": [c.check for c in revision.sheet.checks_for(registered.body.variant) if c.check not in given],
            "not_done": [
                {"check": k, "answer": i.data["answer"], "why": i.data.get("why"), "entry": i.entry.id}
                for k, i in given.items()
                if i.data["answer"] in waiting
            ],
        }

    def entry(self, ident: str) -> Answer:
        with self.engine.begin() as connection:
            found = find_entry(connection, self.book.number, ident)
            if found is None:
                raise NotFound("no such entry")
            text = recorded_answer(connection, self.book.number, found.index)
        return Answer(text, f'"{sha256(text).hexdigest()[:32]}"')

    def entries(self, start: int, limit: int, subject: str | None, job: str | None) -> tuple[list[bytes], int | None]:
        """Entries in the order of the book from an index on; the index to go on from when there are more."""
        with self.engine.begin() as connection:
            book = self.book.number
            if subject or job:
                topic = subject or f"job:{job}"
                every = [i for i in units.indexes(connection, book, topic, named=True) if i >= start]
                chosen, more = every[:limit], every[limit:]
                found = store.texts(connection, book, chosen)
            else:
                found = list(store.read(connection, book, start, start + limit + 1))
                more = [s.index for s in found[limit:]]
                found = found[:limit]
            kept = store.receipts(connection, book, [s.index for s in found])
        return [entry_answer(s.hashed, *kept[s.index]) for s in found], more[0] if more else None

    def shows_attachment(self, digest: str) -> bool:
        """Whoever may ask for all of the book is shown every attachment."""
        return True

    # What others pull

    def ahead(self, start: int, limit: int) -> tuple[range, int]:
        """Which entries a page from an index on has, and the index to go on from."""
        here = range(start, min(start + limit, store.size(self.quickly, self.book.number)))
        return here, max(start, here.stop)

    def feed(self, page: range) -> Iterator[bytes]:
        """The entries of a page with their receipts, commas between them, a block at a time: stored bytes, unread."""
        for start in page[::BLOCK]:
            stop = min(start + BLOCK, page.stop)
            yield entry_answers(store.run_of(self.quickly, self.book.number, start, stop))

    def changes(self, index: int, unit: str, limit: int) -> tuple[list[dict[str, Any]], str]:
        """Changes from a cursor on, with each unit's condition as it is now, and the cursor to go on from.

        A change of context is one row in the book; it is expanded here to the units that lean on it.
        """
        with self.engine.begin() as connection:
            book = self.book.number
            size = store.read_head(connection, book).size
            found: list[Change] = []
            for row in read_changes(connection, book, index, unit):
                if len(found) > limit and row.log_index > found[-1].log_index:
                    break  # an entry is shown whole before the page is cut, so that its rows are merged
                if row.unit:
                    found.append(row)
                else:
                    after = unit if row.log_index == index else ""
                    leaning = self._leaning(connection, row.log_index)
                    found += [Change(row.log_index, u, row.changed) for u in leaning if u >= after]
            shown = _merged(found)
            more = shown[limit:]
            conditions_now = {u: self._summary(connection, u) for u in {c.unit for c in shown[:limit]}}
            lines = [
                {
                    "cursor": f"{c.log_index}:{c.unit}",
                    "index": c.log_index,
                    "unit": c.unit,
                    "changed": list(c.changed),
                    "condition": conditions_now[c.unit],
                }
                for c in shown[:limit]
            ]
        return lines, f"{more[0].log_index}:{more[0].unit}" if more else str(max(size, index))

    def _leaning(self, connection: Connection, index: int) -> list[str]:
        """The units, by number, that lean on an entry of the context: its class's, or those a gauge measured."""
        book = self.book.number
        (entry,) = read_entries(connection, book, (index,))
        if entry.kind == "class":
            return units.units_of_class(connection, book, entry.subject_id)
        if entry.kind == "unit":
            measured = units.indexes(connection, book, entry.subject, types=("reading.taken",), named=True)
            subjects = {e.subject_id for e in read_entries(connection, book, measured) if e.kind == "unit"}
            return sorted(subjects - {entry.subject_id})
        return units.all_units(connection, book)

    def _summary(self, connection: Connection, unit: str) -> dict[str, Any]:
        from service_api.domain.changes import summary

        found: dict[str, Any] = answer(summary(*self._both(connection, unit, NOW)))
        return found

    @cached_property
    def fleet(self) -> "Fleet":
        """Questions over all units. What only they need is imported with the first of them."""
        from service_api.fleet import Fleet

        return Fleet(self)

    def day(self, moment: datetime) -> date:
        """The book's local day of a moment."""
        return day_in(moment, self.book.zone)

    def size(self) -> int:
        with self.engine.begin() as connection:
            return store.read_head(connection, self.book.number).size


def _merged(changes: Sequence[Change]) -> list[Change]:
    """In order, one row per entry and unit, whether it was named by itself or leans on a change of context."""
    found: dict[tuple[int, str], Change] = {}
    for change in changes:
        known = found.get((change.log_index, change.unit))
        changed = change.changed if known is None else tuple(dict.fromkeys((*known.changed, *change.changed)))
        found[change.log_index, change.unit] = Change(change.log_index, change.unit, changed)
    return [found[key] for key in sorted(found)]


def _parts_balance(items: Sequence[Item]) -> list[dict[str, Any]]:
    """Pieces of a job by part number and lot: how many went in, how many came out and where to."""
    rows: dict[tuple[str, str | None], dict[str, Any]] = {}
    for item in items:
        if item.entry.type not in ("part.fitted", "part.removed"):
            continue
        for piece in item.body.pieces or ():
            row = rows.setdefault(
                (piece.part_no, piece.lot),
                {"part_no": piece.part_no, "lot": piece.lot, "fitted": 0, "removed": {}, "entries": []},
            )
            if item.entry.type == "part.fitted":
                row["fitted"] += piece.qty
            else:
                row["removed"][item.body.to] = row["removed"].get(item.body.to, 0) + piece.qty
            row["entries"].append(item.entry.id)
    return list(rows.values())


def when_of(true_at: str | None, known_at: str | None, known_index: str | None) -> When:
    """The moment and the knowledge that a query asks for. Raises Malformed (`bad-query`)."""
    if known_at is not None and known_index is not None:
        raise Malformed.at("?known_at", "bad-query", "give known_at or known_index, not both")
    moments: dict[str, datetime] = {}
    for name, text in (("true_at", true_at), ("known_at", known_at)):
        if text is None:
            continue
        try:
            moments[name] = parse(text).astimezone(UTC)
        except ValueError as error:
            raise Malformed.at(f"?{name}", "bad-query", f"{error}; write + as %2B") from None
    known = None
    if known_index is not None:
        if not known_index.isascii() or not known_index.isdecimal() or len(known_index) > 16:
            raise Malformed.at("?known_index", "bad-query", "a whole number of entries, from 0")
        known = int(known_index)
    at = moments.get("known_at")
    return When(moments.get("true_at"), None if at is None else in_utc(at, 6), known)
