"""Witnesses: who, beside the book, has signed its checkpoints. https://c2sp.org/tlog-cosignature

A witness signs a checkpoint only when it goes on from the last that it signed; so what one has signed is no fork and no
rollback of what it saw before. The book keeps the newest that each of its witnesses has signed.
"""

from collections.abc import Iterable
from typing import NamedTuple

from sqlalchemy import Connection, delete, insert, select

from service_api.log import tables as t
from service_api.log.notes import COSIGNATURE, NoteError, Verifier, is_signed, signatures

TIME = 8  # bytes of the seconds that stand before a signature


class Cosigned(NamedTuple):
    """The newest checkpoint that a witness has signed, and its line."""

    witness: str
    size: int
    root: bytes
    line: str


def cosignatures(note: str, known: Iterable[Verifier]) -> dict[str, str]:
    """The lines of those known that have signed a note, by name. Raises NoteError, for a wrong one too."""
    text, lines = signatures(note)
    keys = {(each.name, each.key_id): each for each in known if each.kind == COSIGNATURE}
    found: dict[str, str] = {}
    for name, signature, line in lines:
        key = keys.get((name, signature[:4]))
        if key is None:
            continue
        seconds = int.from_bytes(signature[4 : 4 + TIME], "big")
        message = f"cosignature/v1\ntime {seconds}\n{text}".encode()
        if not is_signed(key.public, message, signature[4 + TIME :]):
            raise NoteError(f"the signature of {name} is not of this text")
        found[name] = line
    return found


def keep(connection: Connection, book: int, cosigned: Cosigned) -> None:
    """Remember it, unless the same witness has signed a longer one."""
    table = t.cosignature
    mine = (table.c.book == book, table.c.witness == cosigned.witness)
    kept = connection.execute(select(table.c.size).where(*mine)).scalar()
    if kept is not None and kept > cosigned.size:
        return
    connection.execute(delete(table).where(*mine))
    connection.execute(insert(table).values(book=book, **cosigned._asdict()))
