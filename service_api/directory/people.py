"""People and parties: an id that entries carry, and a name that stays outside the log."""

from datetime import date
from typing import Any, Literal

from sqlalchemy import Connection, insert, select, text, update

from service_api.directory import pins
from service_api.directory import tables as t
from service_api.directory.sessions import close_everywhere
from service_api.domain.records import record

BEGINNING = "0001-01-01"  # a person's first role counts for all earlier days


class Taken(ValueError):
    """The id stands for somebody else already, or the badge is another's."""


@record(kw_only=True)
class Person:
    id: str
    name: str
    role: str | None
    badge: str | None = None
    retired: bool = False


@record(kw_only=True)
class Party:
    id: str
    name: str


def add_person(
    connection: Connection,
    book: int,
    ident: str,
    name: str,
    role: str,
    *,
    badge: str | None = None,
    pin: str | None = None,
) -> Literal["added", "same"]:
    """A new person, or the same again. Raises Taken when the id has another name, role, badge or PIN.

    badge, pin : what is not given is not compared
    """
    known = find_person(connection, book, ident)
    if known is not None:
        kept = connection.execute(select(t.person.c.pin).where(*_is(book, ident))).scalar()
        first = roles(connection, book, ident)[0][1]
        if (known.name, first) != (name, role):
            raise Taken(f"{ident} is {known.name}, {first}")
        if (badge is not None and badge != known.badge) or (pin is not None and not pins.fits(kept, pin)):
            raise Taken(f"{ident} has another badge or PIN")
        return "same"
    if badge is not None and _wearer(connection, book, badge) is not None:
        raise Taken("this badge is somebody else's")
    stored = None if pin is None else pins.hashed(pin)
    connection.execute(insert(t.person).values(book=book, id=ident, name=name, badge=badge, pin=stored))
    connection.execute(insert(t.person_role).values(book=book, person=ident, from_on=BEGINNING, role=role))
    return "added"


def _is(book: int, ident: str) -> tuple[Any, Any]:
    return t.person.c.book == book, t.person.c.id == ident


def _wearer(connection: Connection, book: int, badge: str) -> str | None:
    wearer = select(t.person.c.id).where(t.person.c.book == book, t.person.c.badge == badge)
    found: str | None = connection.execute(wearer).scalar()
    return found


def give_badge(connection: Connection, book: int, ident: str, badge: str | None, pin: str | None) -> None:
    """Another badge, another PIN, or both; the person is signed out everywhere.

    Raises LookupError for nobody, Taken for a badge that is somebody else's.
    """
    if badge is not None and _wearer(connection, book, badge) not in (None, ident):
        raise Taken("this badge is somebody else's")
    new = ({} if badge is None else {"badge": badge}) | ({} if pin is None else {"pin": pins.hashed(pin)})
    if new and connection.execute(update(t.person).where(*_is(book, ident)).values(**new)).rowcount == 0:
        raise LookupError(f"nobody is called {ident}")
    close_everywhere(connection, book, ident)


def roles(connection: Connection, book: int, ident: str) -> list[tuple[str, str]]:
    """(first day, role) in the order of days."""
    rows = connection.execute(
        select(t.person_role.c.from_on, t.person_role.c.role)
        .where(t.person_role.c.book == book, t.person_role.c.person == ident)
        .order_by(t.person_role.c.from_on)
    )
    return [(row.from_on, row.role) for row in rows]


def give_role(connection: Connection, book: int, ident: str, role: str, from_on: date) -> None:
    """From that day on the person has this role. Raises LookupError for nobody."""
    if find_person(connection, book, ident) is None:
        raise LookupError(f"nobody is called {ident}")
    where = (
        t.person_role.c.book == book,
        t.person_role.c.person == ident,
        t.person_role.c.from_on == from_on.isoformat(),
    )
    if connection.execute(update(t.person_role).where(*where).values(role=role)).rowcount == 0:
        connection.execute(
            insert(t.person_role).values(book=book, person=ident, from_on=from_on.isoformat(), role=role)
        )
    connection.execute(_CHANGED, {"book": book})


_CHANGED = text(
    "INSERT INTO directory (book, version) VALUES (:book, 1)"
    " ON CONFLICT (book) DO UPDATE SET version = directory.version + 1"
)


def roles_of(connection: Connection, book: int, idents: set[str]) -> dict[str, tuple[tuple[str, str], ...]]:
    """(first day, role) in the order of days, for those of these people whom the directory has."""
    found: dict[str, tuple[tuple[str, str], ...]] = {}
    rows = select(t.person_role.c.person, t.person_role.c.from_on, t.person_role.c.role).where(
        t.person_role.c.book == book, t.person_role.c.person.in_(idents)
    )
    for person, from_on, role in connection.execute(rows.order_by(t.person_role.c.from_on)):
        found[person] = (*found.get(person, ()), (from_on, role))
    return found


def role_on(spans: tuple[tuple[str, str], ...], day: str) -> str:
    """The role on a local day (YYYY-MM-DD); the first counts for all earlier days."""
    return next((role for from_on, role in reversed(spans) if from_on <= day), spans[0][1])


def retire(connection: Connection, book: int, ident: str, at: str) -> None:
    """The person works here no longer; the id stays. Raises LookupError for nobody."""
    done = connection.execute(
        update(t.person).where(t.person.c.book == book, t.person.c.id == ident).values(retired_at=at)
    )
    if done.rowcount == 0:
        raise LookupError(f"nobody is called {ident}")
    close_everywhere(connection, book, ident)


def find_person(connection: Connection, book: int, ident: str) -> Person | None:
    return next((p for p in people(connection, book, ident)), None)


def people(connection: Connection, book: int, ident: str | None = None) -> list[Person]:
    """Everybody, or the one called `ident`, with the role that they were given last."""
    wanted = select(t.person.c.id, t.person.c.name, t.person.c.badge, t.person.c.retired_at).where(
        t.person.c.book == book
    )
    if ident is not None:
        wanted = wanted.where(t.person.c.id == ident)
    last: dict[str, str] = {}
    every = select(t.person_role).where(t.person_role.c.book == book).order_by(t.person_role.c.from_on)
    for row in connection.execute(every if ident is None else every.where(t.person_role.c.person == ident)):
        last[row.person] = row.role
    return [
        Person(id=r.id, name=r.name, role=last.get(r.id), badge=r.badge, retired=r.retired_at is not None)
        for r in connection.execute(wanted.order_by(t.person.c.id))
    ]


def add_party(connection: Connection, book: int, ident: str, name: str) -> Literal["added", "same"]:
    """A new party, or the same again. Raises Taken when the id has another name."""
    known = next((p for p in parties(connection, book) if p.id == ident), None)
    if known is not None:
        if known.name != name:
            raise Taken(f"{ident} is {known.name}")
        return "same"
    connection.execute(insert(t.party).values(book=book, id=ident, name=name))
    return "added"


def parties(connection: Connection, book: int) -> list[Party]:
    rows = connection.execute(select(t.party).where(t.party.c.book == book).order_by(t.party.c.id))
    return [Party(id=r.id, name=r.name) for r in rows]


def known_ids(connection: Connection, book: int, kind: Literal["person", "party"], idents: set[str]) -> set[str]:
    """Which of these ids the directory has."""
    table = t.person if kind == "person" else t.party
    return set(connection.execute(select(table.c.id).where(table.c.book == book, table.c.id.in_(idents))).scalars())
