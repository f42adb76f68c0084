"""People and parties: an id that entries carry, and a name that stays outside the log."""

from dataclasses import dataclass
from datetime import date
from typing import Literal

from sqlalchemy import Connection, insert, select, update

from service_api.directory import tables as t

ROLES = (
    "bench",
    "lead",
    "stores",
    "stand",
    "quality",
    "manager",
    "signatory",
    "auditor",
    "erp",
    "customer",
    "admin",
)
BEGINNING = "0001-01-01"  # a person's first role counts for all earlier days


class Taken(ValueError):
    """The id stands for somebody else already."""


@dataclass(frozen=True, kw_only=True)
class Person:
    id: str
    name: str
    role: str | None
    retired: bool = False


@dataclass(frozen=True, kw_only=True)
class Party:
    id: str
    name: str


def add_person(connection: Connection, book: int, ident: str, name: str, role: str) -> Literal["added", "same"]:
    """A new person, or the same again. Raises Taken when the id has another name or role."""
    known = find_person(connection, book, ident)
    if known is not None:
        first = roles(connection, book, ident)[0][1]
        if (known.name, first) != (name, role):
            raise Taken(f"{ident} is {known.name}, {first}")
        return "same"
    connection.execute(insert(t.person).values(book=book, id=ident, name=name))
    connection.execute(insert(t.person_role).values(book=book, person=ident, from_on=BEGINNING, role=role))
    return "added"


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


def retire(connection: Connection, book: int, ident: str, at: str) -> None:
    """The person works here no longer; the id stays. Raises LookupError for nobody."""
    done = connection.execute(
        update(t.person).where(t.person.c.book == book, t.person.c.id == ident).values(retired_at=at)
    )
    if done.rowcount == 0:
        raise LookupError(f"nobody is called {ident}")


def find_person(connection: Connection, book: int, ident: str) -> Person | None:
    return next((p for p in people(connection, book, ident)), None)


def people(connection: Connection, book: int, ident: str | None = None) -> list[Person]:
    """Everybody, or the one called `ident`, with the role that they were given last."""
    wanted = select(t.person.c.id, t.person.c.name, t.person.c.retired_at).where(t.person.c.book == book)
    if ident is not None:
        wanted = wanted.where(t.person.c.id == ident)
    last: dict[str, str] = {}
    every = select(t.person_role).where(t.person_role.c.book == book).order_by(t.person_role.c.from_on)
    for row in connection.execute(every if ident is None else every.where(t.person_role.c.person == ident)):
        last[row.person] = row.role
    return [
        Person(id=r.id, name=r.name, role=last.get(r.id), retired=r.retired_at is not None)
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
