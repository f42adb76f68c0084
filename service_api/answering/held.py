"""What is held, why, since when, and who may lift it (JOB.md question 14)."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection

from service_api.answering.asking import When
from service_api.answering.doubts import DoubtAnswers
from service_api.domain.concessions import above_at
from service_api.domain.doubts import discrepancies
from service_api.domain.holds import HoldAnswer, holds
from service_api.domain.plain import answer
from service_api.domain.records import replace
from service_api.domain.state import UnitState
from service_api.domain.timeline import facts
from service_api.pages import find_entry


class HeldAnswers(DoubtAnswers):
    """Answers about what holds units."""

    def holds(
        self, unit: str | None, class_: str | None, when: When, after: str, limit: int
    ) -> tuple[dict[str, Any], str | None]:
        """What holds a page of units by number, and the last number when there are more."""
        found: list[dict[str, Any]] = []
        with self.engine.begin() as connection:
            known, more, index = self.count(connection, when), None, -1
            if unit is not None:
                states = [self._state(connection, unit, when, known)]
            else:
                states, more = self._fleet(connection, when, known, after, limit, class_)
            for state, context in self._all_joined(connection, states, when, known):
                index = max(index, state.index, context.index)
                for hold in holds(state, context, discrepancies(state, context)):
                    if hold.since is None:
                        hold = replace(hold, since=self._since(connection, state, hold, when, known))
                    class_of = state.identity.class_ if state.identity else None
                    found.append({"unit": state.unit, "class": class_of, **answer(hold)})
        return {"as_of": self._as_of(when, known, index), "holds": found}, more

    def _since(
        self, connection: Connection, state: UnitState, hold: HoldAnswer, when: When, known: int | None
    ) -> datetime | None:
        """Since when, where the state does not say: of what stands between pages, and of hours that went by."""
        kind, _, name = (hold.key or "").partition(":")
        if kind != "concession":
            entry = find_entry(connection, self.book.number, name)
            return entry.moment.astimezone(UTC) if entry else None
        concession = state.concessions[name]
        page = facts(self.page(connection, state.unit, known), when.true_at)
        return above_at(concession.until_hours, concession.at, page)
