"""Which units a label points to, and pointed to."""

from collections.abc import Iterable

from sqlalchemy import Connection

from service_api.answering.asking import NOW, Answer, Asking, When, answered
from service_api.domain import tags
from service_api.domain.ledger import last_of
from service_api.domain.plain import answer
from service_api.domain.state import UnitState
from service_api.filing import pages_of
from service_api.pages import draw_unit, read_entries
from service_api.projections import units


class TagAnswers(Asking):
    """Answers about labels."""

    def tag(self, text: str, when: When = NOW, seen: frozenset[str] | None = None) -> Answer:
        """seen : the units that may be named, where not all may"""
        tag = tags.normal(text)
        with self.engine.begin() as connection:
            known = self.count(connection, when)
            states = self._wearers(connection, tag, when, known, seen)
            now = {s.unit: self._last_of(connection, s, when, known) for s in states}
        if seen is not None:
            now = {unit: into if into in seen else unit for unit, into in now.items()}
        worn_by = [(now[s.unit], t) for s in states for t in s.tags if t.tag == tag]
        spans = sorted(
            (tags.Span(unit, t.since, t.until, t.why) for unit, t in worn_by), key=lambda span: (span.since, span.unit)
        )
        now_wears, last = None, [s for s in states if spans and now[s.unit] == spans[-1].unit]
        if last and not any(span.until is None for span in spans):
            worn = [t.tag for s in last for t in s.tags if t.until is None]
            now_wears = worn[-1] if worn else None
        found = answer(tags.answer(text, spans, now_wears))
        found["warnings"] += [
            f"{s.unit} was retired on {self.day(s.retired.at).isoformat()}: hold it, and tell the manager"
            for s in states
            if s.retired is not None and (s in last or s.unit == found["unit"])
        ]
        found["as_of"] = self._as_of(when, known, max((s.index for s in states), default=-1))
        return answered(found)

    def _last_of(self, connection: Connection, state: UnitState, when: When, known: int | None) -> str:
        """The unit itself, or the one into which it was merged in the end."""
        book = self.book.number

        def states(wanted: Iterable[str]) -> dict[str, UnitState]:
            if when.now:
                return {state.unit: state} if wanted == [state.unit] else units.read_states(connection, book, wanted)
            return {unit: draw_unit(connection, book, unit, known, when.true_at) for unit in wanted}

        return last_of(state.unit, states) if state.merged is not None else state.unit

    def _wearers(
        self, connection: Connection, tag: str, when: When, known: int | None, seen: frozenset[str] | None
    ) -> list[UnitState]:
        """The units that the tag was ever attached to, as they were; a correction may have taken some of it back."""
        book = self.book.number
        if when.now:
            wearing = {s.unit for s in units.tag_spans(connection, book, tag)}
            return list(units.read_states(connection, book, wearing if seen is None else wearing & seen).values())
        told = read_entries(connection, book, units.indexes(connection, book, f"tag:{tag}", below=known))
        pages = {page for entry in told for page in pages_of(connection, book, entry, known)}
        wearing = {page.partition(":")[2] for page in pages if page.startswith("unit:")}
        wearing = wearing if seen is None else wearing & seen
        return [draw_unit(connection, book, unit, known, when.true_at) for unit in sorted(wearing)]
