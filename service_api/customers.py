"""What a customer is answered: their own units, cut to the time in which they were theirs, other parties blanked.

Another's unit, entry, job or label is answered like one that is not there. It asks `answering` and leaves out; what has
no method here is answered to no customer.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, datetime
from functools import partial
from typing import Any

from sqlalchemy import Connection

from service_api.answering.answers import Answers
from service_api.answering.asking import NOW, Answer, When, answered
from service_api.domain.custody import Sight, blanked, sight
from service_api.domain.due import Wanted
from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Envelope, Recorded
from service_api.domain.history import Only
from service_api.domain.references import references
from service_api.domain.refusals import Fault, Malformed, NotAllowed, NotFound, Refusal, UnknownUnit
from service_api.domain.rights import OTHER_PARTY, sends
from service_api.domain.timeline import facts
from service_api.filing import pages_of, root_of
from service_api.pages import find_entry, history_of, read_entries
from service_api.permits import Sender, outside
from service_api.projections import units
from service_api.wire.entries import near


def sight_of(connection: Connection, book: int, unit: str, party: str, known: int | None = None) -> Sight:
    """The page of another's unit is not read: that it took longer would say that it is there."""
    if unit not in _named_units(connection, book, party, known):
        return Sight()
    return sight(history_of(connection, book, f"unit:{unit}", known), party)


def sights(connection: Connection, book: int, party: str, known: int | None = None) -> dict[str, Sight]:
    """What the party sees of each unit that was ever theirs, by number."""
    named = sorted(_named_units(connection, book, party, known))
    found = {unit: sight(history_of(connection, book, f"unit:{unit}", known), party) for unit in named}
    return {unit: seen for unit, seen in found.items() if seen.spans}


def own_units(connection: Connection, book: int, party: str, known: int | None = None) -> list[str]:
    """The units that were ever the party's, by number."""
    return list(sights(connection, book, party, known))


def _named_units(connection: Connection, book: int, party: str, known: int | None) -> set[str]:
    """The units that an entry gives to the party, corrected entries too."""
    named = read_entries(connection, book, units.indexes(connection, book, f"party:{party}", below=known))
    find = partial(find_entry, connection, book)
    pages = {page for e in named for page in pages_of(connection, book, root_of(e, find), known)}
    return {page.partition(":")[2] for page in pages if page.startswith("unit:")}


def hidden(connection: Connection, book: int, entry: Envelope, sender: Sender) -> Refusal | None:
    """Why a customer's entry is refused before anything of the book is looked at that they do not see."""
    party = sender.party or ""
    bound = outside(entry, sender)
    if bound is not None:
        return NotAllowed(bound)
    if entry.type not in sends("customer", TYPES):
        return NotAllowed(f"customer does not send {entry.type}")
    if any(r.kind == "party" and r.ident != party for r in references(entry)):
        return NotAllowed("this token names its own party only")
    if entry.kind != "unit":
        return NotAllowed(f"customer sends {entry.type} on a unit")
    seen = sight_of(connection, book, entry.subject_id, party)
    if not seen.spans:
        close = near(entry.subject_id, tuple(own_units(connection, book, party)))
        detail = f"no unit {entry.subject_id} is registered; register it first"
        return Malformed([Fault("/subject", "unknown-unit", detail, close)])
    if TYPES[entry.type].corrects and entry.data["target"] not in seen.shown:
        return Malformed.at("/data/target", "unknown-entry", "no such entry in the book, or earlier in this batch")
    if entry.type == "meter.read" and not seen.covers(entry.moment):
        return NotAllowed("the unit was not with this token's party at that moment")
    return None


class CustomerAnswers:
    """Answers for one party of a book. Its calls are those of `Answers` that the read matrix opens to customers."""

    def __init__(self, every: Answers, party: str) -> None:
        self.every, self.party = every, party
        self.engine, self.book = every.engine, every.book

    # Units

    def _sight(self, connection: Connection, unit: str, known: int | None) -> Sight:
        found = sight_of(connection, self.book.number, unit, self.party, known)
        if not found.spans:
            raise UnknownUnit(unit, near(unit, tuple(own_units(connection, self.book.number, self.party, known))))
        return found

    def _cut(self, unit: str, when: When) -> tuple[When, Sight]:
        """The moment that is answered for: as asked, or the end of the time in which the unit was theirs."""
        with self.engine.begin() as connection:
            seen = self._sight(connection, unit, self.every.count(connection, when))
            asked = when.true_at or self.every.clock()
            at = seen.cut(asked)
            if at is None:
                raise UnknownUnit(unit, near(unit, tuple(own_units(connection, self.book.number, self.party))))
        return (when if at == asked else replace(when, true_at=at)), seen

    def theirs(self, unit: str, when: When) -> When:
        """The moment up to which its facts are told to them."""
        return self._cut(unit, when)[0]

    def _blank(self, found: Answer) -> Answer:
        return answered(_blanked_answer(json.loads(found.text), self.party))

    def identity(self, unit: str, when: When = NOW) -> Answer:
        return self._blank(self.every.identity(unit, self._cut(unit, when)[0]))

    def card(self, unit: str, when: When = NOW, activity: str | None = None, slot: str | None = None) -> Answer:
        found = json.loads(self.every.card(unit, self._cut(unit, when)[0], activity, slot).text)
        found["warnings"] = [w for w in found["warnings"] if w["warning"] != "serial-shared"]  # it names other units
        return answered(_blanked_answer(found, self.party))

    def condition(self, unit: str, when: When = NOW) -> Answer:
        return self._blank(self.every.condition(unit, self._cut(unit, when)[0]))

    def hours(self, unit: str, keeper: str | None, when: When = NOW) -> Answer:
        """With themselves: what others did with it is theirs."""
        found = json.loads(self.every.hours(unit, self.party, self._cut(unit, when)[0]).text)
        return answered(found | ({"keepers": []} if keeper not in (None, self.party) else {}))

    def slots(self, unit: str, when: When = NOW) -> Answer:
        return self.every.slots(unit, self._cut(unit, when)[0])

    def slot(self, unit: str, slot: str, when: When = NOW) -> Answer:
        cut, seen = self._cut(unit, when)
        found = json.loads(self.every.slot(unit, slot, cut).text)
        found["history"] = [line for line in found["history"] if line["entry"] in seen.shown]
        return answered(found)

    def wear(self, unit: str, code: str, when: When = NOW) -> Answer:
        return self.every.wear(unit, code, self._cut(unit, when)[0])

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
        """The lines that they see; `withheld` is how many more of those that are asked for the page has."""
        with self.engine.begin() as connection:
            seen = self._sight(connection, unit, self.every.count(connection, when))
        found, total = self.every.history(unit, when, newest=newest, only=only)
        lines = [line for line in found["entries"] if line["id"] in seen.shown]
        shown = lines[start : None if limit is None else start + limit]
        with self.engine.begin() as connection:
            found["entries"] = [self._line(connection, line) for line in shown]
        return found | {"withheld": total - len(lines)}, len(lines)

    def sees_of(self, connection: Connection, unit: str, known: int) -> Callable[[Recorded], bool]:
        """Whether they see all of an entry of the unit: it is shown to them and names no other party."""
        shown = self._sight(connection, unit, known).shown

        def sees(entry: Recorded) -> bool:
            if entry.id not in shown:
                return False
            return not blanked(entry.data, self._types(connection, entry.type, entry.data), self.party)[1]

        return sees

    def units(self, after: str, limit: int, class_: str | None, when: When = NOW) -> tuple[list[bytes], str | None]:
        at = when.true_at or self.every.clock()
        with self.engine.begin() as connection:
            seen = sights(connection, self.book.number, self.party, self.every.count(connection, when))
        own = [u for u, sight in seen.items() if u > after and sight.cut(at) is not None]
        found: list[dict[str, Any]] = []
        more = None
        for unit in own:
            identity = json.loads(self.identity(unit, when).text)
            del identity["tags_worn"]
            if class_ in (None, identity["class"]):
                if len(found) == limit:
                    more = found[-1]["unit"]
                    break
                found.append(identity | {"due": json.loads(self.card(unit, when).text)["due"]})
        return [json.dumps(line, separators=(",", ":"), ensure_ascii=False).encode() for line in found], more

    def due(self, wanted: Wanted, when: When, start: int, limit: int) -> dict[str, Any]:
        """Of the units that are theirs at the moment that is asked for."""
        with self.engine.begin() as connection:
            found = sights(connection, self.book.number, self.party, self.every.count(connection, when))
        at = when.true_at or self.every.clock()
        theirs = {unit for unit, seen in found.items() if seen.covers(at)}
        return self.every.falling_due.page(wanted, when, start, limit, theirs)

    def tag(self, text: str, when: When = NOW) -> Answer:
        with self.engine.begin() as connection:
            own = frozenset(own_units(connection, self.book.number, self.party, self.every.count(connection, when)))
        return self.every.tag(text, when, own)

    # Entries

    def entry(self, ident: str) -> Answer:
        with self.engine.begin() as connection:
            own = sights(connection, self.book.number, self.party).values()
            if not any(ident in seen.shown for seen in own):  # before it is looked for, so that time says no more
                raise NotFound("no such entry")
            line = json.loads(self.every.entry(ident).text)
            return answered(self._line(connection, line))

    def entries(self, start: int, limit: int, subject: str | None, job: str | None) -> tuple[list[bytes], int | None]:
        """Those entries that they see, in the order of the book."""
        found: list[bytes] = []
        with self.engine.begin() as connection:
            book = self.book.number
            shown: set[str] = set()
            where: set[int] = set()
            for unit, seen in sights(connection, book, self.party).items():
                shown |= seen.shown
                where |= set(units.indexes(connection, book, f"unit:{unit}"))
            if subject or job:
                where &= set(units.indexes(connection, book, subject or f"job:{job}", named=True))
            for index in sorted(i for i in where if i >= start):
                (entry,) = read_entries(connection, book, (index,))
                if entry.id not in shown:
                    continue
                if len(found) == limit:
                    return found, index
                line = self._line(connection, json.loads(self.every.entry(entry.id).text))
                found.append(json.dumps(line, separators=(",", ":"), ensure_ascii=False).encode())
        return found, None

    def job(self, job: str, when: When = NOW) -> Answer:
        """What was done in a job on their units; its parts are seen in its entries."""
        nothing = NotFound(f"no entry names the job {job}")
        if not self._names("job", job, when):
            raise nothing
        try:
            found = json.loads(self.every.job(job, when).text)
        except NotFound:
            raise nothing from None
        with self.engine.begin() as connection:
            known = self.every.count(connection, when)
            sights = {u: sight_of(connection, self.book.number, u, self.party, known) for u in found["units"]}
            shown = frozenset[str]().union(*(s.shown for s in sights.values()))
            found["entries"] = [self._line(connection, e) for e in found["entries"] if e["id"] in shown]
        if not found["entries"]:
            raise nothing
        found["units"] = [u for u in found["units"] if sights[u].spans]
        found["unanswered_checks"] = [c for c in found["unanswered_checks"] if c["unit"] in found["units"]]
        found["done"] = [line for line in found["done"] if shown.issuperset(line["entries"])]
        found["left_alone"] = [line for line in found["left_alone"] if shown.issuperset(line["entries"])]
        found["changes"] = [change for change in found["changes"] if shown.issuperset(change["entries"])]
        for change in found["changes"]:
            change["led_by"] = [led for led in change["led_by"] if led["entry"] in shown]
            change["findings"] = [seen for seen in change["findings"] if seen["entry"] in shown]
        del found["parts"]
        return answered(found)

    def release(self, release: str, when: When = NOW) -> Answer:
        """A release that they see, or with which the unit was sent to them; its certificate names no party."""
        self._look_for_release(release, when)
        found = self.every.release(release, when)
        self._let_go_to_them(release, json.loads(found.text), when)
        return found

    def release_today(self, release: str, when: When = NOW) -> Answer:
        """The same today; what stands against it is the house's own, whether it is still good is said."""
        self._look_for_release(release, when)
        found = json.loads(self.every.release_today(release, when).text)
        self._let_go_to_them(release, found, when)
        for own in ("blocks", "holds", "standing"):
            del found[own]
        return answered(found)

    def _names(self, member: str, name: str, when: When) -> bool:
        """An entry on one of their units names it. Nothing else is looked at, so that another's takes no longer."""
        with self.engine.begin() as connection:
            book, known = self.book.number, self.every.count(connection, when)
            pages = [
                history_of(connection, book, f"unit:{unit}", known)
                for unit in own_units(connection, book, self.party, known)
            ]
        named = {n for page in pages for i in page for n in (i.data.get(member), getattr(i.entry, member, None))}
        return name in named

    def _look_for_release(self, release: str, when: When) -> None:
        if not self._names("release", release, when):
            raise NotFound(f"no release {release} is in the book")

    def _let_go_to_them(self, release: str, found: dict[str, Any], when: When) -> None:
        """Raises NotFound unless it is theirs, in the words for one that is not there."""
        unit, numbers = found["unit"], {release, found.get("replaces")}
        with self.engine.begin() as connection:
            known = self.every.count(connection, when)
            seen = sight_of(connection, self.book.number, unit, self.party, known)
            types = ("unit.released", "release.reissued", "unit.dispatched")
            page = facts(history_of(connection, self.book.number, f"unit:{unit}", known, types))
        last: str | None = None
        for item in page:
            name = item.data.get("release")
            if item.entry.type == "unit.dispatched":
                if item.data["to"] == self.party and (name or last) in numbers:
                    return
            elif name in numbers and item.entry.id in seen.shown:
                return
            elif item.entry.type == "unit.released":
                last = name
        raise NotFound(f"no release {release} is in the book")

    def shows_attachment(self, digest: str) -> bool:
        """An entry that they see names it."""
        with self.engine.begin() as connection:
            return any(a.sha256 == digest for entry in self._entries(connection) for a in entry.attachments or ())

    def _entries(self, connection: Connection) -> Iterator[Recorded]:
        for unit, seen in sights(connection, self.book.number, self.party).items():
            indexes = units.indexes(connection, self.book.number, f"unit:{unit}")
            yield from (e for e in read_entries(connection, self.book.number, indexes) if e.id in seen.shown)

    def _line(self, connection: Connection, line: dict[str, Any]) -> dict[str, Any]:
        """An entry's members with other parties blanked; `withheld` names what was, so that no leaf seems wrong."""
        types = self._types(connection, line["type"], line["data"])
        found, withheld = blanked(line["data"], types, self.party)
        if "data_now" in line:
            line = line | {"data_now": blanked(line["data_now"], types, self.party)[0]}
        return line | {"data": found} | ({"withheld": withheld} if withheld else {})

    def _types(self, connection: Connection, type_: str, data: dict[str, Any]) -> list[str]:
        """The type of an entry, and those of what it corrects, whose data may stand inside its own."""
        types = [type_]
        while TYPES[types[-1]].corrects:
            target = find_entry(connection, self.book.number, data["target"])
            if target is None:
                break
            types.append(target.type)
            data = target.data
        return types

    # What is no question of whose

    def size(self) -> int:
        return self.every.size()

    def day(self, moment: datetime) -> date:
        return self.every.day(moment)


def _blanked_answer(found: dict[str, Any], party: str) -> dict[str, Any]:
    """An identity, card or condition in which another party reads `other party`."""
    if found.get("owner") not in (None, party):
        found["owner"] = OTHER_PARTY
    place = found.get("place")
    if isinstance(place, dict) and place.get("party") not in (None, party):
        place["party"] = OTHER_PARTY
    if "discrepancies" in found:  # one between units names the other
        found["discrepancies"] = [d for d in found["discrepancies"] if len(d["units"]) == 1]
    if isinstance(found.get("identity"), dict):
        _blanked_answer(found["identity"], party)
    return found
