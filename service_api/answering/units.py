"""What a unit is, was and has been through."""

import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from service_api.answering.asking import NOBODY, NOW, Answer, Asking, When, answered
from service_api.domain import condition as conditions
from service_api.domain import history as histories
from service_api.domain.condition import as_of
from service_api.domain.context import Context
from service_api.domain.doubts import discrepancies
from service_api.domain.history import Only
from service_api.domain.ledger import ASSEMBLY
from service_api.domain.plain import answer, plain
from service_api.domain.readings import rows
from service_api.domain.refusals import NotFound
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item, effective_history, facts
from service_api.ledgers import beside, places_of
from service_api.log import driver
from service_api.pages import CORRECTING, read_entries, sheet_revisions
from service_api.projections import units

if TYPE_CHECKING:
    from service_api.domain.cautions import UnderWay
    from service_api.domain.wear import Wear

KEPT_LINES = 20_000  # of the list of units, of some 1 kB each


def _family(state: UnitState, context: Context) -> str | None:
    if state.identity and state.identity.family:
        return state.identity.family
    revision = context.in_force(context.on)
    return revision.sheet.family if revision else None


def _holds(item: Item, assembly: str) -> bool:
    return item.entry.type == "part.fitted" and any(piece.unit == assembly for piece in item.body.pieces)


class UnitAnswers(Asking):
    """Answers about one unit, and the list of them."""

    @cached_property
    def _lines(self) -> dict[str, tuple[tuple[Any, ...], bytes]]:
        """By unit, its line of the list and what that rests on."""
        return {}

    def condition(self, unit: str, when: When = NOW) -> Answer:
        carried: list[str] = []  # hours that a part brought along, or an assembly's, rest on another unit's page

        def make(connection: Connection) -> Any:
            state, context = self.with_parts(connection, unit, when)
            carried.extend(context.carried)
            if _family(state, context) == "assembly":
                carried.append(unit)
                context = self._as_assembly(connection, state, context, when)
            return answer(conditions.condition(state, context))

        return self._cached("condition", unit, when, make, lambda: not carried)

    def _as_assembly(self, connection: Connection, state: UnitState, context: Context, when: When) -> Context:
        """Where the assembly is, and its hours by the machines that held it when it has no meter of its own."""
        from service_api.domain.stays import TYPES, carried, host, stays_in

        book, known, key = self.book.number, self.count(connection, when), f"{ASSEMBLY}{state.unit}"
        lines = places_of(connection, book, (key,), known, when.true_at).get(key, [])
        fits = {line.unit: line.entry for line in lines if line.type == "part.fitted"}
        pages = {u: self._facts(connection, u, when, TYPES) for u in sorted(line.unit for line in lines)}
        into = [(u, i.key) for u, page in pages.items() for i in page if _holds(i, state.unit)]
        stays = [
            stay
            for u, page in pages.items()
            if u in fits
            for stay in stays_in(state.unit, u, page, sorted(key for other, key in into if other != u))
        ]
        index = max((i.touched for page in pages.values() for i in page), default=-1)
        return replace(
            context,
            host=host(stays),
            hours=carried(stays) if state.hours_meter is None else None,
            index=max(context.index, index, *(line.since for line in lines)),
        )

    def card(self, unit: str, when: When = NOW, activity: str | None = None, slot: str | None = None) -> Answer:
        """activity, slot : what somebody is about to do, for the cautions that belong to it"""
        from service_api.domain import card as cards

        def make(connection: Connection) -> Any:
            state, context = self.both(connection, unit, when)
            return answer(cards.card(state, context, self._under_way(connection, state, context, when, activity, slot)))

        return self._cached(f"card:{activity}:{slot}", unit, when, make)

    def _under_way(
        self,
        connection: Connection,
        state: UnitState,
        context: Context,
        when: When,
        activity: str | None,
        slot: str | None,
    ) -> "UnderWay":
        """What goes on in the unit's open jobs, from their entries alone."""
        from service_api.domain.cautions import TELLING, under_way

        revision = context.in_force(context.on)
        rule = revision.sheet.release if revision else None
        told = []
        if state.jobs:
            known, page = self.count(connection, when), f"unit:{state.unit}"
            jobs = {job.job for job in state.jobs.values()}
            mine = partial(units.indexes, connection, self.book.number, below=known)
            of_jobs = {index for job in jobs for index in mine(f"job:{job}")}
            here = [index for index in mine(page, types=TELLING) if index in of_jobs]
            entries = read_entries(connection, self.book.number, (*here, *mine(page, types=CORRECTING)))
            told = [i for i in facts(effective_history(entries, page), when.true_at) if i.entry.job in jobs]
        return under_way(told, bool(rule and rule.final_run), activity, slot)

    def class_of(self, unit: str, when: When = NOW) -> str:
        """The class of a unit, by which sheets and authorisations are found."""
        with self.engine.begin() as connection:
            state = self._state(connection, unit, when, self.count(connection, when))
        return state.identity.class_ if state.identity else ""

    def identity(self, unit: str, when: When = NOW) -> Answer:
        with self.engine.begin() as connection:
            state, context = self.both(connection, unit, when)
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

    def units(self, after: str, limit: int, class_: str | None) -> tuple[list[bytes], str | None]:
        """A page of units by number, each with standing and due, as JSON texts; the last number when there are more.

        A line is kept until the unit's page, the context, what others claim beside it or the day moves.
        """
        book, today = self.book.number, self._today()
        found = units.list_heads(self.quickly, book, after, limit + 1, class_)
        page, more = found[:limit], found[limit - 1][0] if len(found) > limit else None
        kept = self._lines
        shown = {unit: kept[unit][1] for unit, *of in page if unit in kept and kept[unit][0] == (*of, today)}
        if len(shown) < len(page):
            shown |= self._fresh_lines([unit for unit, *_ in page if unit not in shown], today)
        return [shown[unit] for unit, *_ in page], more

    def _fresh_lines(self, wanted: list[str], today: date) -> dict[str, bytes]:
        book = self.book.number
        with self.engine.begin() as connection:
            ask = partial(driver.rows, connection)
            heads = {unit: units.heads(ask, book, unit) or () for unit in wanted}
            states = units.read_states(connection, book, wanted)
            between = beside(connection, book, wanted)
            made = {
                unit: self._line(*self._joined(connection, state, NOW, None, between.get(unit, NOBODY)))
                for unit, state in states.items()
            }
        if len(self._lines) > KEPT_LINES:
            self._lines = {}
        self._lines |= {unit: ((*heads[unit], today), line) for unit, line in made.items()}
        return made

    def _line(self, state: UnitState, context: Context) -> bytes:
        from service_api.domain.card import due

        found = self._identity(state, context) | {"due": [answer(d) for d in due(state)]}
        return json.dumps(found, separators=(",", ":"), ensure_ascii=False).encode()

    def hours(self, unit: str, keeper: str | None, when: When = NOW) -> Answer:
        """The unit's hours and those with each keeper, or with one of them."""
        from service_api.domain.hours import hours
        from service_api.domain.keeping import UnitHours, keepers

        with self.engine.begin() as connection:
            state, context = self.both(connection, unit, when)
            page = self._facts(connection, unit, when)
        return answered(
            answer(
                UnitHours(
                    unit=unit,
                    as_of=as_of(state, context),
                    hours=hours(state),
                    since_rebuild=conditions.since_rebuild(state, context),
                    keepers=keepers(unit, page, keeper),
                )
            )
        )

    def history(
        self,
        unit: str,
        when: When = NOW,
        *,
        start: int = 0,
        limit: int | None = None,
        newest: bool = False,
        only: Only | None = None,
    ) -> tuple[dict[str, Any], int]:
        """The lines that are asked for, from `start` on, and how many there are."""
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            state = self._state(connection, unit, when, known)
            page = self.page(connection, unit, known)
            wearing = self._wearing(connection, state, only.slot, known) if only and only.slot else ()
        items = [i for i in page if when.true_at is None or i.at <= when.true_at]
        if only is not None:
            items = list(histories.chosen(items, only, self.book.zone, wearing))
        if newest:
            items.reverse()
        shown = items[start : None if limit is None else start + limit]
        heads = self._as_of(when, known, max((i.touched for i in page), default=-1))
        lines = {"unit": unit, "as_of": heads, "entries": [histories.line(i) for i in shown]}
        return lines, len(items)

    def _wearing(self, connection: Connection, state: UnitState, slot: str, known: int | None) -> set[str]:
        """The characteristics that wear with what is in the slot, by any revision of the class's sheet."""
        issued = sheet_revisions(connection, self.book.number, state.identity.class_ if state.identity else "", known)
        known_rows = [row for revision in issued for row in revision.sheet.characteristics if row.slot == slot]
        return {row.readings_of or row.code for row in known_rows}

    def wear(self, unit: str, code: str, when: When = NOW) -> Answer:
        return self._cached(f"wear:{code}", unit, when, lambda c: answer(self.wears(c, unit, (code,), when)[0]))

    def wears(self, connection: Connection, unit: str, codes: Iterable[str], when: When) -> "list[Wear]":
        """The wear answers of some characteristics of a unit. Raises NotFound."""
        from service_api.domain import wear as wears

        state, context = self.both(connection, unit, when)
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
