"""What falls due over the fleet. What each unit's page says of it is kept until that page or its sheet moves."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from service_api.domain import due
from service_api.domain.context import Context
from service_api.domain.gauges import Calibration
from service_api.domain.keeping import each_shown
from service_api.domain.plain import answer
from service_api.domain.refusals import Malformed
from service_api.domain.state import UnitState
from service_api.domain.timeline import Item, facts
from service_api.domain.wear import MOVES
from service_api.ledgers import beside, joined_to
from service_api.log import driver
from service_api.pages import draw_joined, draw_unit, joined_history
from service_api.projections import units

if TYPE_CHECKING:
    from service_api.answering.answers import Answers
    from service_api.answering.asking import When

EVERY = 2**31 - 1
Tip = tuple[int, int]  # how far a unit's own page has come, and what others say beside it
ContextOf = Callable[[str], Context]  # of a class


class FallingDue:
    """What falls due on the units of one book. Many threads may ask."""

    def __init__(self, answers: "Answers") -> None:
        self.answers, self.book = answers, answers.book
        # by unit: how far it had come, the sheet in force, and what its page says
        self._kept: dict[str, tuple[Tip, str | None, due.Matters]] = {}

    def page(
        self, wanted: due.Wanted, when: "When", start: int, limit: int, only: Collection[str] | None = None
    ) -> dict[str, Any]:
        """What is overdue and what falls due up to and on a day, from the row `start` on. Raises Malformed.

        only : these units; None for the whole fleet
        """
        on = self.answers.on_day(when)
        until = wanted.until or on + timedelta(days=due.AHEAD)
        if until < on:
            raise Malformed.at("?until", "bad-query", f"a day from {on.isoformat()} on")
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            context_of = self._contexts(connection, when, known)
            matters = self._matters(connection, when, known, context_of, only)
            index, found = -1, []
            for one in matters:
                index = max(index, one.state.index)
                if one.state.identity is not None:
                    context = context_of(one.state.identity.class_)
                    index = max(index, context.index)
                    found += [row for row in due.rows(one, context, until) if wanted.asks_for(row)]
        found.sort(key=due.order)
        told: dict[str, Any] = answer(
            due.FleetDue(
                until=until.isoformat(),
                as_of=self.answers.asked(when, known, index),
                counts={word: sum(row.state == word for row in found) for word in due.STATES},
                due=tuple(found[start : start + limit]),
                next=str(start + limit) if start + limit < len(found) else None,
            )
        )
        return told

    def _contexts(self, connection: Connection, when: "When", known: int | None) -> ContextOf:
        """What units of a class lean on, read once a class."""
        keep, read = self.answers.shelf(connection, known), dict[str, Context]()

        def context_of(class_: str) -> Context:
            if class_ not in read:
                read[class_] = self.answers.context_of(connection, class_, (), when, known, keep)
            return read[class_]

        return context_of

    def _matters(
        self,
        connection: Connection,
        when: "When",
        known: int | None,
        context_of: ContextOf,
        only: Collection[str] | None,
    ) -> list[due.Matters]:
        """By unit, in the order of their numbers."""
        heads = units.list_heads(partial(driver.rows, connection), self.book.number, "", EVERY)
        tips = {unit: (page, others) for unit, page, _, others in heads if only is None or unit in only}
        found = {unit: self._still(unit, tip, context_of) if when.now else None for unit, tip in tips.items()}
        moved = [unit for unit, matters in found.items() if matters is None]
        for state, joined in self._states(connection, moved, when, known):
            matters = self._drawn(connection, due.less(state), joined, when, known, context_of)
            found[state.unit] = matters
            if when.now:
                self._kept[state.unit] = (tips[state.unit], _sheet_of(matters, context_of), matters)
        return [matters for matters in found.values() if matters is not None]

    def _still(self, unit: str, tip: Tip, context_of: ContextOf) -> due.Matters | None:
        """What was kept of the unit, unless it moved on."""
        kept = self._kept.get(unit)
        if kept is None:
            return None
        at, sheet, matters = kept
        return matters if at == tip and sheet == _sheet_of(matters, context_of) else None

    def _states(
        self, connection: Connection, wanted: list[str], when: "When", known: int | None
    ) -> list[tuple[UnitState, Sequence[str]]]:
        """The state of each unit, and the units merged into it."""
        book, found = self.book.number, []
        stored = units.read_states(connection, book, wanted) if when.now else {}
        others = beside(connection, book, wanted) if when.now else {}
        for unit in wanted:
            own = stored[unit] if when.now else draw_unit(connection, book, unit, known, when.true_at)
            if when.now:
                joined: Sequence[str] = others[unit].joined if unit in others else ()
            else:
                joined = joined_to(connection, book, unit, known)
            state = own
            if joined:
                drawn = draw_joined(connection, book, unit, joined, known, when.true_at)
                state = replace(drawn, merged=own.merged)
            found.append((state, joined))
        return found

    def _drawn(
        self,
        connection: Connection,
        state: UnitState,
        joined: Sequence[str],
        when: "When",
        known: int | None,
        context_of: ContextOf,
    ) -> due.Matters:
        if state.identity is None:
            return due.Matters(state, None, None)

        def page(*types: str) -> list[Item]:
            return facts(joined_history(connection, self.book.number, state.unit, joined, known, types), when.true_at)

        made = [item for item in page("gauge.calibrated") if item.entry.type == "gauge.calibrated"]
        last = [Calibration(item.entry.id, item.touched, item.at, item.body) for item in made[-1:]]
        pace = None
        if due.by_hours(state, context_of(state.identity.class_)):
            pace = due.pace([(shown.at, shown.high) for shown in each_shown(state.unit, page(*MOVES))])
        return due.Matters(state, last[0] if last else None, pace)


def _sheet_of(matters: due.Matters, context_of: ContextOf) -> str | None:
    """The entry of the sheet in force, which says whether anything ends by hours."""
    known = matters.state.identity
    context = context_of(known.class_) if known else None
    revision = context.in_force(context.on) if context else None
    return revision.entry if revision else None
