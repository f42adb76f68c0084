"""Sessions: a person has signed in by badge and PIN at an enrolled device, for a short while.

A guess is counted before it is judged, in a transaction of its own: guesses that come together, a restart or a clock
that jumps give no more than ten. They are counted by device and person, so nobody shuts out anybody else.
"""

from datetime import datetime, timedelta

from sqlalchemy import Connection, delete, insert, select, text

from service_api.directory import tables as t
from service_api.domain.moments import in_utc
from service_api.domain.records import record

GUESSES = 10
MINUTES = 15  # a bench device is shared: who walks away is signed out
NOBODY = ""  # counts the guesses for badges that nobody wears; it shuts nothing


@record(kw_only=True)
class Session:
    person: str
    until: str


@record
class Guess:
    """A PIN that is about to be judged: for whom, against what, and whether it is one too many."""

    person: str | None
    pin: str | None
    shut: bool


def count_guess(connection: Connection, book: int, device: str, badge: str) -> Guess:
    """One more guess at this device for whoever wears the badge. It does the same work for anybody and nobody."""
    wearer = select(t.person.c.id, t.person.c.pin).where(
        t.person.c.book == book, t.person.c.badge == badge, t.person.c.retired_at.is_(None)
    )
    found = connection.execute(wearer).first()
    person, pin = found if found else (None, None)
    counted = {"book": book, "device": device, "person": person or NOBODY}
    failures = connection.execute(_COUNT, counted).scalar_one()
    return Guess(person, pin, failures > GUESSES)


_COUNT = text(
    "INSERT INTO pin_guess (book, device, person, failures) VALUES (:book, :device, :person, 1)"
    " ON CONFLICT (book, device, person) DO UPDATE SET failures = pin_guess.failures + 1 RETURNING failures"
)


def open_session(connection: Connection, book: int, device: str, guess: Guess, now: datetime) -> Session | None:
    """The session of a guess that was right. None when badge or PIN changed while it was judged."""
    still = select(t.person.c.pin).where(
        t.person.c.book == book, t.person.c.id == guess.person, t.person.c.retired_at.is_(None)
    )
    if guess.person is None or guess.pin is None or connection.execute(still).scalar() != guess.pin:
        return None
    lift(connection, book, device, guess.person)
    session = Session(person=guess.person, until=in_utc(now + timedelta(minutes=MINUTES)))
    close(connection, book, device, session.person)
    row = {"book": book, "device": device, "opened_at": in_utc(now), **vars(session)}
    connection.execute(insert(t.session).values(**row))
    return session


def lift(connection: Connection, book: int, device: str, person: str) -> bool:
    """The person may guess anew at this device. False when there was nothing to lift."""
    which = delete(t.pin_guess).where(
        t.pin_guess.c.book == book, t.pin_guess.c.device == device, t.pin_guess.c.person == person
    )
    return connection.execute(which).rowcount > 0


def sessions(connection: Connection, book: int, device: str, now: datetime) -> list[Session]:
    """Who is signed in at the device. A clock that went back before the signing in opens nothing."""
    at = in_utc(now)
    open_now = select(t.session.c.person, t.session.c.until).where(
        t.session.c.book == book, t.session.c.device == device, t.session.c.opened_at <= at, t.session.c.until > at
    )
    return [Session(person=p, until=u) for p, u in connection.execute(open_now.order_by(t.session.c.person))]


def close(connection: Connection, book: int, device: str, person: str | None = None) -> None:
    """The person, or everybody, is signed out at the device."""
    which = delete(t.session).where(t.session.c.book == book, t.session.c.device == device)
    connection.execute(which if person is None else which.where(t.session.c.person == person))


def close_everywhere(connection: Connection, book: int, person: str) -> None:
    connection.execute(delete(t.session).where(t.session.c.book == book, t.session.c.person == person))
