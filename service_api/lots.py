"""Answers about lots, added up from the pages that ever spoke of them: an append writes which, and reads nothing."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from service_api.domain.ledger import LIFTED, Doubt, latest
from service_api.domain.lots import CODE, ON_UNITS, Tally, answer_of, tally
from service_api.domain.plain import answer
from service_api.domain.refusals import NotFound
from service_api.domain.timeline import Item, facts
from service_api.pages import CORRECTING, history_of
from service_api.projections import ledger as rows
from service_api.projections import units

if TYPE_CHECKING:
    from service_api.answering.asking import Asking, When

Heads = tuple[tuple[str, int], ...]  # by page that speaks of a lot, how far it has come


class Lots:
    """Questions about the lots of one book. Many threads may ask."""

    def __init__(self, answers: "Asking") -> None:
        self.answers, self.book = answers, answers.book
        self._kept: dict[str, tuple[Heads, Tally]] = {}

    def lot(self, lot: str, when: "When") -> dict[str, Any]:
        """Where the pieces of a lot were and are, and whether they add up. Raises NotFound."""
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            claimed = rows.pages_of_lots(connection, self.book.number, lot, known)
            iron = self._iron(connection, when, known)
            heads = self._heads(connection, {lot: claimed.get(lot, set())}, known, iron)[lot]
            found = self._tally(connection, lot, when, known, heads, {}, iron)
            if not found.entries:
                raise NotFound(f"no entry names the lot {lot}")
            lifted = self._lifted(connection, [found], when, known)
        index = max(head for _, head in heads)
        told: dict[str, Any] = answer(answer_of(found, self.answers.asked(when, known, index), lot in lifted))
        return told

    def listed(self, after: str, limit: int, unbalanced: bool, when: "When") -> tuple[dict[str, Any], str | None]:
        """A page of lots by number, with their balances, and the last number when there are more."""
        with self.answers.engine.begin() as connection:
            known = self.answers.count(connection, when)
            found, index = self._tallies(connection, when, known, after)
            shown = [t for t in found if t.entries and (t.balance.gap or not unbalanced)]
        lines = [
            {
                "lot": t.lot,
                "part_no": t.part_no,
                "received": t.received,
                "fitted": sum(stay.qty for stay in t.now),
                "loose": t.loose,
                "gone": t.gone,
                "balance": answer(t.balance),
                "entries": list(t.entries),
            }
            for t in shown[:limit]
        ]
        as_of = answer(self.answers.asked(when, known, index))
        return {"as_of": as_of, "lots": lines}, shown[limit - 1].lot if len(shown) > limit else None

    def imbalances(self, connection: Connection, when: "When", known: int | None) -> list[Doubt]:
        """What does not add up, by lot, unless the stores have lifted it."""
        found = [t for t in self._tallies(connection, when, known)[0] if t.doubt]
        lifted = self._lifted(connection, found, when, known)
        return [t.doubt for t in found if t.doubt and t.lot not in lifted]

    def _tallies(
        self, connection: Connection, when: "When", known: int | None, after: str = ""
    ) -> tuple[list[Tally], int]:
        """Of every lot by number, and the highest index that had a say."""
        claimed = rows.pages_of_lots(connection, self.book.number, below=known)
        own = units.subjects(connection, self.book.number, "lot:")
        lots = claimed.keys() | {subject.removeprefix("lot:") for subject in own}
        claimed = {lot: claimed.get(lot, set()) for lot in sorted(lots) if lot > after}
        iron = self._iron(connection, when, known)
        heads = self._heads(connection, claimed, known, iron)
        read: dict[str, list[Item]] = {}
        found = [self._tally(connection, lot, when, known, of, read, iron) for lot, of in heads.items()]
        return found, max((head for of in heads.values() for _, head in of), default=-1)

    def _iron(self, connection: Connection, when: "When", known: int | None) -> dict[str, str]:
        """By unit that was merged, the unit that it is in the end."""
        lines = latest(rows.merges(connection, self.book.number, known), when.true_at)
        into = {line.unit: line.key.partition("/")[2] for line in lines}
        found = {}
        for unit in into:
            seen = [unit]
            while seen[-1] in into and into[seen[-1]] not in seen:
                seen.append(into[seen[-1]])
            # each into the other: one iron all the same
            found[unit] = min(seen) if seen[-1] in into else seen[-1]
        return found

    def _heads(
        self, connection: Connection, claimed: Mapping[str, set[str]], known: int | None, iron: Mapping[str, str]
    ) -> dict[str, Heads]:
        """By lot, the pages that ever spoke of it and how far each has come.

        claimed : by lot, its units' pages; iron : all pages of a merged unit belong to it
        """
        book = self.book.number
        one: dict[str, set[str]] = {}
        for unit, last in iron.items():
            one.setdefault(last, {f"unit:{last}"}).add(f"unit:{unit}")
        pages = {}
        for lot, of in claimed.items():
            ends = (iron.get(unit, unit) for unit in (page.partition(":")[2] for page in of))
            more = set().union(*(one[last] for last in ends if last in one))
            pages[lot] = (f"lot:{lot}", *sorted(of | more))
        every = {page for of in pages.values() for page in of}
        if known is None:
            heads = {page: found.head for page, found in units.read_pages(connection, book, every).items()}
        else:
            types = (*ON_UNITS, *CORRECTING)
            heads = {
                page: units.last_index(
                    connection, book, page, below=known, types=types if page.startswith("unit:") else None
                )
                for page in every
            }
        return {lot: tuple((page, heads.get(page, -1)) for page in of) for lot, of in pages.items()}

    def _tally(
        self,
        connection: Connection,
        lot: str,
        when: "When",
        known: int | None,
        heads: Heads,
        read: dict[str, list[Item]],
        iron: Mapping[str, str],
    ) -> Tally:
        kept = self._kept.get(lot) if when.now else None
        if kept is not None and kept[0] == heads:
            return kept[1]
        for page, _ in heads:
            if page not in read:
                types = ON_UNITS if page.startswith("unit:") else None
                read[page] = facts(history_of(connection, self.book.number, page, known, types), when.true_at)
        found = tally(lot, ((page, item) for page, _ in heads for item in read[page]), iron)
        if when.now:
            self._kept[lot] = (heads, found)
        return found

    def _lifted(self, connection: Connection, found: Iterable[Tally], when: "When", known: int | None) -> set[str]:
        """The lots whose imbalance was looked into as it stands."""
        keys = {f"{LIFTED}/{CODE}:{t.odd_since}": t.lot for t in found if t.odd_since}
        lines = rows.lines_of_keys(connection, self.book.number, keys, known) if keys else {}
        return {keys[key] for key, of in lines.items() if latest(of, when.true_at)}
