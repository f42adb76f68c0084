"""What every kind of answer starts from: of which moment, by whose knowledge, and what the unit leans on then.

A question about now starts from the stored state; one about then, or about what was known, folds the unit's page.
"""

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine

from service_api.domain.authorisations import Authorisations
from service_api.domain.condition import AsOf
from service_api.domain.context import RULES, Context, Judged
from service_api.domain.gauges import GaugeRecord
from service_api.domain.hours import travelled
from service_api.domain.moments import day_in, in_utc, parse
from service_api.domain.plain import answer
from service_api.domain.records import record
from service_api.domain.refusals import Malformed, UnknownUnit
from service_api.domain.state import UnitState, without
from service_api.domain.timeline import Item, facts
from service_api.ledgers import Beside, beside, beside_then, joined_to
from service_api.log import driver, store
from service_api.log.engines import QuickReader
from service_api.log.store import Book
from service_api.pages import (
    authorisations,
    draw_joined,
    draw_unit,
    gauge_record,
    joined_history,
    open_alerts,
    sheet_revisions,
)
from service_api.projections import units
from service_api.projections.remarks import read_remarks
from service_api.wire.canonical import load
from service_api.wire.entries import near

NOBODY = Beside()
KEPT_ANSWERS = 1000  # of some 14 kB each


@record
class When:
    """Of which moment, and by whose knowledge: facts up to `true_at`, the first `known` entries of the book."""

    true_at: datetime | None = None
    known_at: str | None = None
    known: int | None = None

    @property
    def now(self) -> bool:
        return self.true_at is None and self.known_at is None and self.known is None


NOW = When()


Keep = Callable[[tuple[str, ...], Callable[[], Any]], Any]  # what is read once and kept under a key


@record
class Answer:
    """JSON text and its strong entity tag."""

    text: bytes
    etag: str


def answered(value: Any) -> Answer:
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode()
    return Answer(text, f'"{sha256(text).hexdigest()[:32]}"')


class Asking:
    """What the answers for one book have in common. Many threads may ask."""

    def __init__(
        self, engine: Engine, book: Book, clock: Callable[[], datetime], quickly: QuickReader, folder: Path
    ) -> None:
        """folder : where the attachments of the book lie"""
        self.engine, self.book, self.clock, self.quickly, self.folder = engine, book, clock, quickly, folder
        self._kept: dict[tuple[Any, ...], Answer] = {}
        self._summaries: dict[tuple[Any, ...], dict[str, Any]] = {}
        self.judged: dict[tuple[Any, ...], Judged] = {}  # by the release and how far what bears on it has come
        self._shared: tuple[int, dict[tuple[str, ...], Any]] = (-2, {})

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

    def asked(self, when: When, known: int | None, index: int) -> AsOf:
        """index : the highest of the entries that the answer took in"""
        return AsOf(
            true_at=when.true_at,
            known_index=known,
            index=index + 1,
            on=self.on_day(when).isoformat(),
            rules=RULES,
        )

    def _as_of(self, when: When, known: int | None, index: int) -> dict[str, Any]:
        found: dict[str, Any] = answer(self.asked(when, known, index))
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
        then = None if when.true_at is None else in_utc(when.true_at)
        raise UnknownUnit(unit, near(unit, tuple(units.all_units(connection, book))), then)

    def _context(
        self, connection: Connection, state: UnitState, when: When, known: int | None, between: Beside = NOBODY
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
        between: Beside = NOBODY,
    ) -> Context:
        """What answers about a unit of a class lean on, with these gauges and these who signed."""
        book = self.book.number
        records = {g: self._gauge(connection, keep, g, known) for g in sorted(gauges)}
        authorised = {p: self._authorised(connection, keep, p, known) for p in sorted(signed)}
        last = (
            keep(("last", topic), partial(units.last_index, connection, book, topic, below=known))
            for topic in (f"class:{class_}", "alerts")
        )
        rests_on = (*last, *(r.index for r in records.values()), *(a.index for a in authorised.values()))
        return Context(
            zone=self.book.zone,
            on=self.on_day(when),
            true_at=when.true_at,
            known_index=when.known if when.known is not None else (known if when.known_at else None),
            sheets=keep(("sheet", class_), lambda: tuple(sheet_revisions(connection, book, class_, known))),
            gauges=records,
            authorised=authorised,
            beside=tuple(doubt.shown for doubt in between.doubts),
            index=max(between.head, *rests_on),
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

    def both(self, connection: Connection, unit: str, when: When) -> tuple[UnitState, Context]:
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
        """The unit's state, what it leans on, and what the gate says today of the release that stands."""
        state, context = self._leaning_on(connection, state, when, known, between)
        if not to_be_judged(state, context):
            return state, context
        from service_api.judging import judged  # only where the release may have been overtaken

        return state, replace(context, judged=judged(self, connection, state, context, known))

    def _leaning_on(
        self, connection: Connection, state: UnitState, when: When, known: int | None, between: Beside
    ) -> tuple[UnitState, Context]:
        """The unit's state, less what others show to be gone from it, and what it leans on."""
        if between.joined:
            merged = state.merged
            state = draw_joined(connection, self.book.number, state.unit, between.joined, known, when.true_at)
            state = replace(state, merged=merged)
        state = without(state, {entry for doubt in between.doubts for entry in doubt.taken})
        return state, self._context(connection, state, when, known, between)

    def with_parts(self, connection: Connection, unit: str, when: When) -> tuple[UnitState, Context]:
        """The same as `both`, where hours on parts are told: with what they had run in earlier places."""
        state, context = self.both(connection, unit, when)
        wanted = travelled(state)
        if wanted:
            from service_api.carried import Past

            past = Past(connection, self.book.number, self.count(connection, when), when.true_at)
            carried = past.carried(unit, wanted)
            context = replace(context, carried=carried, index=max(context.index, past.index))
        return state, context

    def _cached(
        self,
        name: str,
        unit: str,
        when: When,
        make: Callable[[Connection], Any],
        keeps: Callable[[], bool] = lambda: True,
    ) -> Answer:
        """The answer about now, kept until the unit's page, the context or the day moves.

        keeps : once it is made, whether it rests on nothing else
        """
        book, today = self.book.number, self._today()
        if when.now:
            found = self._kept.get((name, unit, units.heads(self.quickly, book, unit), today))
            if found is not None:
                return found
        with self.engine.begin() as connection:
            heads = units.heads(partial(driver.rows, connection), book, unit)
            made = answered(make(connection))
        if when.now and keeps():
            if len(self._kept) > KEPT_ANSWERS:
                self._kept.clear()
            self._kept[name, unit, heads, today] = made
        return made

    def _facts(self, connection: Connection, unit: str, when: When, types: tuple[str, ...] | None = None) -> list[Item]:
        return facts(self.page(connection, unit, self.count(connection, when), types), when.true_at)

    def page(
        self, connection: Connection, unit: str, known: int | None, types: tuple[str, ...] | None = None
    ) -> list[Item]:
        """A unit's lines, those of the units merged into it among them."""
        joined = joined_to(connection, self.book.number, unit, known)
        return joined_history(connection, self.book.number, unit, joined, known, types)

    def day(self, moment: datetime) -> date:
        """The book's local day of a moment."""
        return day_in(moment, self.book.zone)

    def size(self) -> int:
        with self.engine.begin() as connection:
            return store.read_head(connection, self.book.number).size


def to_be_judged(state: UnitState, context: Context) -> bool:
    """Whether anything may say of the release that stands what the gate had not said before it was signed."""
    released = state.released
    if released is None or released.past or state.retired is not None:
        return False
    return not released.gated or released.unheard >= 0 or context.index > released.index


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
