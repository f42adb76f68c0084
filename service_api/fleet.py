"""Answers over many units: wear, complaints, spares, concessions, signatures. Each unit's share is kept in memory until
its page moves.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Connection

from service_api.calc import extra
from service_api.domain import complaints, concessions, signatures, spares
from service_api.domain.concessions import ConcessionRow, Granted
from service_api.domain.condition import AsOf
from service_api.domain.context import Context, SheetRevision, in_force
from service_api.domain.fold import step
from service_api.domain.moments import day_in
from service_api.domain.plain import answer
from service_api.domain.readings import rows
from service_api.domain.refusals import Malformed, NeedsExtra, NotFound
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item, facts, fold
from service_api.pages import authorisations, history_of, sheet_revisions
from service_api.projections import units

if TYPE_CHECKING:
    from service_api.answering.answers import Answers
    from service_api.answering.asking import When


class Share(NamedTuple):
    """What one unit's page says to a question, and the highest index that had a say in it."""

    unit: str
    class_: str
    value: Any
    touched: int


class Fleet:
    """Questions over all units of one book. Many threads may ask."""

    def __init__(self, answers: "Answers") -> None:
        self.answers, self.book = answers, answers.book
        # (question, unit): how far its page had come and what else the share leans on, and the share
        self._kept: dict[tuple[str, str], tuple[Any, Share]] = {}

    def _shares(
        self,
        connection: Connection,
        when: "When",
        known: int | None,
        question: str,
        make: Callable[[str, str, list[Item]], Any],
        types: tuple[str, ...] | None = None,
        leans_on: Callable[[str], Any] = lambda class_: None,
    ) -> Iterator[Share]:
        """Each unit's share, from its facts of these types. About now it is made again only when its page moved.

        make : unit, class and facts to the share; leans_on : what else it rests on, by class, that may move
        """
        for unit, head, class_ in units.unit_heads(connection, self.book.number):
            state = (head, leans_on(class_))
            kept = self._kept.get((question, unit)) if when.now else None
            if kept is not None and kept[0] == state:
                yield kept[1]
                continue
            page = facts(history_of(connection, self.book.number, f"unit:{unit}", known, types), when.true_at)
            touched = max((item.touched for item in page), default=-1)
            share = Share(unit, class_, make(unit, class_, page), touched)
            if when.now:
                self._kept[question, unit] = (state, share)
            yield share

    def _as_of(self, when: "When", known: int | None, shares: Sequence[Share], more: int = -1) -> AsOf:
        return self.answers.asked(when, known, max(more, *(share.touched for share in shares), -1))

    def _day(self, moment: datetime) -> date:
        return day_in(moment, self.book.zone)

    # Wear

    def forecast(self, until: date | None, when: "When") -> dict[str, Any]:
        """What reaches its acting limit before its next service, up to a day. Raises Malformed."""
        from service_api.domain import forecast as forecasts

        on = self.answers.on_day(when)
        if until is not None and until < on:
            raise Malformed.at("?until", "bad-query", f"a day from {on.isoformat()} on")
        horizon = until or on + timedelta(days=forecasts.HORIZON)
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            keep = self.answers.shelf(connection, known)

            def share(unit: str, class_: str, page: list[Item]) -> Any:
                gauges = {i.data["gauge"] for i in page if i.entry.type == "reading.taken" and "gauge" in i.data}
                context = self.answers.context_of(connection, class_, gauges, when, known, keep)
                state: UnitState = fold(step, begin(unit), page)
                return forecasts.share_of(state, page, rows(state, context), context)

            def leans_on(class_: str) -> Any:
                revision = self.answers.context_of(connection, class_, (), when, known, keep).in_force(on)
                return head, revision.index if revision else None

            head = units.context_head(connection, self.book.number)
            shares = list(self._shares(connection, when, known, "wear", share, forecasts.TYPES, leans_on))
            asked: dict[str, list[str]] = {}
            for unit, code in forecasts.candidates([(s.unit, s.value) for s in shares], horizon):
                asked.setdefault(unit, []).append(code)
            for s in shares:
                if s.value.beyond or s.value.doubtful:
                    asked.setdefault(s.unit, []).extend((*s.value.beyond, *s.value.doubtful))
            classes = {s.unit: s.class_ for s in shares}
            found = [
                forecasts.row_of(wear, classes[unit])
                for unit, codes in asked.items()
                for wear in self.answers.wears(connection, unit, codes, when)
            ]
        counts = forecasts.Counts(
            units=sum(s.touched >= 0 for s in shares),
            series=sum(s.value.series for s in shares),
            with_a_line=sum(len(s.value.codes) for s in shares),
        )
        as_of = self._as_of(when, known, shares)
        told: dict[str, Any] = answer(forecasts.forecast(found, until, horizon, counts, as_of))
        return told

    # Complaints

    def _calls(self, connection: Connection, when: "When", known: int | None) -> list[Share]:
        return list(self._shares(connection, when, known, "calls", _calls_of, complaints.TYPES))

    def cures(self, mode: str | None, class_: str | None, since: date | None, when: "When") -> dict[str, Any]:
        """What cured the complaints of a mode, of a class, since a day; and what to check first."""
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            shares = self._calls(connection, when, known)
            sheets: dict[str, SheetRevision | None] = {}

            def sheet_of(name: str) -> SheetRevision | None:
                if name not in sheets:
                    issued = sheet_revisions(connection, self.book.number, name, known)
                    sheets[name] = in_force(issued, self.answers.on_day(when))
                return sheets[name]

            calls = [call for share in shares for call in share.value]
            as_of = self._as_of(when, known, shares)
            found: dict[str, Any] = answer(complaints.cures(calls, mode, class_, since, self._day, sheet_of, as_of))
        return found

    def repeats(self, within: int, when: "When") -> dict[str, Any]:
        """Complaints that came again on the same unit with the same mode within so many days."""
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            shares = self._calls(connection, when, known)
        calls = [call for share in shares for call in share.value]
        found: dict[str, Any] = answer(complaints.repeats(calls, within, self._day, self._as_of(when, known, shares)))
        return found

    # Spares

    def spares(self, part_no: str, until: date, when: "When") -> dict[str, Any]:
        """What will be needed of a part up to a day. Raises NotFound, Malformed, NeedsExtra."""
        on, book = self.answers.on_day(when), self.book.number
        if until < on:
            raise Malformed.at("?until", "bad-query", f"a day from {on.isoformat()} on")
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            shares = list(self._shares(connection, when, known, "parts", _parts_of))
            received = units.subjects(connection, book, "lot:")
            lots = {lot: facts(history_of(connection, book, lot, known), when.true_at) for lot in received}
            slots = {(s.class_, life.slot) for s in shares for life in s.value.lives if part_no in life.part_nos}
            supply = [self._supply_days(connection, known, on, class_, slot) for class_, slot in sorted(slots)]
        lives = [life for share in shares for life in share.value.lives if part_no in life.part_nos]
        stock = spares.on_hand(
            part_no, {lot.partition(":")[2]: page for lot, page in lots.items()}, (s.value for s in shares)
        )
        if not lives and stock is None:
            raise NotFound(f"no piece of {part_no} was ever received or fitted")
        touched = max((item.touched for page in lots.values() for item in page), default=-1)
        as_of = self._as_of(when, known, shares, touched)
        longest = max((days for days in supply if days is not None), default=None)
        try:
            found: dict[str, Any] = answer(spares.forecast(part_no, lives, on, until, longest, stock, as_of))
        except extra.NeedsExtra as missing:
            raise NeedsExtra(str(missing)) from missing
        return found

    def _supply_days(self, connection: Connection, known: int | None, on: date, class_: str, slot: str) -> int | None:
        revision = in_force(sheet_revisions(connection, self.book.number, class_, known), on)
        row = revision.sheet.slot(slot) if revision else None
        return row.supply_days if row else None

    # Concessions and signatures

    def concessions(
        self, unit: str | None, class_: str | None, state: str | None, when: "When"
    ) -> tuple[list[ConcessionRow], AsOf]:
        """Every concession that was granted, those past their end first. unit, class_, state : only these

        Raises UnknownUnit: a slip in the number is no unit without concessions.
        """
        found: list[ConcessionRow] = []
        with self.answers.engine.begin() as connection:
            if unit is not None:
                self.answers.both(connection, unit, when)
            known = self.answers.count(connection, when)
            shares = list(self._shares(connection, when, known, "concessions", _granted_on, concessions.TYPES))
            index = -1
            for share in shares:
                if not share.value or unit not in (None, share.unit) or class_ not in (None, share.class_):
                    continue
                own, context = self.answers.both(connection, share.unit, when)
                index = max(index, own.index, context.index)
                for one in share.value:
                    since = self._overdue_since(connection, one, own, context, when, known)
                    found.append(concessions.row(one, own, context, since))
        found = [row for row in found if state in (None, row.state)]
        found.sort(key=lambda row: (concessions.STATES.index(row.state), row.granted_at, row.entry))
        return found, self._as_of(when, known, shares, index)

    def _overdue_since(
        self,
        connection: Connection,
        one: Granted,
        own: UnitState,
        context: Context,
        when: "When",
        known: int | None,
    ) -> datetime | None:
        """When it came to be past its day or above its hours, whichever was first; None while it is not."""
        if one.ended_by is not None or not concessions.overdue(one.body, own, context.on):
            return None
        page = facts(history_of(connection, self.book.number, f"unit:{own.unit}", known), when.true_at)
        ends = (concessions.overdue_on(one.body, context), concessions.above_at(one.body.until_hours, one.at, page))
        return min(end for end in ends if end is not None)

    def signatures(self, since: date | None, until: date | None, when: "When") -> dict[str, Any]:
        """Who signed releases on these days, and who of them was not authorised that day."""
        last = until or self.answers.on_day(when)
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            shares = list(self._shares(connection, when, known, "signatures", _signed_on, signatures.TYPES))
            people = sorted({s.person for share in shares for s in share.value})
            granted = {p: authorisations(connection, self.book.number, p, known) for p in people}

        def within(day: date) -> bool:
            return (since is None or since <= day) and day <= last

        found = [
            row
            for share in shares
            for row in signatures.unauthorised(share.unit, share.class_, share.value, granted, self._day, within)
        ]
        index = max((a.index for a in granted.values()), default=-1)
        audit = signatures.SignatureAudit(
            from_=since.isoformat() if since else None,
            until=last.isoformat(),
            as_of=self._as_of(when, known, shares, index),
            signed=sum(within(self._day(s.at)) for share in shares for s in share.value),
            unauthorised=tuple(sorted(found, key=lambda row: (row.on, row.entry))),
        )
        told: dict[str, Any] = answer(audit)
        return told


def _granted_on(unit: str, class_: str, page: list[Item]) -> Any:
    return concessions.granted(page)


def _signed_on(unit: str, class_: str, page: list[Item]) -> Any:
    return signatures.signed_on(page)


def _calls_of(unit: str, class_: str, page: list[Item]) -> Any:
    return complaints.calls_of(unit, page)


def _parts_of(unit: str, class_: str, page: list[Item]) -> Any:
    return spares.parts_of(unit, page)
