"""Releases of a unit: the gate before one. What it is computed by is imported with the first who asks."""

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from service_api.answering.asking import NOBODY, NOW, Answer, Asking, When, answered
from service_api.domain.state import UnitState
from service_api.domain.timeline import Key
from service_api.ledgers import beside, beside_then
from service_api.pages import Heard, draw_unit
from service_api.projections import units

if TYPE_CHECKING:
    from service_api.domain.gate import Asked, Question


class ReleaseAnswers(Asking):
    def gate(self, unit: str, asked: "Asked", when: When = NOW) -> Answer:
        """What stands against a release, and the certificate that it would have."""
        from service_api.gates import gate_of

        return self._cached(
            f"gate:{asked}", unit, when, lambda c: gate_of(self.question(c, unit, asked, when)).answer()
        )

    def release(self, release: str, when: When = NOW) -> Answer:
        """A release and its certificate as it was issued. Raises NotFound."""
        from service_api.certificates import Certificates

        with self.engine.begin() as connection:
            found = Certificates(self, connection)
            return answered(found.shown(found.find(release, self.count(connection, when))))

    def release_today(self, release: str, when: When = NOW) -> Answer:
        """The certificate as it was issued, as it would read by what is known now, and whether it is still good."""
        from service_api.certificates import Certificates

        with self.engine.begin() as connection:
            known = self.count(connection, when)
            found = Certificates(self, connection)
            return answered(found.today(found.find(release, known), known))

    def question(
        self,
        connection: Connection,
        unit: str,
        asked: "Asked",
        when: When,
        before: Key | None = None,
        heard: Heard | None = None,
        upto: int | None = None,
    ) -> "Question":
        """Everything that the gate looks at. Raises UnknownUnit.

        before : of a release that is in the book: what comes after it in order is no part of it
        heard, upto : of the unit's own page and its job also entries up to `upto` count to which `heard` says yes
        """
        from service_api.domain.gate import Question
        from service_api.gates import read_job
        from service_api.late import state_before

        book, known = self.book.number, self.count(connection, when)
        if before is not None and known is None and heard is None:
            state = state_before(connection, book, unit, before)
        elif before is not None:
            state = draw_unit(connection, book, unit, upto or known, when.true_at, before, heard)
        else:
            state = self._at(connection, unit, when.true_at, known) or self._state(connection, unit, when, known)
        if when.now:
            between = beside(connection, book, (unit,)).get(unit, NOBODY)
        else:
            between = beside_then(connection, book, unit, known, when.true_at)
        if before is not None:
            between = between._replace(joined=())
        state, context = self._leaning_on(connection, state, when, known, between)
        job = read_job(connection, book, state, asked.job, upto or known, when.true_at, before, heard)
        keep = self.shelf(connection, known)
        signers = [p for p in (asked.by, asked.second) if p is not None]
        may = context.authorised | {p: self._authorised(connection, keep, p, known) for p in signers}
        index = max(context.index, job.index, *(may[p].index for p in signers), -1)
        return Question(state, replace(context, authorised=may, index=index), job, asked)

    def _at(self, connection: Connection, unit: str, true_at: datetime | None, known: int | None) -> UnitState | None:
        """The state at a moment, or by what was known, where it can be had without the whole page.

        By all that is known it is the stored one, where nothing on the page lies after the moment.
        """
        from service_api.late import AFTER_ALL, state_before, state_known

        if known is not None:
            state = state_known(connection, self.book.number, unit, known, true_at)
            return None if state is None or state.identity is None else state
        if true_at is None:
            return None
        row = units.read_state(connection, self.book.number, unit)
        state = None if row is None else units.unpack(row.state)
        if state is not None and state.head_at is not None and state.head_at > true_at:
            state = state_before(connection, self.book.number, unit, (true_at, *AFTER_ALL[1:]))
        return None if state is None or state.identity is None else state
