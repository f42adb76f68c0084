"""Papers that were drawn once: which bytes were given out as the paper of an entry."""

from sqlalchemy import Connection, select, text

from service_api.directory import tables as t


def find(connection: Connection, book: int, entry: str) -> str | None:
    """The SHA-256 of the paper, None while it was never drawn."""
    found: str | None = connection.execute(
        select(t.paper.c.sha256).where(t.paper.c.book == book, t.paper.c.entry == entry)
    ).scalar()
    return found


def keep(connection: Connection, book: int, entry: str, digest: str) -> str:
    """The SHA-256 that stands for the entry from now on: of what was kept first, when two drew at once."""
    connection.execute(_KEEP, {"book": book, "entry": entry, "sha256": digest})
    return find(connection, book, entry) or digest


_KEEP = text("INSERT INTO paper (book, entry, sha256) VALUES (:book, :entry, :sha256) ON CONFLICT DO NOTHING")
