"""Leave to release with a known departure: until a day, or until a count of hours on the meter chain (JOB.md 1.13)."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Literal

from service_api.domain.context import Context
from service_api.domain.entries.releases import ConcessionEnded, ConcessionFor, ConcessionGranted, UnitReleased
from service_api.domain.fold import step
from service_api.domain.forms import Quantity, Unknown
from service_api.domain.hours import Hours, hours
from service_api.domain.matters import OpenConcession
from service_api.domain.meters import in_hours
from service_api.domain.records import record
from service_api.domain.state import UnitState, begin
from service_api.domain.timeline import Item

STATES = ("overdue", "open", "ended")  # in the order in which they are told
TYPES = ("concession.granted", "concession.ended", "unit.released")  # what a list of concessions reads of a page


@record(kw_only=True)
class ConcessionRow:
    """A concession of a unit, and the releases that named it.

    until_hours : as typed; hours_now : of the unit, on the same chain; since : when it came to be past its end
    entry, ended_by : what granted it and what ended it; releases : their ids
    """

    concession: str
    unit: str
    for_: ConcessionFor
    why: str
    until_on: str | None
    until_hours: Quantity | Unknown | None
    hours_now: Hours
    state: Literal["open", "overdue", "ended"]
    since: datetime | None
    granted_at: datetime
    by: str
    releases: tuple[str, ...]
    entry: str
    ended_by: str | None
    entries: tuple[str, ...]


@record
class Granted:
    """One grant on a unit's page, and what the page says of it since: (release, entry), and the entry of its end."""

    entry: str
    at: datetime
    by: str
    body: ConcessionGranted
    releases: tuple[tuple[str, str], ...] = ()
    ended_by: str | None = None


def overdue(concession: OpenConcession | ConcessionGranted, state: UnitState, on: date) -> bool:
    """Past its day, or above its hours; of a range the high end counts, so that no doubt lets a unit run on."""
    if concession.until_on is not None and date.fromisoformat(concession.until_on) < on:
        return True
    return _above(concession.until_hours, state.hours)


def _above(until_hours: Quantity | Unknown | None, total: tuple[Decimal, Decimal] | None) -> bool:
    until = in_hours(until_hours)
    return until is not None and total is not None and total[1] > until


def granted(facts: Sequence[Item]) -> tuple[Granted, ...]:
    """Every concession of a page in the order of the grants; a second one under an open id goes by its entry."""
    found: dict[str, Granted] = {}
    named: dict[str, str] = {}  # by which name an open one goes -> its entry
    for item in facts:
        match item.body:
            case ConcessionGranted(concession=name) as body:
                found[item.entry.id] = Granted(item.entry.id, item.at, item.entry.by, body)
                named[name if name not in named else item.entry.id] = item.entry.id
            case ConcessionEnded(concession=name) if name in named:
                entry = named.pop(name)
                found[entry] = replace(found[entry], ended_by=item.entry.id)
            case UnitReleased(release=release, concessions=names):
                for name in names or ():
                    if name in named:
                        one = found[named[name]]
                        found[one.entry] = replace(one, releases=(*one.releases, (release, item.entry.id)))
    return tuple(found.values())


def row(one: Granted, state: UnitState, context: Context, since: datetime | None = None) -> ConcessionRow:
    """since : of an overdue one, as `overdue_since` says"""
    word: Literal["open", "overdue", "ended"] = "open"
    if one.ended_by is not None:
        word = "ended"
    elif overdue(one.body, state, context.on):
        word = "overdue"
    entries = (one.entry, *(entry for _, entry in one.releases), *((one.ended_by,) if one.ended_by else ()))
    return ConcessionRow(
        concession=one.body.concession,
        unit=state.unit,
        for_=one.body.for_,
        why=one.body.why,
        until_on=one.body.until_on,
        until_hours=one.body.until_hours,
        hours_now=hours(state),
        state=word,
        since=since if word == "overdue" else None,
        granted_at=one.at,
        by=one.by,
        releases=tuple(release for release, _ in one.releases),
        entry=one.entry,
        ended_by=one.ended_by,
        entries=entries,
    )


def overdue_on(concession: OpenConcession | ConcessionGranted, context: Context) -> datetime | None:
    """When the day of its end was over; None while it is not, or where it has none."""
    if concession.until_on is None or date.fromisoformat(concession.until_on) >= context.on:
        return None
    return context.begins(date.fromisoformat(concession.until_on) + timedelta(days=1))


def above_at(until_hours: Quantity | Unknown | None, granted_at: datetime, facts: Sequence[Item]) -> datetime | None:
    """When the unit first showed more hours than these since the grant.

    facts : of the unit's whole page, for the hours hang on every reading of the meter
    """
    state = begin("")
    for item in facts:
        state = step(state, item)
        if item.at >= granted_at and _above(until_hours, state.hours):
            return item.at
    return None
