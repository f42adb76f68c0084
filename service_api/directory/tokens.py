"""Tokens and enrolments: random, shown once, stored as SHA-256, scoped to one book, revocable at once.

A token's text is `fb<book>.<id>.<secret>`: the book and the id find its row by key, and the digests are compared in
constant time. The secret has 256 bits, so a plain hash is enough; a slow one is for secrets that people choose.
"""

import hmac
from base64 import urlsafe_b64encode
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from functools import lru_cache
from hashlib import sha256
from secrets import token_bytes, token_hex
from typing import Any

from sqlalchemy import Connection, insert, select, update

from service_api.directory import tables as t
from service_api.directory.sessions import close
from service_api.domain.moments import in_utc, parse
from service_api.domain.records import once, record

ENROLMENT_MINUTES = 60
HOUR = timedelta(hours=1)
# A query with `?` for its parameters, and what to make of its rows
Ask = Callable[[str, tuple[Any, ...], Callable[[list[Any]], Any]], Any]


@record(kw_only=True)
class Token:
    """Who is calling: what the token may do, and for whom. `id` is what entries carry as `recorded_by`.

    last_used_at : to the hour (`is_due`)
    directory : the version of the book's directory when the token was looked up
    """

    id: str
    book: int
    role: str
    person: str | None = None
    party: str | None = None
    device: str | None = None
    name: str | None = None
    made_at: str = ""
    expires_at: str | None = None
    revoked_at: str | None = None
    last_used_at: str | None = None
    directory: int = 0

    @once
    def last_used(self) -> datetime | None:
        return None if self.last_used_at is None else parse(self.last_used_at)


class Overtaken(Exception):
    """A token is not what it was when it was looked up: revoked, or used, or the directory moved. Look it up anew."""


@record(kw_only=True)
class Device:
    id: str
    name: str
    made_at: str
    revoked_at: str | None = None


def _secret() -> str:
    return urlsafe_b64encode(token_bytes(32)).decode().rstrip("=")


def _text(book: int, ident: str, secret: str) -> str:
    return f"fb{book}.{ident}.{secret}"


def split(text: str) -> tuple[int, str, bytes] | None:
    """(book, id, digest of the secret) of a token's text; None when it has not that form."""
    head, _, rest = text.partition(".")
    ident, _, secret = rest.partition(".")
    if not head.startswith("fb") or not head[2:].isdecimal() or len(head) > 11 or not ident or not secret:
        return None
    return int(head[2:]), ident, sha256(secret.encode()).digest()


def new_token(
    connection: Connection,
    book: int,
    role: str,
    now: datetime,
    *,
    person: str | None = None,
    party: str | None = None,
    device: str | None = None,
    name: str | None = None,
    days: int | None = None,
) -> tuple[Token, str]:
    """A new token and its text, which is shown this once and kept nowhere."""
    secret = _secret()
    token = Token(
        id=f"t-{token_hex(6)}",
        book=book,
        role=role,
        person=person,
        party=party,
        device=device,
        name=name,
        made_at=in_utc(now),
        expires_at=None if days is None else in_utc(now + timedelta(days=days)),
    )
    row = {k: getattr(token, k) for k in _COLUMNS}
    connection.execute(insert(t.token).values(**row, digest=sha256(secret.encode()).digest()))
    return token, _text(book, token.id, secret)


def find(ask: Ask, text: str, now: datetime) -> Token | None:
    """The live token of this text; None when it is unknown, expired or revoked.

    ask : sees what anybody has committed, for another request or process may have revoked it a moment ago
    """
    parts = split(text)
    if parts is None:
        return None
    book, ident, digest = parts
    kept: tuple[bytes, Token] | None = ask(_FIND, (book, ident), _kept)
    if kept is None or not hmac.compare_digest(kept[0], digest):
        return None
    token = kept[1]
    if token.revoked_at is not None or (token.expires_at is not None and token.expires_at <= in_utc(now)):
        return None
    return token


def of_rows(rows: Iterable[tuple[Any, ...]]) -> dict[str, Token]:
    """By id, from the rows of `NOW`, whatever they say of being revoked."""
    return {token.id: token for token in map(_of_row, map(tuple, rows))}


def _kept(rows: list[Any]) -> tuple[bytes, Token] | None:
    """The digest of the secret, and whose it is."""
    return (rows[0][0], _of_row(tuple(rows[0][1:]))) if rows else None


@lru_cache(maxsize=1024)
def _of_row(row: tuple[Any, ...]) -> Token:
    return Token(**dict(zip(_MEMBERS, row, strict=True)))


_MEMBERS = tuple(Token.__dataclass_fields__)
_COLUMNS = _MEMBERS[:-1]  # all but the directory's version, which comes along in the same statement
_VERSION = "coalesce((SELECT version FROM directory WHERE book = token.book), 0)"
_FIND = f"SELECT digest, {', '.join(_COLUMNS)}, {_VERSION} FROM token WHERE book = ? AND id = ?"
NOW = f"SELECT {', '.join(_COLUMNS)}, {_VERSION} FROM token WHERE book = ? AND id "  # and which ids


def stands(token: Token) -> tuple[str, tuple[Any, ...]]:
    """A condition for a server: the token is what it was when it was looked up."""
    return _STANDS, (token.book, token.id, *[getattr(token, name) for name in _BESIDE_KEY], token.directory)


_BESIDE_KEY = [name for name in _COLUMNS if name not in ("book", "id")]
_STANDS = (  # None is no value to a server, yet the same as None
    "EXISTS (SELECT 1 FROM token WHERE book = ? AND id = ?"
    f"{''.join(f' AND {name} IS NOT DISTINCT FROM ?' for name in _BESIDE_KEY)} AND {_VERSION} = ?)"
)


def _token(row: object) -> Token:
    return Token(**{name: getattr(row, name) for name in _COLUMNS})


def tokens(connection: Connection, book: int) -> list[Token]:
    rows = connection.execute(select(t.token).where(t.token.c.book == book).order_by(t.token.c.made_at, t.token.c.id))
    return [_token(row) for row in rows]


def revoke(connection: Connection, book: int, ident: str, now: datetime) -> bool:
    """The token is worth nothing from the next request on. False when there is no such token."""
    done = connection.execute(
        update(t.token)
        .where(t.token.c.book == book, t.token.c.id == ident, t.token.c.revoked_at.is_(None))
        .values(revoked_at=in_utc(now))
    )
    return bool(done.rowcount)


def is_due(token: Token, now: datetime) -> bool:
    """Its use is worth noting: an hour has passed since the last one that was noted."""
    return token.last_used is None or now - token.last_used >= HOUR


def note_use(connection: Connection, book: int, ident: str, now: datetime) -> None:
    connection.execute(
        update(t.token).where(t.token.c.book == book, t.token.c.id == ident).values(last_used_at=in_utc(now))
    )


# Devices


def enrol(connection: Connection, book: int, name: str, now: datetime) -> tuple[Device, str, str]:
    """A new device, the code of its one-time link, and until when the code is good."""
    device = Device(id=f"d-{token_hex(4)}", name=name, made_at=in_utc(now))
    connection.execute(insert(t.device).values(book=book, id=device.id, name=name, made_at=device.made_at))
    secret, until = _secret(), in_utc(now + timedelta(minutes=ENROLMENT_MINUTES))
    digest = sha256(secret.encode()).digest()
    connection.execute(insert(t.enrolment).values(book=book, device=device.id, digest=digest, until=until))
    return device, _text(book, device.id, secret), until


def redeem(connection: Connection, code: str, now: datetime) -> str | None:
    """The token text that a device's cookie will hold; None when the code is unknown, used or too old."""
    parts = split(code)
    if parts is None:
        return None
    book, ident, digest = parts
    where = (t.enrolment.c.book == book, t.enrolment.c.device == ident)
    row = connection.execute(select(t.enrolment).where(*where)).first()
    if row is None or not hmac.compare_digest(row.digest, digest) or row.used_at or row.until <= in_utc(now):
        return None
    spent = update(t.enrolment).where(*where, t.enrolment.c.used_at.is_(None)).values(used_at=in_utc(now))
    if connection.execute(spent).rowcount == 0:  # on a server another request may have been faster
        return None
    _, text = new_token(connection, book, "bench", now, device=ident, name="bench page")
    return text


def devices(connection: Connection, book: int) -> list[Device]:
    rows = connection.execute(select(t.device).where(t.device.c.book == book).order_by(t.device.c.id))
    return [Device(id=r.id, name=r.name, made_at=r.made_at, revoked_at=r.revoked_at) for r in rows]


def find_device(connection: Connection, book: int, ident: str) -> Device | None:
    r = connection.execute(select(t.device).where(t.device.c.book == book, t.device.c.id == ident)).first()
    return None if r is None else Device(id=r.id, name=r.name, made_at=r.made_at, revoked_at=r.revoked_at)


def revoke_device(connection: Connection, book: int, ident: str, now: datetime) -> bool:
    """The device and its tokens are worth nothing from the next request on. False when there is no such device."""
    at = in_utc(now)
    done = connection.execute(
        update(t.device)
        .where(t.device.c.book == book, t.device.c.id == ident, t.device.c.revoked_at.is_(None))
        .values(revoked_at=at)
    )
    connection.execute(
        update(t.token)
        .where(t.token.c.book == book, t.token.c.device == ident, t.token.c.revoked_at.is_(None))
        .values(revoked_at=at)
    )
    connection.execute(
        update(t.enrolment)
        .where(t.enrolment.c.book == book, t.enrolment.c.device == ident, t.enrolment.c.used_at.is_(None))
        .values(used_at=at)
    )
    close(connection, book, ident)
    return bool(done.rowcount)
