"""Minted tags: made once, never twice, whether or not they were ever attached."""

from datetime import datetime
from secrets import randbelow

from sqlalchemy import Connection, insert, select

from service_api.directory import tables as t
from service_api.domain import tags
from service_api.domain.moments import in_utc

MOST = 5000


def mint(connection: Connection, book: int, count: int, now: datetime) -> list[str]:
    """`count` new tags. Raises ValueError for fewer than one or more than 5,000."""
    if not 1 <= count <= MOST:
        raise ValueError(f"between 1 and {MOST} tags at a time")
    made: list[str] = []
    while len(made) < count:
        tag = tags.mint(randbelow(len(tags.MINTED) ** 8))
        if tag and tag not in made and not is_minted(connection, book, tag):
            made.append(tag)
    at = in_utc(now)
    connection.execute(insert(t.minted_tag), [{"book": book, "tag": tag, "made_at": at} for tag in made])
    return made


def is_minted(connection: Connection, book: int, tag: str) -> bool:
    wanted = select(t.minted_tag.c.tag).where(t.minted_tag.c.book == book, t.minted_tag.c.tag == tag)
    return connection.execute(wanted).first() is not None
