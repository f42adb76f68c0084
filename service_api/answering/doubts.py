"""What is doubtful: about one unit, a class, or all of them."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from service_api.answering.asking import NOBODY, Asking, When
from service_api.domain.context import Context
from service_api.domain.discrepancies import Discrepancy
from service_api.domain.doubts import discrepancies
from service_api.domain.ledger import Doubt
from service_api.domain.plain import answer
from service_api.domain.records import record
from service_api.domain.state import UnitState
from service_api.ledgers import beside, beside_shop, beside_shop_then, beside_then
from service_api.log import store
from service_api.pages import draw_unit
from service_api.projections import units
from service_api.projections.remarks import remarks_of

if TYPE_CHECKING:
    from service_api.lots import Lots


@record
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


class DoubtAnswers(Asking):
    """Answers about discrepancies."""

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
                of_none = self._of_no_unit(connection, when, known, index + 1)
                found = {d.key: d.shown for d in of_none if wanted.asks_for(d.shown)}
            for state, context in self._all_joined(connection, states, when, known):
                index = max(index, state.index, context.index)
                for doubt in discrepancies(state, context):
                    elsewhere = wanted.whole and state.unit != min(doubt.units, default=state.unit)
                    if wanted.asks_for(doubt) and not elsewhere:
                        found[doubt.key] = doubt
        as_of = self._as_of(when, known, index)
        return {"as_of": as_of, "discrepancies": [answer(doubt) for doubt in found.values()]}, more

    def _of_no_unit(self, connection: Connection, when: When, known: int | None, index: int) -> list[Doubt]:
        """What concerns devices and lots."""
        lots = self.lots.imbalances(connection, when, known)
        if when.now:
            return [*beside_shop(connection, self.book.number), *lots]
        return [*beside_shop_then(connection, self.book.number, index, when.true_at), *lots]

    @cached_property
    def lots(self) -> "Lots":
        """Questions about lots."""
        from service_api.lots import Lots

        return Lots(self)

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
