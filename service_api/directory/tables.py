"""The tables of the directory. `book` leads every key; a secret is stored as its SHA-256 only, a PIN as argon2id.

directory : one number a book, higher whenever somebody's roles change; what keeps roles in memory follows it
paper : the bytes that were drawn for an entry (a certificate), once
pin_guess : PINs tried in a row at a device for a person, counted before each is judged
session : who has signed in at a device, and until when
"""

from typing import Any

from sqlalchemy import Column, Index, Integer, LargeBinary, MetaData, Table, Text

metadata = MetaData()


def _key(*names: str) -> list[Column[Any]]:
    book: Column[Any] = Column("book", Integer, primary_key=True, autoincrement=False)
    return [book, *(Column(name, Text, primary_key=True) for name in names)]


person = Table(
    "person",
    metadata,
    *_key("id"),
    Column("name", Text, nullable=False),
    Column("retired_at", Text),
    Column("badge", Text),
    Column("pin", Text),
)
Index("person_badge", person.c.book, person.c.badge, unique=True)
person_role = Table("person_role", metadata, *_key("person", "from_on"), Column("role", Text, nullable=False))
party = Table("party", metadata, *_key("id"), Column("name", Text, nullable=False))
token = Table(
    "token",
    metadata,
    *_key("id"),
    Column("digest", LargeBinary, nullable=False),
    Column("role", Text, nullable=False),
    Column("person", Text),
    Column("party", Text),
    Column("device", Text),
    Column("name", Text),
    Column("made_at", Text, nullable=False),
    Column("expires_at", Text),
    Column("revoked_at", Text),
    Column("last_used_at", Text),
)
device = Table(
    "device",
    metadata,
    *_key("id"),
    Column("name", Text, nullable=False),
    Column("made_at", Text, nullable=False),
    Column("revoked_at", Text),
)
enrolment = Table(
    "enrolment",
    metadata,
    *_key("device"),
    Column("digest", LargeBinary, nullable=False),
    Column("until", Text, nullable=False),
    Column("used_at", Text),
)
minted_tag = Table("minted_tag", metadata, *_key("tag"), Column("made_at", Text, nullable=False))
attachment = Table(
    "attachment",
    metadata,
    *_key("sha256"),
    Column("media_type", Text, nullable=False),
    Column("bytes", Integer, nullable=False),
    Column("made_at", Text, nullable=False),
)
paper = Table("paper", metadata, *_key("entry"), Column("sha256", Text, nullable=False))
directory = Table("directory", metadata, *_key(), Column("version", Integer, nullable=False))
pin_guess = Table("pin_guess", metadata, *_key("device", "person"), Column("failures", Integer, nullable=False))
session = Table(
    "session",
    metadata,
    *_key("device", "person"),
    Column("opened_at", Text, nullable=False),
    Column("until", Text, nullable=False),
)
