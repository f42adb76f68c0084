"""What a unit is, was and has been through."""

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from service_api.answering.asking import NOBODY, NOW, Answer, Asking, When, answered
from service_api.domain import condition as conditions
from service_api.domain import history as histories
from service_api.domain.condition import as_of
from service_api.domain.context import Context
from service_api.domain.doubts import discrepancies
from service_api.domain.history import Only
from service_api.domain.plain import answer, plain
from service_api.domain.readings import rows
from service_api.domain.refusals import NotFound
from service_api.domain.state import UnitState
from service_api.ledgers import beside
from service_api.pages import history_of, sheet_revisions
from service_api.projections import units

if TYPE_CHECKING:
    from service_api.domain.wear import Wear


class UnitAnswers(Asking):
    """Answers about one unit, and the list of them."""

    def condition(self, unit: str, when: When = NOW) -> Answer:
        return self._cached("condition", unit, when, lambda c: answer(conditions.condition(*self.both(c, unit, when))))

    def card(self, unit: str, when: When = NOW) -> Answer:
        from service_api.domain import card as cards

        return self._cached("card", unit, when, lambda c: answer(cards.card(*self.both(c, unit, when))))

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
            page = history_of(connection, self.book.number, f"unit:{unit}", known)
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
