"""Whose a unit was, and when: what of its history a customer may see (CONTRACT C).

A unit is a party's own while they own it and while it is dispatched to them. They see the facts of that time, and those
of their complaints and claims whenever they happened; what a correction says is seen with the fact that it corrects.
"""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any

from service_api.domain.entries.registry import TYPES
from service_api.domain.entry import Recorded
from service_api.domain.forms import PartyRef
from service_api.domain.plain import alternatives, hints_of, wire_name
from service_api.domain.records import record
from service_api.domain.rights import OTHER_PARTY
from service_api.domain.timeline import Item

FIRST, LAST = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
HOUSE_ONLY = ("supplier.notified", "supplier.returned", "supplier.settled")  # the other side of a claim


@record
class Span:
    """A time, both ends inclusive; FIRST and LAST where it is open."""

    since: datetime
    until: datetime

    def holds(self, at: datetime) -> bool:
        return self.since <= at <= self.until


@record
class Sight:
    """What a party sees of one unit: the spans in which it was theirs, and the ids of the entries shown."""

    spans: tuple[Span, ...] = ()
    shown: frozenset[str] = frozenset()

    def covers(self, at: datetime) -> bool:
        return any(span.holds(at) for span in self.spans)

    def cut(self, at: datetime) -> datetime | None:
        """`at`, or the end of the last span before it; None when the unit had not been theirs by then."""
        if self.covers(at):
            return at
        return max((span.until for span in self.spans if span.until < at), default=None)


def spans(facts: Iterable[Item], party: str) -> tuple[Span, ...]:
    """When the unit was the party's. facts : the unit's, in the order of the corrected moment."""
    found: list[Span] = []
    since: datetime | None = None
    owner = holder = None
    for item in facts:
        at = item.at
        match item.entry.type:
            case "unit.registered":
                owner, at = item.body.owner, FIRST  # whose it was before anybody wrote it down
            case "unit.sold":
                owner, holder = item.body.to, None
            case "unit.dispatched":
                holder = item.body.to
            case "unit.received":
                holder = None
            case _:
                continue
        theirs = party in (owner, holder)
        if theirs and since is None:
            since = at
        elif not theirs and since is not None:
            found.append(Span(since, at))
            since = None
    return (*found, Span(since, LAST)) if since is not None else tuple(found)


def sight(items: Sequence[Item], party: str) -> Sight:
    """items : the unit's whole history, struck lines too, in the order of the corrected moment"""
    own = spans((i for i in items if i.counts), party)
    if not own:
        return Sight()
    theirs = Sight(own)
    facts = [i for i in items if not TYPES[i.entry.type].corrects]
    complaints = {
        i.data["complaint"]
        for i in facts
        if i.entry.type == "complaint.reported" and (theirs.covers(i.at) or i.data.get("customer") == party)
    }
    claims = {
        i.data["claim"]
        for i in facts
        if i.entry.type == "claim.opened" and (theirs.covers(i.at) or i.data.get("complaint") in complaints)
    }
    jobs = {
        i.data["job"]
        for i in facts
        if i.entry.type == "job.opened" and (i.data.get("complaint") in complaints or i.data.get("claim") in claims)
    }

    def bears(item: Item) -> bool:
        data = item.data
        return (
            data.get("complaint") in complaints
            or data.get("claim") in claims
            or item.entry.job in jobs
            or data.get("job") in jobs
        )

    shown = {i.entry.id for i in facts if i.entry.type not in HOUSE_ONLY and (theirs.covers(i.at) or bears(i))}
    for item in sorted(items, key=lambda i: i.entry.index):  # a correction comes after what it corrects
        if TYPES[item.entry.type].corrects and item.entry.data["target"] in shown:
            shown.add(item.entry.id)
    return Sight(own, frozenset(shown))


@cache
def party_members(type_: str) -> frozenset[str]:
    """The members of a type's data that name a party."""
    hints = hints_of(TYPES[type_].body)
    return frozenset(wire_name(name) for name, hint in hints.items() if PartyRef in alternatives(hint))


GOES_TO = {"unit.registered": "owner", "unit.sold": "to", "unit.dispatched": "to"}
NAMING_PARTIES = (*GOES_TO, "entry.superseded")


def parties_by(entry: Recorded) -> set[str]:
    """The parties to whom a unit goes or belongs by this entry; of a correction, those that its new data may name."""
    if entry.type in GOES_TO:
        found = {entry.data.get(GOES_TO[entry.type])}
    elif entry.type == "entry.superseded":
        data = entry.data["data"]
        while isinstance(data.get("data"), dict):
            data = data["data"]
        found = {data.get("owner"), data.get("to")}
    else:
        return set()
    return {party for party in found if isinstance(party, str)}


def blanked(data: dict[str, Any], types: Iterable[str], party: str) -> tuple[dict[str, Any], list[str]]:
    """The data with every other party's id blanked, and the pointers of what was.

    types : the entry's, and those of what it corrects, whose data may stand inside
    """
    names = frozenset[str]().union(*map(party_members, types))
    withheld: list[str] = []

    def walk(value: dict[str, Any], pointer: str) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for name, inner in value.items():
            here = f"{pointer}/{name}"
            if name in names and isinstance(inner, str) and inner != party:
                found[name] = OTHER_PARTY
                withheld.append(here)
            else:
                found[name] = walk(inner, here) if name == "data" and isinstance(inner, dict) else inner
        return found

    return walk(data, "/data"), withheld
